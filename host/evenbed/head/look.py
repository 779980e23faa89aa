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

    def __init__(self, rise_n: float, rise_mm: float, x_mm: float, after: int = AFTER, first_mm: float = 0.0) -> None:
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
        self._first_n: float | None = None  # before anything moved

    def step(self, t_s: float, force_n: float, seen_mm: float, unsure_mm: float) -> bool:
        """Take one reading, where it belongs and how sure that is; True when done."""
        self._readings += 1
        self.force_n = force_n
        if self._first_n is None:
            self._first_n = force_n
        sure = unsure_mm < SURE * self._rise_mm
        if not self._stepped:
            if sure and seen_mm > self._x0 - 0.1 * self._rise_mm:
                self._before = [*self._before[1 - BEFORE :], (t_s, force_n, seen_mm)]
            self._stepped = (len(self._before) == BEFORE and self._calm()) or self._readings > PATIENCE
            if self._stepped and self._before:
                self.end_mm = self._x0 + self._rise_mm
                self.followed = self._rose(self._before[-1][1] - self._first_n, self._first_mm)
            elif self._stepped:
                self.k_n_mm = 0.0
                return True
            return False
        if sure and seen_mm - self._before[-1][2] > 0.5 * self._rise_mm:
            self._after.append((t_s, force_n, seen_mm))
        if len(self._after) < self._wanted:
            if self._readings < PATIENCE:
                return False
            self.k_n_mm = 0.0
            self.followed = self.followed and seen_mm - self._before[-1][2] > 0.5 * self._rise_mm
            return True
        self._fit()
        return True

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
        rise = abs(self.k_n_mm) * self._rise_mm
        drift = abs(float(fit[2])) * (t[-1] - t[0])
        self.clear = bool(self.followed and np.max(np.abs(off)) < CLEAR * rise and drift < DRIFT * rise)
