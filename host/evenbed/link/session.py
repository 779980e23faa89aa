"""One conversation with a board, without a port: bytes in, messages out; requests in, bytes out.

The handshake comes first, and again after every silence or reboot: ``hello`` answered by ``board``, ``limits`` by
``limits``. Nothing here starts or resumes a motion; leases are renewed by the control loop alone.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed_fw import wire
from evenbed_fw.safety import F_GREETED

from evenbed.catalogue import say
from evenbed.link.clock import ClockFit
from evenbed.link.messages import BoardInfo, Limits, Message, No, Ok, Sample, message
from evenbed.link.recorder import Recorder

OTHER_PROTOCOL = 45  # of the catalogue
RETRY_S = 0.25
SILENT_S = 0.25  # no new s line for this long and the board counts as gone
LONGEST = 4096  # bytes without a line feed


class LinkError(Exception):
    """The conversation cannot go on; the text says why and what to do."""


@dataclass(frozen=True)
class Ready:
    """The handshake is done; what was agreed."""

    board: BoardInfo
    limits: Limits


@dataclass(frozen=True)
class Silent:
    """No new ``s`` line for ``silent_s`` seconds."""

    silent_s: float


@dataclass(frozen=True)
class Rebooted:
    """The board's time or line count ran backwards: it has started anew."""


Event = Message | Ready | Silent | Rebooted


class Session:
    """State of one conversation. Feed it with ``receive``; take what is to be sent from ``take``."""

    def __init__(self) -> None:
        self.clock = ClockFit()
        self.recorder = Recorder()
        self.board: BoardInfo | None = None
        self.limits: Limits | None = None
        self.bad_lines = 0
        self.lost_lines = 0
        self._buffer = b""
        self._out: list[bytes] = []
        self._seq = 0
        self._asked_s = -1e9
        self._heard_s: float | None = None
        self._silent = False
        self._last_seq = -1
        self._others = 0  # lines between two s lines
        self._last_us = -1

    @property
    def ready(self) -> bool:
        """Is the handshake done?"""
        return self.board is not None and self.limits is not None

    def ask(self, now_s: float, kind: str, *numbers: int) -> int:
        """Queue one line; return its sequence number."""
        seq = self._seq
        self._seq = (seq + 1) % wire.SEQ_WRAP
        line = wire.encode(kind, (seq, *numbers))
        self._out.append(line)
        self.recorder.add(now_s, ">", line)
        return seq

    def take(self) -> bytes:
        """Bytes to be sent now."""
        if not self._out:
            return b""
        data = b"".join(self._out)
        self._out.clear()
        return data

    def receive(self, now_s: float, data: bytes) -> list[Event]:
        """Take bytes from the board (none is fine) and return what they mean. Raises LinkError if the board speaks
        another version of the protocol."""
        events: list[Event] = []
        if data:
            lines = (self._buffer + data).split(b"\n")
            self._buffer = lines.pop()[-LONGEST:]
            for line in lines:
                if line:
                    self._line(now_s, line, events)
        self._keep_up(now_s, events)
        return events

    def _line(self, now_s: float, line: bytes, events: list[Event]) -> None:
        self.recorder.add(now_s, "<", line + b"\n")
        try:
            said = message(line)
        except wire.WireError:
            self.bad_lines += 1
            return
        if isinstance(said, Sample):
            if not self._in_order(said, events):
                return
            # Only a new reading is a sign of life: a wire that repeats itself is silent.
            self._heard_s = now_s
            self._silent = False
            self.clock.add(self.clock.unwrap(said.board_us), now_s)
        else:
            self._others += 1
        if isinstance(said, BoardInfo):
            if said.protocol != wire.PROTOCOL:
                older = "board's firmware" if said.protocol < wire.PROTOCOL else "program on this computer"
                theirs, ours = str(said.protocol), str(wire.PROTOCOL)
                raise LinkError(say(OTHER_PROTOCOL, {"theirs": theirs, "ours": ours, "older": older}))
            self.board = said
            self._asked_s = -1e9
        elif isinstance(said, Limits):
            if self.board is None:
                return  # a late answer: it may be of another board, or of other settings
            fresh = self.limits is None
            self.limits = said
            if fresh:
                events.append(Ready(self.board, said))
        events.append(said)

    def _in_order(self, said: Sample, events: list[Event]) -> bool:
        """Count lost lines; a duplicate is dropped; a board that started anew loses the handshake."""
        seq_gap = (said.seq - self._last_seq) % wire.SEQ_WRAP
        us_gap = (said.board_us - self._last_us) % wire.TIME_WRAP_US
        if self._last_us >= 0:
            if us_gap == 0 or seq_gap == 0:
                return False
            if us_gap > wire.TIME_WRAP_US // 2:
                if said.has(F_GREETED):
                    return False  # a line from the past, delayed on its way: a board anew would not know us
                self.forget()
                events.append(Rebooted())
            elif seq_gap < wire.SEQ_WRAP // 2:
                self.lost_lines += max(0, seq_gap - 1 - self._others)
            if self.ready and not said.has(F_GREETED):
                # It has forgotten our hello: it has started anew.
                self.forget()
                events.append(Rebooted())
        self._others = 0
        self._last_seq = said.seq
        self._last_us = said.board_us
        return True

    def forget(self) -> None:
        """Begin the handshake anew."""
        self.board = None
        self.limits = None
        self.clock = ClockFit()
        self._last_us = -1
        self._asked_s = -1e9

    def _keep_up(self, now_s: float, events: list[Event]) -> None:
        if self._heard_s is not None and not self._silent and now_s - self._heard_s > SILENT_S:
            self._silent = True
            events.append(Silent(now_s - self._heard_s))
            self.forget()
        if not self.ready and now_s - self._asked_s > RETRY_S:
            self._asked_s = now_s
            if self.board is None:
                self.ask(now_s, "hello", wire.PROTOCOL)
            else:
                self.ask(now_s, "limits")


__all__ = ["BoardInfo", "Event", "LinkError", "No", "Ok", "Ready", "Rebooted", "Sample", "Session", "Silent"]
