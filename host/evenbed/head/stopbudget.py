"""The stop budget on the host: how much the force can still rise, how fast one may draw, and what that bounds.

The arithmetic is the board's own, ``evenbed_fw.budget``; here are its units turned into newtons and millimetres, and
what the bound is worth for each class of faults.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed_fw import budget

from evenbed.head.types import RigModel

STEPS = 240  # speeds of the table
GAIN_SHARE = 0.2  # a sensitivity further from the cell's rating is refused by the board
STIFFENING = 3.0  # the board allows for a string this much stiffer at once than it has seen


def _us(seconds: float) -> int:
    return round(seconds * 1e6)


def rise_n(rig: RigModel, k_n_mm: float, v_mm_s: float) -> float:
    """Most that the force can rise, N, from a reading taken at ``v_mm_s`` until everything stands, at ``k_n_mm`` (rounded
    up to whole N/mm)."""
    if v_mm_s <= 0.0:
        return 0.0
    k = int(k_n_mm) + (k_n_mm % 1.0 > 0.0)
    v = round(v_mm_s * 1000.0)
    return budget.rise_mn(k, v, _us(rig.age_s), _us(rig.granted_s), round(rig.accel_mm_s2 * 1000.0)) / 1000.0


@dataclass(frozen=True)
class Terms:
    """Travel of one stop in mm: while the reading aged, on the steps still granted, braking."""

    aged_mm: float
    granted_mm: float
    braking_mm: float

    @property
    def total_mm(self) -> float:
        """All of it."""
        return self.aged_mm + self.granted_mm + self.braking_mm


def terms(rig: RigModel, v_mm_s: float) -> Terms:
    """What the travel of a stop from ``v_mm_s`` is made of."""
    return Terms(v_mm_s * rig.age_s, v_mm_s * rig.granted_s, v_mm_s * v_mm_s / (2.0 * rig.accel_mm_s2))


class Speeds:
    """The fastest speed from which everything still stands in a given room. One table for one rig."""

    def __init__(self, rig: RigModel) -> None:
        self._rig = rig
        top = round(rig.rate_max_mm_s * 1000.0)
        accel = round(rig.accel_mm_s2 * 1000.0)
        self._table = budget.travel_table(STEPS, top, _us(rig.age_s), _us(rig.granted_s), accel)

    def allowed_mm_s(self, k_n_mm: float, room_n: float) -> float:
        """Fastest speed, mm/s, at which the force rises by less than ``room_n`` at ``k_n_mm``; 0 if there is none."""
        if room_n <= 0.0 or k_n_mm <= 0.0:
            return 0.0
        k = int(k_n_mm) + (k_n_mm % 1.0 > 0.0)
        return self._rig.rate_max_mm_s * budget.fastest(self._table, int(room_n * 1000.0) // k) / STEPS


@dataclass(frozen=True)
class Bound:
    """What the true force cannot exceed under one class of faults, N (None: no electronic bound), and what catches it."""

    what: str
    force_n: float | None
    catches: str


def bounds(rig: RigModel, ceiling_n: float, k_n_mm: float) -> list[Bound]:
    """Bounds of the true force, by class of fault, for a string of ``k_n_mm`` under a ceiling (N)."""
    top = ceiling_n + rig.overrun_n
    return [
        Bound(
            "reading missing, frozen, saturated or impossible; link slow, garbled or dead; program hung; computer gone; "
            f"a string up to {STIFFENING:.0f} times as stiff at once",
            top,
            "granted steps and the envelope: ceiling + overrun",
        ),
        Bound("string, gripper or clamp lets go; emergency stop; supply lost", ceiling_n, "nothing rises any more"),
        Bound(
            f"sensitivity wrong by up to {GAIN_SHARE * 100:.0f} % (wrong weight, wrong gain)",
            top / (1.0 - GAIN_SHARE),
            "not seen; a larger error is refused at arming against the cell's rating",
        ),
        Bound(
            "sensitivity wrong by more in mid-pull (half the force is read)",
            2.0 * top,
            "a fall of 30 % at once trips; a slow one only the travel bound, a check weight, mechanics",
        ),
        Bound(
            f"something of {rig.stiffest_n_mm:.0f} N/mm snags in mid-pull",
            snag_n(rig, ceiling_n, k_n_mm),
            "mechanics alone: overload coupling, breakaway or spring pack with its switch",
        ),
        Bound(
            "let down by the pedal, without sound readings, by a motor that turns the wrong way",
            None,
            "the foot: it rises only while the pedal is held; else mechanics alone",
        ),
    ]


def snag_n(rig: RigModel, ceiling_n: float, k_n_mm: float) -> float:
    """Highest true force, N, if a string of ``k_n_mm`` suddenly meets the stiffest thing that the rig can meet: the worst
    over the force at which it happens, drawn as fast as the board allows for three times the stiffness seen."""
    speeds = Speeds(rig)
    top = ceiling_n + rig.overrun_n
    worst = top
    for share in range(5, 100, 5):
        force_n = ceiling_n * share / 100.0
        v = speeds.allowed_mm_s(min(STIFFENING * k_n_mm, rig.stiffest_n_mm), top - force_n)
        worst = max(worst, force_n + rise_n(rig, rig.stiffest_n_mm, v))
    return worst
