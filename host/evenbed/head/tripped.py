"""What the head does while the board is tripped: tell the first cause and what came after, and let down from a screen."""

from __future__ import annotations

from evenbed_fw import safety, wire

from evenbed.catalogue import say_later
from evenbed.head.stops import stop_event, told
from evenbed.head.types import Command, Event, Fresh, Go, RigModel, Say, Shot
from evenbed.link.messages import Trip

RECORD_S = 0.4  # a stop is told with the board's record, or after this long without
LATER_S = 1.0  # the record is asked for again this often: what came after the first cause
LOWER_MM_S = 15.0
SLACK_N = 3.0
WISH_S = 1.0  # a wish that the board has not begun to fulfil by then is given up, and that is told
NOT_LET_DOWN = 56  # of the catalogue


class Tripped:
    """One trip, from the first line that shows it until it is cleared."""

    def __init__(self, now_s: float, fault: int, rig: RigModel, force: Fresh | None) -> None:
        self.first = stop_event(fault, None, rig, force)
        self._rig = rig
        self._due_s: float | None = now_s + RECORD_S
        self._later = 0
        self._ask_s = now_s + LATER_S
        self._lowering = 0  # 1 asked for, 2 on its way
        self._presses: int | None = None  # of the pedal, when it was asked for
        self._asked_s = 0.0

    def record(self, trip: Trip, shot: Shot | None) -> Event | None:
        """Take the board's record: tells the first cause with its values, later what has come since, each once."""
        new = trip.later & ~self._later
        self._later = trip.later
        if self._due_s is not None:
            self._due_s = None
            self.first = stop_event(trip.fault, trip, self._rig, None, shot)
            return self.first
        return Event("also", say_later(new), {"later": float(new)}) if new else None

    def overdue(self, now_s: float) -> Event | None:
        """The board's record has not come: what is known has to do."""
        if self._due_s is None or now_s <= self._due_s:
            return None
        self._due_s = None
        return self.first

    def let_down(self, now_s: float) -> None:
        """A screen asks for the way down. The wish holds for a second, and ends with any press of the pedal."""
        self._lowering = 1
        self._presses = None
        self._asked_s = now_s

    def given_up(self, now_s: float, loaded_n: float | None) -> Event | None:
        """Has the board not begun to let down in time, whether or not readings come? ``loaded_n`` is the force of a string
        that is on the head, None where nobody knows."""
        if self._lowering != 1 or now_s - self._asked_s <= WISH_S:
            return None
        self._lowering = 0
        return told(NOT_LET_DOWN) if loaded_n is None or loaded_n > SLACK_N else None

    def stop(self) -> bool:
        """A screen asks to stop; says whether something was moving."""
        moving, self._lowering = self._lowering > 0, 0
        return moving

    def step(self, now_s: float, shot: Shot, ceiling_n: float) -> list[Command]:
        """Take one reading."""
        commands: list[Command] = []
        if now_s >= self._ask_s and self._due_s is None:
            self._ask_s = now_s + LATER_S
            commands.append(Say("trip"))
        if not self._lowering:
            return commands
        board = shot.sample.state
        if self._presses is None:
            self._presses = shot.sample.presses
        if shot.sample.presses != self._presses or shot.sample.has(safety.F_PEDAL):
            self._lowering = 0
            return commands
        if board == safety.MOVING:
            self._lowering = 2
        elif self._lowering == 2:
            self._lowering = 0  # it stands: at its end, stopped by the pedal, or by a fault of its own
            return commands
        elif board != safety.FROZEN:
            return commands  # backing off, or without power: the wish is given up in time
        further_mm = 5.0 if shot.reference_force_n > SLACK_N else 0.0
        commands.append(Go(wire.EASE, LOWER_MM_S, shot.x_mm - further_mm, ceiling_n))
        return commands
