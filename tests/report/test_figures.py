"""Figures of a report against exact geometry, published bands and what was put in."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from evenbed.job import plan_order
from evenbed.job.marks import Mark
from evenbed.job.plan import make_plan
from evenbed.racquet.file import examples, read
from evenbed.racquet.model import StringName
from evenbed.report import figures, times
from evenbed.report.bed import ends_y, goes_over, half_width, hoop_points, places
from evenbed.report.kept import Kept, happened, shapes, size
from hypothesis import given, settings
from hypothesis import strategies as st
from report_jobs import Made, whole


@pytest.fixture(scope="module")
def kept() -> Kept:
    return whole().kept()


# --- the picture's geometry ------------------------------------------------------------------------------------------
@settings(max_examples=40)
@given(st.floats(-0.99, 0.99))
def test_hoop_of_an_ellipse(share: float) -> None:
    # x**2 / a**2 + y**2 / b**2 = 1; sixty chords of the drawn outline lie within 0.2 % of it.
    racquet = replace(read(examples()["tennis-one-piece-16x18"]), outline=())
    a, b = racquet.head_width_mm / 2.0, racquet.head_length_mm / 2.0
    right = hoop_points(racquet)[:61]
    assert half_width(right, b * (1.0 + share)) == pytest.approx(a * math.sqrt(1.0 - share**2), abs=0.003 * a)
    y0, y1 = ends_y(right, abs(share) * a)
    half = b * math.sqrt(1.0 - share**2)
    assert (y0, y1) == pytest.approx((b - half, b + half), abs=0.01 * b)


@pytest.mark.parametrize("name", sorted(n for n in examples() if not n.startswith("demo")))  # its lengths were measured
def test_drawn_strings_are_as_long_as_the_racquet_says(name: str) -> None:
    racquet = read(examples()[name])
    right = hoop_points(racquet)[: len(racquet.outline)]
    xs, ys = places(racquet)
    for x, mm in zip(xs, racquet.main_lengths_mm, strict=True):
        y0, y1 = ends_y(right, x)
        assert y1 - y0 == pytest.approx(mm, rel=0.01)
    for y, mm in zip(ys, racquet.cross_lengths_mm, strict=True):
        assert 2.0 * half_width(right, y) == pytest.approx(mm, rel=0.02)


@pytest.mark.parametrize("name", sorted(examples()))
def test_weave_is_drawn_as_the_plan_says_it(name: str) -> None:
    racquet = read(examples()[name])
    for cross in range(1, racquet.crosses + 1):
        met = plan_order.crossing_mains(racquet, cross)
        for enters in ("left", "right"):
            column = racquet.per_side - met if enters == "left" else racquet.per_side + met - 1
            first = plan_order.passes_first(racquet, cross, enters)  # type: ignore[arg-type]
            assert goes_over(column, cross) is (first == "over")
    # Alternately interlaced (rules of tennis, appendix on the racket): neighbours differ, along and across.
    assert goes_over(0, 1) is not goes_over(1, 1) and goes_over(0, 1) is not goes_over(0, 2)


# --- the ledger ------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", sorted(examples()))
def test_ledger_adds_up(name: str) -> None:
    kept = Made(name).lists().string().kept()
    for kind in ("main", "cross"):
        found = figures.ledger(kept.state, kept.figures, kind)  # type: ignore[arg-type]
        assert found is not None
        lost = sum(line.mean_n for line in found.lines)
        assert found.pulled_n - lost == pytest.approx(found.delivered_n, rel=1e-9)
        assert all(line.least_n <= line.mean_n <= line.most_n for line in found.lines)
        # Each line's uncertainty is of its mean; together they are that of what is delivered.
        together = math.sqrt(found.u_pulled_n**2 + sum(line.u_n**2 for line in found.lines))
        assert together == pytest.approx(found.u_delivered_n, rel=0.2)


def test_what_is_lost_lies_in_the_published_band() -> None:
    # "Immediately after stringing typically about 30 % lower than the pull tension" (Cross & Bower, Sports Engineering 4
    # (2001) 165, abstract), read as 20-40 %.
    for name in ("tennis-one-piece-16x18", "tennis-two-piece-18x20"):
        kept = Made(name).lists().string().kept()
        found = [figures.ledger(kept.state, kept.figures, kind) for kind in ("main", "cross")]  # type: ignore[arg-type]
        asked = sum(f.count * f.asked_n for f in found if f is not None)
        delivered = sum(f.count * f.delivered_n for f in found if f is not None)
        assert 0.20 < 1.0 - delivered / asked < 0.40, name


def test_more_force_at_the_clamp_is_more_delivered() -> None:
    plan = make_plan(read(examples()["demo-six-by-seven"]))
    target = plan.pulls[2].target_n
    usual, more = (
        Made("demo-six-by-seven", odd={3: {"force_at_clamp_n": f * target}}).lists().string().kept() for f in (1.0, 1.03)
    )
    name = plan.pulls[2].name
    gain = more.left[name].mean_n - usual.left[name].mean_n
    assert 0.6 * 0.03 * target < gain < 0.03 * target


def test_faster_creep_delivers_less() -> None:
    def creeping(rate: float) -> Kept:
        odd = {n: {"creep_n_s": rate, "reached_s": 1.5, "clamped_s": 5.5} for n in range(1, 40)}
        return Made("tennis-two-piece-18x20", odd=odd).lists().string().kept()

    slow, fast = creeping(2.0), creeping(6.0)
    name = StringName("main", 3, "left")
    assert fast.left[name].mean_n < slow.left[name].mean_n
    assert dict(fast.left[name].losses)["relaxation"] > dict(slow.left[name].losses)["relaxation"]


def test_calibration_uncertainty_goes_into_what_is_delivered() -> None:
    odd = {n: {"expanded_n": 20.0} for n in range(1, 40)}
    poor, good = Made(odd=odd).lists().string(5).kept(), Made().lists().string(5).kept()
    name = StringName("main", 1, "left")
    assert poor.left[name].u_n == pytest.approx(math.hypot(good.left[name].u_n, 10.0), rel=1e-3)


def test_sides_count_pairs_only() -> None:
    kept = Made().lists().string(5).kept()
    total = figures.sides(kept.figures)
    assert total["left"] == pytest.approx(total["right"], rel=0.03)
    assert figures.sides(Made().lists().kept().figures) == {"left": 0.0, "right": 0.0}


def test_string_used(kept: Kept) -> None:
    for used, cut in zip(figures.used(kept.state), kept.state.plan.cuts, strict=True):
        assert used.cut_mm == cut.total_mm == pytest.approx(sum(mm for _, mm in used.parts))
        assert used.share == pytest.approx(1.0)
        own = [d for d in kept.state.done if d.pull.piece == used.piece]
        assert 0.0 < used.stretched_mm < sum(d.record["draw_length_mm"] for d in own)
    half = Made().lists().string(9).kept()
    mains, crosses = figures.used(half.state)
    assert 0.3 < mains.share < 0.7 and crosses.share == 0.0


def test_outliers_are_those_asked_about_first(kept: Kept) -> None:
    asked = {int(m.values["number"]) for m in kept.marks if m.kind == "questioned" and m.values.get("number")}
    found = {d.pull.number: why for d, why in figures.outliers(kept.state, kept.traces, asked)}
    assert found[9] == "asked about" and found[30] == "clamp: slips" and found[24].startswith("held ")
    assert len(found) <= 6


# --- times -------------------------------------------------------------------------------------------------------------
def test_phases_add_up_to_the_time_it_took() -> None:
    made = Made("demo-six-by-seven").lists()
    made.string()
    kept = made.kept()
    pulled = [m for m in kept.marks if m.kind == "pulled"]
    spans = times.spans(kept.marks, {p.number: p.woven for p in kept.state.plan.pulls})
    first = pulled[0].values
    took = pulled[-1].values["wall_s"] - first["wall_s"] + first["record"]["done_s"]
    assert sum(v for s in spans for v in s.seconds.values() if v is not None) == pytest.approx(took, abs=0.1)
    assert spans[0].seconds["between"] is None and not any(s.after_break for s in spans)


def test_a_break_is_no_weaving(kept: Kept) -> None:
    spans = times.spans(kept.marks, {})
    assert [s.number for s in spans if s.after_break] == [15]
    assert next(s for s in spans if s.number == 15).seconds["between"] is None


def test_a_job_taken_up_again_uses_the_clock_on_the_wall() -> None:
    made = Made("demo-six-by-seven").lists()
    made.string(3)
    before = list(made.marks)
    made.string(1)
    last = made.marks[-1]
    pulled = next(m for m in reversed(made.marks) if m.kind == "pulled")
    restarted = [replace(m, values={**m.values, "wall_s": 12.0}) if m is pulled else m for m in made.marks]
    question = Mark("questioned", {"key": "clamp", "text": "?", "number": None}, before[-1].at)
    again = [*restarted[: len(before)], question, *restarted[len(before) :]]
    usual, other = times.before_last_s(made.marks), times.before_last_s(again)
    assert last is not None and other == pytest.approx(usual, abs=0.2)


def test_before_the_last_pull(kept: Kept) -> None:
    ages = times.before_last_s(kept.marks)
    assert ages[38] == 0.0 and ages[1] > ages[20] > ages[37] > 0.0
    assert times.before_last_s([]) == {}


@pytest.mark.parametrize(("seconds", "says"), [(0.66, "0.7 s"), (12.3, "12 s"), (99.6, "2 min"), (8000.0, "2 h 13 min")])
def test_times_in_words(seconds: float, says: str) -> None:
    assert times.show_time(seconds) == says


# --- what happened, shape ------------------------------------------------------------------------------------------------
def test_questions_have_their_answers(kept: Kept) -> None:
    found = happened(kept)
    asked = [h for h in found if h.answer]
    assert [h.answer for h in asked] == ["it is as it should be"] and asked[0].label == "main 5 left"
    assert [h.what for h in found if not h.answer][:2] == ["break", "went on after the break"]


def test_drawing_on_is_an_answer_and_silence_is_said() -> None:
    odd = {9: {"draw_length_mm": 52.0}}
    made = Made(odd=odd).lists().string(9)
    assert [h.answer for h in happened(made.kept()) if h.answer] == ["not answered"]
    made.string(1, answers=lambda key: "draw on")
    assert [h.answer for h in happened(made.kept()) if h.answer] == ["the next string was drawn"]


def test_shape_before_and_after(kept: Kept) -> None:
    assert shapes(kept) == ("332 x 243", "330,5 x 244 mm", (-1.5, 1.0))
    assert size("about 331.5 × 243") == (331.5, 243.0) and size("fine") is None and size("332") is None
