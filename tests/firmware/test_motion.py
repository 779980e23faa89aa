"""The ramp: acceleration, grants, landings, times and the size of its integers."""

from __future__ import annotations

from math import isqrt, sqrt

import pytest
from evenbed_fw import motion
from evenbed_fw.motion import Ramp
from hypothesis import example, given, settings
from hypothesis import strategies as st

from firmware.small import LARGEST, Small, make_small

TICK_US = 2000
UNIT = 16  # the ramp keeps rates as steps/s >> 4

accels = st.integers(20_000, 1_700_000)  # steps/s2
caps = st.integers(1_000, 107_000)  # steps/s
# The main loop calls at least every 2 ms, sooner when a reading comes; a busy pass may be late by as much again.
times_us = st.integers(100, 4_000)


class Motor:
    """Makes the steps of a grant and no more, as the hardware does; watches what the ramp does meanwhile."""

    def __init__(self, accel_steps_s2: int) -> None:
        self.accel = accel_steps_s2
        self.ramp = Ramp(accel_steps_s2)
        self.at = 0
        self.farthest = 0
        self.rate = 0
        self.part = 0
        self.t_us = 0
        self.sharpest = 0.0  # worst change of rate beyond the limit, in units of the ramp

    def step(self, dt_us: int, end: int, cap_steps_s: int, granted: int) -> None:
        before = self.rate
        self.rate = self.ramp.step(dt_us, end - self.at, cap_steps_s, granted)
        allowed = self.accel * min(dt_us, 10_000) / 1e6
        # A step cannot be cut in two, and the count hides the one under way: the last may be made at up to the speed
        # that these two stop, v^2 / (2a) = 2.
        if self.rate == 0 and abs(before) <= sqrt(4 * self.accel):
            allowed = abs(before)
        self.sharpest = max(self.sharpest, (abs(self.rate - before) - allowed) / UNIT)
        assert self.ramp.steps >= 0
        # The hardware now runs at this rate until the next call.
        self.part += abs(self.rate) * dt_us
        made = min(self.part // 1_000_000, self.ramp.steps)
        self.part = self.part % 1_000_000 if self.rate else 0
        self.at += made if self.rate > 0 else -made
        self.farthest = max(self.farthest, self.at)
        self.t_us += dt_us

    def until_rest(self, dt_us: int, end: int, cap: int, granted: int = 1 << 29) -> None:
        for _ in range(12_000_000 // dt_us):
            self.step(dt_us, end, cap, granted)
            if self.rate == 0 and self.at == end:
                return
        raise AssertionError(f"still at {self.at}, {self.rate} steps/s on the way to {end}")


@given(st.integers(0, LARGEST), st.integers(0, 40_000))
@example(LARGEST, 0)
@example(LARGEST, 1)
def test_isqrt_is_the_integer_root_from_any_guess(n: int, guess: int) -> None:
    assert motion.isqrt(Small(n), Small(guess)) == isqrt(n)


@settings(max_examples=200, deadline=None)
@given(accels, caps, st.integers(1, 60_000), st.sampled_from([500, 1000, 1700, TICK_US, 3000]))
def test_lands_exactly_without_passing_the_end(accel: int, cap: int, way: int, dt_us: int) -> None:
    way = min(way, cap)  # about a second
    m = Motor(accel)
    m.until_rest(dt_us, way, cap)
    assert m.at == m.farthest == way
    assert m.sharpest <= 1.0  # the fraction that the last call left over


@settings(max_examples=100, deadline=None)
@given(accels, caps, st.data())
def test_acceleration_is_limited_whatever_is_asked(accel: int, cap: int, data: st.DataObject) -> None:
    """Ends that jump about, caps that change: with steps granted, no rate changes faster than the limit."""
    m = Motor(accel)
    for _ in range(30):
        dt_us = data.draw(times_us)
        end = m.at + data.draw(st.sampled_from([-50_000, -3_000, -10, 10, 3_000, 50_000]))
        m.step(dt_us, end, data.draw(st.sampled_from([cap, cap // 3 + UNIT])), 1 << 29)
    # A landing on an end that is reached in mid-period cuts the rest of the ramp; only then is there more.
    assert m.sharpest <= 1.0 or m.rate == 0 or m.at == end


@settings(max_examples=150, deadline=None)
@given(accels, caps, st.lists(st.tuples(times_us, st.integers(-3, 3_000), st.integers(-60_000, 60_000)), max_size=80))
def test_never_more_steps_than_granted(accel: int, cap: int, calls: list[tuple[int, int, int]]) -> None:
    m = Motor(accel)
    for dt_us, granted, end in calls:
        before = m.at
        m.step(dt_us, end, cap, granted)
        assert m.ramp.steps <= max(granted, 0)
        assert abs(m.at - before) <= max(granted, 0)
        assert abs(m.rate) <= LARGEST
        if granted <= 0:
            assert m.rate == 0 or m.at == before


@settings(max_examples=100, deadline=None)
@given(accels, caps, st.integers(0, 20_000), st.sampled_from([1000, TICK_US]))
def test_a_grant_that_is_not_renewed_ends_in_rest_inside_it(accel: int, cap: int, granted: int, dt_us: int) -> None:
    granted = min(granted, cap)
    m = Motor(accel)
    for _ in range(12_000_000 // dt_us):
        m.step(dt_us, 1 << 27, cap, granted - m.at)
        if m.rate == 0 and m.at >= granted:
            break
    assert m.rate == 0
    assert m.at == m.farthest == granted
    assert m.sharpest <= 1.0  # braked, not cut off


@pytest.mark.parametrize(
    ("way_mm", "v_mm_s", "a_mm_s2", "closed_s"),
    [
        # Trapezoid from rest to rest: T = D/v + v/a, or 2 sqrt(D/a) if D < v^2/a. Kinematics, from memory, recomputed:
        # D 0.1 m, v 0.05 m/s, a 0.2 m/s2: 2.25 s; D 0.01 m, a 0.2 m/s2: 0.447 213 595 s.
        (100.0, 50.0, 200.0, 2.25),
        (10.0, 66.0, 200.0, 0.447213595),
    ],
)
def test_trapezoid_time(way_mm: float, v_mm_s: float, a_mm_s2: float, closed_s: float) -> None:
    steps_mm = 1600
    way, cap, accel = round(way_mm * steps_mm), round(v_mm_s * steps_mm), round(a_mm_s2 * steps_mm)
    short = way < cap * cap / accel
    assert closed_s == pytest.approx(2 * sqrt(way / accel) if short else way / cap + cap / accel, rel=1e-8)
    m = Motor(accel)
    m.until_rest(TICK_US, way, cap)
    late_us = m.t_us - closed_s * 1e6
    # The call that finds it at rest is one tick; the braking reserve for a late call costs the other two at most.
    assert -TICK_US < late_us - TICK_US <= 2 * TICK_US


@given(accels, caps, st.integers(200, 20_000), st.integers(1, 30))
@settings(max_examples=150, deadline=None)
def test_reversing_stops_first(accel: int, cap: int, way: int, after: int) -> None:
    way = min(way, cap)
    m = Motor(accel)
    for _ in range(after):
        m.step(TICK_US, way, cap, 1 << 29)
    turned_at, v = m.at, abs(m.rate)
    for _ in range(6_000):
        before = m.rate
        m.step(TICK_US, -way, cap, 1 << 29)
        assert before * m.rate >= 0, "through zero in one call"
        if m.rate == 0 and m.at == -way:
            break
    assert m.at == -way
    # On the way out no farther than the braking distance, v^2/(2a), and the tick in which the order came.
    assert m.farthest <= max(turned_at, way if v == 0 else 0) + v * v / (2 * accel) + v * TICK_US / 1e6 + 2
    assert m.sharpest <= 1.0


@given(accels, caps, st.integers(0, 2_000), st.integers(1, 40))
@settings(max_examples=150, deadline=None)
def test_end_moved_nearer_is_passed_by_the_braking_way_at_most(accel: int, cap: int, ahead: int, after: int) -> None:
    m = Motor(accel)
    for _ in range(after):
        m.step(TICK_US, 1 << 27, cap, 1 << 29)
    end, v = m.at + ahead, m.rate
    brake = v * v / (2 * accel) + v * TICK_US / 1e6 + 2
    m.until_rest(TICK_US, end, cap)
    assert m.farthest <= max(end, end - ahead + brake)
    assert m.rate == 0


@given(
    st.integers(10_000, 1_700_000),
    st.lists(
        st.tuples(
            st.integers(0, LARGEST),  # even after a long pause
            st.sampled_from([-(1 << 28), -1, 0, 1, 1 << 28]) | st.integers(-(1 << 28), 1 << 28),
            st.integers(0, 107_000),
            st.sampled_from([0, 1, 1 << 28]) | st.integers(0, 1 << 28),
        ),
        max_size=40,
    ),
)
def test_no_intermediate_leaves_the_small_integers(accel: int, calls: list[tuple[int, int, int, int]]) -> None:
    ramp = Ramp(accel)
    make_small(ramp)
    for dt_us, to_end, cap, granted in calls:
        ramp.step(Small(dt_us), Small(to_end), Small(cap), Small(granted))
        ramp.brake_steps(ramp.rate16)


def test_small_catches_what_it_should() -> None:
    with pytest.raises(OverflowError):
        Small(1 << 20) * 1024
    with pytest.raises(OverflowError):
        1 + Small(LARGEST)
    assert type(1 + Small(3)) is Small


def test_halt_forgets_the_rate() -> None:
    m = Motor(1_280_000)
    for _ in range(10):
        m.step(TICK_US, 10_000, 96_000, 1 << 29)
    assert m.rate > 0
    m.ramp.halt()
    assert m.ramp.step(TICK_US, 10_000, 96_000, 1 << 29) <= 1_280_000 * TICK_US // 1_000_000 + UNIT
