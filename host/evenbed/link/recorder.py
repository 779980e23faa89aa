"""The raw traffic, both ways: the last seconds, or more while a head is not at rest."""

from __future__ import annotations

from collections import deque

KEEP_S = 10.0
MOST_S = 600.0  # never more than this, whatever is to be held


class Recorder:
    """Keeps every line of the last KEEP_S seconds as ``(host time, '<' from the board or '>' to it, bytes)``; with
    ``held_from_s`` set also what is older, back to that time, but never more than MOST_S."""

    def __init__(self) -> None:
        self._lines: deque[tuple[float, str, bytes]] = deque()
        self.held_from_s: float | None = None
        self.lost_s: float | None = None  # the newest line forgotten

    def add(self, now_s: float, way: str, line: bytes) -> None:
        """Keep one line and forget what is too old."""
        lines = self._lines
        lines.append((now_s, way, line))
        oldest = now_s - KEEP_S
        if self.held_from_s is not None:
            oldest = max(min(oldest, self.held_from_s), now_s - MOST_S)
        while lines[0][0] < oldest:
            self.lost_s = lines.popleft()[0]

    def lines(self) -> list[tuple[float, str, bytes]]:
        """A copy, oldest first."""
        return list(self._lines)
