"""A place to work at: the control process of a port, the writer of the records, what has to be said before arming."""

from __future__ import annotations

import contextlib
from pathlib import Path
from types import TracebackType

from evenbed.control.client import ControlClient
from evenbed.control.loop import Mechanics
from evenbed.record.keeping import Keeper, what_happened
from evenbed.work.readiness import Readiness, readiness


class DeskError(Exception):
    """Nothing can be armed here; the text says why and what to do."""


class Desk:
    """The control process and the writer of one port, for as long as it is open. ``said`` is to be shown first."""

    def __init__(
        self,
        port: str,
        ceiling_n: float,
        where: Path,
        unit: str,
        simulated: bool = False,
        despite_check: bool = False,
        mechanics: Mechanics | None = None,
    ) -> None:
        """Start both. A simulated rig (``simulated``) is not held to the check of the real one. Raises DeskError."""
        self._stack = contextlib.ExitStack()
        self.said = list(what_happened(where, unit, port))
        ready = Readiness() if simulated else readiness(where, despite_check)
        self.said += ready.lines
        if ready.refused:
            raise DeskError(ready.refused)
        try:
            keeper = Keeper(where)
            self._stack.callback(keeper.close)
            self.client = ControlClient(
                port, ceiling_n, mechanics, records=keeper.socket, simulated=simulated or None, known=ready.known
            )
        except (OSError, AttributeError):
            self._stack.close()
            raise DeskError("The control process needs Linux; this system has no sequenced-packet sockets.") from None
        self._stack.callback(self.client.close)

    def close(self) -> None:
        """Say goodbye; with a string on the head the control process goes on until it is off."""
        self._stack.close()

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
