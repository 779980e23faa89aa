"""The writer process: takes messages of one session from a stream socket and writes them into the store.

Started as ``python -m evenbed.record.writer`` with the socket's descriptor and the folder; see ``keeping.py``. Whatever
goes wrong with the file is said once, back over the socket, and tried again with later messages: the pull goes on.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenbed.record.bundle import assemble
from evenbed.record.store import Store, StoreError, now_text

RETRY_S = 5.0
NO_GOODBYE = "without goodbye"


class Writer:
    """Writes one session. ``say`` is given a sentence for the user when records cannot be kept, and when they are again."""

    def __init__(self, where: Path, say: Callable[[str], None]) -> None:
        self._where = where
        self._say = say
        self._store: Store | None = None
        self._tried_s = -1e9
        self._session: int | None = None
        self._opening: list[dict[str, Any]] = []  # who we are and which board: needed whenever the store opens
        self._trip: tuple[dict[str, Any], list[Any], str] | None = None
        self._trouble = ""
        self._lost = 0

    @property
    def store(self) -> Store | None:
        """The store, if it is open."""
        return self._store

    def take(self, message: dict[str, Any]) -> None:
        """Take one message: one transaction, or a sentence about why not."""
        kind = message["kind"]
        if kind in ("session", "board"):
            self._opening = [m for m in self._opening if m["kind"] != kind] + [message]
            if self._session is None:
                self._open(force=kind == "session")
            else:
                self._try(lambda: self.write(message))
            return
        if kind == "trip":
            self._trip = ({**message["header"]}, [], now_text())
            return
        if kind == "lines":
            if self._trip is not None:
                self._trip[1].extend(message["lines"])
            return
        if self._session is None:
            self._open()
        if self._session is None:
            self._lost += 1
            return
        self._try(lambda: self.write(message))

    def end(self) -> None:
        """The other side has gone. What was not said goodbye to is written down as such."""
        if self._session is not None:
            if self._trip is not None:
                self._trip[0]["whole"] = False  # cut off in the middle
                self._try(lambda: self.write({"kind": "trip_end"}))
            self._try(lambda: self.write({"kind": "bye", "how": NO_GOODBYE}))
        if self._store is not None:
            self._store.close()

    def write(self, m: dict[str, Any]) -> None:
        store, session, kind = self._store, self._session, m["kind"]
        assert store is not None and session is not None
        if kind == "board":
            store.board(session, m["firmware"], m["protocol"], m["settings_crc"], m["limits"])
        elif kind == "moment":
            store.moment(session, m["state"], m["force_n"])
        elif kind == "event":
            store.event(session, m["t_s"], m["name"], m["says"], m["values"])
        elif kind == "pull":
            store.pull(session, m["record"])
        elif kind == "trip_end" and self._trip is not None:
            (header, lines, made), self._trip = self._trip, None
            store.trip(session, assemble(header, lines, made))
        elif kind == "dropped":
            store.dropped(session, m["count"])
        elif kind == "bye":
            store.end(session, m["how"])

    def _open(self, force: bool = False) -> None:
        if not force and time.monotonic() - self._tried_s < RETRY_S:
            return
        self._tried_s = time.monotonic()
        self._try(self._begin)

    def _begin(self) -> None:
        if self._store is None:
            self._store = Store(self._where)
        first = next(m for m in self._opening if m["kind"] == "session")
        self._session = self._store.begin(first["port"], first["simulated"], first["pid"], first["versions"])
        for m in self._opening:
            self.write(m)

    def _try(self, deed: Callable[[], None]) -> None:
        try:
            deed()
        except StoreError as e:
            self._lost += 1
            if str(e) != self._trouble:
                self._trouble = str(e)
                self._say(f"Records are not being kept: {e} The pull goes on.")
            return
        if self._trouble:
            self._trouble = ""
            self._say(f"Records are being kept again; {self._lost} entries are missing.")


def serve(sock: socket.socket, where: Path) -> None:
    """Take messages until the other side has gone."""

    def say(sentence: str) -> None:
        # Nobody may be left to hear it, or the other side may be too busy: then it is not said.
        with contextlib.suppress(OSError):
            sock.send(json.dumps({"says": sentence}).encode() + b"\n", socket.MSG_DONTWAIT)

    writer = Writer(where, say)
    rest = b""
    while True:
        try:
            data = sock.recv(65536)
        except OSError:
            data = b""
        if not data:
            break
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            writer.take(json.loads(line))
    writer.end()


def main() -> int:
    """Entry point of the process: descriptor and folder come as one JSON argument."""
    setup = json.loads(sys.argv[1])
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)
    serve(socket.socket(fileno=int(setup["fd"])), Path(setup["folder"]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
