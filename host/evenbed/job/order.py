"""What there is to remark when the stringer takes another string than the plan's next. One remark, then obedience."""

from __future__ import annotations

from evenbed.job.marks import JobState
from evenbed.racquet.model import SIDES, Side, StringName

LOADED = ("clamped", "tied", "questioned")


def mains_on(state: JobState) -> dict[Side, int]:
    """Mains that carry tension, by side."""
    on = dict.fromkeys(SIDES, 0)
    for name, mark in state.of.items():
        if name.side is not None and mark in LOADED:
            on[name.side] += 1
    return on


def order_remark(state: JobState, number: int) -> str:
    """Say what speaks against pull ``number`` as the next one, or nothing."""
    if state.plan.free:
        return ""
    pull = next(p for p in state.left if p.number == number)
    racquet = state.plan.racquet
    if pull.name.kind == "main":
        on = mains_on(state)
        for name in (pull.name, *pull.also):
            if name.side is not None:
                on[name.side] += 1
        ahead = abs(on["left"] - on["right"])
        if ahead > racquet.mains_ahead:
            more = "left" if on["left"] > on["right"] else "right"
            return (
                f"{pull.label} would put the {more} side {ahead} mains ahead, {racquet.mains_ahead} is the limit: the "
                "frame is loaded to one side. As you wish."
            )
        inner = [
            n for n, mark in state.of.items()
            if n.side == pull.name.side and n.number < pull.name.number and mark not in LOADED and n not in pull.also
        ]  # fmt: skip
        if inner:
            return f"{_first(inner)} is still to come, further in: {pull.label} before it leaves it no clamp. As you wish."
        return ""
    mains = [n for n, mark in state.of.items() if n.kind == "main" and mark not in LOADED]
    if mains:
        return f"{len(mains)} mains are still to come before the crosses. As you wish."
    return ""


def _first(names: list[StringName]) -> StringName:
    return min(names, key=lambda n: n.number)
