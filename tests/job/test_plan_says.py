"""What is said before a draw: foresight for holes, one pull early. Common practice, no source."""

from __future__ import annotations

from evenbed.job.plan import make_plan
from evenbed.job.planned import Plan
from evenbed.racquet.model import Hole, Racquet, StringName
from hypothesis import given, settings
from plan_racquets import TWO, racquet, racquets


def said(plan: Plan, text: str) -> list[tuple[str, str]]:
    """The remarks with these words, and the string they are said at."""
    return [(str(p.name), s) for p in plan.pulls for s in p.says if text in s]


def holes_of(r: Racquet, name: StringName) -> set[Hole]:
    if name.kind == "main":
        assert name.side is not None
        return {Hole(end, r.main_holes[end][name.number - 1], name.side) for end in r.main_holes}
    end, number = r.cross_holes[name.number - 1]
    return {Hole(end, number, "left"), Hole(end, number, "right")}


def test_a_skipped_hole_is_threaded_before_a_main_covers_it() -> None:
    # Main 8 comes round the head from hole 7 to hole 9, over hole 8 through which the first cross goes.
    r = racquet(start="throat", pieces=TWO, skipped={"head": {8}, "throat": set()}, late_first_cross=False)
    assert r.main_holes["head"][7] == 9 and r.main_enters(8) == "head" and r.cross_holes[0] == ("head", 8)
    plan = make_plan(r)
    threads = said(plan, "hole 8 at the head")
    assert threads == [
        # The end of that piece goes in on the left; on the right there is only room to be kept.
        ("main 7 right", "Leave a scrap of string in hole 8 at the head, right for cross 1: main 8 right will cover it."),
        ("main 8 right", "Thread cross 1 through hole 8 at the head, left, first: main 8 left will cover it."),
    ]
    # In one piece the cross is the tail of the main that covers the hole.
    one = said(make_plan(racquet(start="throat", skipped={"head": {8}, "throat": set()})), "hole 8 at the head")
    assert [s.split(" in ")[0] for _, s in one] == ["Leave a scrap of string"] * 2


def test_a_main_pulled_over_the_hole_from_the_other_end_does_not_cover_it() -> None:
    # First loop at the head: main 8 comes in at the throat, nothing lies outside at the head between holes 7 and 9.
    r = racquet(start="head", pieces=TWO, skipped={"head": {8}, "throat": set()})
    assert said(make_plan(r), "hole 8 at the head") == []


def test_a_shared_hole_is_filled() -> None:
    r = racquet(pieces=TWO, skipped={"head": set(), "throat": set()})
    shared = ("head", 7)
    r = racquet(
        pieces=TWO, skipped={"head": set(), "throat": set()}, cross_holes=(shared, *r.cross_holes[1:]),
        shared_holes=frozenset([shared]), late_first_cross=False,
    )  # fmt: skip
    plan = make_plan(r)
    assert said(plan, "hole 7 at the head")[0] == (
        "main 6 left",
        "Thread cross 1 through hole 7 at the head, left, first: main 7 left will fill it.",
    )


def test_the_hole_of_a_knot() -> None:
    r = racquet(tie_offs={"short side": Hole("head", 6, "left"), "crosses end": Hole("throat", 7, "left")})
    plan = make_plan(r)
    (at, text), *rest = said(plan, "knot of the short side")
    assert at == "main 6 right" and "hole 6 at the head, left: main 6 left will fill it" in text
    assert rest[0][0] == "main 8 left" and "in hole 6 at the head, left: thread, knot" in rest[0][1]


@settings(deadline=None, max_examples=40)
@given(racquets())
def test_whatever_a_main_blocks_is_said_one_pull_before(r: Racquet) -> None:
    plan = make_plan(r)
    for i, p in enumerate(plan.pulls):
        if p.woven:
            break
        blocked = holes_of(r, p.name)
        if p.name.number > 1 and p.name.side is not None:
            end = r.main_enters(p.name.number)
            a, b = r.main_holes[end][p.name.number - 2 : p.name.number]
            blocked |= {Hole(end, n, p.name.side) for n in range(min(a, b) + 1, max(a, b))}
        for later in plan.pulls[i + 1 :]:
            if not later.woven:
                continue
            for hole in holes_of(r, later.name) & blocked:
                until = [s for q in plan.pulls[: max(1, i)] for s in q.says]
                assert any(str(hole) in s and str(later.name) in s for s in until)


def test_the_end_of_a_bed() -> None:
    plan = make_plan(racquet())
    assert [at for at, _ in said(plan, "Weaving is hardest")] == ["cross 17"]
    assert [at for at, _ in said(plan, "Only mains are in")] == ["main 8 left"]
    assert said(plan, "mark in the middle of the loop")[0][0] == "main 1 left"
