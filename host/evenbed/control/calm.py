"""What is news to people of what happens, so that nothing floods: every event goes on, for windows act on them."""

from __future__ import annotations

from dataclasses import replace

from evenbed.head.stops import told
from evenbed.head.types import Event

FLAPS, FLAPS_S = 3, 60.0
FLAPPING, BOARD_MISSING, STOPPED = 44, "board_missing", "stopped"
LOST, QUIET = "link_lost", "quiet"


class Calm:
    """Events on their way to people; what is no news to them has ``quiet`` among its values. Two losses of the link within
    a minute are told each by itself, a third as one that comes and goes, and more of them are quiet while there are as many
    in a minute. So is a trip that a board still has when it comes back, and the stop that follows the guard's word: what
    that said, and what to do, stands.
    """

    def __init__(self) -> None:
        self._losses: list[float] = []
        self._trip: Event | None = None  # the last one told
        self._lost = False  # since then
        self._guarded = False

    def take(self, now_s: float, event: Event) -> Event:
        """Take what happened; return it as people are to hear of it."""
        if event.name in (LOST, BOARD_MISSING):
            self._lost = True
            return self._loss(now_s, event)
        if event.name == "guard":
            self._guarded = True
        elif event.name == "state" and event.says != "frozen":
            self._guarded = False
        elif event.name == STOPPED and self._guarded:
            self._guarded = False
            return _quiet(event)
        elif "fault" in event.values:
            again, self._trip = self._trip, event
            if self._lost and again is not None and _same(again, event):
                return _quiet(event)
            self._lost = False
        return event

    def _loss(self, now_s: float, event: Event) -> Event:
        self._losses = [*(t for t in self._losses if now_s - t < FLAPS_S), now_s][-FLAPS - 1 :]
        if len(self._losses) < FLAPS:
            return event
        flaps = told(FLAPPING, times=float(FLAPS), within_s=FLAPS_S)
        return flaps if len(self._losses) == FLAPS else _quiet(flaps)


def _quiet(event: Event) -> Event:
    return replace(event, values={**event.values, QUIET: 1.0})


def _same(a: Event, b: Event) -> bool:
    """The same trip of the board: what its record says, not how long ago the last reading was."""
    keys = ("fault", "force_n", "bound_n", "later")
    return a.name == b.name and [a.values.get(k) for k in keys] == [b.values.get(k) for k in keys]
