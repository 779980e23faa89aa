"""Where the clamps sit while the bed fills: which one is set before a draw, opened in it, set after it. Pure.

A clamp is named by where it sits. Common practice, no source: a floating clamp holds a string by its tensioned neighbour;
a starting clamp sits outside the frame, and so does a floating one with a scrap of string beside the string it holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenbed.job import plan_order
from evenbed.job.plan_order import Draw
from evenbed.job.planned import Equipment
from evenbed.racquet.model import Racquet, StringName, other_end, other_side

Tail = Literal["left", "right", "crosses", "late"]  # whose string a clamp keeps from going back


@dataclass(frozen=True)
class Handling:
    """What hands do for one draw; "" for nothing. See PlannedPull."""

    sets: str = ""
    ties_before: str = ""
    frees: str = ""
    clamps: str = ""
    ties: str = ""
    opens: str = ""


@dataclass(frozen=True)
class _Held:
    place: str
    starting: bool


class Clamps:
    """All clamps, from the first draw on. ``take`` one draw after another, in any order."""

    def __init__(self, racquet: Racquet, equipment: Equipment) -> None:
        self.racquet = racquet
        self.equipment = equipment
        self._free = equipment.count
        self._starting_free = equipment.starting
        self._held: dict[Tail, _Held] = {}
        self._mains = 0
        self._crosses = 0

    @property
    def closed(self) -> list[str]:
        """Where clamps sit now."""
        return [h.place for h in self._held.values()]

    def take(self, draw: Draw) -> Handling:
        """The handling of the next draw."""
        return self._main(draw) if draw.name.kind == "main" else self._cross(draw)

    # --- mains ---------------------------------------------------------------------------------------------
    def _main(self, draw: Draw) -> Handling:
        name, r = draw.name, self.racquet
        assert name.side is not None
        side, end = name.side, plan_order.main_pulled_at(r, name.number)
        sets = frees = opens = ties = ""
        if self._mains == 0:
            sets = self._behind_the_loop(name, bool(draw.also))
        else:
            frees = self._open(side)
        self._mains += 1
        inner = StringName("main", name.number - 1, side)
        if name.number == 1:
            inner = StringName("main", 1, other_side(side))
        clamps = self._close(side, name, inner, f"at the {end}")
        if draw.also and self.equipment.count > 1:
            # The floating clamp on both centre mains now holds the other one, until that is drawn itself.
            opens = self._open(other_side(side))
            self._held[other_side(side)] = self._held.pop(side)
        if name.number == r.per_side:
            if len(r.pieces) == 2:
                ties = f"mains {side}"
            elif side == r.short_side:
                ties = "short side"
            if ties:
                opens = self._open(side)
        return Handling(sets=sets, frees=frees, clamps=clamps, ties=ties, opens=opens)

    def _behind_the_loop(self, name: StringName, both: bool) -> str:
        assert name.side is not None
        other = StringName("main", 1, other_side(name.side))
        if both:
            return self._hold_outside(other_side(name.side), other, f"at the {other_end(self.racquet.start)}")
        return self._put(other_side(name.side), f"{other} at the {self.racquet.start}", starting=False)

    # --- crosses -------------------------------------------------------------------------------------------
    def _cross(self, draw: Draw) -> Handling:
        name, r = draw.name, self.racquet
        at = f"at the {plan_order.cross_pulled_at(r, name.number)}"
        order = plan_order.cross_numbers(r)
        late = plan_order.late_cross(r)
        i = order.index(name.number)
        sets = ties_before = frees = ties = opens = ""
        if name.number == late:
            tail: Tail = "late"
            frees = self._open(tail)
            inner: StringName | None = StringName("cross", order[1])
            ties = "crosses start"
        else:
            tail = "crosses"
            inner = StringName("cross", order[i - 1]) if i > 0 else None
            if self._crosses > 0:
                frees = self._open(tail)
            elif len(r.pieces) == 1:
                frees = self._open(other_side(r.short_side))
            elif draw.also:
                sets = self._hold_late_tail(draw.also[0])
            else:
                ties_before = "crosses start"
            if i == len(order) - 1:
                ties = "crosses end"
        self._crosses += 1
        clamps = self._close(tail, name, inner, at)
        if ties:
            opens = self._open(tail)
        return Handling(sets, ties_before, frees, clamps, ties, opens)

    def _hold_late_tail(self, name: StringName) -> str:
        at = f"at the {plan_order.crosses_begin(self.racquet)}"
        if self._starting_free or self.equipment.kind == "floating":
            return self._hold_outside("late", name, at)
        return self._put("late", f"{name} {at}", starting=False)

    # --- clamps --------------------------------------------------------------------------------------------
    def _close(self, tail: Tail, name: StringName, neighbour: StringName | None, at: str) -> str:
        if self._free < 1 or (self.equipment.kind == "floating" and neighbour is None):
            return self._hold_outside(tail, name, at)
        by = f" to {neighbour}" if self.equipment.kind == "floating" else ""
        return self._put(tail, f"{name}{by} {at}", starting=False)

    def _hold_outside(self, tail: Tail, name: StringName, at: str) -> str:
        how = "starting clamp" if self._starting_free else "a scrap of string beside it"
        return self._put(tail, f"{name} outside the frame {at} ({how})", starting=self._starting_free)

    def _put(self, tail: Tail, place: str, starting: bool) -> str:
        self._open(tail)
        if starting:
            self._starting_free = False
        else:
            self._free -= 1
        self._held[tail] = _Held(place, starting)
        return place

    def _open(self, tail: Tail) -> str:
        held = self._held.pop(tail, None)
        if held is None:
            return ""
        if held.starting:
            self._starting_free = True
        else:
            self._free += 1
        return held.place
