"""The yardsticks: the least time a pull can take on a given plant.

T*: the trapezoid (top speed, acceleration limit) over the travel that the pull needs.
T*_safe: the same travel, time-optimal with perfect knowledge and no delay under what the board allows: the stop budget
against the stiffest thing on the rig before contact, after it against the stiffest true stiffness seen times the
assumed stiffening; the first 2 mm after the press slow. Both end at rest at the reference.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

from evenbed_fw import budget
from evenbed_fw.settings import SPEEDS, Settings
from evenbed_sim.plant import Plant

from tests.benchmarks.plants import Case

FIRST_MM = 2.0
FIRST_MM_S = 15.0
STEP_S = {"first": 0.002, "second": 0.004}
CLOSE = 0.0005  # of the reference: the ideal pull ends this near
FARTHEST_MM = 400.0


@dataclass(frozen=True)
class Ideal:
    """``t_safe_s`` and ``t_raw_s`` from the press, over ``travel_mm``; ``k_n_mm`` the true stiffness at the end."""

    t_safe_s: float
    t_raw_s: float
    travel_mm: float
    k_n_mm: float


def trapezoid_s(distance_mm: float, speed_mm_s: float, accel_mm_s2: float) -> float:
    """Rest-to-rest time with a speed and an acceleration limit (kinematics)."""
    if distance_mm >= speed_mm_s**2 / accel_mm_s2:
        return distance_mm / speed_mm_s + speed_mm_s / accel_mm_s2
    return 2.0 * math.sqrt(distance_mm / accel_mm_s2)


def ideal(case: Case) -> Ideal:
    """Find both times by stepping copies of the case's plant. Raises RuntimeError if the reference is not reached."""
    s = case.rig.board_settings()
    start = _Glide(case.plant(), s, case, 0.0, 0.0, 0.0)
    start.approach()
    travel = start.x_mm + 1.05 * start.left_mm
    for _ in range(12):
        end = copy.deepcopy(start)
        end.brake(travel)
        k = end.plant.stiffness_n_per_mm()
        off = case.reference_n - end.plant.force_n
        if abs(off) < CLOSE * case.reference_n:
            raw = trapezoid_s(travel, s.rate_max_steps_s / s.steps_mm, s.accel_steps_s2 / s.steps_mm)
            return Ideal(end.t_s, raw, travel, k)
        travel += off / k
    raise RuntimeError(f"no ideal pull found for {case}")


class _Glide:
    """Drives a plant as fast as the envelope allows, with its true force and stiffness and without delay."""

    def __init__(self, plant: Plant, s: Settings, case: Case, x_mm: float, v_mm_s: float, t_s: float) -> None:
        self.plant = plant
        self.x_mm = x_mm
        self.v_mm_s = v_mm_s
        self.t_s = t_s
        self.left_mm = math.inf  # by the tangent
        self._s = s
        self._reference_n = case.reference_n
        self._bound_n = case.ceiling_n + s.overrun_mn / 1000.0
        self._dt = STEP_S[case.kind]
        self._accel = s.accel_steps_s2 / s.steps_mm
        self._k_seen = 0.0

    def _cap_mm_s(self) -> float:
        s, force = self._s, self.plant.force_n
        k_safe = float(s.stiffest_n_mm)
        if force > 0.0:
            k = self.plant.stiffness_n_per_mm()
            self._k_seen = max(self._k_seen, k)
            k_safe = min(k_safe, 0.1 * s.stiffening_x10 * self._k_seen)
            self.left_mm = (self._reference_n - force) / k
        top = s.rate_max_steps_s / s.steps_mm
        cap = top * budget.fastest(s.travel_um, int((self._bound_n - force) / k_safe * 1000.0)) / SPEEDS
        return min(cap, FIRST_MM_S) if self.x_mm < FIRST_MM else cap

    def _next_mm_s(self) -> float:
        cap, v, dv = self._cap_mm_s(), self.v_mm_s, self._accel * self._dt
        return min(v + dv, cap) if v <= cap else max(v - dv, cap)

    def _go(self, v_mm_s: float) -> None:
        dx = 0.5 * (self.v_mm_s + v_mm_s) * self._dt
        self.plant.advance(self._dt, dx)
        self.x_mm += dx
        self.v_mm_s = v_mm_s
        self.t_s += self._dt

    def approach(self) -> None:
        """Go on until braking cannot be far."""
        while self.x_mm < FARTHEST_MM:
            v1 = self._next_mm_s()
            if self.left_mm < 0.7 * v1 * v1 / self._accel + 1.0:
                return
            self._go(v1)
        raise RuntimeError("the plant does not reach the reference")

    def brake(self, travel_mm: float) -> None:
        """Go on to rest at ``travel_mm``."""
        while True:
            # What is left after this step must do for the brake: v1^2 / 2a <= left - (v + v1) dt / 2.
            half = 0.5 * self._accel * self._dt
            left = travel_mm - self.x_mm
            root = half * half + 2.0 * self._accel * left - 2.0 * half * self.v_mm_s
            v1 = min(self._next_mm_s(), math.sqrt(root) - half if root > 0.0 else 0.0)
            if v1 <= 1e-3:
                last = max(2.0 * left / self.v_mm_s if self.v_mm_s > 1e-3 else 0.0, 1e-4)
                self.plant.advance(last, left)
                self.t_s += last
                return
            self._go(v1)
