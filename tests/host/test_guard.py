"""The host's own guard at both sides of its thresholds, and the margin against the formula of the stop budget."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from evenbed.head import states as st
from evenbed.head.guard import Guard, LeastMargin, margin_n
from evenbed.head.types import RigModel, Shot
from evenbed.link.messages import Sample
from evenbed_fw import safety

# counts from 21000, 8759 counts/N, 1600 steps/mm, 60 mm/s, 800 mm/s2, 130 N/mm, overrun 40 N, age and granted in us
RIG = RigModel(21000.0, 8759.0, 1600.0, 330.0, 0.0125, 60.0, 800.0, 6.0, 20.0, 130.0, 40.0, 0.041664, 0.027776)
SAMPLE = Sample(*[0] * len(Sample._fields))._replace(flags=safety.F_SOUND)
LOWERING, STANDING = SAMPLE._replace(state=safety.EASING), SAMPLE._replace(state=safety.FROZEN)
DRAWING = [st.DRAWING, st.PRE_STRETCHING]
OTHERS = [st.SLACK, st.TAKING_UP, st.HOLDING, st.PROVING_CLAMP, st.EASING_OFF, st.RETURNING, st.FROZEN]


def shot(
    force_n: float, x_mm: float = 0.0, v_mm_s: float = 0.0, reference_n: float | None = None, t_s: float = 1.0
) -> Shot:
    return Shot(t_s, t_s, SAMPLE, force_n, force_n if reference_n is None else reference_n, x_mm, v_mm_s)


def test_a_reading_that_the_board_does_not_trust_shows_nothing() -> None:
    wild = replace(shot(900.0), sample=SAMPLE._replace(flags=0))
    assert Guard(RIG).check(1.0, wild, 200.0, st.DRAWING) is None
    assert Guard(RIG).check(1.0, shot(900.0), 200.0, st.DRAWING) is not None


# --- the ceiling ------------------------------------------------------------------------------------------------------
def test_the_way_down_is_not_stopped_by_the_ceiling() -> None:
    assert Guard(RIG).check(1.0, shot(0.0, reference_n=250.0), 200.0, st.EASING_OFF) is None


@pytest.mark.parametrize("state", [*DRAWING, *(s for s in OTHERS if s != st.EASING_OFF)])
def test_one_newton_above_the_ceiling_stops_and_no_less(state: str) -> None:
    g = Guard(RIG)
    assert g.check(1.0, shot(0.0, reference_n=201.0), 200.0, state) is None
    event = g.check(1.25, shot(50.0, reference_n=201.001), 200.0, state)
    assert event is not None and event.name == "guard"
    early = Guard(RIG).check(0.99, shot(50.0, reference_n=201.001), 200.0, state)
    assert early is not None and early.values["age_s"] == 0.0  # the fit of the board's clock may put it a little ahead
    # The force from the reference zero, the ceiling, and how old the reading is.
    assert event.values["force_n"] == 201.001 and event.values["ceiling_n"] == 200.0
    assert event.values["age_s"] == 0.25 and event.values["entry"] == 51
    assert "200.0 N" in event.says


# --- travel without force ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize("state", DRAWING)
def test_forty_millimetres_without_a_rise_stop_and_no_less(state: str) -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(20.0, 7.0), 200.0, state) is None
    assert g.check(0.1, shot(20.0, 47.0), 200.0, state) is None
    event = g.check(0.2, shot(21.0, 47.25), 200.0, state)
    assert event is not None and event.name == "guard" and event.values["entry"] == 52
    assert event.values["travel_mm"] == 40.25 and event.values["force_n"] == 21.0


@pytest.mark.parametrize(("rise_n", "stops"), [(2.0, True), (2.125, False)])
def test_a_rise_of_more_than_two_newtons_begins_the_count_anew(rise_n: float, stops: bool) -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(20.0, 0.0), 200.0, st.DRAWING) is None
    assert g.check(0.1, shot(20.0 + rise_n, 30.0), 200.0, st.DRAWING) is None
    assert (g.check(0.2, shot(20.0, 41.0), 200.0, st.DRAWING) is not None) is stops
    # From where the rise was seen, another forty.
    g = Guard(RIG)
    assert g.check(0.0, shot(20.0, 0.0), 200.0, st.DRAWING) is None
    assert g.check(0.1, shot(23.0, 30.0), 200.0, st.DRAWING) is None
    assert g.check(0.2, shot(24.0, 70.0), 200.0, st.DRAWING) is None
    assert g.check(0.3, shot(24.0, 70.5), 200.0, st.DRAWING) is not None


def test_a_fall_does_not_begin_it_anew() -> None:
    g = Guard(RIG)
    for n in range(5):
        assert g.check(0.1 * n, shot(50.0 - 5.0 * n, 10.0 * n), 200.0, st.DRAWING) is None
    assert g.check(0.6, shot(25.0, 40.5), 200.0, st.DRAWING) is not None


@pytest.mark.parametrize("state", OTHERS)
def test_travel_counts_in_a_draw_only_and_from_its_beginning(state: str) -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(20.0, 0.0), 200.0, st.DRAWING) is None
    assert g.check(0.1, shot(20.0, 90.0), 200.0, state) is None
    assert g.check(0.2, shot(20.0, 90.0), 200.0, st.DRAWING) is None
    assert g.check(0.3, shot(20.0, 130.0), 200.0, st.PRE_STRETCHING) is None
    assert g.check(0.4, shot(20.0, 130.5), 200.0, st.PRE_STRETCHING) is not None


# --- the margin -------------------------------------------------------------------------------------------------------
def exact_n(ceiling: Fraction, force: Fraction, k: Fraction, v: Fraction) -> Fraction:
    """ceiling + overrun - F - k (v (age + granted) + v^2 / 2a): hardware/protocol.md, section 6."""
    seconds = Fraction(41664 + 27776, 10**6)
    return ceiling + 40 - force - k * (v * seconds + v * v / (2 * 800))


@pytest.mark.parametrize(("ceiling", "force", "k", "v"), [(233, 200, 30, 10), (120, 40, 130, 60), (270, 200, 7, 1)])
def test_margin_is_the_stop_budgets_rounded_towards_less(ceiling: int, force: int, k: int, v: int) -> None:
    left = margin_n(RIG, shot(0.0, v_mm_s=float(v), reference_n=float(force)), float(ceiling), float(k))
    exact = exact_n(Fraction(ceiling), Fraction(force), Fraction(k), Fraction(v))
    assert exact - Fraction(2 * k, 1000) - Fraction(1, 10**6) <= left <= exact


def test_at_rest_and_downwards_nothing_more_can_rise() -> None:
    for v in (0.0, -30.0):
        assert margin_n(RIG, shot(0.0, v_mm_s=v, reference_n=150.0), 233.0, 30.0) == 233.0 + 40.0 - 150.0


def test_the_least_margin_waits_for_the_strings_stiffness_and_judges_what_was_before() -> None:
    least = LeastMargin(RIG)
    assert least.step(shot(0.0, v_mm_s=60.0, reference_n=20.0), 200.0, None) == math.inf
    assert least.step(shot(0.0, v_mm_s=60.0, reference_n=40.0), 200.0, None) == math.inf
    then = margin_n(RIG, shot(0.0, v_mm_s=60.0, reference_n=40.0), 200.0, 6.0)
    assert least.step(shot(0.0, v_mm_s=1.0, reference_n=50.0), 200.0, 6.0) == then
    assert least.step(shot(0.0, reference_n=195.0), 200.0, 6.0) == 45.0
    assert least.step(shot(0.0, reference_n=10.0), 200.0, 30.0) == 45.0


# --- the way down -----------------------------------------------------------------------------------------------------
def test_fifteen_millimetres_down_without_a_fall_stop_and_no_less() -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(100.0, 50.0), 200.0, st.EASING_OFF) is None
    assert g.check(0.1, shot(98.0, 35.0), 200.0, st.EASING_OFF) is None
    event = g.check(0.2, shot(99.0, 34.75), 200.0, st.EASING_OFF)
    assert event is not None and event.name == "guard" and event.values["entry"] == 55
    assert event.values["travel_mm"] == 15.25 and event.values["force_n"] == 99.0


def test_a_fall_of_more_than_two_newtons_begins_the_way_down_anew() -> None:
    for fall_n, stops in ((2.0, True), (2.125, False)):
        g = Guard(RIG)
        assert g.check(0.0, shot(100.0, 50.0), 200.0, st.EASING_OFF) is None
        assert g.check(0.1, shot(100.0 - fall_n, 40.0), 200.0, st.EASING_OFF) is None
        assert (g.check(0.2, shot(100.0 - fall_n, 34.0), 200.0, st.EASING_OFF) is not None) is stops


def test_what_is_nearly_slack_may_go_on_down() -> None:
    for newtons, stops in ((9.875, False), (10.0, True)):
        g = Guard(RIG)
        assert g.check(0.0, shot(newtons, 50.0), 200.0, st.EASING_OFF) is None
        assert (g.check(0.1, shot(newtons, 30.0), 200.0, st.EASING_OFF) is not None) is stops


def test_up_and_down_are_counted_apart() -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(100.0, 60.0), 200.0, st.DRAWING) is None
    assert g.check(0.1, shot(100.0, 30.0), 200.0, st.EASING_OFF) is None
    assert g.check(0.2, shot(100.0, 16.0), 200.0, st.EASING_OFF) is None
    assert g.check(0.3, shot(100.0, 56.0), 200.0, st.DRAWING) is None
    assert g.check(0.4, shot(100.0, 20.0), 200.0, st.EASING_OFF) is None


@pytest.mark.parametrize("state", [s for s in OTHERS if s != st.EASING_OFF])
def test_elsewhere_travel_says_nothing_either_way(state: str) -> None:
    for way in (1.0, -1.0):
        g = Guard(RIG)
        for n in range(5):
            assert g.check(0.1 * n, shot(50.0, way * 20.0 * n), 200.0, state) is None


# --- the board lets down by itself --------------------------------------------------------------------------------------
def by_the_pedal(force_n: float, x_mm: float, sample: Sample = LOWERING) -> Shot:
    return Shot(1.0, 1.0, sample, force_n, force_n, x_mm, 0.0)


def test_a_force_that_the_held_pedal_does_not_lower_is_told_once() -> None:
    g = Guard(RIG)
    assert g.lowering(by_the_pedal(100.0, 50.0)) is None
    assert g.lowering(by_the_pedal(98.0, 35.0)) is None
    event = g.lowering(by_the_pedal(98.5, 34.75))
    assert event is not None and event.values["entry"] == 55.0
    assert (event.values["travel_mm"], event.values["force_n"]) == (15.25, 98.5)
    assert g.lowering(by_the_pedal(98.5, 0.0)) is None and g.lowering(by_the_pedal(97.0, -40.0)) is None
    # The pedal is let go of, and held once more.
    assert g.lowering(by_the_pedal(98.5, -40.0, STANDING)) is None
    assert g.lowering(by_the_pedal(98.5, -60.0)) is None and g.lowering(by_the_pedal(98.5, -75.5)) is not None


def test_what_goes_down_or_is_nearly_gone_is_not_told() -> None:
    g = Guard(RIG)
    assert not any(g.lowering(by_the_pedal(200.0 - 2.5 * i, 50.0 - 10.0 * i)) for i in range(77))
    assert not any(g.lowering(by_the_pedal(9.9, -800.0 - 10.0 * i)) for i in range(9))


def test_what_the_board_has_lowered_says_nothing_of_the_heads_own_way_down() -> None:
    g = Guard(RIG)
    assert g.check(0.0, shot(100.0, 50.0), 200.0, st.EASING_OFF) is None
    assert g.lowering(by_the_pedal(100.0, 45.0)) is None and g.lowering(by_the_pedal(100.0, 20.0)) is not None
    assert g.check(0.1, shot(100.0, 20.0), 200.0, st.EASING_OFF) is None
    assert g.check(0.2, shot(100.0, 4.9), 200.0, st.EASING_OFF) is not None
