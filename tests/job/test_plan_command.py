"""``evenbed plan``: the sheet on the wall, and what it says when it cannot be made."""

from __future__ import annotations

from pathlib import Path

import pytest
from evenbed.cli.plan import WIDTH, run
from evenbed.racquet.file import examples, read


@pytest.fixture(autouse=True)
def no_rig_of_ones_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("EVENBED_RIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))


def rig(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize("name", sorted(examples()))
def test_every_example_fits_on_the_sheet(name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    floating = rig(tmp_path, '[clamps]\nkind = "floating"\ncount = 2\nstarting_clamp = false\n')
    racquet = read(examples()[name])
    for on in (None, floating):
        assert run(name, on) == 0
        out = capsys.readouterr().out
        assert max(map(len, out.splitlines())) <= WIDTH
        lines = [line.strip() for line in out.splitlines()]
        # Cut first, then every string once, in order, then what comes of it.
        assert lines.index("Cut") < lines.index("Mains") < lines.index("Crosses") < lines.index("Load on the frame")
        for number in range(1, racquet.mains + racquet.crosses + 1):
            assert sum(line.startswith(f"{number}  ") for line in lines) == 1
        assert racquet.unit in out and f"cross {racquet.crosses}" in out


def test_the_unit_can_be_chosen(capsys: pytest.CaptureFixture[str]) -> None:
    # 22 kgf = 215.7 N (9.806 65 N, exact)
    assert run("demo-six-by-seven", None, "N") == 0
    out = capsys.readouterr().out
    assert "Mains 215.7 N" in out and "kgf" not in out


def test_what_cannot_be_planned_is_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(str(tmp_path / "nothing.racquet.toml")) == 2
    assert "nothing.racquet.toml" in capsys.readouterr().out
    assert run("demo-six-by-seven", tmp_path / "no.toml") == 2
    assert "there is no such file" in capsys.readouterr().out
    assert run("demo-six-by-seven", rig(tmp_path, "[clamps]\ncount = 1\n")) == 2
    assert "[clamps] count = 1" in capsys.readouterr().out
    text = examples()["demo-six-by-seven"].read_text().replace("cross = 21", "cross = 27")
    (tmp_path / "a.racquet.toml").write_text(text)
    assert run(str(tmp_path / "a.racquet.toml")) == 2
    assert "more than the maker allows" in capsys.readouterr().out
