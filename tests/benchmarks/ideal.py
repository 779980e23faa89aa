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
SURVEY_MM_S = 40.0
CLOSE = 0.0005  # of the reference: the ideal pull ends this near


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
    """Find both times by stepping copies of the case's plant. Raises RuntimeError if the travel does not converge."""
    s = case.rig.board_settings()
    travel = _survey(case.plant(), case.reference_n)
    for _ in range(12):
        plant = case.plant()
        t_safe = _glide(plant, s, case.ceiling_n, travel, STEP_S[case.kind])
        k = plant.stiffness_n_per_mm()
        off = case.reference_n - plant.force_n
        if abs(off) < CLOSE * case.reference_n:
            accel = s.accel_steps_s2 / s.steps_mm
            return Ideal(t_safe, trapezoid_s(travel, s.rate_max_steps_s / s.steps_mm, accel), travel, k)
        travel += off / max(k, 1.0)
    raise RuntimeError(f"no ideal pull found for {case}")


def _survey(plant: Plant, reference_n: float) -> float:
    x = 0.0
    while plant.force_n < reference_n:
        plant.advance(0.005, SURVEY_MM_S * 0.005)
        x += SURVEY_MM_S * 0.005
        if x > 400.0:
            raise RuntimeError("the plant does not reach the reference")
    return x


def _glide(plant: Plant, s: Settings, ceiling_n: float, travel_mm: float, dt: float) -> float:
    """Drive ``plant`` over ``travel_mm`` from rest to rest as fast as the envelope allows; return the time."""
    accel = s.accel_steps_s2 / s.steps_mm
    top = s.rate_max_steps_s / s.steps_mm
    bound_n = ceiling_n + s.overrun_mn / 1000.0
    x = v = t = k_seen = 0.0
    while True:
        force = plant.force_n
        k = float(s.stiffest_n_mm)
        if force > 0.0:
            k_seen = max(k_seen, plant.stiffness_n_per_mm())
            k = min(k, 0.1 * s.stiffening_x10 * k_seen)
        cap = top * budget.fastest(s.travel_um, int((bound_n - force) / k * 1000.0)) / SPEEDS
        if x < FIRST_MM:
            cap = min(cap, FIRST_MM_S)
        v1 = min(v + accel * dt, cap) if v <= cap else max(v - accel * dt, cap)
        # What is left after this step must do for the brake: v1^2 / 2a <= left - (v + v1) dt / 2.
        half = 0.5 * accel * dt
        left = travel_mm - x
        root = half * half + 2.0 * accel * left - accel * dt * v
        v_end = math.sqrt(root) - half if root > 0.0 else 0.0
        v1 = min(v1, v_end)
        if v1 <= 1e-3:
            last = max(2.0 * left / v if v > 1e-3 else 0.0, 1e-4)
            plant.advance(last, left)
            return t + last
        dx = 0.5 * (v + v1) * dt
        plant.advance(dt, dx)
        x += dx
        v = v1
        t += dt
