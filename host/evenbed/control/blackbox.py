"""What led to a stop: kept while the loop runs, handed out as a ``Capture`` after each stop that nobody asked for.

A capture begins with a ``Start``: where link and head stood at some moment of rest. With it, with the board's lines and
with what people asked since then, the same head decides the same again (``evenbed.record.replay``). Lines go back ten
seconds, or to the last rest before that, but no further than ten minutes.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from evenbed_fw import faults, wire

from evenbed.head import start as head_start
from evenbed.head.head import Head
from evenbed.head.types import Ask, Event, RigModel
from evenbed.link import start as link_start
from evenbed.link.messages import BoardInfo, Limits
from evenbed.link.recorder import KEEP_S, MOST_S
from evenbed.link.session import Session

FORMAT = "evenbed trip 1"
EVERY_S = 2.0  # between two moments of rest that are noted
AFTER_S = 0.6  # what follows a stop belongs to it: the state it leads to, a second cause
LEAST_S = 10.0  # between two captures: a link that comes and goes fills no disk
CAPTURES = 4  # waiting to be taken
ASKED_FOR = (faults.PRESSED, faults.STOPPED)
NOT_ASKED_FOR = ("guard", "link_lost", "unknown_fault")
STANDS = ("tripped", "frozen")
STOP_ECHO_S = 1.0  # a board that stops so soon after a stop was asked for has obeyed


@cache
def versions() -> dict[str, str]:
    """Program and Python that run here."""
    try:
        program = version("evenbed")
    except PackageNotFoundError:
        program = "unknown"
    return {"program": program, "python": ".".join(map(str, sys.version_info[:3]))}


@dataclass(frozen=True)
class Start:
    """Where a control loop stood between two calls, at rest. ``head`` and ``rig`` are None before the first handshake."""

    t_s: float
    ceiling_n: float  # of the loop, for a head yet to come
    awaited: int | None
    link: link_start.LinkStart
    rig: RigModel | None
    head: head_start.HeadStart | None


def start_from(data: dict[str, Any]) -> Start:
    """A Start out of what JSON has kept of it. Raises KeyError, TypeError or ValueError if it is none."""
    link = dict(data["link"])
    link["board"] = BoardInfo(**link["board"]) if link["board"] is not None else None
    link["limits"] = Limits(**link["limits"]) if link["limits"] is not None else None
    return Start(
        data["t_s"],
        data["ceiling_n"],
        data["awaited"],
        link_start.LinkStart(**link),
        RigModel(**data["rig"]) if data["rig"] is not None else None,
        head_start.HeadStart(**data["head"]) if data["head"] is not None else None,
    )


@dataclass(frozen=True)
class Capture:
    """Everything about one stop, or several that came together. ``whole`` is False where the lines do not go back to
    ``start``: it was too long ago."""

    made_s: float
    whole: bool
    first: Event  # the stop that it is about
    start: Start
    lines: Sequence[tuple[float, str, bytes]]
    inputs: Sequence[tuple[float, str, Any]]  # "ask" or "outside", with what was asked or set
    events: Sequence[tuple[float, Event]]
    board: BoardInfo | None
    limits: Limits | None
    mechanics: dict[str, float]
    rig: RigModel | None
    state: str
    force_n: float | None
    ceiling_n: float
    pull: dict[str, Any] | None

    def header(self, port: str = "") -> dict[str, Any]:
        """All but the lines, ready for JSON."""
        return {
            "format": FORMAT,
            "name": self.first.name,
            "says": self.first.says,
            "values": self.first.values,
            "words": self.first.words,
            "t_s": self.made_s,
            "whole": self.whole,
            "state": self.state,
            "force_n": self.force_n,
            "ceiling_n": self.ceiling_n,
            "pull": self.pull,
            "port": port,
            "versions": {
                **versions(),
                "firmware": self.board.version if self.board is not None else "unknown",
                "protocol": wire.PROTOCOL,
            },
            "settings_crc": self.board.settings_crc if self.board is not None else None,
            "limits": asdict(self.limits) if self.limits is not None else None,
            "mechanics": self.mechanics,
            "rig": asdict(self.rig) if self.rig is not None else None,
            "start": asdict(self.start),
            "inputs": [list(i) for i in self.inputs],
            "events": [[t_s, e.name, e.says, e.values, e.words] for t_s, e in self.events],
        }


def lines_as_text(lines: Sequence[tuple[float, str, bytes]]) -> list[list[Any]]:
    """Raw lines ready for JSON: time, way, and the bytes as Latin-1, so that broken ones stay as they came."""
    return [[t_s, way, line.decode("latin-1")] for t_s, way, line in lines]


class BlackBox:
    """Watches one control loop. ``take`` hands out what there is to be kept."""

    def __init__(self, mechanics: dict[str, float]) -> None:
        self._mechanics = mechanics
        self._starts: deque[Start] = deque()
        self._inputs: deque[tuple[float, str, Any]] = deque()
        self._events: deque[tuple[float, Event]] = deque()
        self._captures: deque[Capture] = deque(maxlen=CAPTURES)
        self._known: tuple[BoardInfo | None, Limits | None] = (None, None)
        self._left: tuple[Any, ...] = ()
        self._now = -1e9
        self._first: Event | None = None  # the stop whose capture is due
        self._was: tuple[str, float | None] = ("", None)  # state and force (N) before the loop took what has come
        self._stopped_from: tuple[str, float | None] = self._was
        self._found: tuple[str, float | None] = self._was  # where the stop found the head
        self._due_s = 0.0
        self._captured_s = -1e9
        self._asked_stop_s = -1e9
        self._noted_s = -1e9

    def take(self) -> list[Capture]:
        """Captures made since the last call."""
        taken = list(self._captures)
        self._captures.clear()
        return taken

    # --- called by the loop ------------------------------------------------------------------------------------
    def begin(
        self, now_s: float, asks: Sequence[Ask], ceiling_n: float, awaited: int | None, session: Session, head: Head | None
    ) -> None:
        """Before the loop takes what has come: note what people asked, and a moment of rest if it is one."""
        if asks:
            self._inputs += [(now_s, "ask", ask.value) for ask in asks]
            if Ask.STOP in asks:
                self._asked_stop_s = now_s
        if self._left and self._left != _set_outside(ceiling_n, head):
            values = head_start.outside(head) if head is not None else None
            self._inputs.append((now_s, "outside", {"loop_ceiling_n": ceiling_n, "head": values}))
        # Only if time has passed: what is stamped with this time then comes after the moment, whatever it is.
        if now_s > self._now and (not self._starts or now_s - self._noted_s >= EVERY_S):
            self._note(now_s, ceiling_n, awaited, session, head)
        self._was = (head.state, head.shot.force_n if head.shot is not None else None) if head is not None else ("", None)
        self._now = now_s

    def event(self, now_s: float, event: Event) -> None:
        """Something was told."""
        self._events.append((now_s, event))
        if event.name == "state" and event.says in STANDS:
            self._stopped_from = self._was
        if self._first is None and self._is_stop(now_s, event):
            self._first = event
            # A stop is told with the board's record, a moment after the head has taken it in.
            self._found = self._stopped_from if self._was[0] in STANDS else self._was
            self._due_s = max(now_s + AFTER_S, self._captured_s + LEAST_S)

    def end(self, now_s: float, ceiling_n: float, session: Session, head: Head | None) -> None:
        """After the loop has taken what had come."""
        self._left = _set_outside(ceiling_n, head)
        if session.board is not None and session.limits is not None:
            self._known = (session.board, session.limits)
        if self._first is not None and now_s >= self._due_s:
            self.flush(now_s, ceiling_n, session, head)

    def flush(self, now_s: float, ceiling_n: float, session: Session, head: Head | None) -> None:
        """Capture now what is due later: the loop ends."""
        if self._first is None:
            return
        start = self._base(now_s)
        board, limits = self._known
        lost_s = session.recorder.lost_s
        self._captures.append(
            Capture(
                made_s=now_s,
                whole=lost_s is None or lost_s < start.t_s,
                first=self._first,
                start=start,
                lines=[line for line in session.recorder.lines() if line[0] >= start.t_s],
                inputs=[i for i in self._inputs if i[0] >= start.t_s],
                events=[e for e in self._events if e[0] >= start.t_s],
                board=board,
                limits=limits,
                mechanics=self._mechanics,
                rig=head.rig if head is not None else None,
                state=self._found[0],
                force_n=self._first.values.get("force_n", self._found[1]),
                ceiling_n=head.ceiling_n if head is not None else ceiling_n,
                pull=asdict(head.pull) if head is not None and head.pull is not None else None,
            )
        )
        self._first = None
        self._captured_s = now_s

    # --- within --------------------------------------------------------------------------------------------------
    def _is_stop(self, now_s: float, event: Event) -> bool:
        fault = event.values.get("fault")
        if fault == faults.STOPPED:
            return now_s - self._asked_stop_s > STOP_ECHO_S
        return event.name in NOT_ASKED_FOR or (fault is not None and fault not in ASKED_FOR)

    def _note(self, now_s: float, ceiling_n: float, awaited: int | None, session: Session, head: Head | None) -> None:
        if head is not None and not head_start.at_rest(head):
            return
        start = Start(
            now_s,
            ceiling_n,
            awaited,
            link_start.snapshot(session),
            head.rig if head is not None else None,
            head_start.snapshot(head) if head is not None else None,
        )
        self._noted_s = now_s
        self._starts.append(start)
        oldest = self._base(now_s)
        while self._starts[0] is not oldest:
            self._starts.popleft()
        session.recorder.held_from_s = oldest.t_s
        oldest_s = max(oldest.t_s, now_s - MOST_S)
        while self._events and self._events[0][0] < oldest_s:
            self._events.popleft()
        while self._inputs and self._inputs[0][0] < oldest_s:
            self._inputs.popleft()

    def _base(self, now_s: float) -> Start:
        """The last moment of rest that lies KEEP_S back, or the first there is."""
        far = [start for start in self._starts if start.t_s <= now_s - KEEP_S]
        return far[-1] if far else self._starts[0]


def _set_outside(ceiling_n: float, head: Head | None) -> tuple[Any, ...]:
    if head is None:
        return (ceiling_n, None)
    return (ceiling_n, id(head.pull), head.ceiling_n, head._ceiling_due_n)
