"""Weaving one cross ahead: which cross, from which side, and how far it reaches. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from evenbed.job import budget, plan_order
from evenbed.job.planned import Cut, Equipment, Weaving
from evenbed.racquet.model import Racquet, StringName


def weaving(racquet: Racquet, name: StringName, reach: StringName | None) -> Weaving | None:
    """The cross to weave while ``name`` is on the head, None for a main, for the last cross and beyond ``reach``."""
    following = plan_order.next_cross(racquet, name)
    order = plan_order.cross_numbers(racquet)
    if following is None or reach is None or order.index(following.number) > order.index(reach.number):
        return None
    enters = plan_order.cross_enters(racquet, following.number)
    return Weaving(following, enters, plan_order.passes_first(racquet, following.number, enters))


def reach(racquet: Racquet, equipment: Equipment, cuts: Sequence[Cut]) -> StringName | None:
    """The last cross that can be woven while its neighbour is on the head.

    The string goes from the frame to the gripper and back before it can be woven on, so it has to reach through the next
    cross and once more to the frame from the gripper, with a hand's length to weave with. String runs out, seen from the
    end: what is left there are the crosses to come, the tails and the margin.
    """
    order = plan_order.cross_numbers(racquet)
    cut = cuts[-1]
    spare = cut.tails_mm / 2.0 + cut.margin_mm
    to_come = 0.0
    for i in range(len(order) - 1, 0, -1):
        to_come += budget.cross_mm(racquet, order[i])
        if to_come + spare >= 2.0 * equipment.tail_mm + budget.cross_mm(racquet, order[i]) + budget.HAND_MM:
            return StringName("cross", order[i])
    return None


def note(racquet: Racquet, last: StringName | None) -> str:
    """The same in a sentence, "" if all of them can be woven ahead."""
    order = plan_order.cross_numbers(racquet)
    if last is None:
        return "The string is too short to weave one cross ahead: weave after clamping."
    if last.number == order[-1]:
        return ""
    return f"One cross ahead can be woven up to {last}; then the string from the gripper gets too short."
