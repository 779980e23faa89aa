"""The board's clock against the host's: unwrapped, and fitted by regression."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import islice

from evenbed_fw.wire import TIME_WRAP_US

WINDOW = 400  # lines


class ClockFit:
    """Maps board microseconds to host seconds.

    Lines arrive late by a varying amount, never early. A straight line is fitted to (board time, arrival) over the last
    WINDOW lines and shifted down until the promptest of them lies on it: what remains is the least latency, which no
    one-way clock can tell from an offset.
    """

    def __init__(self) -> None:
        self.latest_s = 0.0  # the last time unwrapped
        self._last_us: int | None = None
        self._wraps = 0
        self._origin: tuple[float, float] | None = None
        self._points: deque[tuple[float, float]] = deque()
        self._sx = self._sy = self._sxx = self._sxy = 0.0
        self._early = 0.0
        self._since = 0

    def unwrap(self, board_us: int) -> float:
        """Board time in seconds since its first wrap, growing through every wrap at 2**30 us."""
        last = self._last_us
        if last is not None and board_us < last - TIME_WRAP_US // 2:
            self._wraps += 1
        self._last_us = board_us
        self.latest_s = (board_us + self._wraps * TIME_WRAP_US) * 1e-6
        return self.latest_s

    def seconds(self, board_us: int) -> float:
        """The same for any line that came not later than the last unwrapped one: several may come at once."""
        behind_us = 0 if self._last_us is None else (self._last_us - board_us) % TIME_WRAP_US
        return self.latest_s - behind_us * 1e-6

    def add(self, board_s: float, host_s: float) -> None:
        """Take one line: its (unwrapped) board time and its arrival."""
        if self._origin is None:
            self._origin = (board_s, host_s)
        x = board_s - self._origin[0]
        y = host_s - self._origin[1] - x  # what differs from a perfect clock: small numbers
        self._points.append((x, y))
        self._sx += x
        self._sy += y
        self._sxx += x * x
        self._sxy += x * y
        if len(self._points) > WINDOW:
            x, y = self._points.popleft()
            self._sx -= x
            self._sy -= y
            self._sxx -= x * x
            self._sxy -= x * y
        self._since += 1
        if self._since >= 40 or len(self._points) < 40:
            self._since = 0
            slope, offset = self._line()
            self._early = min(y - offset - slope * x for x, y in self._points)

    def seen(self, most: int) -> tuple[int | None, int, list[tuple[float, float]]]:
        """The last board time, microseconds; how often it has wrapped; the newest ``most`` lines as (board time, arrival):
        what ``primed`` needs to go on much as this fit does."""
        if self._origin is None:
            return self._last_us, self._wraps, []
        x0, y0 = self._origin
        newest = islice(reversed(self._points), most)
        return self._last_us, self._wraps, [(x0 + x, y0 + x + y) for x, y in newest][::-1]

    @classmethod
    def primed(cls, last_us: int | None, wraps: int, lines: Sequence[Sequence[float]]) -> ClockFit:
        """A fit that begins with what another has seen."""
        fit = cls()
        fit._wraps = wraps
        if last_us is not None:
            fit.unwrap(last_us)
        for board_s, host_s in lines:
            fit.add(board_s, host_s)
        return fit

    def _line(self) -> tuple[float, float]:
        n = len(self._points)
        if n == 0:
            return 0.0, 0.0
        det = n * self._sxx - self._sx * self._sx
        slope = (n * self._sxy - self._sx * self._sy) / det if n >= 40 and det > 0.0 else 0.0
        return slope, (self._sy - slope * self._sx) / n

    def host_time(self, board_s: float) -> float:
        """Host time of ``board_s``. Raises ValueError before the first line."""
        if self._origin is None:
            raise ValueError("no line has arrived yet")
        x = board_s - self._origin[0]
        slope, offset = self._line()
        return self._origin[1] + x + offset + slope * x + self._early

    @property
    def drift_ppm(self) -> float:
        """How much slower the board's clock runs than the host's, parts per million (0 until 40 lines)."""
        return self._line()[0] * 1e6
