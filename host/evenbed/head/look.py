"""A look: a small step up, and how stiff the string shows itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenbed.head.align import Aligner

FIRST_LOOK = 0.0025  # of the reference, at the stiffness of the draw; friction may make it more on a woven cross
FIRST_LOOK_N = 0.35  # at least: a cell's hysteresis is a tenth of a newton
BEFORE, AFTER = 4, 5  # sure readings of a look, before and after its step
FIRST_AFTER = 7  # of a first look, which is smaller and has the time
SURE = 0.03  # of the step: how far apart a period more or less of delay may put a sure reading
PATIENCE = 80  # readings that a look waits for sure ones
CALM = 0.3  # of the step's rise: most that the force may change over the readings before it
DRIFT = 0.6  # most that the force may drift during a look, of the step's rise
CLEAR = 0.05  # of the step's rise: readings further off the fit have been disturbed
FOLLOWED = 0.3  # of what the softest strand would show: less, and the carriage has not gone where it was sent
# Where a near piece is so much stiffer than the draw that the force which a look may make ends its step early, what it has
# made counts: from this share of the step, if what came before it was so many times as stiff as the draw. Hands are not.
SHORT, SHORT_STIFF = 0.15, 2.0


@dataclass(frozen=True)
class Seen:
    """The position that a reading belongs to, and that if it is one period earlier or later than is believed."""

    mm: float
    early_mm: float
    late_mm: float

    @classmethod
    def of(cls, aligner: Aligner, delay_s: float, period_s: float) -> Seen:
        """That of the newest reading."""
        return cls(
            aligner.position(delay_s),
            aligner.position(max(0.0, delay_s - period_s)),
            aligner.position(delay_s + period_s),
        )

    @property
    def unsure_mm(self) -> float:
        """How far apart they lie."""
        return max(self.mm, self.early_mm, self.late_mm) - min(self.mm, self.early_mm, self.late_mm)


class Look:
    """A small step up and the stiffness that it shows. ``end_mm`` is where to stand; ``k_n_mm`` is set when done.

    Only readings that belong to a sure position count, those taken at rest before and after the step, and the drift of
    the force is taken from the same readings: a delay believed wrong, creep and what a knock has left behind do not show.
    """

    def __init__(
        self, rise_n: float, rise_mm: float, x_mm: float, after: int = AFTER, first_mm: float = 0.0, k_first: float = 0.0
    ) -> None:
        """``k_first`` is what an earlier look has shown on its way, N/mm, before what counted."""
        self._rise_n = rise_n
        self._stepped = False
        self._x0 = x_mm + first_mm
        self._rise_mm = rise_mm
        self._wanted = after
        self._before: list[tuple[float, float, float]] = []
        self._after: list[tuple[float, float, float]] = []
        self._readings = 0
        self.end_mm = self._x0
        self.force_n = 0.0  # at its end
        self.k_n_mm: float | None = None
        self.clear = False  # did nothing but the step move the force?
        self.followed = True  # False: the force says that the carriage did not go as far as it was sent
        self._k_due = rise_n / rise_mm
        self._first_mm = first_mm
        self.k_first = k_first
        self._least_mm = 0.5 * rise_mm  # above the readings before it: a reading after the step
        self.short = False  # has it stood short of its end?
        self._first_n: float | None = None  # before anything moved

    def step(self, t_s: float, force_n: float, seen_mm: float, unsure_mm: float, short_mm: float | None = None) -> bool:
        """Take one reading, where it belongs and how sure that is; True when done. ``short_mm`` is where the carriage
        stands, if it stands short of the end at the force that a look may make."""
        self._readings += 1
        self.force_n = force_n
        if self._first_n is None:
            self._first_n = force_n
        sure = unsure_mm < SURE * self._rise_mm
        if short_mm is not None and self._end_short(force_n, short_mm):
            return True
        if not self._stepped:
            if sure and seen_mm > self._x0 - 0.1 * self._rise_mm:
                self._before = [*self._before[1 - BEFORE :], (t_s, force_n, seen_mm)]
            self._stepped = (len(self._before) == BEFORE and self._calm()) or self._readings > PATIENCE
            if self._stepped and self._before:
                self.end_mm = self._x0 + self._rise_mm
                rose_n = self._before[-1][1] - self._first_n
                self.followed = self._rose(rose_n, self._first_mm)
                self.k_first = rose_n / self._first_mm if self._first_mm else self.k_first
            elif self._stepped:
                self.k_n_mm = 0.0
                return True
            return False
        if sure and seen_mm - self._before[-1][2] > self._least_mm:
            self._after.append((t_s, force_n, seen_mm))
        if len(self._after) < self._wanted:
            if self._readings < PATIENCE:
                return False
            self.k_n_mm = 0.0
            self.followed = self.followed and (self.short or seen_mm - self._before[-1][2] > self._least_mm)
            return True
        self._fit()
        return True

    def _end_short(self, force_n: float, x_mm: float) -> bool:
        """The carriage stands short of the end: what it has made counts, if it is enough; True if none of it can."""
        assert self._first_n is not None
        self.short = True
        if self._stepped:
            way_mm = x_mm - self._before[-1][2]
            if self.k_first > SHORT_STIFF * self._k_due and way_mm > SHORT * self._rise_mm:
                self.end_mm, self._least_mm = x_mm, 0.5 * way_mm
            return False
        # It has not come so far that anything would count: the next look begins here, and may make more.
        way_mm = x_mm - (self._x0 - self._first_mm)
        if way_mm > SHORT * self._first_mm > 0.0:
            self.k_first = (force_n - self._first_n) / way_mm
            self.end_mm, self.k_n_mm = x_mm, 0.0
        return self.k_n_mm is not None

    def give_up(self) -> None:
        """Hands move the force by more than any look: it shows nothing."""
        self.k_n_mm, self.clear = 0.0, False

    def _rose(self, rise_n: float, way_mm: float) -> bool:
        return way_mm <= 0.0 or rise_n >= FOLLOWED * self._k_due * way_mm

    def _calm(self) -> bool:
        """Do hands leave the string alone before the step?"""
        first, last = self._before[0], self._before[-1]
        return abs(last[1] - first[1]) < CALM * self._rise_n

    def _fit(self) -> None:
        t, force, seen = np.array(self._before + self._after).T
        basis = np.stack([np.ones(len(t)), seen - seen[0], t - t[0]], axis=1)
        fit = np.linalg.lstsq(basis, force, rcond=None)[0]
        self.k_n_mm = float(fit[1])
        off = force - basis @ fit
        self.followed = self.followed and self._rose(self.k_n_mm * self._rise_mm, self._rise_mm)
        rise = abs(self.k_n_mm) * min(self._rise_mm, 2.0 * self._least_mm)
        drift = abs(float(fit[2])) * (t[-1] - t[0])
        self.clear = bool(self.followed and np.max(np.abs(off)) < CLEAR * rise and drift < DRIFT * rise)
