"""What a draw teaches: the string's stiffness as an interval, and how late the reading is.

Both are learnt from force against delay-aligned travel. The delay shows only where the speed changes under load: then
only the right delay puts force and travel on one curve.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenbed.head.align import SETTLING_PERIODS, Aligner
from evenbed.head.types import RigModel

Floats = NDArray[np.float64]

POINTS = 6  # readings in the local slope
SHORT = 2  # readings in the quick one, which sees a string stiffen in flight
STALLED = 0.1  # of the rise due: less over three readings, and the carriage has not gone where it was sent
STALL_MM = 0.2  # least travel that tells
SETTLED = 3.0  # readings over which the converter still hides a part of that
EVEN = 0.85  # slowest over fastest speed of a slope that tells stiffness
TRACK_S = 6.0  # of a draw are kept for the delay
ASTRAY = 0.03  # most that a wrong delay may bend a slope that is still believed
SLOW_MM_S = 10.0  # slower than this a slope tells little
MOST_FADING = 0.15  # of the force, per second
SURE = 0.02  # least relative doubt of a stiffness
LONGEST_PERIODS = 5.0  # delays tried: 0 to this many sampling periods, in half periods
FAST_S = 0.1  # time constant of the string's quick relaxation, as the fit for the delay allows for it


def warm_up() -> None:
    """Let the linear algebra load and set itself up. The first solution takes tens of milliseconds, which must not fall
    into a pull."""
    np.linalg.lstsq(np.eye(3), np.ones(3), rcond=None)


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
        self._floor_s = 0.3 * rig.period_s
        self._found: deque[Delay] = deque(maxlen=5)

    def add(self, found: Delay) -> None:
        """Take what one draw found."""
        self._found.append(found)

    @property
    def found(self) -> tuple[Delay, ...]:
        """What the last draws found, oldest first; ``add`` them to a new book to restore this one."""
        return tuple(self._found)

    @property
    def delay(self) -> Delay:
        """What to use now."""
        if not self._found:
            return self._first
        ordered = sorted(f.delay_s for f in self._found)
        middle = ordered[len(ordered) // 2]
        spread = max(abs(d - middle) for d in ordered)
        least = self._floor_s * (2.0 if len(ordered) == 1 else 1.0)
        return Delay(middle, max(least, spread, min(f.doubt_s for f in self._found)))


class Learner:
    """Learns one draw. Add every reading under load; ask for ``high_at`` and, once, ``find_delay``."""

    def __init__(self, rig: RigModel, aligner: Aligner, delay: Delay) -> None:
        self._rig = rig
        self._aligner = aligner
        self.delay = delay
        self._recent: deque[tuple[float, float]] = deque(maxlen=POINTS)
        self._times: deque[float] = deque(maxlen=POINTS)
        self._speeds: deque[float] = deque(maxlen=POINTS + 2)
        self._track: list[tuple[float, float, float, float]] = []  # time, force, position, speed
        self.k_n_mm: float | None = None
        self._k_then: deque[tuple[float, float]] = deque(maxlen=POINTS)
        self._quick_then = 0.0
        self.k_high_n_mm = rig.stiffest_n_mm
        self.bend = 0.0  # dk/dF, 1/mm
        self.fading_n_s = 0.0  # force lost by relaxation while the draw slows down

    def add(self, t_s: float, force_n: float, x_mm: float, v_mm_s: float) -> None:
        """Take one reading under load (force from the working zero) at the aligner's newest position."""
        self._recent.append((self._aligner.position(self.delay.delay_s), force_n))
        self._times.append(t_s)
        self._speeds.append(v_mm_s)
        if len(self._track) < TRACK_S / self._rig.period_s:
            self._track.append((t_s, force_n, x_mm, v_mm_s))
        self._slope()
        if self._stalls():
            self.k_high_n_mm = self._rig.stiffest_n_mm

    def _stalls(self) -> bool:
        """Does the force stand although the carriage is said to go on? Then the motor loses its steps: nothing is known of
        what it draws when it turns again."""
        if self.k_n_mm is None:
            return False
        (x0, f0), (x1, f1) = self._recent[-3], self._recent[-1]
        return x1 - x0 > STALL_MM and f1 - f0 < STALLED * self.k_n_mm * (x1 - x0)

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
        speeds = list(self._speeds)
        # With a delay believed wrong, the slope of an uneven motion goes astray by (change of speed) (error) / speed.
        slowing = abs(speeds[-1] - speeds[-n]) / max(1e-3, self._times[-1] - self._times[0])
        astray = slowing * self.delay.doubt_s * n / max(1.0, sum(speeds[-n:]))
        even = min(speeds) > EVEN * max(speeds) or (astray < ASTRAY and min(speeds) > 0.6 * max(speeds))
        self.fading_n_s = 0.0
        high = k * (1.0 + SURE + doubt)
        known = self.k_n_mm
        if known is not None and not even and (k < 1.5 * known or max(speeds) < SLOW_MM_S):
            # Slowing down, the string relaxes more per millimetre: that is fading force, not softer string. Only a
            # plain stiffening is believed.
            k = known
            high = k * (1.0 + SURE)
            self.fading_n_s = self._fading(k, mf, slowing)
        self.k_n_mm = k
        then = self._k_then
        if even:
            then.append((mf, k))
        if len(then) == POINTS and mf > then[0][0] + 1.0:
            self.bend = max(0.0, (k - then[0][1]) / (mf - then[0][0]))
        self.k_high_n_mm = min(self._rig.stiffest_n_mm, max(high, self._quick(speeds)))

    def _fading(self, k: float, force_n: float, slowing_mm_s2: float) -> float:
        """Force that relaxation takes, N/s (negative), less what a wrong delay could make of the slowing down."""
        first, last = self._recent[0], self._recent[-1]
        took_s = self._times[-1] - self._times[0]
        lost = (last[1] - first[1] - k * (last[0] - first[0])) / took_s
        sure = max(0.0, -lost - k * slowing_mm_s2 * self.delay.doubt_s)
        return -min(sure, MOST_FADING * force_n)

    def _quick(self, speeds: list[float]) -> float:
        """Stiffness of the last readings, carried on as it grows: a clamp that grips or a snag shows here first."""
        points = self._recent
        travel = points[-1][0] - points[-SHORT][0]
        if travel < SLOW_MM_S * (SHORT - 1) * self._rig.period_s:
            return 0.0
        quick = (points[-1][1] - points[-SHORT][1]) / travel
        growth = quick - self._quick_then
        self._quick_then = quick
        even = min(speeds[-4:]) > EVEN * max(speeds[-4:])
        if self.k_n_mm is None or quick < (1.15 if even else 1.4) * self.k_n_mm:
            return 0.0
        return quick + SETTLED * max(0.0, growth)

    def high_at(self, force_n: float, gap_n: float) -> float:
        """Upper end of the mean stiffness from ``force_n`` over the next ``gap_n``: the curve goes on stiffening as it
        did, at most to three times what it is."""
        k = self.k_high_n_mm
        if self.k_n_mm is None:
            return k
        return min(self._rig.stiffest_n_mm, k + min(0.5 * self.bend * max(0.0, gap_n), 2.0 * k))

    def find_delay(self) -> Delay | None:
        """The delay for which force is one smooth curve over travel and its quick relaxation, or None where the draw
        cannot tell."""
        track = np.array(self._track)
        n = len(track)
        if n < 16 or np.ptp(track[:, 3]) < 10.0:
            return None
        step_s = 0.5 * self._rig.period_s
        tries = round(LONGEST_PERIODS / 0.5) + 1
        rss = np.array([self._residual(track, j * step_s) for j in range(tries)])
        best = min(max(int(np.argmin(rss)), 1), tries - 2)
        a, b, c = rss[best - 1], rss[best], rss[best + 1]
        curve = a - 2.0 * b + c
        if curve <= 0.0:
            return None
        at = best + min(max(0.5 * (a - c) / curve, -1.0), 1.0)
        # The residual grows by one part in four at the ends of what is believed.
        doubt = float((0.25 * max(b, 1e-9) / (0.5 * curve)) ** 0.5)
        if doubt > 2.0:
            return None
        return Delay(float(at) * step_s, doubt * step_s)

    def stiffness(self, delay: Delay) -> float | None:
        """Stiffness of the draw's upper part in N/mm for a delay found only at its end, or None where that was too short:
        with a wrong delay, slowing down looks like stiffening."""
        track = np.array(self._track)
        force = track[:, 1]
        use = (force > 0.5 * force.max()) & (force < 0.95 * force.max()) & (track[:, 3] > SLOW_MM_S)
        if np.count_nonzero(use) < POINTS:
            return None
        seen = _seen(track, delay.delay_s, self._rig.period_s)[use]
        slope = float(np.polyfit(seen - seen[0], force[use], 1)[0])
        return slope if slope > 0.1 else None

    def _residual(self, track: Floats, delay_s: float) -> float:
        """Sum of squares that is left of the force when it is fitted over travel delayed by ``delay_s``."""
        t, force = track[:, 0], track[:, 1]
        seen = _seen(track, delay_s, self._rig.period_s)
        quick = np.zeros(len(t))
        keep = np.exp(-np.diff(t) / FAST_S)
        for i in range(1, len(t)):
            quick[i] = keep[i - 1] * (quick[i - 1] + seen[i] - seen[i - 1])
        z = (seen - seen[0]) / max(1e-6, seen[-1] - seen[0])
        basis = np.stack([np.ones(len(t)), z, z * z, z**3, z**4, quick], axis=1)
        fit = np.linalg.lstsq(basis, force, rcond=None)[0]
        return float(np.sum((force - basis @ fit) ** 2))


def _seen(track: Floats, delay_s: float, period_s: float) -> Floats:
    """Where the readings of a track (time, force, position, speed) belong for a delay."""
    t, _, x, v = track.T
    h = np.diff(t)
    area = h * 0.5 * (x[:-1] + x[1:]) + h * h / 12.0 * (v[:-1] - v[1:])
    integral = np.concatenate(([0.0], np.cumsum(area)))
    w = max(min(2.0 * delay_s, SETTLING_PERIODS * period_s), 1e-4)
    s = delay_s - 0.5 * w
    # Before the track the carriage is taken to have moved as at its beginning.
    early = t[0] - np.arange(8, 0, -1) * period_s
    te = np.concatenate((early, t))
    xe = np.concatenate((x[0] + v[0] * (early - t[0]), x))
    ie = np.concatenate((x[0] * (early - t[0]) + 0.5 * v[0] * (early - t[0]) ** 2, integral))

    def at(when: Floats) -> Floats:
        k = np.clip(np.searchsorted(te, when) - 1, 0, len(te) - 2)
        u = when - te[k]
        slope = (xe[k + 1] - xe[k]) / (te[k + 1] - te[k])
        area: Floats = ie[k] + xe[k] * u + 0.5 * slope * u * u
        return area

    return (at(t - s) - at(t - s - w)) / w
