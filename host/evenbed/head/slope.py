"""Does the force fall, while the head eases, as the near piece's should? Else string comes through the clamp's jaws."""

from __future__ import annotations

from collections import deque

SOFTER_BELOW, SOFTEST = 0.55, 0.55  # of the reference; share of the slope that is left of a string with hardly any load
SLIP = 0.002  # of the reference: force that should be gone and is not
GATHERING = 0.05  # of the reference: due while the easing gathers speed, before half of it must have gone
EVEN_READINGS = 7  # of one speed: the converter's settling, the period of doubt and two more
BELOW_READINGS = 5  # the converter's settling and one more
SLACK = 0.06  # of the slope: not counted
FOLLOW, FOLLOW_SOFT = 0.06, 0.2  # of a change of slope, per reading; the same of a string with hardly any load


class SlopeWatch:
    """Does the force fall, while easing, as the near piece's should?

    What the force fails to fall is added up against the slope so far (a one-sided cumulative sum): the clamp's drawback
    and the string's own recovery change the slope slowly and are followed; string that comes through the jaws makes it
    drop at once.
    """

    def __init__(self, reference_n: float) -> None:
        self._reference_n = reference_n
        self._alarm_n = SLIP * reference_n
        self._below = 0  # even readings below the reference
        self._start_n = 0.0
        self._slope = 0.0
        self._least = 0.0
        self._missing_n = 0.0
        self._due_n = 0.0
        self._last: tuple[float, float] | None = None
        self._speeds: deque[float] = deque(maxlen=EVEN_READINGS)
        self.even = False  # has the easing gone evenly for long enough to see a slope?

    def begin(self, start_n: float, k_n_mm: float, least_n_mm: float) -> None:
        """The look is done: easing begins at ``start_n`` with this stiffness. Once it is even, ``least_n_mm`` is the least
        that a closed clamp may show."""
        self._start_n = start_n
        self._slope = k_n_mm
        self._least = least_n_mm

    def eased_n(self, force_n: float) -> float:
        """Force gone so far."""
        return self._start_n - force_n

    def gone(self, force_n: float, seen_mm: float, v_mm_s: float) -> bool:
        """Take one reading; True when the string slips."""
        last, self._last = self._last, (seen_mm, force_n)
        self._speeds.append(abs(v_mm_s))
        if last is None:
            return False
        moved = last[0] - seen_mm
        if moved <= 0.0:
            return False
        fell = last[1] - force_n
        even = len(self._speeds) == EVEN_READINGS and min(self._speeds) > 0.9 * max(self._speeds)
        if not even or self._below < BELOW_READINGS:
            # A delay a few milliseconds off shows as missing force for as long as the speed grows, and the clamp's drawback
            # sets in where the force falls below that at which it was set.
            self._below += even and force_n < self._reference_n
            self._due_n += self._slope * moved
            return self._due_n > GATHERING * self._reference_n and self._start_n - force_n < 0.5 * self._due_n
        if not self.even:
            self.even = True
            self._slope = fell / moved
            return self._slope < self._least
        self._missing_n = max(0.0, self._missing_n + (1.0 - SLACK) * self._slope * moved - fell)
        if self._missing_n > self._alarm_n:
            return True
        # Followed, but never to where the whole strand's slope would be normal. With little load every string is softer.
        load = min(1.0, max(0.0, force_n) / self._reference_n / SOFTER_BELOW)
        least = self._least * (SOFTEST + (1.0 - SOFTEST) * load)
        follow = FOLLOW_SOFT + (FOLLOW - FOLLOW_SOFT) * load
        self._slope = max(least, self._slope + follow * (fell / moved - self._slope))
        return False
