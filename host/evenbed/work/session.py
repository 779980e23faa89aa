"""A job at a head: marks into the records, plans to the head, lines to whoever shows them: terminal or page."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from evenbed.control.client import Control
from evenbed.head.types import Pull
from evenbed.job import marks
from evenbed.job.job import Job, Line, session_ceiling_of
from evenbed.job.twin import Twin, summary
from evenbed.record.jobs import Jobs


class JobSession:
    """One job with the head that strings it. Every call may raise StoreError: then nothing more is planned."""

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
        self._planned: Pull | None = None
        self._ceiling_n: float | None = None

    def start(self) -> list[Line]:
        """Begin or go on; returns what there is to say."""
        self._control.plan(None)
        return self._carry_out()

    def hear(self, messages: list[dict[str, Any]]) -> list[Line]:
        """Take messages of the control process; returns what there is to say."""
        for message in messages:
            self.job.hear(self._clock(), message)
        return self._carry_out()

    def act(self, action: str, **values: Any) -> list[Line]:
        """Do what the stringer says (see ``Job.act``); returns what there is to say."""
        self.job.act(self._clock(), action, **values)
        return self._carry_out()

    def _carry_out(self) -> list[Line]:
        made, lines = self.job.take()
        for mark in made:
            self._n += 1
            self._kept.mark(self.number, self._n, mark)
            if mark.kind == "pulled" and self._twin is not None:
                self.job.peer = self._twin.judge(self.job)
                if self.job.peer:
                    lines.append(Line("say", self.job.peer))
            elif mark.kind == "phase" and mark.values["phase"] == marks.FINISHED and self._twin is not None:
                lines.append(Line("say", summary(self._twin.earlier, self.job.state, self.job.unit)))
        self._ceiling()
        wanted = self.job.wanted
        if wanted != self._planned:
            self._planned = wanted
            self._control.plan(wanted)
        return lines

    def _ceiling(self) -> None:
        """The ceiling follows the tensions: it is lowered at will, and raised while the head is not armed."""
        state = self.job.state
        if state.phase != marks.STRINGING or not state.left:
            return
        n = session_ceiling_of(state.plan, state.left).force_n
        if self._ceiling_n is None or n == self._ceiling_n:
            self._ceiling_n = self._ceiling_n or n
        elif n < self._ceiling_n or self.job.head_state == "unarmed":
            self._ceiling_n = n
            self._control.set_ceiling(n)
