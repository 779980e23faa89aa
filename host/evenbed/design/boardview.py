"""The rig as its board will reckon with it: the board's settings, the stop budget's view of the rig, the time of a pull.

Ages, grants and speeds come from the board's own arithmetic (``evenbed_fw.settings``, ``evenbed_fw.budget``).
"""

from __future__ import annotations

import math

from evenbed_fw.settings import Settings

from evenbed.design.bridge import counts_per_n
from evenbed.head.stopbudget import STIFFENING, Speeds
from evenbed.head.types import RigModel
from evenbed.rig.tables import Rig

PIECES = 400  # of the force, for the time of a draw
FIRST_MM, FIRST_MM_S = 2.0, 15.0  # after a press the head starts slowly


def settings_of(rig: Rig) -> Settings:
    """The board's settings for a rig, before it is calibrated. What they cannot express, ``unusable()`` names."""
    s = Settings()
    usual = s.steps_mm
    gain = round(counts_per_n(rig.cell, rig.converter) * 1000.0)
    s.gain_mcounts_n = s.rated_mcounts_n = gain
    s.period_us = round(1e6 / rig.rate_hz)
    s.limit_mn = s.limit_most_mn = round(rig.limits.limit_n * 1000.0)
    s.overrun_mn = round(rig.limits.overrun_n * 1000.0)
    s.stiffest_n_mm = math.ceil(rig.limits.stiffest_n_mm)
    s.softest_mn_mm = round(rig.strings.softest_n_mm * 1000.0)
    s.steps_mm = round(rig.steps_mm)
    s.rate_max_steps_s = round(rig.motion.speed_mm_s * s.steps_mm)
    s.accel_steps_s2 = round(rig.motion.accel_mm_s2 * s.steps_mm)
    s.age_samples = rig.converter.settling // 2 + 1  # its group delay and one pass of the loop
    s.hold_rate_steps_s = round(rig.limits.hold_rate_mm_s * s.steps_mm)
    s.hold_travel_steps = round(rig.limits.hold_travel_mm * s.steps_mm)
    s.back_off_steps = s.back_off_steps * s.steps_mm // usual
    s.let_down_steps_s = s.let_down_steps_s * s.steps_mm // usual
    s.derive()
    return s


def model_of(rig: Rig, s: Settings) -> RigModel:
    """The head's view of a rig whose board has these (usable) settings."""
    steps = float(s.steps_mm)
    return RigModel(
        zero_counts=0.0,
        counts_per_n=s.gain_mcounts_n / 1000.0,
        steps_per_mm=steps,
        limit_n=s.limit_mn / 1000.0,
        period_s=s.period_us * 1e-6,
        rate_max_mm_s=s.rate_max_steps_s / steps,
        accel_mm_s2=s.accel_steps_s2 / steps,
        hold_rate_mm_s=s.hold_rate_steps_s / steps,
        hold_travel_mm=s.hold_travel_steps / steps,
        stiffest_n_mm=float(s.stiffest_n_mm),
        overrun_n=s.overrun_mn / 1000.0,
        age_s=s.age_us * 1e-6,
        granted_s=s.granted_us * 1e-6,
        travel_mm=rig.travel_mm,
    )


def before_contact_mm_s(model: RigModel, speeds: Speeds, ceiling_n: float) -> float:
    """Fastest speed while slack is taken up, mm/s: the stiffest thing may come next."""
    return speeds.allowed_mm_s(model.stiffest_n_mm, ceiling_n + model.overrun_n)


def at_ceiling_mm_s(model: RigModel, speeds: Speeds, k_n_mm: float) -> float:
    """Fastest speed at the ceiling itself with a string of ``k_n_mm``, mm/s."""
    return speeds.allowed_mm_s(min(STIFFENING * k_n_mm, model.stiffest_n_mm), model.overrun_n)


def pull_s(model: RigModel, speeds: Speeds, force_n: float, k_n_mm: float, slack_mm: float) -> float:
    """Time from the tap until a string of ``k_n_mm`` is drawn to ``force_n`` under a ceiling as high, s: a slow start, the
    slack, then as fast as the board allows. Infinite where it does not allow it. Settling of the reading not counted."""
    slack = before_contact_mm_s(model, speeds, force_n)
    if slack <= 0.0:
        return math.inf
    slow_mm = min(FIRST_MM, slack_mm)
    took = slow_mm / min(FIRST_MM_S, slack) + (slack_mm - slow_mm) / slack + slack / model.accel_mm_s2
    k = min(STIFFENING * k_n_mm, model.stiffest_n_mm)
    for i in range(PIECES):
        reached = force_n * (i + 1) / PIECES
        v = speeds.allowed_mm_s(k, force_n + model.overrun_n - reached)
        if v <= 0.0:
            return math.inf
        took += force_n / PIECES / k_n_mm / v
    return took
