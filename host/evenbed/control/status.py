"""What a window on the control loop is told: plain values, ready for JSON."""

from __future__ import annotations

from typing import TypedDict

from evenbed_fw import safety

from evenbed.head.head import Head
from evenbed.head.stopbudget import rise_n
from evenbed.head.types import Fresh


class Status(TypedDict):
    """One moment. Forces in N, lengths in mm, times in s; None where there is nothing to show. ``force_n`` counts from the
    working zero; ``flags``, ``presses`` and ``fault`` are those of the board's newest line, ``standing`` by it. ``stop_mm``
    is how far the gripper may still go after the newest reading, by the stop budget and at the speed of that reading."""

    kind: str
    t_s: float
    state: str
    word: str
    label: str
    force_n: float | None
    why: str
    zero: str
    reference_n: float | None
    ceiling_n: float
    limit_n: float
    position_mm: float | None
    steady: bool
    loss_now_n: float | None
    loss_later_n: float | None
    question: str
    stop: str
    flags: int
    presses: int
    fault: int
    reference_force_n: float | None
    overrun_n: float
    stop_mm: float | None
    standing: bool


MOVES = (safety.MOVING, safety.HOLDING, safety.EASING, safety.BACKING)


def standing(head: Head) -> bool:
    """Does the carriage stand, and nothing ask it to move, as far as the board has said?"""
    line = head.line
    return line is None or (line.rate_steps_s == 0 and line.state not in MOVES)


def status(now_s: float, head: Head) -> Status:
    """Return what there is to see of ``head`` now."""
    force = head.force
    fresh = force if isinstance(force, Fresh) else None
    line = head.line
    forecast = head.forecast if head.state == "holding" else None
    return Status(
        kind="status",
        t_s=now_s,
        state=head.state,
        word=head.word,
        label=head.pull.label if head.pull else "",
        force_n=fresh.force_n if fresh else None,
        why="" if fresh else getattr(force, "why", ""),
        zero=fresh.zero if fresh else "",
        reference_n=head.pull.reference_n if head.pull else None,
        ceiling_n=head.ceiling_n,
        limit_n=head.rig.limit_n,
        position_mm=head.shot.x_mm if head.shot else None,
        steady=head.steady,
        loss_now_n=forecast.now_n if forecast else None,
        loss_later_n=forecast.later_n if forecast else None,
        question=head.question,
        stop=head.stop.says if head.stop else "",
        flags=line.flags if line else 0,
        presses=line.presses if line else 0,
        fault=line.fault if line else 0,
        reference_force_n=head.shot.reference_force_n if fresh and head.shot else None,
        overrun_n=head.rig.overrun_n,
        stop_mm=rise_n(head.rig, 1.0, head.shot.v_mm_s) if head.shot else None,  # at 1 N/mm a newton is a millimetre
        standing=standing(head),
    )
