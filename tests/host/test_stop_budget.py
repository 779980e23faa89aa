"""The host's stop budget against its formula in exact fractions: v (age + granted) + v2 / (2 a), kinematics, from memory.

What it bounds may be rounded up by two micrometres of travel and by the next whole N/mm, never down.
"""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from fractions import Fraction

import pytest
from evenbed.head.stopbudget import Speeds, bounds, rise_n, snag_n, terms
from evenbed.head.types import RigModel

# counts from 21000, 8759 counts/N, 1600 steps/mm, 60 mm/s, 800 mm/s2, 130 N/mm, overrun 40 N, age and granted in us
RIG = RigModel(21000.0, 8759.0, 1600.0, 330.0, 0.0125, 60.0, 800.0, 6.0, 20.0, 130.0, 40.0, 0.041664, 0.027776)
AGE_S, GRANTED_S = Fraction("0.041664"), Fraction("0.027776")
STEP_MM_S = Fraction(60, 240)


def travel_mm(v_mm_s: float | Fraction) -> Fraction:
    v = Fraction(v_mm_s)
    return v * (AGE_S + GRANTED_S) + v * v / 1600


@pytest.mark.parametrize("v", [0.25, 0.5, 1.0, 12.0, 60.0])
@pytest.mark.parametrize(("k", "whole"), [(1.0, 1), (8.0, 8), (9.0, 9), (8.001, 9), (8.5, 9), (129.5, 130)])
def test_the_rise_is_stiffness_times_travel_and_hardly_more(k: float, whole: int, v: float) -> None:
    exact = float(whole * travel_mm(v))
    assert exact <= rise_n(RIG, k, v) <= exact + 0.002 * whole


def test_the_age_of_a_reading_is_counted_in_true_microseconds() -> None:
    # 100 s at 60 mm/s: a millionth of it would show as 6 um.
    exact = float(60 * (100 + GRANTED_S) + Fraction(3600, 1600))
    assert exact <= rise_n(replace(RIG, age_s=100.0), 1.0, 60.0) <= exact + 0.002


@pytest.mark.parametrize("v", [0.0, -0.25, -60.0])
def test_what_stands_or_goes_down_raises_nothing(v: float) -> None:
    assert rise_n(RIG, 8.0, v) == 0.0


def test_the_terms_of_a_stop_from_sixty() -> None:
    t = terms(RIG, 60.0)
    assert t.aged_mm == pytest.approx(2.49984) and t.granted_mm == pytest.approx(1.66656)
    assert t.braking_mm == pytest.approx(2.25) and t.total_mm == pytest.approx(float(travel_mm(60.0)))


@pytest.mark.parametrize("k", [1, 8, 9, 24, 130])
@pytest.mark.parametrize("room_n", [0.5, 1.0, 3.0, 20.0, 40.0, 150.0])
def test_the_speed_allowed_is_the_fastest_of_the_table_that_stops_in_the_room(k: int, room_n: float) -> None:
    v = Fraction(Speeds(RIG).allowed_mm_s(float(k), room_n))
    index = v / STEP_MM_S
    assert index.denominator == 1 and 0 <= index <= 240
    assert k * travel_mm(v) <= room_n
    if index < 240:
        assert k * (travel_mm(v + STEP_MM_S) + Fraction(3, 1000)) > room_n


def test_the_last_speed_of_the_table_needs_its_own_travel_and_not_a_micrometre_less() -> None:
    # From 60 mm/s 4166.4 um late and 2250 um of braking, each up to the next whole one and beyond.
    assert Speeds(RIG).allowed_mm_s(1.0, 6.4181) == 60.0
    assert Speeds(RIG).allowed_mm_s(1.0, 6.4179) == 59.75


def test_a_broken_stiffness_counts_as_the_next_whole_one() -> None:
    speeds = Speeds(RIG)
    eight, more, nine = (speeds.allowed_mm_s(k, 20.0) for k in (8.0, 8.001, 9.0))
    assert eight > more == nine
    assert speeds.allowed_mm_s(0.5, 5.0) == speeds.allowed_mm_s(1.0, 5.0) > 0.0


@pytest.mark.parametrize(("k", "room_n"), [(8.0, 0.0), (8.0, -5.0), (0.0, 20.0), (-8.0, 20.0)])
def test_without_room_or_stiffness_nothing_may_move(k: float, room_n: float) -> None:
    assert Speeds(RIG).allowed_mm_s(k, room_n) == 0.0


def test_a_rig_that_is_slower_or_brakes_worse_is_allowed_less() -> None:
    assert Speeds(replace(RIG, rate_max_mm_s=30.0)).allowed_mm_s(1.0, 300.0) == 30.0
    worse = Speeds(replace(RIG, accel_mm_s2=200.0)).allowed_mm_s(8.0, 20.0)
    assert 0.0 < worse < Speeds(RIG).allowed_mm_s(8.0, 20.0)
    v = Fraction(worse)
    assert 8 * (v * (AGE_S + GRANTED_S) + v * v / 400) <= 20


def snagged_n(k_n_mm: float, ceiling_n: float) -> tuple[float, int]:
    """Worst force and the share (%) of the ceiling at which it comes, by trying each speed of the table."""
    worst = (ceiling_n + 40.0, 0)
    for share in range(5, 100, 5):
        force = ceiling_n * share / 100.0
        k = min(3.0 * k_n_mm, 130.0)
        room = ceiling_n + 40.0 - force
        allowed = [i * STEP_MM_S for i in range(241) if k * (float(travel_mm(i * STEP_MM_S)) + 0.002) <= room]
        worst = max(worst, (force + 130.0 * float(travel_mm(allowed[-1])), share))
    return worst


@pytest.mark.parametrize(("k", "ceiling_n"), [(2.0, 100.0), (4.0, 235.0), (8.0, 235.0), (8.0, 300.0), (20.0, 235.0)])
def test_a_snag_is_met_at_the_worst_force_and_the_fastest_speed(k: float, ceiling_n: float) -> None:
    # A step of the table more or less is 130 N/mm times the travel that it adds, 4.7 N at most.
    worst, share = snagged_n(k, ceiling_n)
    assert snag_n(RIG, ceiling_n, k) == pytest.approx(worst, abs=0.6), share


def test_what_is_as_stiff_as_anything_snags_on_nothing() -> None:
    assert snag_n(RIG, 235.0, 130.0) == 275.0 == snag_n(RIG, 235.0, 60.0)


def test_the_bounds_by_class_of_fault() -> None:
    classes = bounds(RIG, 235.0, 8.0)
    # Ceiling + overrun; the ceiling; a sensitivity a fifth too low; half the force read; a snag; a motor
    # that turns the wrong way.
    assert [b.force_n for b in classes] == [275.0, 235.0, pytest.approx(343.75), 550.0, snag_n(RIG, 235.0, 8.0), None]
    assert "3 times as stiff" in classes[0].what and "up to 20 %" in classes[2].what and "130 N/mm" in classes[4].what
    assert all(b.catches for b in classes)


def test_nobody_changes_a_bound_once_it_is_told() -> None:
    with pytest.raises(FrozenInstanceError):
        bounds(RIG, 235.0, 8.0)[0].force_n = 400.0  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        terms(RIG, 60.0).aged_mm = 0.0  # type: ignore[misc]
