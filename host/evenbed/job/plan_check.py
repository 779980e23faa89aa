"""What in a racquet contradicts itself or custom: questions, which the file may overrule, and warnings. Pure."""

from __future__ import annotations

from evenbed.job.planned import Equipment
from evenbed.racquet import rules
from evenbed.racquet.model import SIDES, Racquet, StringName
from evenbed.units import show_force

EVEN = 0.01  # share by which left and right may differ in sum before that is said


def check(racquet: Racquet, equipment: Equipment) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return (warnings, questions): what the racquet's own check finds, and what only a plan shows."""
    found = rules.check(racquet)
    return (*found.errors, *_lopsided(racquet), *_clamps(equipment), *found.remarks), found.questions


def _lopsided(r: Racquet) -> list[str]:
    sums = {s: sum(r.reference_n(StringName("main", n + 1, s)) for n in range(r.per_side)) for s in SIDES}
    more = max(sums, key=lambda s: sums[s])
    by = 2.0 * sums[more] - sum(sums.values())
    if by <= EVEN * sums[more]:
        return []
    return [f"The mains on the {more} are drawn {show_force(by, r.unit)} more than the others in all: is that meant?"]


def _clamps(equipment: Equipment) -> list[str]:
    if equipment.kind == "fixed" or equipment.starting:
        return []
    return [
        "No starting clamp: the first tail is held by a floating clamp outside the frame, with a scrap of the same string "
        "beside it. It can jump off: face out of its line."
    ]
