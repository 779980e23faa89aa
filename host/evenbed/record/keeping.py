"""Starting the writer, and what the next start says about sessions that ended without a goodbye."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
from datetime import datetime
from pathlib import Path

from evenbed.control.client import error_output
from evenbed.record.store import SessionRow, Store, StoreError, runs
from evenbed.units import show_force

LOADED_N = 10.0
MOST_TOLD = 2
LOADED = ("taking_up", "drawing", "pre_stretching", "holding", "proving_clamp", "easing_off", "frozen", "tripped")


class Keeper:
    """The writer process of one session. ``socket`` is for the control process: hand it over, and close it here."""

    def __init__(self, where: Path) -> None:
        """Start it. Raises OSError where the system has no such sockets."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket = ours
        setup = {"fd": theirs.fileno(), "folder": str(where)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "evenbed.record.writer", json.dumps(setup)],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=error_output(),
            start_new_session=True,
        )
        theirs.close()

    def close(self, within_s: float = 3.0) -> None:
        """Wait for the last entries; the writer ends by itself once the control process has."""
        self.socket.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(within_s)


def local_time(wall: str) -> str:
    """A stored time as the clock here shows it."""
    return datetime.fromisoformat(wall).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def how_it_ended(row: SessionRow, unit: str, alive: bool) -> str:
    """Sentences about a session that ended without goodbye, or whose end nobody could write."""
    state = (row.state or "").replace("_", " ")
    seen = "no board had answered yet"
    if row.state and row.moment:
        force = "an unknown force" if row.force_n is None else show_force(row.force_n, unit)
        seen = f"the head was in the state '{state}' with {force}"
    if alive:
        return (
            f"A session on {row.port}, begun {local_time(row.started)}, still runs without records (process {row.pid}); "
            f"when they ended {seen}. It holds what it has: use the pedal, and it ends once the string is off."
        )
    if row.ended:
        when = f"ended without goodbye at {local_time(row.ended)}"
    else:
        when = f"ended without goodbye after {local_time(row.moment or row.started)}, its last entry"
    if row.how == "window gone":
        when = f"lost its window, and ended at {local_time(row.ended or row.started)}"
    check = "Check that the head is slack before you arm."
    if row.state in LOADED and (row.force_n is None or row.force_n > LOADED_N):
        check = (
            "The board froze by itself and holds what it had: look at the string before you touch anything, "
            "then hold the pedal to let it down."
        )
    return f"The session on {row.port}, begun {local_time(row.started)}, {when}: {seen}. {check}"


def what_happened(where: Path, unit: str, port: str) -> list[str]:
    """Sentences about the last sessions that ended without goodbye, each said once, and about one that still runs on
    ``port``; or one about why the records cannot be read."""
    try:
        store = Store(where, make=False)
    except FileNotFoundError:
        return []
    except StoreError as e:
        return [f"Earlier records cannot be read: {e}"]
    try:
        rows = [(row, runs(row.pid, row.pid_started)) for row in store.untold()]
        store.mark_told([row.id for row, alive in rows if not alive])
    except StoreError as e:
        return [f"Earlier records cannot be read: {e}"]
    finally:
        store.close()
    # A session that runs on another port is somebody's, with a window and a writer of its own.
    return [how_it_ended(row, unit, alive) for row, alive in rows if not alive or row.port == port][-MOST_TOLD:]
