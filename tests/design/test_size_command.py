"""evenbed size as a builder uses it: what it prints, what it writes, how it ends."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from evenbed.cli.size import SizeRequest, run
from evenbed.rig import ENV, read

MINE = """\
# the machine in the cellar
[machine]
name = "cellar"

[screw]
pitch_mm = 2.0   # rolled
friction_least = 0.08
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "rig.toml"


def test_a_sound_rig(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(MINE)
    assert run(SizeRequest(path)) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"cellar ({path})\n")
    assert "Nothing here is unsafe or pointless." in shown
    assert "x 1.17   ok" in shown  # self-locking at 0.08
    assert "Slim" in shown
    assert path.read_text() == MINE


def test_warnings_come_first_and_the_exit_code_tells(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(MINE)
    assert run(SizeRequest(path, ("motor.microsteps=4", "screw.thread=ball", "coupling.kind=spring pack"))) == 4
    shown = capsys.readouterr().out
    unsafe, pointless, table = shown.find("UNSAFE "), shown.find("POINTLESS "), shown.find("verdict")
    assert 0 < unsafe < pointless < table
    assert "with motor.microsteps=4, screw.thread=ball" in shown
    assert all(len(line) <= 110 for line in shown.splitlines()[1:])
    # Pointless alone is no failure.
    assert run(SizeRequest(path, ("motor.microsteps=4",))) == 0


def test_why(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(MINE)
    run(SizeRequest(path, unit="kgf"))
    short = capsys.readouterr().out
    run(SizeRequest(path, unit="kgf", why=True))
    long = capsys.readouterr().out
    assert "Shigley" in long
    assert "Shigley" not in short
    assert "33.65 kgf" in short  # 330 N over 9.806 65


@pytest.mark.parametrize(
    ("trial", "says"),
    [
        ("screw.pich_mm=3", "did you mean 'pitch_mm'?"),
        ("clamps.count=9", "from 2 to 4"),
        ("count=9", "write table.key"),
        ("clamps.count", "write table.key=value"),
    ],
)
def test_asked_wrongly(path: Path, capsys: pytest.CaptureFixture[str], trial: str, says: str) -> None:
    path.write_text(MINE)
    assert run(SizeRequest(path, (trial,), write=True)) == 2
    assert says in capsys.readouterr().out
    assert path.read_text() == MINE


def test_no_such_file(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(SizeRequest(path)) == 2
    assert "no such file" in capsys.readouterr().out


def test_it_writes_what_it_reckons(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(MINE)
    assert run(SizeRequest(path, ("screw.friction_least=0.1",), write=True)) == 0
    text = path.read_text()
    assert text.startswith(MINE.replace("0.08", "0.1"))
    rig = read(path)
    assert (rig.computed.steps_mm, rig.computed.on) == (1600.0, date.today())
    assert f"Written to {path}" in capsys.readouterr().out
    # Another rig by hand: the values reckoned are not its own any more.
    path.write_text(text.replace("pitch_mm = 2.0", "pitch_mm = 1.0"))
    run(SizeRequest(path))
    assert "not of this rig any more" in capsys.readouterr().out
    run(SizeRequest(path, write=True))
    capsys.readouterr()
    run(SizeRequest(path))
    assert "not of this rig any more" not in capsys.readouterr().out


def test_it_begins_a_file(path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv(ENV, str(path))
    assert run(SizeRequest(None)) == 2  # named, and not there
    assert run(SizeRequest(None, ("machine.name=new one",), write=True)) == 0
    assert "every value at its default" in capsys.readouterr().out
    assert read(path).name == "new one"
    assert "# major diameter (from 3 to 60 mm)" in path.read_text()
