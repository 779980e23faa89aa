"""Rules of the sports, holes, tensions, parity: what is an error, what is a question, what the file may overrule."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenbed.racquet.file import examples, parse, read
from evenbed.racquet.findings import Findings
from evenbed.racquet.model import Racquet
from evenbed.racquet.rules import check

TEXTS = {name: path.read_text(encoding="utf-8") for name, path in examples().items()}
TENNIS, HYBRID = "tennis-one-piece-16x18", "tennis-two-piece-18x20"
BADMINTON, SQUASH, DEMO = "badminton-22x21", "squash-14x18", "demo-six-by-seven"


def found(name: str, *edits: tuple[str, str]) -> Findings:
    text = TEXTS[name]
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new)
    return check(parse(text))


def one(findings: tuple[str, ...]) -> str:
    assert len(findings) == 1, findings
    return findings[0]


# --- the sports' rules -------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("name", "old", "most"),
    [
        # ITF Rules of Tennis, Appendix II c: 73.7 and 31.7 cm over all, hitting surface 39.4 by 29.2 cm (read).
        (TENNIS, "length_mm = 686", 737),
        (HYBRID, "width_mm = 256", 317),
        (TENNIS, "inside_length_mm = 342", 394),
        (TENNIS, "inside_width_mm = 254", 292),
        # BWF Laws of Badminton 4.1, 4.2: frame 680 by 230 mm, stringed area 280 by 220 mm (read).
        (BADMINTON, "length_mm = 674", 680),
        (BADMINTON, "width_mm = 203", 230),
        (BADMINTON, "inside_width_mm = 187", 220),
        # WSF Rules of Squash, Appendix 9: 686 mm long, 215 mm wide (read).
        (SQUASH, "length_mm = 685", 686),
        (SQUASH, "width_mm = 209", 215),
    ],
)
def test_a_rules_limit_is_allowed_and_a_millimetre_more_is_not(name: str, old: str, most: int) -> None:
    key = old.split(" = ")[0]
    wide = [] if name != BADMINTON or "inside" not in key else [("width_mm = 203", "width_mm = 230")]
    assert found(name, *wide, (f"\n{old}", f"\n{key} = {most}")).errors == ()
    said = one(found(name, *wide, (f"\n{old}", f"\n{key} = {most + 1}")).errors)
    assert f"{most + 1} mm" in said and f"{most} mm" in said and 'rules = "not for play by the rules"' in said


def test_the_file_may_say_that_it_is_not_for_play_by_the_rules() -> None:
    edits = (("length_mm = 686", "length_mm = 740"), ('unit = "kgf"', 'unit = "kgf"\nrules = "not for play by the rules"'))
    over = found(TENNIS, *edits)
    assert over.errors == () and any("740 mm" in r for r in over.remarks)


def test_squash_limits_the_strung_area_and_its_length() -> None:
    # WSF Rules of Squash, Appendix 9: strung area 500 cm2, strings 390 mm (read). An ellipse has pi a b.
    outline = TEXTS[SQUASH][TEXTS[SQUASH].index("outline") : TEXTS[SQUASH].index("least")]
    sizes = "inside_length_mm = {}\ninside_width_mm = {}\nexponent = 2.0\n"
    assert found(SQUASH, (outline, sizes.format(330, 192))).errors == ()  # 497.6 cm2
    assert "501.3 cm2" in one(found(SQUASH, (outline, sizes.format(330, 193.4))).errors)
    assert "391 mm" in one(found(SQUASH, (outline, sizes.format(391, 150))).errors)


def test_badminton_strings_may_extend_into_a_narrow_throat() -> None:
    # BWF Laws of Badminton 4.2.2: beyond 280 mm up to 330 mm in all, if not wider than 35 mm there (read).
    outline = "outline = [[0, 0], [60, 15], [93, 120], [60, 240], [{0}, 280], [{0}, {1}], [0, {1}]]\n"
    size = "inside_length_mm = 244\ninside_width_mm = 187\nexponent = 2.3                  # squarer than an ellipse\n"
    assert found(BADMINTON, ("inside_length_mm = 244", "inside_length_mm = 280")).errors == ()
    assert "beyond them" in one(found(BADMINTON, ("inside_length_mm = 244", "inside_length_mm = 284")).errors)
    assert found(BADMINTON, (size, outline.format(17.5, 330))).errors == ()
    assert "36 mm wide" in one(found(BADMINTON, (size, outline.format(18, 330))).errors)
    assert "331 mm" in one(found(BADMINTON, (size, outline.format(17.5, 331))).errors)


def test_the_short_games_rule_is_asked_about_for_racketball_only() -> None:
    # Squash 57 rules of the WSF: 558.8 mm (read); frames as long as squash frames are sold for it (memory).
    for sport, asks in (("racketball", True), ("racquetball", False)):
        over = found(SQUASH, ('sport = "squash"', f'sport = "{sport}"'))
        assert any("558.8 mm" in text for text in (over.questions if asks else over.errors))
        fits = found(SQUASH, ('sport = "squash"', f'sport = "{sport}"'), ("length_mm = 685", "length_mm = 558"))
        assert fits.errors == () and fits.questions == ()


# --- against itself ----------------------------------------------------------------------------------------------
def test_sizes_that_contradict_each_other() -> None:
    assert "inside width 257 mm is not less" in one(
        found(HYBRID, ("inside_width_mm = 243", "inside_width_mm = 257")).errors
    )
    long = found(DEMO, ("[318, 312, 296]", "[333, 312, 296]"))
    assert one(long.errors) == "Main 1 is 333 mm long, more than the 320 mm that the hoop has inside."
    assert "Cross 4 is 238 mm" in one(found(DEMO, ("222, 228, 224", "222, 238, 224")).errors)
    assert "Main 3 is 317 mm long, longer than its neighbour of 312" in one(found(DEMO, ("312, 296", "312, 317")).questions)
    assert "Cross 1 is 210 mm" in one(found(DEMO, ("[172, 204, 222", "[210, 204, 222")).questions)
    assert "Exchanged?" in one(
        found(
            TENNIS, ("inside_length_mm = 342", "inside_length_mm = 240"), ("inside_width_mm = 254", "inside_width_mm = 280")
        ).questions
    )


def test_a_hole_holds_one_string_or_a_shared_two() -> None:
    holes = ["head 4", "head 5", "head 6", "head 7", "throat 6", "throat 5", "throat 4"]

    def with_holes(*changes: tuple[int, str], more: str = "") -> Findings:
        listed = list(holes)
        for i, hole in changes:
            listed[i] = hole
        return found(DEMO, ("crosses = 7", f"crosses = 7\ncross_holes = {listed}{more}"))

    assert with_holes() == Findings((), (), ())
    twice = with_holes((0, "head 3"))
    assert "Hole head 3 is used twice, by main 3 and cross 1" in one(twice.errors)
    assert with_holes((0, "head 3"), more='\nshared = ["head 3"]').errors == ()
    three = with_holes((0, "head 3"), (1, "head 3"), more='\nshared = ["head 3"]')
    assert "would hold 3 strings (main 3, cross 1, cross 2)" in one(three.errors)
    assert "head 5 is named as shared, but only cross 2 uses it" in one(with_holes(more='\nshared = ["head 5"]').questions)
    assert "No string goes through hole 4 at the head." in twice.remarks
    beyond = with_holes((4, "throat 9"))
    assert "There are 6 holes on each side at the throat, too few: cross 5 in throat 9" in one(beyond.errors)
    assert "Cross 2 goes through head 4, after cross 1 through head 5" in one(
        with_holes((0, "head 5"), (1, "head 4")).questions
    )


def test_knots_need_a_hole_that_is_there_with_a_string_in_it() -> None:
    # Common practice, no source: a knot is tied to a string that already fills the hole; two in one piece, four in two.
    short, end = '"short side" = "head 2 left"', '"crosses end" = "throat 3 left"'
    assert "holes at the head end at 7" in one(found(DEMO, (short, '"short side" = "head 8 left"')).errors)
    own = one(found(DEMO, (short, '"short side" = "head 3 left"')).questions)
    assert "is the hole of main 3 itself" in own
    assert "main 3 ends at the head" in one(found(DEMO, (short, '"short side" = "throat 2 left"')).questions)
    assert "main 3 ends on the left" in one(found(DEMO, (short, '"short side" = "head 2 right"')).questions)
    # Seven crosses that begin on the right (the short side is left) end on the left.
    assert "cross 7 ends on the left" in one(found(DEMO, (end, '"crosses end" = "throat 3 right"')).questions)
    assert "share hole 2 at the head, left" in " ".join(found(DEMO, (end, '"crosses end" = "head 2 left"')).questions)
    assert "No hole is given for the knot: short side" in one(found(DEMO, (short, "")).remarks)
    assert "one piece of string have no such knot" in one(found(DEMO, (short, '"mains left" = "head 2 left"')).errors)
    more = found(
        HYBRID,
        ("holes_head = 19", "holes_head = 20"),
        ('"crosses start" = "head 6 left"', '"crosses start" = "head 20 left"'),
    )
    assert "holds no string that the knot could be tied to" in one(more.questions)


def test_tensions_against_the_makers_range_and_each_other() -> None:
    over = one(found(TENNIS, ("main = 24.5", "main = 27.5")).errors)
    assert "27.50 kgf for the mains" in over and "27.00 kgf" in over
    assert found(TENNIS, ("main = 24.5", "main = 27.0"), ("cross = 23.5", "")).errors == ()
    low = found(TENNIS, ('unit = "kgf"', 'unit = "lbf"'), ("least = 21 ", "least = 40 "), ("most = 27", "most = 60"))
    assert low.errors == () and len(low.questions) == 2  # mains and crosses, kgf figures with lbf behind them
    # 40 lbf are 177.9 N (NIST SP 811).
    unlimited = found(TENNIS, ("most = 27", ""), ("main = 24.5", "main = 40"), ("cross = 23.5", "cross = 40"))
    assert len(unlimited.errors) == 2 and "40 lbf would be 178 N" in unlimited.errors[0]
    assert "less than the maker's range begins at (21.00 kgf)" in one(
        found(TENNIS, ("cross = 23.5", "cross = 20.5")).questions
    )
    apart = found(BADMINTON, ("cross_ratio = 1.05 ", "cross_ratio = 0.79 "), ("least = 19", "least = 15"))
    assert "0.79 times" in one(apart.questions)
    assert found(HYBRID, ('"cross 20" = 22.5', '"main 2 left" = 25.9')).questions == ()
    far = found(HYBRID, ('"cross 20" = 22.5', '"main 2 left" = 28'), ("most = 26", "most = 30"))
    assert "28.00 kgf for main 2 left differs" in one(far.questions)


def test_strings_unlike_the_sport_are_asked_about() -> None:
    # Badminton strings are 0.6 to 0.75 mm thick: common practice, no source.
    assert "0.8 mm thick" in one(found(BADMINTON, ("diameter_mm = 0.68", "diameter_mm = 0.80")).questions)
    assert "badminton nylon, unusual in tennis" in one(found(TENNIS, ('"nylon"', '"badminton nylon"')).questions)
    gut = found(TENNIS, ('"nylon"', '"gut"'))
    assert "gut, and over-pulled by 10 %" in one(gut.questions)
    # At most three mains ahead in tennis, fewer in badminton: common practice, no source.
    assert "at most 3" in one(found(HYBRID, ("mains_ahead = 3", "mains_ahead = 4")).questions)
    assert "at most 2" in one(found(BADMINTON, ("mains_ahead = 2", "mains_ahead = 3")).questions)


# --- parity ------------------------------------------------------------------------------------------------------
# Common practice, no source: mains per side at the throat odd, first loop at the throat; even, at the head. Mains per side
# even end where they began; one piece goes on from the head. The maker's chart overrules.
@pytest.mark.parametrize(
    ("mains", "start", "end"),
    [(16, "head", "head"), (16, "throat", "throat"), (18, "throat", "head"), (18, "head", "throat")],
)
def test_where_the_mains_end(mains: int, start: str, end: str) -> None:
    edits = (("mains = 16", f"mains = {mains}"), ("mains_at_throat = 8 ", f'first_loop = "{start}" '))
    text = TEXTS[TENNIS]
    for old, new in edits:
        text = text.replace(old, new)
    racquet = parse(text.replace('"short side" = "head 6 left"', ""))
    assert racquet.mains_end == end
    asked = [q for q in check(racquet).questions if "the crosses of the same piece begin" in q]
    assert len(asked) == (0 if end == "head" else 1)


def test_a_first_loop_that_contradicts_the_throat_is_a_question_and_may_be_overruled() -> None:
    edit = ("mains_at_throat = 6 ", "mains_at_throat = 8 ")
    said = one(found(HYBRID, edit).questions)
    assert "8 mains at the throat are 4 on each side, even: the first loop would lie at the head" in said
    over = found(HYBRID, edit, ('unit = "kgf"', 'unit = "kgf"\nparity = "as the maker says"'))
    assert over.errors == over.questions == () and "The file overrules." in one(over.remarks)


def test_crosses_from_the_throat_are_a_question() -> None:
    racquet: Racquet = replace(read(examples()[HYBRID]), crosses_from="throat", tie_offs={})
    assert "last squeeze" in one(check(racquet).questions)
    assert check(replace(racquet, parity_overruled=True)).questions == ()
