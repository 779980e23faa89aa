"""Does the force fall, while the head eases, as the near piece's should? Else string comes through the clamp's jaws."""

from __future__ import annotations

import math
from collections import deque

SLIP = 0.002  # of the reference: force that should be gone and is not
GATHERING = 0.05  # of the reference: due while the easing gathers speed, before half of it must have gone
EVEN_READINGS = 7  # of one speed: the converter's settling, the period of doubt and two more
BELOW_READINGS = 5  # the converter's settling and one more
SLACK = 0.06  # of the slope: not counted
FOLLOW, FOLLOW_SOFT = 10.0, 35.0  # of a change of slope, for a fall by the reference; the same with hardly any load
SOFTER_BELOW, SOFTEST = 0.55, 0.55  # of the reference; share of the slope that is left of a string with hardly any load
STILL_MISSING = 0.006  # of the reference: less is no string that has slipped
RECOVERED_S = 2.6  # times the rise in N/s after a second: as much a string has recovered by then (log law from 50 ms on)
KEPT, HIGH = 60, 0.8  # readings that say where nothing was missing; share of them that a touch may have drawn down
STIFFER = 1.05  # times the slope: what falls faster is a touch, for with less load no string becomes stiffer


class SlopeWatch:
    """What the force fails to fall is added up against the slope so far (a one-sided cumulative sum): the clamp's drawback
    and the string's own recovery change the slope slowly and are followed; string that comes through the jaws makes it
    drop at once, and so does whoever touches the string. Once the carriage stands, ``still_missing`` tells one from the
    other: a touch is over, what has come through the jaws stays missing.
    """

    def __init__(self, reference_n: float, lowest_n: float = math.inf) -> None:
        """``lowest_n`` is the lowest force that this clamp may have been eased to before: its drawback goes on there."""
        self._reference_n = reference_n
        self._alarm_n = SLIP * reference_n
        self._sets_in_n = reference_n  # the clamp's drawback, below this force
        self._lowest_n = lowest_n
        self._below = 0  # even readings below that
        self._from_n = 0.0
        self._slope = self._most = 0.0
        self._least = 0.0
        self._missing_n = 0.0
        self._step_n = 0.0  # due from one reading to the next
        self._left_n = 0.0  # missing after what looked like touches
        self._due_n = 0.0
        self._last: tuple[float, float] | None = None
        self._mark: tuple[float, float] | None = None  # position and force where nothing was missing
        self._spare = 0.0  # share of the slope that may be missing from there on, as long as it is not even
        self._expected_n = 0.0  # force by the slope alone
        self._off_n: deque[float] = deque(maxlen=KEPT)  # force less that, where nothing was missing
        self._speeds: deque[float] = deque(maxlen=EVEN_READINGS)
        self._evenly = False  # does it go evenly now?
        self.even = False  # has the easing gone evenly for long enough to see a slope?

    def begin(self, start_n: float, k_n_mm: float, least_n_mm: float) -> None:
        """The look is done: easing begins at ``start_n`` with this stiffness. Once it is even, ``least_n_mm`` is the least
        that a closed clamp may show."""
        self._from_n = start_n
        self._slope = self._most = k_n_mm
        self._least = least_n_mm
        self._spare = max(SLACK, 1.0 - least_n_mm / k_n_mm)

    @property
    def slope_n_mm(self) -> float:
        """How the force falls now, N/mm."""
        return self._slope

    def _load(self, force_n: float) -> float:
        return min(1.0, max(0.0, force_n) / self._reference_n / SOFTER_BELOW)

    def _least_at(self, load: float) -> float:
        # With little load every string is softer.
        return self._least * (SOFTEST + (1.0 - SOFTEST) * load)

    def gone(self, force_n: float, seen_mm: float, v_mm_s: float) -> bool:
        """Take one reading; True when force is missing."""
        last, self._last = self._last, (seen_mm, force_n)
        self._speeds.append(abs(v_mm_s))
        if last is None:
            self._mark = self._mark or self._last
            return False
        moved = last[0] - seen_mm
        if moved <= 0.0:
            return False
        fell = last[1] - force_n
        if self._evenly and last[1] >= self._lowest_n > force_n:
            self._sets_in_n, self._below, self._evenly = self._lowest_n, 0, False
            self._anew(last, self._load(force_n))
        even = len(self._speeds) == EVEN_READINGS and min(self._speeds) > 0.9 * max(self._speeds)
        slowing = abs(v_mm_s) < 0.9 * max(self._speeds)  # then a late position runs after the force
        if slowing if self._evenly else not even or self._below < BELOW_READINGS:
            # A delay a few milliseconds off shows as missing force for as long as the speed grows, and the clamp's drawback
            # sets in where the force falls below that at which it was set.
            self._below += even and force_n < self._sets_in_n
            self._due_n += self._slope * moved
            return self._due_n > GATHERING * self._reference_n and self._from_n - force_n < 0.5 * self._due_n
        load = self._load(force_n)
        if not self._evenly:
            self._evenly = self.even = True
            if fell / moved < self._least_at(load):
                return True
            self._slope = min(fell / moved, STIFFER * self._slope)
            self._off_n.clear()
            self._expected_n = last[1]
        due_n = self._slope * moved
        self._expected_n -= due_n
        self._step_n = due_n
        self._missing_n = max(0.0, self._missing_n + (1.0 - SLACK) * due_n - fell)
        if self._missing_n > self._alarm_n:
            return True
        if self._missing_n == 0.0:
            self._mark = self._last
            self._off_n.append(force_n - self._expected_n)
        # Followed, but never to where the whole strand's slope would be normal.
        follow = -math.expm1(-(FOLLOW_SOFT + (FOLLOW - FOLLOW_SOFT) * load) * due_n / self._reference_n)
        self._slope = max(
            self._least_at(load),
            self._slope + follow * (min(fell / moved, STIFFER * self._slope, self._most) - self._slope),
        )
        return False

    def still_missing(self, force_n: float, seen_mm: float, rising_n_s: float = 0.0) -> bool:
        """Is force missing still, now that the carriage has stood for about a second and the string's own recovery raises
        the force by ``rising_n_s``? If not, the easing may go on."""
        assert self._mark is not None
        if self._off_n:
            off = sorted(self._off_n)
            late_mm = self._last[0] if self._last is not None else seen_mm
            missing_n = force_n - (self._expected_n - self._slope * (late_mm - seen_mm)) - off[int(HIGH * len(off))]
        else:
            missing_n = force_n - (self._mark[1] - (1.0 - self._spare) * self._slope * (self._mark[0] - seen_mm))
        # While it moved each reading was held against a position one period late: one step more is due now.
        missing_n -= self._step_n + RECOVERED_S * max(0.0, rising_n_s)
        self._left_n += max(0.0, missing_n)
        return self._left_n > STILL_MISSING * self._reference_n

    def go_on(self, force_n: float, seen_mm: float) -> None:
        """The easing goes on from where it stands, and whatever was missing is over."""
        self._anew((seen_mm, force_n), self._load(force_n))
        self._last = None
        self._speeds.clear()

    def _anew(self, at: tuple[float, float], load: float) -> None:
        """Whatever was missing until here is over."""
        self._missing_n = self._due_n = 0.0
        self._mark, self._from_n, self._expected_n = at, at[1], at[1]
        self._off_n.clear()
        self._spare = max(SLACK, 1.0 - self._least_at(load) / self._slope)
