"""rig.toml: what is refused and how it is said, where it is, and that a change leaves the rest of the file alone."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from evenbed import rig

DAY = date(2031, 5, 4)
BY_HAND = """\
# my rig, second try

[clamps]   # from the old machine
kind = "floating"
count = 2 # blue ones

# bought used
[screw]
pitch_mm = 3 # measured over ten turns
diameter_mm = 12

[measured]
delay_s = { value = 0.0281, on = 2031-01-02 } # third try
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "rig.toml"


def refusal(path: Path, text: str) -> str:
    path.write_text(text, encoding="utf-8")
    with pytest.raises(rig.RigError) as e:
        rig.read(path)
    assert str(e.value).startswith(f"{path}: ")
    return str(e.value)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("[clamps]\ncout = 2", ("[clamps] cout is not known", "did you mean 'count'?")),
        ("[clmps]\ncount = 2", ("[clmps] is no table", "did you mean 'clamps'?")),
        ("count = 2", ("'count' is no table", "every key needs one")),
        ("clamps = 3", ("clamps = 3", "it has to be a table")),
        ("[clamps]\ncount = 5", ("[clamps] count = 5", "from 2 to 4")),
        ("[clamps]\ncount = 1", ("[clamps] count = 1", "from 2 to 4")),
        ("[clamps]\ncount = 2.5", ("count = 2.5", "a whole number", "from 2 to 4")),
        ("[clamps]\ncount = true", ("count = True", "a whole number")),
        ("[clamps]\nkind = 'floting'", ("kind = 'floting'", "'fixed', 'floating'", "did you mean 'floating'?")),
        ("[clamps]\nstarting_clamp = 1", ("starting_clamp = 1", "true or false")),
        ("[machine]\nname = 7", ("name = 7", "text in quotes")),
        ("[gripper]\ntail_mm = 5", ("[gripper] tail_mm = 5 mm", "from 50 to 2000 mm", "beyond the frame")),
        ("[limits]\nlimit_n = '300'", ("limit_n = '300'", "a number, from 20 to 1000 N")),
        ("[limits]\nlimit_n = nan", ("limit_n = nan N", "from 20 to 1000 N")),
        ("[limits]\nlimit_n = inf", ("limit_n = inf N", "from 20 to 1000 N")),
        ("[limits]\nlimit_n = 1" + "0" * 400, ("limit_n = 1000", "from 20 to 1000 N")),
        ("[measured]\ndelay_s = 0.03", ("delay_s = 0.03 s", "{ value = ..., on = 2031-05-04 }")),
        ("[measured]\ndelay_s = {value = 0.03, on = '2031'}", ("delay_s.on = '2031'", "a date such as 2031-05-04")),
        ("[measured]\ndelay_s = {value = 3, on = 2031-05-04}", ("delay_s.value = 3 s", "from 0 to 1 s")),
        ("[measured]\ninputs = {value = 3, on = 2031-05-04}", ("inputs.value = 3", "true or false")),
        ("[motor]\npull_out = [[5, 1.0], [1, 1.2]]", ("[motor] pull_out", "speeds rise")),
        ("[motor]\npull_out = [5, 1.0]", ("[motor] pull_out", "a list of [turns/s, N·m]")),
        ("[screw]\npitch_mm = 9", ("pitch_mm = 9 mm", "diameter_mm = 10 mm", "starts")),
        ("[screw]\nfriction_least = 0.3", ("friction_least = 0.3", "friction = 0.15")),
        ("[strings]\nsoftest_n_mm = 40", ("softest_n_mm = 40 N/mm", "stiffest_n_mm = 34 N/mm")),
        ("[strings]\nlowest_n = 300", ("lowest_n = 300 N", "highest_n = 290 N")),
        ("[clamps\ncount = 2", ("no TOML", "line 1", "key = value")),
        ("count = ", ("no TOML",)),
    ],
)
def test_what_cannot_be_is_refused_by_name_value_and_bound(path: Path, text: str, parts: tuple[str, ...]) -> None:
    said = refusal(path, text)
    assert all(part in said for part in parts), said


def test_a_file_that_is_none(path: Path) -> None:
    with pytest.raises(rig.RigError, match="no such file"):
        rig.read(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(rig.RigError, match="UTF-8"):
        rig.read(path)
    with pytest.raises(rig.RigError, match="cannot be read"):
        rig.read(path.parent)


def test_what_is_left_out_has_its_default(path: Path) -> None:
    path.write_text("")
    assert rig.read(path) == rig.default_rig()
    path.write_text(BY_HAND)
    found = rig.read(path)
    assert (found.clamps.kind, found.clamps.count, found.clamps.starting) == ("floating", 2, True)
    assert found.gripper_tail_mm == 300.0
    assert found.lead_mm == 3.0


def test_the_example_is_the_default_rig() -> None:
    example = Path(__file__).resolve().parents[2] / "hardware" / "rig.toml"
    assert rig.read(example) == rig.default_rig()
    assert "invented" in example.read_text(encoding="utf-8")


def test_measured_values_come_first(path: Path) -> None:
    assert rig.default_rig().delay_periods is None
    path.write_text(BY_HAND)
    assert rig.read(path).delay_periods == pytest.approx(0.0281 * 80.0)
    found = rig.update(path, {"measured.rate_hz": rig.Result(83.0, DAY), "measured.travel_mm": rig.Result(291.0, DAY)})
    assert found.delay_periods == pytest.approx(0.0281 * 83.0)
    assert found.travel_mm == 291.0


def test_where_it_is(path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv(rig.ENV, raising=False)
    assert rig.where().parts[-2:] == ("evenbed", "rig.toml")
    # Nobody named a file and there is none: the default rig.
    assert rig.load() == rig.default_rig()
    rig.update(rig.where(), {"clamps.count": 4})
    assert rig.load().clamps.count == 4
    # A file that somebody named has to be there.
    monkeypatch.setenv(rig.ENV, str(path))
    assert rig.where() == path
    with pytest.raises(rig.RigError, match="no such file"):
        rig.load()
    assert rig.where(tmp_path / "other.toml") == tmp_path / "other.toml"


def test_a_change_leaves_the_rest_of_the_file_alone(path: Path) -> None:
    path.write_text(BY_HAND)
    found = rig.update(
        path, {"clamps.count": 3, "measured.delay_s": rig.Result(0.031, DAY), "measured.inputs": rig.Result(True, DAY)}
    )
    text = path.read_text()
    expected = BY_HAND.replace("count = 2 #", "count = 3 #").replace(
        "{ value = 0.0281, on = 2031-01-02 } # third try\n",
        "{value = 0.031, on = 2031-05-04} # third try\ninputs = {value = true, on = 2031-05-04}\n",
    )
    assert text == expected
    assert found == rig.read(path)


def test_a_new_key_goes_to_its_own_table(path: Path) -> None:
    path.write_text(BY_HAND)
    rig.update(path, {"clamps.starting_clamp": False, "brake.fitted": True})
    text = path.read_text()
    assert "count = 2 # blue ones\nstarting_clamp = false\n\n# bought used\n[screw]" in text
    assert text.endswith("[brake]\nfitted = true\n")


@pytest.mark.parametrize(
    "text",
    [
        "clamps.count = 2 # dotted\n",
        "clamps = { count = 2 } # inline\n",
        "[measured.delay_s]\nvalue = 0.02\non = 2031-01-01\n\n[clamps]\ncount = 2\n",
        "[measured]\n# to come\n\n# clamps\n[clamps]\n",
        "[clamps]\r\ncount = 2 # two\r\n",
    ],
)
def test_other_ways_to_lay_it_out(path: Path, text: str) -> None:
    path.write_text(text, newline="")
    found = rig.update(path, {"clamps.count": 3, "clamps.kind": "floating", "measured.delay_s": rig.Result(0.03, DAY)})
    assert rig.read(path) == found
    assert (found.clamps.count, found.clamps.kind, found.delay_periods) == (3, "floating", pytest.approx(2.4))
    assert text.count("#") == path.read_text().count("#")
    removed = rig.update(path, {"measured.delay_s": None})
    assert removed.delay_periods is None
    assert rig.read(path) == removed


def test_a_refused_change_writes_nothing(path: Path) -> None:
    path.write_text(BY_HAND)
    for values in ({"clamps.count": 9}, {"clamps.cuont": 3}, {"clamp.count": 3}, {"count": 3}, {"screw.friction": 0.05}):
        with pytest.raises(rig.RigError):
            rig.update(path, values)
    assert path.read_text() == BY_HAND
    assert [p.name for p in path.parent.iterdir() if p.suffix == ".toml"] == ["rig.toml"]


def test_a_folder_that_may_not_be_written(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.write_text(BY_HAND)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(rig.RigError, match=r"cannot be written .No space left"):
        rig.update(path, {"clamps.count": 3})
    assert path.read_text() == BY_HAND
    assert [p.name for p in path.parent.iterdir() if p.suffix == ".toml"] == ["rig.toml"]


def test_a_new_file_explains_every_key(path: Path) -> None:
    rig.write(path, rig.default_rig())
    lines = path.read_text().splitlines()
    assert all("#" in line for line in lines if " = " in line)
    assert rig.read(path) == rig.default_rig()
    # Writing what is there changes nothing.
    rig.write(path, rig.read(path))
    assert path.read_text().splitlines() == lines


def test_values_as_typed() -> None:
    assert [rig.parsed(text) for text in ("3", "0.5", "true", "spring pack", "2031-05-04", "[[1, 2]]")] == [
        3,
        0.5,
        True,
        "spring pack",
        DAY,
        [[1, 2]],
    ]
