"""The control process: owns the port, runs the loop, and talks to one client over a socket. Nothing here waits for it.

Started as ``python -m evenbed.control.process`` with the sockets' descriptors; see ``client.py``. Messages are JSON, one a
packet. To the client: ``status`` at most 25 times a second, ``event``, ``record``, ``refused`` (a pull that cannot be made:
none is planned then), ``fatal``. From it: ``plan``, ``ask``, ``ceiling``, ``bye``. If the client dies the loop goes on
until the string is off the head or the board stands, and disarms a slack head. What is to be kept goes to the writer of the
records (``outbox.py``), if there is one.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import json
import math
import os
import select
import socket
import sys
import time
from dataclasses import asdict
from typing import Any

import serial
from evenbed_fw import safety

from evenbed.control.blackbox import versions
from evenbed.control.calm import Calm
from evenbed.control.loop import ControlLoop, Mechanics
from evenbed.control.outbox import Outbox
from evenbed.control.port import PortError, open_port
from evenbed.control.status import standing, status
from evenbed.head import states as st
from evenbed.head.learning import warm_up
from evenbed.head.types import Ask, Event, Known, Pull
from evenbed.link.session import LinkError

STATUS_S = 0.04
WAKE_S = 0.02
LOCK_NOW_AND_LATER = 3  # MCL_CURRENT | MCL_FUTURE
RETRY_S = 0.5
MOMENT_S = 0.5  # between two entries of where the head stands, loaded
REST_MOMENT_S = 5.0
FINISH_S = 2.0
DISARM_S = 1.0  # the client gone, the board has so long to disarm
STOOD_S = 0.5  # and the carriage has to stand for so long: what was asked for last may just begin
AT_REST = (st.UNARMED, st.SLACK, st.TRIPPED, st.FROZEN, st.BOOTED_LOADED)


def ask_for_priority() -> bool:
    """Ask the system for real-time priority and for memory that stays in place; carry on without. Returns whether the
    priority was given."""
    gc.collect()
    gc.freeze()  # what is there now stays: a full collection has nothing to walk through
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).mlockall(LOCK_NOW_AND_LATER)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))  # type: ignore[attr-defined,unused-ignore]
    except (AttributeError, OSError):
        return False
    return True


class Server:
    """One control loop on one port for one client."""

    def __init__(
        self,
        port_name: str,
        ceiling_n: float,
        client: socket.socket,
        mechanics: Mechanics,
        records: socket.socket | None = None,
        simulated: bool | None = None,
        known: Known | None = None,
    ) -> None:
        self.port_name = port_name
        self.records = Outbox(records)
        self._simulated = simulated
        self._how = "window gone"  # how the session will have ended, unless something else ends it
        self._moment_s = -1e9
        self.client = client
        self.client_gone = False
        self.loop = ControlLoop(ceiling_n, self._event, mechanics, known)
        self._calm = Calm()
        self.port: serial.Serial | None = None
        self._plans: list[Pull | None] = []
        self._status_s = 0.0
        self._moved_s = -1e9
        self._disarm_s: float | None = None  # since when it is to disarm, the client gone
        client.setblocking(False)

    def _send(self, message: dict[str, Any]) -> None:
        if self.client_gone:
            return
        try:
            self.client.send(json.dumps(message).encode())
        except BlockingIOError:
            return  # a slow client misses a moment; the loop does not
        except OSError:
            self.client_gone = True

    def _event(self, now_s: float, event: Event) -> None:
        head = self.loop.head
        self._send({"kind": "event", "t_s": now_s, **asdict(self._calm.take(now_s, event))})
        self.records.put({"kind": "event", "t_s": now_s, "name": event.name, "says": event.says, "values": event.values})
        if event.name == "pull_done" and head is not None and head.record is not None:
            record = asdict(head.record)
            self._send({"kind": "record", "record": record})
            self.records.put({"kind": "pull", "record": {k: _finite(v) for k, v in record.items()}})
        elif event.name == "state":
            self._moment(now_s)
        elif event.name == "connected":
            self._board()

    def _board(self) -> None:
        board, limits = self.loop.session.board, self.loop.session.limits
        if board is not None and limits is not None:
            self.records.put(
                {
                    "kind": "board",
                    "firmware": board.version,
                    "protocol": board.protocol,
                    "settings_crc": board.settings_crc,
                    "limits": asdict(limits),
                }
            )

    def _moment(self, now_s: float) -> None:
        head = self.loop.head
        if head is not None:
            self._moment_s = now_s
            force = head.shot.force_n if head.shot is not None else None
            self.records.put({"kind": "moment", "state": head.state, "force_n": force})

    def _keep(self, now_s: float) -> None:
        """Hand on what is to be kept; tell the client what the writer has to say."""
        for capture in self.loop.box.take():
            self.records.put_trip(capture, self.port_name)
        head = self.loop.head
        if head is not None and now_s - self._moment_s > (MOMENT_S if head.state not in AT_REST else REST_MOMENT_S):
            self._moment(now_s)
        for says in self.records.drain():
            self._send({"kind": "event", "t_s": now_s, **asdict(Event("records", says))})

    def _fatal(self, says: str) -> None:
        self._how = f"done: {says}"
        self._send({"kind": "fatal", "says": says})

    def run(self) -> int:
        """Run until the client says goodbye, or is gone and the head at rest. Returns the exit code."""
        self.records.put(
            {
                "kind": "session",
                "port": self.port_name,
                "simulated": self._simulated,
                "pid": os.getpid(),
                "versions": versions(),
            }
        )
        code = self._run()
        now = time.monotonic()
        self.loop.end(now)
        self._moment(now)
        self.records.put({"kind": "bye", "how": self._how})
        self._keep(now)
        self.records.finish(FINISH_S)
        return code

    def _run(self) -> int:
        try:
            self.port = open_port(self.port_name)
        except PortError as e:
            self._fatal(str(e))
            return 1
        while True:
            self._wait()
            now = time.monotonic()
            try:
                reply = self.loop.receive(now, self._read())
            except LinkError as e:
                self._fatal(str(e))
                return 1
            self._write(reply)
            self._plan()
            self._tell(now)
            self._keep(now)
            if self._over(now):
                break
        return 0

    def _over(self, now: float) -> bool:
        """Is the client gone, and does nothing hang on this process any more? A board that is left is not left armed."""
        head = self.loop.head
        if head is None:
            return self.client_gone
        if not standing(head):
            self._moved_s = now
        if not self.client_gone or head.state not in AT_REST or now - self._moved_s < STOOD_S:
            return False
        armed = head.line is not None and head.line.state == safety.ARMED
        if not armed and not head._asking.wanted:
            return True
        if self._disarm_s is None:
            self._disarm_s = now
            head.plan(None)  # no press means a draw any more
            self.loop.ask(Ask.DISARM)
        return now - self._disarm_s > DISARM_S

    def _wait(self) -> None:
        watched: list[Any] = [] if self.client_gone else [self.client]
        if self.port is not None:
            try:
                watched.append(self.port.fileno())
            except (AttributeError, OSError, serial.SerialException):
                time.sleep(0.001)  # a port without a descriptor (a URL) is polled
        # The writer's word is heard and its socket filled on every pass; to wake for it only when it waits for more.
        full: list[Any] = [self.records.socket] if self.records.waiting else []
        ready, _, _ = select.select(watched, full, [], WAKE_S)
        if self.client in ready:
            self._hear()

    def _read(self) -> bytes:
        if self.port is None:
            self._reopen()
            return b""
        try:
            return bytes(self.port.read(self.port.in_waiting or 1))
        except (serial.SerialException, OSError):
            with contextlib.suppress(Exception):
                self.port.close()
            self.port = None
            self._retry_s = time.monotonic() + RETRY_S
            return b""

    _retry_s = 0.0

    def _reopen(self) -> None:
        if time.monotonic() < self._retry_s:
            return
        self._retry_s = time.monotonic() + RETRY_S
        with contextlib.suppress(PortError):
            self.port = open_port(self.port_name)

    def _write(self, data: bytes) -> None:
        if data and self.port is not None:
            # A write that fails is a line lost; the board's lease covers it, and the next read sees the port gone.
            with contextlib.suppress(serial.SerialException, OSError):
                self.port.write(data)

    def _hear(self) -> None:
        try:
            data = self.client.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.client_gone = True
            return
        try:
            message = json.loads(data)
            if message["kind"] == "plan":
                planned = message["pull"]
                self._plans = [None if planned is None else Pull(**planned)]  # the latest counts
            elif message["kind"] == "ask":
                self.loop.ask(Ask(message["ask"]))
                self._moved_s = time.monotonic()  # or is about to
            elif message["kind"] == "ceiling":
                self._ceiling(float(message["ceiling_n"]))
            elif message["kind"] == "bye":
                self._how = "done"
                self.client_gone = True  # and with it this process, as soon as the head is at rest
        except (ValueError, KeyError, TypeError) as e:
            self._send({"kind": "event", "t_s": 0.0, "name": "hint", "says": f"Not understood: {e}.", "values": {}})

    def _ceiling(self, ceiling_n: float) -> None:
        try:
            self.loop.follow_ceiling(ceiling_n)
        except ValueError as e:
            self._event(time.monotonic(), Event("hint", f"The ceiling stays as it is: {e}."))

    def _plan(self) -> None:
        head = self.loop.head
        if head is None or not self._plans or head.state not in (st.UNARMED, st.REFERENCING, st.SLACK):
            return
        try:
            head.plan(self._plans.pop(0))
        except ValueError as e:
            head.plan(None)
            self._send({"kind": "refused", "says": f"This pull cannot be made: {e}."})

    def _tell(self, now: float) -> None:
        if now - self._status_s >= STATUS_S and self.loop.head is not None:
            self._status_s = now
            self._send(dict(status(now, self.loop.head)))


def main() -> int:
    """Entry point of the process: descriptors, port, ceiling and mechanics come as one JSON argument."""
    setup = json.loads(sys.argv[1])
    warm_up()
    ask_for_priority()
    client = socket.socket(fileno=int(setup["fd"]))
    records = socket.socket(fileno=int(setup["records_fd"])) if setup["records_fd"] is not None else None
    mechanics = Mechanics(**setup["mechanics"])
    known = setup["known"]
    if known is not None:
        known = Known(**{**known, "table": tuple((f, u) for f, u in known["table"])})
    return Server(setup["port"], setup["ceiling_n"], client, mechanics, records, setup["simulated"], known).run()


def _finite(value: Any) -> Any:
    """A number that was never set stands for infinity; a record says nothing instead."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


if __name__ == "__main__":
    sys.exit(main())
