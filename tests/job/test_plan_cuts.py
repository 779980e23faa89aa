"""String to cut, against exact integrals."""

from __future__ import annotations

import math

import pytest
from evenbed.job import budget, budget_frame
from evenbed.job.plan import make_plan
from evenbed.job.planned import Equipment
from evenbed.racquet.model import Hole, Piece, StringName
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_racquets import TWO, racquet
from scipy.integrate import quad

A, B = 126.0, 167.5  # half axes of the hoop, mm


def ellipse_arc(angle_0: float, angle_1: float) -> float:
    """Arc of the ellipse x = A sin t, y = B (1 - cos t), t from the middle of the head. Integrated by scipy."""
    found, _ = quad(lambda t: math.hypot(A * math.cos(t), B * math.sin(t)), angle_0, angle_1, epsabs=1e-10)
    return float(found)


def test_ways_along_the_hoop_are_arcs() -> None:
    r = racquet()
    assert budget_frame.half_mm(r) == pytest.approx(ellipse_arc(0.0, math.pi), rel=1e-3)
    for n in (2, 5, 8):
        inner, outer = (math.asin(r.mains_x_mm[i] / A) for i in (n - 2, n - 1))
        arc = ellipse_arc(inner, outer)
        turn = budget.turn_mm(r, StringName("main", n - 1, "left"), StringName("main", n, "left"))
        assert turn == pytest.approx(arc + 2.0 * budget.WALL_MM, abs=0.15)
    loop = budget.turn_mm(r, StringName("main", 1, "left"), StringName("main", 1, "right"))
    assert loop == pytest.approx(2.0 * ellipse_arc(0.0, math.asin(r.mains_x_mm[0] / A)) + 2.0 * budget.WALL_MM, abs=0.15)
    for n in (2, 10, 19):
        upper, lower = (math.acos(1.0 - r.crosses_y_mm[i] / B) for i in (n - 2, n - 1))
        turn = budget.turn_mm(r, StringName("cross", n - 1), StringName("cross", n))
        assert turn == pytest.approx(ellipse_arc(upper, lower) + 2.0 * budget.WALL_MM, abs=0.15)


def test_without_an_outline_the_hoop_is_an_ellipse() -> None:
    assert budget_frame.half_mm(racquet(outline=())) == pytest.approx(ellipse_arc(0.0, math.pi), rel=1e-4)


def test_a_whole_piece() -> None:
    r = racquet()
    (cut,) = make_plan(r, Equipment(tail_mm=320.0)).cuts
    chords = 2.0 * sum(2.0 * B * math.sqrt(1.0 - (x / A) ** 2) for x in r.mains_x_mm)
    chords += sum(2.0 * A * math.sqrt(1.0 - (y / B - 1.0) ** 2) for y in r.crosses_y_mm)
    assert cut.inside_mm == pytest.approx(chords, rel=1e-9)
    # 34 turns: the loop, 7 on each side, one to the crosses, 18 between them.
    at_main = [math.asin(x / A) for x in r.mains_x_mm]
    at_cross = [math.acos(1.0 - y / B) for y in r.crosses_y_mm]
    arcs = 2.0 * ellipse_arc(0.0, at_main[-1]) + ellipse_arc(at_cross[0], at_cross[-1])
    # The outermost mains end at the head, where they began; the long side goes on from there to the first cross.
    arcs += abs(ellipse_arc(at_main[-1], at_cross[0]))
    assert cut.between_mm == pytest.approx(arcs + 34 * 2.0 * budget.WALL_MM, rel=2e-3)
    assert cut.tails_mm == 640.0 and cut.margin_mm == budget.MARGIN_MM
    assert cut.total_mm == pytest.approx(cut.inside_mm + cut.between_mm + cut.weave_mm + 640.0 + budget.MARGIN_MM)
    # The short side: its mains, its turns, half the loop, its tail and half the margin.
    short = sum(2.0 * B * math.sqrt(1.0 - (x / A) ** 2) for x in r.mains_x_mm) + ellipse_arc(0.0, at_main[-1])
    assert cut.short_side_mm == pytest.approx(short + 15 * budget.WALL_MM + 320.0 + budget.MARGIN_MM / 2.0, rel=1e-3)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.6, 1.5), st.integers(1, 19))
def test_weaving_takes_what_a_wave_takes(d_mm: float, number: int) -> None:
    # A sine between the tops of its neighbours, integrated by scipy: about a quarter more than straight from top to top.
    r = racquet(pieces=(Piece("all", "nylon", d_mm),))
    end, hole = r.cross_holes[number - 1]
    met = 2 * sum(n < hole for n in r.main_holes[end])
    pitch = r.cross_lengths_mm[number - 1] / (met + 1)
    slope = d_mm * math.pi / pitch
    wave, _ = quad(lambda x: math.sqrt(1.0 + (slope * math.sin(math.pi * x / pitch)) ** 2) - 1.0, 0.0, pitch)
    assert 0.75 * met * wave <= budget.weave_mm(r, number) <= met * wave


def test_two_pieces_and_a_knot_far_away() -> None:
    r = racquet(pieces=TWO)
    mains, crosses = make_plan(r).cuts
    (one,) = make_plan(racquet()).cuts
    assert mains.short_side_mm is None and mains.weave_mm == 0.0
    assert mains.inside_mm + crosses.inside_mm == pytest.approx(one.inside_mm)
    far = racquet(pieces=TWO, tie_offs={"mains left": Hole("throat", 4, "left")})
    longer = make_plan(far).cuts[0].tails_mm - mains.tails_mm
    # From main 8 at the head along the hoop to main 4 at the throat, through the frame, and a knot, instead of the gripper.
    way = ellipse_arc(math.asin(r.mains_x_mm[7] / A), math.pi - math.asin(r.mains_x_mm[3] / A))
    assert longer == pytest.approx(way + 2.0 * budget.WALL_MM + budget.KNOT_MM - 300.0, abs=1.0)
