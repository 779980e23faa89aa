"""The last seconds of raw traffic, both ways."""

from __future__ import annotations

from collections import deque

KEEP_S = 10.0


class Recorder:
    """Keeps every line of the last KEEP_S seconds as ``(host time, '<' from the board or '>' to it, bytes)``."""

    def __init__(self) -> None:
        self._lines: deque[tuple[float, str, bytes]] = deque()

    def add(self, now_s: float, way: str, line: bytes) -> None:
        """Keep one line and forget what is too old."""
        lines = self._lines
        lines.append((now_s, way, line))
        while lines[0][0] < now_s - KEEP_S:
            lines.popleft()

    def lines(self) -> list[tuple[float, str, bytes]]:
        """A copy, oldest first."""
        return list(self._lines)
