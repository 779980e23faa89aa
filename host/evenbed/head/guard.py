"""The host's own guard, apart from the board's: the calibrated force against the ceiling, and whether it makes sense."""

from __future__ import annotations

import math
from collections.abc import Callable

from evenbed_fw import safety

from evenbed.head import states as st
from evenbed.head.stopbudget import rise_n
from evenbed.head.stops import told
from evenbed.head.types import Event, RigModel, Shot

FEED_MM, RISE_N = 40.0, 2.0  # travelled upwards under load without a rise of force
MARGIN_N = 1.0
DOWN_MM, FALL_N = 15.0, 2.0  # travelled down under load without a fall of force: the softest string gives ten times that
LOADED_N = 10.0  # above this the board calls a string loaded
CEILING, TRAVEL, DOWN = 51, 52, 55  # of the catalogue


def margin_n(rig: RigModel, shot: Shot, ceiling_n: float, k_n_mm: float) -> float:
    """What is left below ceiling + overrun, N, if everything went wrong now: the stop budget at this speed."""
    return ceiling_n + rig.overrun_n - shot.reference_force_n - rise_n(rig, k_n_mm, shot.v_mm_s)


class LeastMargin:
    """The least of ``margin_n`` over one pull, from contact on and for the string as the pull shows it: what was travelled
    before its stiffness was known is judged as soon as it is."""

    def __init__(self, rig: RigModel) -> None:
        self._rig = rig
        self._before: list[tuple[Shot, float]] = []
        self.least_n = math.inf

    def step(self, shot: Shot, ceiling_n: float, k_n_mm: float | None) -> float:
        """Take one sample; returns the least margin so far, N, infinite while the stiffness is not known."""
        self._before.append((shot, ceiling_n))
        if k_n_mm is not None:
            self.least_n = min(self.least_n, *(margin_n(self._rig, s, c, k_n_mm) for s, c in self._before))
            self._before.clear()
        return self.least_n


class Guard:
    """Checks every sample of a loaded state; returns what must stop everything, or None."""

    def __init__(self, rig: RigModel) -> None:
        self._rig = rig
        self._base: tuple[float, float] | None = None  # mm, N: from where the travel counts
        self._way: Callable[[Shot], Event | None] | None = None
        self.said: Event | None = None  # in this pull

    def check(self, now_s: float, shot: Shot, ceiling_n: float, state: str) -> Event | None:
        """Take one sample. The force counts from the reference zero. One that the board does not trust shows nothing: that
        is the board's to name."""
        if not shot.sample.sound:
            return None
        # What goes down is not stopped by the ceiling it comes down from.
        if shot.reference_force_n > ceiling_n + MARGIN_N and state != st.EASING_OFF:
            age_s = max(0.0, now_s - shot.taken_s)
            return told(CEILING, force_n=shot.reference_force_n, ceiling_n=ceiling_n, age_s=age_s)
        way = self._up if state in (st.DRAWING, st.PRE_STRETCHING) else self._down if state == st.EASING_OFF else None
        if way != self._way:
            self._way = way
            self._base = None
        return way(shot) if way is not None else None

    def _up(self, shot: Shot) -> Event | None:
        """On the way up the force has to rise."""
        if self._base is None or shot.force_n > self._base[1] + RISE_N:
            self._base = (shot.x_mm, shot.force_n)
        fed = shot.x_mm - self._base[0]
        return told(TRAVEL, travel_mm=fed, force_n=shot.force_n) if fed > FEED_MM else None

    def _down(self, shot: Shot) -> Event | None:
        """On the way down it has to fall, until it is nearly gone."""
        if self._base is None or shot.force_n < self._base[1] - FALL_N or shot.reference_force_n < LOADED_N:
            self._base = (shot.x_mm, shot.force_n)
        went = self._base[0] - shot.x_mm
        return told(DOWN, travel_mm=went, force_n=shot.force_n) if went > DOWN_MM else None

    def lowering(self, shot: Shot) -> Event | None:
        """Take one sample of a head that stands: the board lets down by itself while the pedal is held, or a screen has
        asked for it. Told once."""
        self._way = None  # what ``check`` has seen before is over
        if shot.sample.state not in (safety.EASING, safety.MOVING) or not shot.sample.sound:
            self._base = None
            return None
        why = self._down(shot)
        if why is not None:
            self._base = (-math.inf, -math.inf)  # no fall is seen from there, and no way down to it
        return why
