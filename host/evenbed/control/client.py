"""A window on the control process: start it, hear it, ask it. Closing this changes nothing on the rig."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import stat
import subprocess
import sys
from dataclasses import asdict
from typing import Any, Protocol

from evenbed.control.loop import Mechanics
from evenbed.head.types import Ask, Known, Pull


class Control(Protocol):
    """What a window needs of a control process, or of what stands for one on a virtual clock."""

    ended: bool

    def messages(self, wait_s: float) -> list[dict[str, Any]]: ...
    def plan(self, pull: Pull | None) -> None: ...
    def set_ceiling(self, ceiling_n: float) -> None: ...
    def ask(self, ask: Ask) -> None: ...
    def close(self) -> None: ...


def error_output() -> int | None:
    """Where a process that may outlive this one says what went wrong, as ``Popen`` wants it: where we do if that is a
    terminal or a file, else nowhere. Who reads a pipe would wait for that process, too, before it sees the end."""
    try:
        mode = os.fstat(2).st_mode
    except OSError:  # closed
        return subprocess.DEVNULL
    return None if stat.S_ISCHR(mode) or stat.S_ISREG(mode) else subprocess.DEVNULL


class ControlClient:
    """The control process of one port. Raises OSError where the system has no sequenced-packet sockets (not Linux).

    ``records`` is the way to the writer of the records: it is handed over, and closed here. ``simulated`` is written down.
    """

    def __init__(
        self,
        port: str,
        ceiling_n: float,
        mechanics: Mechanics | None = None,
        records: socket.socket | None = None,
        simulated: bool | None = None,
        known: Known | None = None,
    ) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._socket = ours
        setup = {
            "fd": theirs.fileno(),
            "port": port,
            "ceiling_n": ceiling_n,
            "mechanics": asdict(mechanics or Mechanics()),
            "records_fd": records.fileno() if records is not None else None,
            "simulated": simulated,
            "known": asdict(known) if known is not None else None,
        }
        # In a session of its own: Ctrl-C in the terminal is for the terminal, not for the loop.
        self.process = subprocess.Popen(
            [sys.executable, "-m", "evenbed.control.process", json.dumps(setup)],
            pass_fds=[theirs.fileno()] + ([records.fileno()] if records is not None else []),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=error_output(),
            start_new_session=True,
        )
        theirs.close()
        if records is not None:
            records.close()
        self.ended = False

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """Messages that have come, waiting at most ``wait_s`` for the first. ``ended`` is set when the process is gone."""
        got: list[dict[str, Any]] = []
        timeout = wait_s
        while select.select([self._socket], [], [], timeout)[0]:
            timeout = 0.0
            try:
                data = self._socket.recv(65536)
            except ConnectionResetError:
                continue  # it ended without hearing all we said; what it said last is still to come
            except OSError:
                data = b""
            if not data:
                self.ended = True
                break
            got.append(json.loads(data))
        return got

    def _send(self, message: dict[str, Any]) -> None:
        try:
            self._socket.send(json.dumps(message).encode())
        except OSError:
            self.ended = True

    def plan(self, pull: Pull | None) -> None:
        """Hand over the next pull; with None a tap draws nothing and is only told."""
        self._send({"kind": "plan", "pull": None if pull is None else asdict(pull)})

    def set_ceiling(self, ceiling_n: float) -> None:
        """The session's ceiling, N: lowered at will, raised only unarmed."""
        self._send({"kind": "ceiling", "ceiling_n": ceiling_n})

    def ask(self, ask: Ask) -> None:
        """Ask for something that never raises a force."""
        self._send({"kind": "ask", "ask": ask.value})

    def close(self) -> None:
        """Say goodbye. The process ends once the head is at rest; with a string on it, it goes on until it is off."""
        self._send({"kind": "bye"})
        self._socket.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(2.0)
