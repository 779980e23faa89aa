"""A job at a head: marks into the records, plans to the head, lines to whoever shows them: terminal or page."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any

from evenbed.control.client import Control
from evenbed.head import planning
from evenbed.head.types import Ask, Pull
from evenbed.job import marks
from evenbed.job.ceiling import CeilingError
from evenbed.job.job import Job
from evenbed.job.marks import Mark
from evenbed.job.notebook import Line
from evenbed.job.twin import Twin, summary
from evenbed.record.jobs import Jobs
from evenbed.record.store import StoreError
from evenbed.units import show_force

SAME_N = 0.5  # a ceiling so near the one wished for is it: the board echoes what it can count
AGAIN_S = 2.0  # between two tries to write what could not be written


class JobSession:
    """One job with the head that strings it.

    Every call may raise StoreError. Then nothing is planned until all marks are written: each later call tries again, at
    most every ``AGAIN_S`` seconds if it only hears.
    """

    def __init__(
        self,
        number: int,
        job: Job,
        kept: Jobs,
        control: Control,
        twin: Twin | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.number = number
        self.job = job
        self._kept = kept
        self._control = control
        self._twin = twin
        self._clock = clock
        self._n = job.state.seen - job.unwritten
        self._marks: deque[Mark] = deque()  # made and not written yet
        self._lines: list[Line] = []
        self._failed_s: float | None = None
        self._planned: Pull | None = None
        self._head_n: float | None = None  # the ceiling at the head, as its status says
        self._limit_n = float("inf")  # the rig's own, as its status says
        self._asked_n: float | None = None  # the ceiling that was asked for in this state of the head
        self._state = ""  # of the head, as its status says
        self._told: Pull | None = None  # a pull that does not fit, and that was said

    @property
    def unwritten(self) -> bool:
        """Are there marks that could not be written yet?"""
        return bool(self._marks)

    def start(self) -> list[Line]:
        """Begin or go on; returns what there is to say."""
        self._control.plan(None)
        state = self.job.state
        if self._twin is not None and (otherwise := self._twin.asked_otherwise(state.plan, self.job.unit)):
            self._remark(otherwise)
        return self._carry_out()

    def hear(self, messages: list[dict[str, Any]]) -> list[Line]:
        """Take messages of the control process; returns what there is to say."""
        for message in messages:
            kind = message["kind"]
            if kind == "status":
                self._status(message)
            elif kind == "refused":
                self._remark(message["says"])
            elif kind == "event" and message["name"] == "connected":
                self._planned = self._asked_n = None  # a board that was changed begins with nothing
            self.job.hear(self._clock(), message)
        if self._failed_s is not None and self._clock() - self._failed_s < AGAIN_S:
            return []
        return self._carry_out()

    def _status(self, message: dict[str, Any]) -> None:
        if message["state"] != self._state:
            self._state = message["state"]
            # What was refused then is asked for once more, and what keeps a pull from being made is said once more.
            self._asked_n = self._told = None
        self._head_n, self._limit_n = message["ceiling_n"], message["limit_n"]

    def act(self, action: str, **values: Any) -> list[Line]:
        """Do what the stringer says (see ``Job.act``); returns what there is to say."""
        self.job.act(self._clock(), action, **values)
        return self._carry_out()

    def _carry_out(self) -> list[Line]:
        made, lines = self.job.take()
        self._marks += made
        self._lines += lines
        try:
            self._write()
        except StoreError:
            self._failed_s = self._clock()
            self._plan(None)
            raise
        if self._failed_s is not None:
            self._failed_s = None
            self._remark("The records are written again, nothing is missing.")
        self._follow_ceiling()
        self._plan(self._fitting(self.job.wanted))
        out, self._lines = self._lines, []
        return out

    def _write(self) -> None:
        while self._marks:
            mark = self._marks[0]
            self._kept.mark(self.number, self._n + 1, mark)
            self._n += 1
            self._marks.popleft()
            if mark.kind == "pulled" and self._twin is not None:
                self.job.peer = self._twin.judge(self.job)
                if self.job.peer:
                    self._lines.append(Line("say", self.job.peer))
            elif mark.kind == "phase" and mark.values["phase"] == marks.FINISHED and self._twin is not None:
                self._lines.append(Line("say", summary(self._twin.earlier, self.job.state, self.job.unit)))

    def _plan(self, pull: Pull | None) -> None:
        if pull != self._planned:
            self._planned = pull
            self._control.plan(pull)

    # --- the ceiling -----------------------------------------------------------------------------------------
    @property
    def _wished_n(self) -> float | None:
        """The ceiling for what is left, at most the rig's own limit. None if it has none: that was said with its cause."""
        try:
            return min(self.job.ceiling.force_n, self._limit_n)
        except CeilingError:
            return None

    def _follow_ceiling(self) -> None:
        """The ceiling follows what is left to pull: lowered at will, raised while the head is not armed. What the head's
        status says of it counts, not what was asked for."""
        if self._head_n is None or self._state not in ("unarmed", "slack", "referencing"):
            return  # and nothing is reckoned while a string is on the head
        n = self._wished_n
        if n is None or abs(n - self._head_n) < SAME_N or self._asked_n == n:
            return
        if self._state == "unarmed" or n < self._head_n:
            self._asked_n = n
            self._control.set_ceiling(n)

    def _fitting(self, wanted: Pull | None) -> Pull | None:
        """The pull, if the ceiling at the head allows it; else none until it does, for which the head must be disarmed."""
        if wanted is None or self._head_n is None:
            return None
        if planning.fits(wanted, self._head_n):
            return wanted
        if self._state not in ("slack", "unarmed") or wanted == self._told:
            return None
        self._told = wanted
        unit, n = self.job.unit, self._wished_n
        asks = f"{wanted.label} asks for {show_force(wanted.reference_n, unit)}"
        if n is None or not planning.fits(wanted, n):
            top = "the frame" if n is None or n < self._limit_n else f"this rig, whose limit is {show_force(n, unit)}"
            self._remark(f"{asks}: too much for {top}. Lower the tension ('tension …'), or give the racquet up.")
        elif self._state == "slack":
            self._remark(
                f"{asks}, near or above the ceiling of {show_force(self._head_n, unit)}, which is raised only unarmed. The "
                "head disarms: hold the pedal for two seconds to arm it again."
            )
            self._control.ask(Ask.DISARM)
        return None

    def _remark(self, text: str) -> None:
        self._lines.append(Line("remark", text))
