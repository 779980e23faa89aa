"""A simulated rig with a hand on its pedal, and windows of the terminal on it: they see it as over the control process."""

from __future__ import annotations

import io
import signal
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from evenbed.cli.interrupts import Interrupts
from evenbed.cli.view import View
from evenbed.control.status import status
from evenbed.head.types import Ask, Event, Pull
from handled_rig import HandledRig

STATUS_S = 0.04


class RigControl:
    """Stands for a control process on the rig's virtual clock. ``due`` is called as time passes and plays who is there;
    after ``patience_s`` without an end the test has failed."""

    def __init__(self, r: HandledRig, due: Callable[[float], None], patience_s: float = 60.0) -> None:
        self.ended = False
        self.r = r
        self.asked: list[Ask] = []
        self.closed = False
        self.asks: Callable[[Ask], bool] = lambda ask: True  # is it done?
        self._due = due
        self._patience_s = patience_s
        self._begun_s = r.t_s
        self._out: list[dict[str, Any]] = []
        self._status_s = 0.0
        self._witness = r.host.on_line
        r.host.on_line = self._line
        r.host._listener = self._event
        self._event(r.t_s, Event("connected", "Board."))

    def _event(self, now_s: float, event: Event) -> None:
        self._out.append({"kind": "event", "t_s": now_s, **asdict(event)})
        head = self.r.host.loop.head
        if event.name == "pull_done" and head is not None and head.record is not None:
            self._out.append({"kind": "record", "record": asdict(head.record)})

    def _line(self, now_s: float) -> None:
        if self._witness is not None:
            self._witness(now_s)
        if self.r.host.loop.head is not None and now_s - self._status_s >= STATUS_S:
            self._status_s = now_s
            self._out.append(dict(status(now_s, self.r.head)))

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """Let time pass, and hand over what was said meanwhile."""
        assert self.r.t_s - self._begun_s < self._patience_s, "it has not ended"
        self._due(self.r.t_s - self._begun_s)
        self.r.wait(wait_s)
        out, self._out = self._out, []
        return out

    def plan(self, pull: Pull | None) -> None:
        """As the control process does it."""
        self.r.head.plan(pull)

    def set_ceiling(self, ceiling_n: float) -> None:
        """As the control process does it."""
        self.r.host.loop.follow_ceiling(ceiling_n)

    def ask(self, ask: Ask) -> None:
        """As the control process does it, and noted."""
        self.asked.append(ask)
        if self.asks(ask):
            self.r.host.loop.ask(ask)

    def close(self) -> None:
        """Noted."""
        self.closed = True


class Windowed:
    """One rig, one window, and who presses Ctrl-C: ``at`` says when (s from its beginning) what is done."""

    def __init__(self, r: HandledRig, patience_s: float = 60.0) -> None:
        self.r = r
        self.out = io.StringIO()
        self.view = View("N", self.out)
        self.interrupts = Interrupts()
        self._at: list[tuple[float, Callable[[], None]]] = []
        self.control = RigControl(r, self._pass, patience_s)

    def at(self, t_s: float, deed: Callable[[], None]) -> None:
        """Do it then."""
        self._at.append((t_s, deed))

    def ctrl_c(self, *times_s: float) -> None:
        """Ctrl-C at these times."""
        for t_s in times_s:
            self.at(t_s, lambda: self.interrupts._came(signal.SIGINT, None))

    def inject(self, t_s: float, part_how: str) -> None:
        """A fault from then on."""
        self.at(t_s, lambda: self.r.inject_now(part_how))

    def _pass(self, t_s: float) -> None:
        due = [deed for at_s, deed in self._at if at_s <= t_s]
        self._at = [(at_s, deed) for at_s, deed in self._at if at_s > t_s]
        for deed in due:
            deed()

    @property
    def said(self) -> str:
        """All that the window has said, in one line."""
        return " ".join(self.out.getvalue().split())

    @property
    def clock(self) -> Callable[[], float]:
        """The rig's."""
        return lambda: self.r.t_s
