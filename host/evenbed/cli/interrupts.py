"""Ctrl-C, counted where the signal comes and acted on where the loop is: none can break into what is being done."""

from __future__ import annotations

import signal
from types import FrameType, TracebackType
from typing import Any

# Ended by another program it lets the string down as on Ctrl-C.
SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Interrupts:
    """Counts while it is entered; afterwards the signals do what they did before. ``count``: those that came before."""

    def __init__(self, count: int = 0) -> None:
        self._count = count
        self._before: dict[signal.Signals, Any] = {}

    def _came(self, _number: int, _frame: FrameType | None) -> None:
        self._count += 1

    @property
    def waiting(self) -> bool:
        """Has one come that nobody has acted on yet?"""
        return self._count > 0

    def taken(self) -> bool:
        """Has one come that nobody has acted on yet? It counts as acted on then."""
        if not self._count:
            return False
        self._count -= 1
        return True

    def __enter__(self) -> Interrupts:
        try:
            for number in SIGNALS:
                self._before[number] = signal.signal(number, self._came)
        except ValueError:
            pass  # only the main thread hears signals
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        for number, before in self._before.items():
            signal.signal(number, before)
        self._before.clear()
