"""The racquet file: what it means, and what is said of a file that is wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from evenbed.racquet.file import RacquetError, examples, find, parse, read, write
from evenbed.racquet.model import Hole, Racquet, StringName
from evenbed.racquet.rules import check
from hypothesis import example, given, settings
from hypothesis import strategies as st

PLAIN = """
name = "Plain"
sport = "tennis"
unit = "kgf"
[frame]
inside_length_mm = 340
inside_width_mm = 250
least = 20
most = 27
[pattern]
mains = 16
crosses = 18
first_loop = "head"
[string]
family = "nylon"
[tension]
main = 24
"""


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(RacquetError) as caught:
        parse(text, "mine.racquet.toml")
    assert str(caught.value).startswith("mine.racquet.toml: ")
    return caught.value.problems


def edited(old: str, new: str) -> str:
    assert old in PLAIN
    return PLAIN.replace(old, new)


# --- what a file means -------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("unit", "newtons"), [("N", 100.0), ("kgf", 980.665), ("lbf", 444.8221615260500)])
def test_tensions_are_in_the_files_unit(unit: str, newtons: float) -> None:
    # NIST SP 811, App. B: 1 kgf = 9.80665 N, 1 lbf = 4.448 221 615 260 5 N, both exact.
    text = PLAIN.replace('"kgf"', f'"{unit}"').replace("least = 20\nmost = 27\n", "")
    figure = {"N": 235.0, "kgf": 24.0, "lbf": 52.0}[unit]
    racquet = parse(text.replace("main = 24", f"main = {figure}"))
    assert racquet.main_n == pytest.approx(figure / 100.0 * newtons, rel=1e-12)


def test_sports_customs_hold_where_the_file_says_nothing() -> None:
    # Common practice, no source: badminton's crosses 5 to 10 % above the mains; three mains ahead in tennis, fewer there.
    tennis = parse(PLAIN)
    assert tennis.cross_n == tennis.main_n and tennis.mains_ahead == 3 and tennis.crosses_from == "head"
    badminton = read(examples()["badminton-22x21"])
    assert 1.05 <= badminton.cross_n / badminton.main_n <= 1.10 and badminton.mains_ahead <= 2
    assert any("an estimate" in said for said in tennis.estimated)


def test_the_first_loop_follows_from_the_mains_at_the_throat() -> None:
    # Common practice, no source: mains per side at the throat odd, throat; even, head.
    for mains, start in ((6, "throat"), (8, "head"), (10, "throat")):
        assert parse(edited('first_loop = "head"', f"mains_at_throat = {mains}")).start == start


def test_skipped_holes_go_to_the_crosses() -> None:
    racquet = parse(edited("crosses = 18", 'crosses = 18\nskipped = ["head 7", "throat 7", "throat 9"]'))
    assert racquet.main_holes["head"] == (1, 2, 3, 4, 5, 6, 8, 9)
    assert racquet.main_holes["throat"] == (1, 2, 3, 4, 5, 6, 8, 10)
    assert racquet.cross_holes[:2] == (("head", 7), ("head", 10))
    assert racquet.cross_holes[-3:] == (("throat", 11), ("throat", 9), ("throat", 7))


def test_a_shared_hole_holds_a_main_and_a_cross() -> None:
    racquet = parse(edited("crosses = 18", 'crosses = 18\nshared = ["head 8"]'))
    assert racquet.cross_holes[0] == ("head", 8) and racquet.main_holes["head"][-1] == 8
    assert check(racquet).errors == ()


def test_references_of_single_strings_and_of_both_sides() -> None:
    racquet = parse(PLAIN + '[tension.own]\n"main 8" = 23\n"main 1 left" = 25\n"cross 18" = 22\n')
    kgf = 9.80665  # NIST SP 811
    for name, figure in (
        (StringName("main", 8, "left"), 23),
        (StringName("main", 8, "right"), 23),
        (StringName("main", 1, "left"), 25),
        (StringName("main", 1, "right"), 24),
        (StringName("cross", 18), 22),
    ):
        assert racquet.reference_n(name) == pytest.approx(figure * kgf)


def test_the_rest_of_a_full_file() -> None:
    racquet = read(examples()["tennis-two-piece-18x20"])
    mains, crosses = racquet.pieces
    assert (mains.part, mains.family, mains.speed_mm_s) == ("mains", "polyester", 50.0)
    assert (crosses.part, crosses.hand_stretched, crosses.over_pull) == ("crosses", True, 0.0)
    assert not racquet.late_first_cross and racquet.tie_off_above == pytest.approx(0.05)
    assert racquet.tie_offs["crosses end"] == Hole("throat", 6, "left")
    assert racquet.player == {"wish": "more feel than last time, still control"}
    assert parse(PLAIN + "[player]\ndue = 2031-05-01\n").player == {"due": "2031-05-01"}


# --- the examples ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", sorted(examples()))
def test_every_example_is_in_order(name: str) -> None:
    found = check(read(examples()[name]))
    assert found.errors == () and found.questions == ()


def test_the_examples_are_of_three_sports_and_one_is_a_hybrid() -> None:
    all_of_them = [read(path) for path in examples().values()]
    assert {"tennis", "badminton", "squash"} <= {r.sport for r in all_of_them}
    assert any(len({p.family for p in r.pieces}) == 2 for r in all_of_them)
    assert find("squash-14x18") == examples()["squash-14x18"]


# --- what is wrong -----------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('name = "Plain"', "", ("name: missing",)),
        ('"tennis"', '"tenis"', ("sport: 'tenis'", "did you mean 'tennis'?")),
        ('"kgf"', '"kg"', ("unit: 'kg'", "did you mean 'kgf'?")),
        ("main = 24", "main = 240", ("[tension] main: 240 kgf is outside 3.059 to 40.79 kgf",)),
        ("main = 24", 'main = "24"', ("[tension] main: '24' is no number", "without quotes")),
        ("main = 24", "main = true", ("[tension] main: true is no number",)),
        ("main = 24", "main = nan", ("[tension] main: nan",)),
        ("main = 24", "main = 24\ncross = 23\ncross_ratio = 1.0", ("cross_ratio: cross says it already",)),
        ("mains = 16", "mains = 17", ("[pattern] mains: 17 is odd",)),
        ("mains = 16", "mains = 16.5", ("16.5 is no whole number",)),
        ("mains = 16", "mains = 40", ("40 is outside 4 to 30",)),
        ("mains = 16", "mians = 16", ("[pattern] mians: not a key", "did you mean 'mains'?", "[pattern] mains: missing")),
        ('first_loop = "head"', "", ("first_loop: missing", "mains_at_throat")),
        ('first_loop = "head"', "mains_at_throat = 7", ("mains_at_throat: 7 is odd",)),
        ("crosses = 18", 'crosses = 18\nskipped = ["7H"]', ("skipped: '7H' names no pair of holes", "'head 7'")),
        ("crosses = 18", 'crosses = 18\nskipped = ["head 7 left"]', ("left and right",)),
        ("crosses = 18", 'crosses = 18\nskipped = ["head 12"]', ("'head 12' lies beyond the last main",)),
        (
            "crosses = 18",
            'crosses = 18\ncross_holes = ["head 9"]',
            ("cross_holes: 18 crosses need 18 holes, from the head, not 1",),
        ),
        ("crosses = 18", "crosses = 18\nmains_x_mm = [5, 15]", ("mains_x_mm: 8 strings need 8 numbers, not 2",)),
        (
            "crosses = 18",
            "crosses = 18\nmains_x_mm = [5, 15, 14, 35, 45, 55, 65, 75]",
            ("mains_x_mm: number 3 is no farther",),
        ),
        (
            "crosses = 18",
            "crosses = 18\nmains_x_mm = [5, 15, 25, 35, 45, 55, 65, 124.9]",
            ("mains_x_mm: number 8, 124.9 mm, leaves", "30 mm at least"),
        ),
        ("inside_width_mm = 250", "inside_width_mm = 25.0", ("inside_width_mm: 25.0 mm is outside 100 to 420 mm",)),
        ("inside_width_mm = 250", "", ("inside_width_mm: missing: measure it",)),
        ("least = 20", "least = 30", ("least: 30 is more than most, 27 kgf",)),
        ("most = 27", "most = 27\noutline = [[0, 0], [1, 2]]", ("outline: give five points",)),
        ("[string]", '[string]\npart = "mains"', ("the parts are mains",)),
        ('family = "nylon"', 'family = "silk"', ("[string] family: 'silk' is none of",)),
        ('family = "nylon"', 'family = "nylon"\ndiameter_mm = 130', ("diameter_mm: 130 mm is outside 0.4 to 2 mm",)),
        ('family = "nylon"', 'family = "nylon"\nover_pull = 10', ("did you mean 'over_pull_percent'?",)),
        (
            "main = 24",
            'main = 24\n[tie_offs]\n"short side" = "7 head left"',
            ("'7 head left' names no hole", "'head 7 left'"),
        ),
        ("main = 24", 'main = 24\n[tie_offs]\n"shot side" = "head 7 left"', ("did you mean 'short side'?",)),
        ("main = 24", 'main = 24\n[tension.own]\n"main 9 left" = 24', ("'main 9 left' is not there", "1 to 8")),
        ("main = 24", 'main = 24\n[tension.own]\n"main 1" = 24\n"main 1 left" = 23', ("reference of its own already",)),
        ("[string]", "string = 3\n[strang]", ("[pattern] string: not a key", "string: missing")),
        ('unit = "kgf"', 'unit = "kgf', ("it is not TOML", "line 4")),
    ],
)
def test_what_is_wrong_is_said_with_key_value_and_bound(old: str, new: str, parts: tuple[str, ...]) -> None:
    said = "\n".join(problems(edited(old, new)))
    for part in parts:
        assert part in said


def test_an_outline_is_checked_point_by_point() -> None:
    good = "outline = [[0, 0], [60, 10], [120, 150], [60, 300], [0, 330]]"
    base = edited("inside_length_mm = 340\ninside_width_mm = 250", good)
    racquet = parse(base)
    assert (racquet.head_length_mm, racquet.head_width_mm, racquet.exponent) == (330.0, 240.0, None)
    for old, new, part in (
        ("[60, 10]", "[60]", "point 2 is [60]"),
        ("[120, 150]", "[120, 5]", "point 3 goes back"),
        ("[120, 150]", "[1200, 150]", "point 3 is [1200, 150] mm"),
        ("[0, 330]", "[9, 330]", "ends at x = 0"),
        (good, good + "\ninside_length_mm = 340", "the outline says it already"),
        (good, "outline = [[0, 0], [6, 1], [12, 15], [6, 30], [0, 33]]", "is it in mm?"),
    ):
        assert part in "\n".join(problems(base.replace(old, new)))


def test_all_problems_are_found_in_one_go() -> None:
    wrong = PLAIN.replace("16", "17").replace("nylon", "silk").replace("340", "34").replace("= 24", "= 2400") + "x = 1\n"
    assert len(problems(wrong)) == 5


def test_files_that_cannot_be_read_or_written(tmp_path: Path) -> None:
    for make, part in (
        (lambda p: None, "there is no such file"),
        (lambda p: p.mkdir(), "it cannot be read"),
        (lambda p: p.write_bytes(b"\xff\xfe"), "not UTF-8"),
        (lambda p: p.write_bytes(b"#" * 300_000), "300000 bytes"),
    ):
        path = tmp_path / part.replace(" ", "")
        make(path)
        with pytest.raises(RacquetError, match=part):
            read(path)
    path = tmp_path / "one.racquet.toml"
    write(path, PLAIN)
    assert read(path).name == "Plain"
    with pytest.raises(RacquetError, match="there already"):
        write(path, "")
    with pytest.raises(RacquetError, match="cannot be written"):
        write(tmp_path / "nowhere" / "two.toml", PLAIN)
    assert read(path).name == "Plain" and not list(tmp_path.glob(".*"))


# --- nothing that is typed makes a traceback ----------------------------------------------------------------------
SCALARS = st.one_of(
    st.integers(-(10**6), 10**6),
    st.sampled_from(
        ["1e999", "-1", "nan", "inf", "0", "0x" + "f" * 5000, "true", "[]", "{}", "[[1, 2], []]", "{ a = [1] }"]
    ),
    st.sampled_from(
        ["2031-01-01", "07:00:00", '"head"', '"head 7"', '"main 1"', '""', '"\\u001b[2J"', '["head 8", "head 8"]']
    ),
    st.floats(allow_nan=False, allow_infinity=False),
).map(str)
TEXTS = {name: path.read_text(encoding="utf-8") for name, path in examples().items()}


def accepted_or_told(text: str) -> Racquet | None:
    try:
        racquet = parse(text)
    except RacquetError as e:
        assert e.problems and all(p.strip() for p in e.problems)
        assert all(line.isprintable() for line in str(e).split("\n"))
        return None
    check(racquet)
    assert len(racquet.main_lengths_mm) == racquet.per_side and len(racquet.cross_lengths_mm) == racquet.crosses
    assert len(racquet.cross_holes) == racquet.crosses
    assert min(racquet.main_lengths_mm + racquet.cross_lengths_mm) >= 30.0
    assert min(racquet.reference_n(n) for n in racquet.names()) > 0.0
    return racquet


@given(st.sampled_from(sorted(TEXTS)), st.data())
@settings(max_examples=200, deadline=None)
def test_a_value_changed_at_random_is_accepted_or_told(name: str, data: st.DataObject) -> None:
    lines = TEXTS[name].splitlines()
    keyed = [i for i, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    i = data.draw(st.sampled_from(keyed))
    lines[i] = f"{lines[i].split(' = ')[0]} = {data.draw(SCALARS)}"
    accepted_or_told("\n".join(lines))


@given(st.sampled_from(sorted(TEXTS)), st.data())
@settings(max_examples=60, deadline=None)
def test_a_line_dropped_is_accepted_or_told(name: str, data: st.DataObject) -> None:
    lines = TEXTS[name].splitlines()
    del lines[data.draw(st.integers(0, len(lines) - 1))]
    accepted_or_told("\n".join(lines))


@given(st.text(max_size=80))
@example("[" * 3000)
@example("a = " + "9" * 5000)
@settings(max_examples=60, deadline=None)
def test_any_text_is_told(text: str) -> None:
    assert accepted_or_told(text) is None


def test_a_value_is_never_taken_silently_for_another_type() -> None:
    # Every number of an example put in quotes is a problem, and every text without its quotes, too.
    for text in TEXTS.values():
        for key, value in tomllib.loads(text)["frame"].items():
            if isinstance(value, int | float):
                assert any(key in p for p in problems(text.replace(f"{key} = {value}", f'{key} = "{value}"')))
