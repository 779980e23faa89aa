"""A twin: string by string against the earlier job. What differs is said once, with how much and its unit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from evenbed.job.free import free_plan
from evenbed.job.marks import JobState, fold
from evenbed.job.plan import make_plan
from evenbed.job.twin import DRAW, FORCE, Twin, TwinError, compare, find, summary
from evenbed.racquet.file import examples, read
from job_runs import Bench, demo_plan

PULLS = 13
BASE = {"calibration": 1, "expanded_n": 0.4}


def strung(pulls: int = PULLS, **changed: object) -> Bench:
    """A job in which every pull is alike, but for what is changed of the last one."""
    b = Bench()
    b.to_stringing()
    for i in range(pulls):
        if b.job.state.knot:
            b.tap()
        b.pull(**BASE, **(changed if i == pulls - 1 else {}))
    return b


@pytest.fixture(scope="module")
def first() -> JobState:
    return strung().job.state


def test_the_same_pull_is_as_the_first(first: JobState) -> None:
    b = strung(3)
    assert Twin(first).judge(b.job) == "main 2 right: as the first."


@pytest.mark.parametrize(
    ("changed", "figure", "by", "says"),
    [
        ({"clamped_s": 16.0}, "hold time", 10.0, "held 10.0 s longer (14.5 s, first 4.5 s)"),
        ({"take_up_mm": 4.8}, "take-up", 4.0, "take-up 4.0 mm more (4.8 mm, first 0.8 mm)"),
        ({"draw_length_mm": 20.0}, "draw length", None, r"draw \d+\.\d mm shorter (20.0 mm, first"),
        ({"force_at_clamp_n": 205.9397}, "force", -9.80665, "1.00 kgf less at the clamp (21.00 kgf, first 22.00 kgf)"),
    ],
)
def test_what_differs_is_named_with_its_unit(
    first: JobState, changed: dict[str, object], figure: str, by: float | None, says: str
) -> None:
    b = strung(3, **changed)
    judged = Twin(first).judge(b.job)
    assert judged.startswith("main 2 right, unlike the first: ")
    assert re.search(says.replace("(", r"\(").replace(")", r"\)"), judged), judged
    now, then = b.job.state.last, find(first, b.job.state.done[-1].pull.name)
    assert now is not None and then is not None
    found = compare(then, now)
    assert [d.figure for d in found] == [figure]
    if by is not None:
        assert found[0].by == pytest.approx(by, abs=0.05)


def test_friction_is_compared_on_crosses(first: JobState) -> None:
    usual = find(first, first.done[8].pull.name)
    assert usual is not None and usual.friction is not None
    b = strung(9, stiffness_n_mm=1.25 * usual.record["stiffness_n_mm"])
    assert "friction" in Twin(first).judge(b.job)


@pytest.mark.parametrize(("share", "same"), [(0.9, True), (1.1, False)])
def test_both_sides_of_the_tolerances(first: JobState, share: float, same: bool) -> None:
    then = first.done[2]
    assert then.pull.target_n * FORCE > 0.5  # N, the floor
    for key, by in (
        ("force_at_clamp_n", FORCE * then.pull.target_n),
        ("draw_length_mm", DRAW * then.record["draw_length_mm"]),
    ):
        now = replace(then, record={**then.record, key: then.record[key] + share * by})
        assert (not compare(then, now)) is same, key


def test_another_calibration_counts_with_its_uncertainty(first: JobState) -> None:
    then = first.done[2]
    off = then.record["force_at_clamp_n"] + FORCE * then.pull.target_n + 0.5
    assert compare(then, replace(then, record={**then.record, "force_at_clamp_n": off}))
    recalibrated = {**then.record, "force_at_clamp_n": off, "calibration": 2}  # U 0.4 N each: 0.57 N together
    assert not compare(then, replace(then, record=recalibrated))


def test_a_string_pulled_once_more_is_not_held_to_its_draw_length(first: JobState) -> None:
    then = first.done[2]
    again = replace(then, again=True, record={**then.record, "draw_length_mm": 3.0})
    assert not compare(then, again)


def test_another_reference_is_said_once(first: JobState) -> None:
    then = first.done[2]
    pull = replace(then.pull, reference_n=then.pull.reference_n + 5.0)
    now = replace(then, pull=pull, record={**then.record, "force_at_clamp_n": then.record["force_at_clamp_n"] + 5.0})
    found = compare(then, now)
    assert [d.figure for d in found] == ["reference"] and "asked 5.0 N more" in found[0].says
    slack = replace(now, record=then.record)
    assert [d.figure for d in compare(then, slack)] == ["reference", "force"]


def test_other_racquets_are_refused_with_the_reason(first: JobState) -> None:
    other = fold(make_plan(read(examples()["tennis-one-piece-16x18"])), ())
    with pytest.raises(TwinError, match=r"16 mains and 18 crosses.* 6 and 7"):
        Twin(first).fits(other)
    racquet = first.plan.racquet
    longer = replace(racquet, main_lengths_mm=tuple(1.03 * mm for mm in racquet.main_lengths_mm))
    with pytest.raises(TwinError, match="another frame"):
        Twin(first).fits(fold(make_plan(longer), ()))
    with pytest.raises(TwinError, match="free work"):
        Twin(first).fits(fold(free_plan(200.0, 200.0), ()))
    with pytest.raises(TwinError, match="no pull"):
        Twin(fold(demo_plan(), ())).fits(fold(demo_plan(), ()))
    Twin(first).fits(fold(demo_plan(), ()))


def test_a_string_that_the_first_never_had_is_not_judged() -> None:
    short, b = strung(2).job.state, strung(3)
    assert Twin(short).judge(b.job) == ""


def test_one_line_at_the_end(first: JobState) -> None:
    same = summary(first, strung().job.state, "kgf")
    assert same.startswith("Twin: 13 of 13 pulls as the first") and "\n" not in same and "unlike" not in same
    b = strung(9, clamped_s=21.0).job.state
    line = summary(first, b, "kgf")
    assert "8 of 9 pulls as the first" in line and "cross 3 (held 15.0 s longer" in line and "4 pulls still to come" in line
    assert summary(first, fold(demo_plan(), ())).startswith("Nothing to compare")
    assert summary(first, fold(free_plan(200.0, 200.0), ())).startswith("No twins")
