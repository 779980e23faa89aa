"""Motions with known positions, and what a converter with a settling window makes of them, by quadrature."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from evenbed.head.align import SETTLING_PERIODS
from scipy.integrate import quad

PERIOD_S = 0.0125
STEPS_MM = 1600.0


@dataclass(frozen=True)
class Trapezoid:
    """From rest over ``way_mm`` and to rest again, from ``begin_s`` on."""

    way_mm: float
    speed_mm_s: float
    accel_mm_s2: float
    begin_s: float

    @property
    def corners(self) -> list[float]:
        ramp = self.speed_mm_s / self.accel_mm_s2
        even = self.way_mm / self.speed_mm_s - ramp
        assert even >= 0.0
        return [self.begin_s + t for t in (0.0, ramp, ramp + even, 2.0 * ramp + even)]

    def v(self, t_s: float) -> float:
        t0, t1, t2, t3 = self.corners
        return float(np.interp(t_s, [t0, t1, t2, t3], [0.0, self.speed_mm_s, self.speed_mm_s, 0.0]))

    def x(self, t_s: float) -> float:
        t0, t1, t2, t3 = self.corners
        a, v = self.accel_mm_s2, self.speed_mm_s
        if t_s <= t0:
            return 0.0
        if t_s <= t1:
            return 0.5 * a * (t_s - t0) ** 2
        if t_s <= t2:
            return v * v / (2.0 * a) + v * (t_s - t1)
        if t_s < t3:
            return self.way_mm - 0.5 * a * (t3 - t_s) ** 2
        return self.way_mm


def window(delay_s: float) -> tuple[float, float]:
    """(shift, width) of the converter's window for a group delay: mean over [t - s - w, t - s], s + w/2 = d."""
    width = min(2.0 * delay_s, SETTLING_PERIODS * PERIOD_S)
    return delay_s - 0.5 * width, width


def by_quadrature(x: Callable[[float], float], corners: list[float], t_s: float, delay_s: float) -> float:
    shift, width = window(delay_s)
    if width == 0.0:
        return x(t_s)
    low, high = t_s - shift - width, t_s - shift
    edges = [low, *(c for c in corners if low < c < high), high]
    return float(sum(quad(x, a, b)[0] for a, b in itertools.pairwise(edges)) / width)
