"""The yardsticks: the least time a pull can take on a given plant.

T*: the trapezoid (top speed, acceleration limit) over the travel that the pull needs.
T*_safe: the same travel, time-optimal with perfect knowledge and no delay under what the board allows: the stop budget
against the stiffest thing on the rig before contact, after it against the stiffest true stiffness seen times the
assumed stiffening; the first 2 mm after the press slow. Both end at rest at the reference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenbed_fw import budget
from evenbed_fw.settings import SPEEDS, Settings
from evenbed_sim.plant import Plant

from tests.benchmarks.plants import Case

FIRST_MM = 2.0
FIRST_MM_S = 15.0
STEP_S = {"first": 0.002, "second": 0.004}
CREEP_MM_S = 0.5  # what is still to go at this speed is done in one last step
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
    """Find both times by stepping a copy of the case's plant. Raises RuntimeError if it never reaches the reference."""
    s = case.rig.board_settings()
    plant = case.plant()
    t_safe, travel = _glide(plant, s, case.ceiling_n, case.reference_n, STEP_S[case.kind])
    raw = trapezoid_s(travel, s.rate_max_steps_s / s.steps_mm, s.accel_steps_s2 / s.steps_mm)
    return Ideal(t_safe, raw, travel, plant.stiffness_n_per_mm())


def _glide(plant: Plant, s: Settings, ceiling_n: float, reference_n: float, dt: float) -> tuple[float, float]:
    """Drive ``plant`` to ``reference_n`` from rest to rest as fast as the envelope allows; return time and travel.

    The travel still to go is the force still missing over the true tangent, afresh at every step: exact at the end.
    """
    accel = s.accel_steps_s2 / s.steps_mm
    top = s.rate_max_steps_s / s.steps_mm
    bound_n = ceiling_n + s.overrun_mn / 1000.0
    x = v = t = k_seen = 0.0
    while x < FARTHEST_MM:
        force = plant.force_n
        k_safe, left = float(s.stiffest_n_mm), math.inf
        if force > 0.0:
            k = plant.stiffness_n_per_mm()
            k_seen = max(k_seen, k)
            k_safe = min(k_safe, 0.1 * s.stiffening_x10 * k_seen)
            left = (reference_n - force) / k
        cap = top * budget.fastest(s.travel_um, int((bound_n - force) / k_safe * 1000.0)) / SPEEDS
        if x < FIRST_MM:
            cap = min(cap, FIRST_MM_S)
        v1 = min(v + accel * dt, cap) if v <= cap else max(v - accel * dt, cap)
        if left < FARTHEST_MM:
            # What is left after this step must do for the brake: v1^2 / 2a <= left - (v + v1) dt / 2.
            half = 0.5 * accel * dt
            root = half * half + 2.0 * accel * left - accel * dt * v
            v_end = math.sqrt(root) - half if root > 0.0 else 0.0
            if v_end < CREEP_MM_S and v1 > v_end:
                last = max(2.0 * left / v, 1e-4)
                plant.advance(last, left)
                return t + last, x + left
            v1 = min(v1, v_end)
        dx = 0.5 * (v + v1) * dt
        plant.advance(dt, dx)
        x += dx
        v = v1
        t += dt
    raise RuntimeError("the plant does not reach the reference")
