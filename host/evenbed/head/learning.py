"""What a draw teaches: the string's stiffness as an interval, and how late the reading is.

Both are learnt from force against delay-aligned travel. The delay shows only where the speed changes under load: then
only the right delay puts force and travel on one curve.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from evenbed.head.align import Aligner
from evenbed.head.types import RigModel

POINTS = 6  # readings in the local slope
CANDIDATES = 9  # delays tried, 0 to 4 sampling periods
SURE = 0.02  # least relative doubt of a stiffness


@dataclass(frozen=True)
class Delay:
    """Group delay of the reading, seconds, with half the width of what it may be."""

    delay_s: float
    doubt_s: float

    @property
    def longest_s(self) -> float:
        """The longest it may be."""
        return self.delay_s + self.doubt_s


class DelayBook:
    """The delay as learnt over the pulls on this rig: the middle of the last five, doubt by their spread."""

    def __init__(self, rig: RigModel) -> None:
        self._first = Delay(rig.delay_s, rig.delay_doubt_s)
        self._floor_s = 0.1 * rig.period_s
        self._found: deque[float] = deque(maxlen=5)

    def add(self, found: Delay) -> None:
        """Take what one draw found."""
        self._found.append(found.delay_s)

    @property
    def delay(self) -> Delay:
        """What to use now."""
        if not self._found:
            return self._first
        ordered = sorted(self._found)
        middle = ordered[len(ordered) // 2]
        spread = max(abs(d - middle) for d in ordered)
        return Delay(middle, max(self._floor_s, spread, 2.0 * self._floor_s / len(ordered)))


class Learner:
    """Learns one draw. Add every reading from the press on; ask for ``slope`` and ``find_delay``."""

    def __init__(self, rig: RigModel, aligner: Aligner, delay: Delay) -> None:
        self._rig = rig
        self._aligner = aligner
        self.delay = delay
        self._recent: deque[tuple[float, float]] = deque(maxlen=POINTS)
        self._times: deque[float] = deque(maxlen=POINTS)
        self._delays = [rig.period_s * 4.0 * j / (CANDIDATES - 1) for j in range(CANDIDATES)]
        self._x: list[list[float]] = []
        self._f: list[float] = []
        self._v: list[float] = []
        self.k_n_mm: float | None = None
        self._k_then: deque[tuple[float, float]] = deque(maxlen=POINTS)
        self.k_high_n_mm = rig.stiffest_n_mm
        self.bend = 0.0  # dk/dF, 1/mm
        self.fading_n_s = 0.0  # force lost by relaxation while the draw slows down

    def add(self, t_s: float, force_n: float, v_mm_s: float) -> None:
        """Take one reading under load (force from the working zero) at the aligner's newest position."""
        aligner = self._aligner
        self._times.append(t_s)
        self._recent.append((aligner.position(self.delay.delay_s), force_n))
        if len(self._f) < 400:
            self._x.append([aligner.position(d) for d in self._delays])
            self._f.append(force_n)
            self._v.append(v_mm_s)
        self._slope()

    def _slope(self) -> None:
        points = self._recent
        n = len(points)
        if n < POINTS:
            return
        mx = sum(p[0] for p in points) / n
        mf = sum(p[1] for p in points) / n
        sxx = sum((p[0] - mx) ** 2 for p in points)
        if sxx < 0.02:  # mm2: too little travel to tell a slope
            return
        sxf = sum((p[0] - mx) * (p[1] - mf) for p in points)
        k = sxf / sxx
        if k <= 0.1:
            return
        rss = sum((p[1] - mf - k * (p[0] - mx)) ** 2 for p in points)
        doubt = 2.0 * (rss / (n - 2) / sxx) ** 0.5 / k
        speeds = self._v[-n - 2 :]
        even = min(speeds) > 0.85 * max(speeds)
        self.fading_n_s = 0.0
        if self.k_n_mm is not None and k < self.k_n_mm and not even:
            # Slowing down, the string relaxes more per millimetre: that is fading force, not softer string.
            k = self.k_n_mm
            doubt = 0.0
            took_s = self._times[-1] - self._times[0]
            lost_n = points[-1][1] - points[0][1] - k * (points[-1][0] - points[0][0])
            self.fading_n_s = min(0.0, lost_n / took_s)
        self.k_n_mm = k
        then = self._k_then
        if even:
            then.append((mf, k))
        if len(then) == POINTS and mf > then[0][0] + 1.0:
            self.bend = max(0.0, (k - then[0][1]) / (mf - then[0][0]))
        self.k_high_n_mm = min(self._rig.stiffest_n_mm, k * (1.0 + SURE + doubt))

    def high_at(self, force_n: float, gap_n: float) -> float:
        """Upper end of the mean stiffness from ``force_n`` over the next ``gap_n``: the curve goes on stiffening as it
        did, at most to three times what it is."""
        k = self.k_high_n_mm
        if self.k_n_mm is None:
            return k
        return min(self._rig.stiffest_n_mm, k + min(0.5 * self.bend * max(0.0, gap_n), 2.0 * k))

    def find_delay(self) -> Delay | None:
        """The delay for which force is one smooth curve over travel, or None where the draw cannot tell."""
        n = len(self._f)
        if n < 16 or max(self._v) - min(self._v) < 10.0:
            return None
        f = np.array(self._f)
        xs = np.array(self._x)
        rss = []
        for j in range(CANDIDATES):
            x = xs[:, j]
            x = (x - x[0]) / max(1e-6, x[-1] - x[0])
            basis = np.stack([np.ones(n), x, x * x, x**3, x**4], axis=1)
            fit = np.linalg.lstsq(basis, f, rcond=None)[0]
            rss.append(float(np.sum((f - basis @ fit) ** 2)))
        best = int(np.argmin(rss))
        best = min(max(best, 1), CANDIDATES - 2)
        a, b, c = rss[best - 1], rss[best], rss[best + 1]
        curve = a - 2.0 * b + c
        if curve <= 0.0:
            return None
        at = best + min(max(0.5 * (a - c) / curve, -1.0), 1.0)
        # The residual grows by one part in four at the ends of what is believed.
        least = max(b, 1e-9)
        doubt = (0.25 * least / (0.5 * curve)) ** 0.5
        step = self._delays[1]
        if doubt > 1.5:
            return None
        return Delay(at * step, doubt * step)
