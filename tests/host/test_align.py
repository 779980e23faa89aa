"""Positions through the converter's window, against integrals by quadrature."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from evenbed.head.align import Aligner
from motions import PERIOD_S, STEPS_MM, Trapezoid, by_quadrature


def follow(
    motion: Trapezoid, until_s: float, seed: int = 0, jitter_s: float = 0.0, steps: bool = False
) -> tuple[Aligner, float]:
    rng = Random(seed)
    aligner = Aligner(PERIOD_S)
    t = 0.0
    while t <= until_s:
        x, v = motion.x(t), motion.v(t)
        if steps:
            x, v = int(x * STEPS_MM) / STEPS_MM, int(v * STEPS_MM / 16.0) * 16.0 / STEPS_MM
        aligner.add(t, x, v)
        last = t
        t += PERIOD_S + rng.uniform(-jitter_s, jitter_s)
    return aligner, last


# Corners that fall on samples: everything between two samples has constant acceleration.
EVEN = Trapezoid(way_mm=21.0, speed_mm_s=60.0, accel_mm_s2=800.0, begin_s=0.1)


@pytest.mark.parametrize("delay_s", [0.0, 0.004, 0.0125, 0.02, 0.025, 0.0313, 0.0375, 0.05, 0.0625])
def test_constant_acceleration_between_samples_is_exact(delay_s: float) -> None:
    assert all(abs(c / PERIOD_S - round(c / PERIOD_S)) < 1e-9 for c in EVEN.corners)
    for until in np.arange(0.15, 0.6, 0.0125):
        aligner, t = follow(EVEN, float(until) + 1e-9)
        assert aligner.position(delay_s) == pytest.approx(by_quadrature(EVEN.x, EVEN.corners, t, delay_s), abs=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_any_motion_at_any_times_is_nearly_exact(seed: int) -> None:
    rng = Random(seed)
    v, a = rng.uniform(15.0, 100.0), rng.uniform(400.0, 900.0)
    motion = Trapezoid(rng.uniform(1.2, 4.0) * v * v / a, v, a, rng.uniform(0.1, 0.12))
    for until in np.arange(0.15, motion.corners[-1] + 0.08, 0.0125):
        aligner, t = follow(motion, float(until), seed, jitter_s=0.0015)
        for delay in (0.006, 0.013, 0.025, 0.04, 0.06):
            exact = by_quadrature(motion.x, motion.corners, t, delay)
            # A corner inside an interval h is off by at most a h^2 / 8 in position, and less in the mean.
            assert abs(aligner.position(delay) - exact) < a * (PERIOD_S + 0.003) ** 2 / 32.0


@pytest.mark.parametrize("delay_s", [0.01, 0.025, 0.045])
def test_whole_steps_cost_less_than_two_steps(delay_s: float) -> None:
    for until in np.arange(0.15, 0.6, 0.0125):
        aligner, t = follow(EVEN, float(until) + 1e-9, steps=True)
        exact = by_quadrature(EVEN.x, EVEN.corners, t, delay_s)
        assert abs(aligner.position(delay_s) - exact) < 2.0 / STEPS_MM


def test_at_an_even_speed_the_position_is_that_of_one_delay_ago() -> None:
    aligner = Aligner(PERIOD_S)
    for i in range(20):
        aligner.add(i * PERIOD_S, 40.0 * i * PERIOD_S, 40.0)
    for delay in (0.0, 0.011, 0.025, 0.06):
        assert aligner.position(delay) == pytest.approx(40.0 * (19 * PERIOD_S - delay), abs=1e-9)


def test_before_the_history_the_carriage_stood() -> None:
    aligner = Aligner(PERIOD_S)
    aligner.add(5.0, 3.0, 0.0)
    assert aligner.position(0.025) == pytest.approx(3.0, abs=1e-12)
    aligner.add(5.0125, 3.5, 0.0)
    # 37.5 ms at 3 mm, then 12.5 ms whose mean is 3.25 mm.
    assert aligner.position(0.025) == pytest.approx((3 * 3.0 + 3.25) / 4.0, abs=1e-9)


def test_what_is_forgotten_does_not_matter() -> None:
    short, long = Aligner(PERIOD_S, keep_s=0.15), Aligner(PERIOD_S, keep_s=10.0)
    for i in range(400):
        t = i * PERIOD_S
        short.add(t, EVEN.x(t), EVEN.v(t))
        long.add(t, EVEN.x(t), EVEN.v(t))
        for delay in (0.0125, 0.03, 0.06):
            assert short.position(delay) == pytest.approx(long.position(delay), abs=1e-9)
