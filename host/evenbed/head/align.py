"""Positions as the converter saw them: delayed and averaged like the force.

The converter's reading is an average over its settling window. To compare force with travel, the travel must go through
the same window. With the integral I(t) of the position, the mean over [t - s - w, t - s] is
(I(t - s) - I(t - s - w)) / w. For a group delay d the window is w = min(2 d, settling), shifted by s = d - w / 2.
"""

from __future__ import annotations

from collections import deque

SETTLING_PERIODS = 4.0


class Aligner:
    """History of positions, and their running integral."""

    def __init__(self, period_s: float, keep_s: float = 0.4) -> None:
        self._settling_s = SETTLING_PERIODS * period_s
        self._keep_s = keep_s
        self._t: deque[float] = deque()
        self._x: deque[float] = deque()
        self._v: deque[float] = deque()
        self._i: deque[float] = deque()

    def add(self, t_s: float, x_mm: float, v_mm_s: float) -> None:
        """Take a position and its speed; times must grow."""
        if self._t:
            h = t_s - self._t[-1]
            # Exact for a constant acceleration in between.
            area = h * 0.5 * (self._x[-1] + x_mm) + h * h / 12.0 * (self._v[-1] - v_mm_s)
            self._i.append(self._i[-1] + area)
        else:
            self._i.append(0.0)
        self._t.append(t_s)
        self._x.append(x_mm)
        self._v.append(v_mm_s)
        while self._t[0] < t_s - self._keep_s and len(self._t) > 2:
            self._t.popleft()
            self._x.popleft()
            self._v.popleft()
            self._i.popleft()

    def _integral(self, t_s: float) -> float:
        """I at ``t_s``; before the history the position is taken as constant."""
        ts = self._t
        if t_s <= ts[0]:
            return self._i[0] - self._x[0] * (ts[0] - t_s)
        k = len(ts) - 2
        while k > 0 and ts[k] > t_s:
            k -= 1
        if k < 0:
            return self._i[0]
        h = ts[k + 1] - ts[k]
        u = t_s - ts[k]
        x0, v0 = self._x[k], self._v[k]
        acc = (self._v[k + 1] - v0) / h if h > 0.0 else 0.0
        # Speeds may not match the positions exactly (steps are whole): close the gap linearly.
        gap = (self._x[k + 1] - x0 - v0 * h - 0.5 * acc * h * h) / h if h > 0.0 else 0.0
        return self._i[k] + u * (x0 + u * ((v0 + gap) * 0.5 + u * acc / 6.0))

    def position(self, delay_s: float) -> float:
        """Mean position that the newest reading belongs to, for a group delay of ``delay_s``."""
        t = self._t[-1]
        w = min(2.0 * delay_s, self._settling_s)
        if w < 1e-4:
            return self._x[-1]
        s = delay_s - 0.5 * w
        return (self._integral(t - s) - self._integral(t - s - w)) / w
