"""What the control process says to the writer of the records: newline-delimited JSON on a stream socket, never waited for.

Messages queue here and are drained when the socket takes them. The queue is bounded; when it is full, events are dropped
before trips, and the writer is told how many. A trip goes out in pieces, so that no pass of the loop is long.
"""

from __future__ import annotations

import json
import select
import socket
import time
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Any

from evenbed.control.blackbox import Capture, lines_as_text

EVENTS = 2000  # waiting
TRIPS = 8
PIECE = 100  # lines of a trip in one message
PASS_BYTES = 30000  # encoded or sent in one pass of the loop


def encode(message: dict[str, Any]) -> bytes:
    """One message as one line."""
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


class Outbox:
    """The way to the writer. Without a socket everything put in is forgotten."""

    def __init__(self, sock: socket.socket | None) -> None:
        self._socket = sock
        self._events: deque[bytes] = deque()
        self._trips: deque[Iterator[bytes]] = deque()
        self._buffer = b""
        self._heard = b""
        self._dropped = 0
        self.dropped = 0  # in all
        if sock is not None:
            sock.setblocking(False)

    @property
    def socket(self) -> socket.socket | None:
        """The socket to wait on; None without a writer."""
        return self._socket

    @property
    def waiting(self) -> bool:
        """Is there something to send?"""
        return self._socket is not None and bool(self._buffer or self._events or self._trips)

    def put(self, message: dict[str, Any]) -> None:
        """Queue one message."""
        if self._socket is None:
            return
        if len(self._events) >= EVENTS:
            self._drop(1)
            return
        self._events.append(encode(message))

    def put_trip(self, capture: Capture, port: str) -> None:
        """Queue a trip; it is encoded as it goes out."""
        if self._socket is None:
            return
        if len(self._trips) >= TRIPS:
            self._drop(1)
            return
        self._trips.append(_pieces(capture.header(port), capture.lines))

    def _drop(self, count: int) -> None:
        self._dropped += count
        self.dropped += count

    def drain(self) -> list[str]:
        """Send what the socket takes now, and return sentences that the writer has to say (or why there is none)."""
        if self._socket is None:
            return []
        said = self._hear()
        sent = 0
        while self._socket is not None and sent < PASS_BYTES and self._fill():
            try:
                n = self._socket.send(self._buffer)
            except BlockingIOError:
                break
            except OSError:
                said.append(self._gone())
                break
            sent += n
            self._buffer = self._buffer[n:]
        return said

    def _fill(self) -> bool:
        while not self._buffer:
            if self._trips:
                piece = next(self._trips[0], None)
                if piece is None:
                    self._trips.popleft()
                else:
                    self._buffer = piece
            elif self._events:
                if self._dropped:
                    self._events.appendleft(encode({"kind": "dropped", "count": self._dropped}))
                    self._dropped = 0
                self._buffer = self._events.popleft()
            else:
                return False
        return True

    def _hear(self) -> list[str]:
        said: list[str] = []
        while self._socket is not None:
            try:
                data = self._socket.recv(65536)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                return [*said, self._gone()]
            *lines, self._heard = (self._heard + data).split(b"\n")
            said += [str(json.loads(line)["says"]) for line in lines]
        return said

    def _gone(self) -> str:
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        self._events.clear()
        self._trips.clear()
        self._buffer = b""
        return "Records are not being kept: the process that writes them has ended. The pull goes on."

    def finish(self, within_s: float) -> None:
        """Send what is left, at the end, when nothing hangs on the time any more."""
        until = time.monotonic() + within_s
        while self.waiting and self._socket is not None and time.monotonic() < until:
            select.select([], [self._socket], [], 0.05)
            self.drain()
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _pieces(header: dict[str, Any], lines: Sequence[tuple[float, str, bytes]]) -> Iterator[bytes]:
    yield encode({"kind": "trip", "header": header})
    for i in range(0, len(lines), PIECE):
        yield encode({"kind": "lines", "lines": lines_as_text(lines[i : i + PIECE])})
    yield encode({"kind": "trip_end"})
