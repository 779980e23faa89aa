"""The stop budget against its formula in exact fractions."""

from __future__ import annotations

from fractions import Fraction

import pytest
from evenbed_fw import budget
from evenbed_fw.settings import SPEEDS, Settings
from hypothesis import assume, given
from hypothesis import strategies as st

speeds_um_s = st.integers(0, 200_000)
ages_us = st.integers(0, 500_000)
grants_us = st.integers(0, 500_000)
accels_um_s2 = st.integers(1_000, 5_000_000)
stiffnesses_n_mm = st.integers(0, 500)


def exact_um(v_um_s: int | Fraction, age_us: int, granted_us: int, accel_um_s2: int | Fraction) -> Fraction:
    """d(v) = v (age + granted) + v^2 / (2 a). Late travel and stop distance (kinematics, from memory)."""
    v = Fraction(v_um_s)
    return v * (age_us + granted_us) / 1_000_000 + v * v / (2 * Fraction(accel_um_s2))


@given(speeds_um_s, ages_us, grants_us, accels_um_s2)
def test_travel_is_never_less_than_exact_and_at_most_two_um_more(v: int, age: int, granted: int, accel: int) -> None:
    exact = exact_um(v, age, granted, accel)
    assert exact <= budget.travel_um(v, age, granted, accel) <= exact + 2


@given(stiffnesses_n_mm, speeds_um_s, ages_us, grants_us, accels_um_s2)
def test_rise_is_never_less_than_exact(k: int, v: int, age: int, granted: int, accel: int) -> None:
    # 1 N/mm is 1 mN/um
    assert budget.rise_mn(k, v, age, granted, accel) >= k * exact_um(v, age, granted, accel)


def test_published_stop_distance() -> None:
    # k 8849 N/m, v 0.05 m/s, a 0.2 m/s2: 6.25 mm and 55.3 N (stop distance v^2/(2a), from memory, recomputed).
    assert budget.travel_um(50_000, 0, 0, 200_000) == 6250 + 2
    assert exact_um(50_000, 0, 0, 200_000) == 6250
    assert Fraction("8.849") * exact_um(50_000, 0, 0, 200_000) / 1000 == pytest.approx(55.3, abs=0.01)


@given(st.data(), speeds_um_s, ages_us, grants_us, accels_um_s2, stiffnesses_n_mm)
def test_monotone(data: st.DataObject, v: int, age: int, granted: int, accel: int, k: int) -> None:
    base = budget.rise_mn(k, v, age, granted, accel)
    more = data.draw(st.integers(0, 10_000))
    assert budget.rise_mn(k, v + more, age, granted, accel) >= base
    assert budget.rise_mn(k, v, age + more, granted, accel) >= base
    assert budget.rise_mn(k, v, age, granted + more, accel) >= base
    assert budget.rise_mn(k + more, v, age, granted, accel) >= base
    assert budget.rise_mn(k, v, age, granted, accel + more) <= base


@given(st.integers(1, 300), st.integers(1, 200_000), ages_us, grants_us, accels_um_s2, st.integers(-100, 200_000))
def test_fastest_is_the_true_inverse(steps: int, top: int, age: int, granted: int, accel: int, allowed_um: int) -> None:
    table = budget.travel_table(steps, top, age, granted, accel)
    assert len(table) == steps + 1
    assert table == sorted(table)
    i = budget.fastest(table, allowed_um)
    allowed = [n for n, travel in enumerate(table) if travel <= allowed_um]
    assert i == (max(allowed) if allowed else 0)
    for n, travel in enumerate(table):
        assert travel >= exact_um(Fraction(top * n, steps), age, granted, accel)


@given(
    st.integers(100, 4000),  # steps/mm
    st.integers(1_000, 107_000),  # steps/s
    st.integers(10_000, 1_600_000),  # steps/s2
    st.integers(3_000, 100_000),
)
def test_table_of_any_rig_covers_the_rate_it_allows(steps_mm: int, rate: int, accel: int, period: int) -> None:
    """Each entry covers the true speed of its rate, whatever the rounding of the settings."""
    s = Settings()
    s.steps_mm, s.rate_max_steps_s, s.accel_steps_s2, s.period_us = steps_mm, rate, accel, period
    s.hold_rate_steps_s = s.let_down_steps_s = rate
    assume(s.unusable() == "")
    s.derive()
    assert len(s.travel_um) == len(s.rates) == SPEEDS + 1
    assert s.rates[0] == 0 and s.rates[-1] == rate
    for travel, steps_s in zip(s.travel_um, s.rates, strict=True):
        v = Fraction(steps_s * 1000, steps_mm)
        assert travel >= exact_um(v, s.age_us, s.granted_us, Fraction(accel * 1000, steps_mm))


def test_each_speed_of_the_table_is_rounded_up_once() -> None:
    # thirds of 10000 um/s: 3333.3, 6666.7; whole ones stay
    speeds = [0, 3_334, 6_667, 10_000]
    assert budget.travel_table(3, 10_000, 1_000_000, 0, 10_000) == [
        budget.travel_um(v, 1_000_000, 0, 10_000) for v in speeds
    ]


def test_late_travel_is_whole_micrometres_and_one() -> None:
    # 200000 um/s for 5 s; 200000^2 / (2 x 1000000)
    assert budget.travel_um(200_000, 2_500_000, 2_500_000, 1_000_000) == 1_000_000 + 1 + 20_000 + 1
