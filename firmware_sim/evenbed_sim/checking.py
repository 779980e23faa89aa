"""Simulated hands for a check with a pull gauge: arm, tap to draw, read the gauge, wait until it is let down, tap again."""

from __future__ import annotations

from evenbed_sim.rig import Rig
from evenbed_sim.stringer import Habits, Stringer

N_PER_KGF = 9.80665
READ_S = 4.2  # from the hold to the reading: the program waits for the hold to settle first
STEPS_MOST = 100


class GaugeHands(Stringer):
    """What is read is in ``log``: "the gauge shows 10.21 kgf". ``gauge_error`` is the gauge's own, as a share."""

    def __init__(self, rig: Rig, gauge_error: float = 0.0, seed: int = 1) -> None:
        super().__init__(rig, Habits(frees_clamp=False), seed)
        self._gauge_error = gauge_error

    def begin(self) -> None:
        """Somebody has connected: arm, and draw for as long as the rig is armed."""
        self.pulls_wanted = self.done + STEPS_MOST
        super().begin()

    def _ready(self, t: float) -> None:
        if self.done and not self.rig.hw.enabled:
            self._doing = "rest"  # disarmed: the check is over
            return
        super()._ready(t)

    def _drawing(self, t: float) -> None:
        if self.rig.force_n > 20.0 and self._quiet(t, 0.25):
            self._do("reading", READ_S)

    def _reading(self, t: float) -> None:
        shown = self.rig.force_n * (1.0 + self._gauge_error) / N_PER_KGF
        self._note(t, f"the gauge shows {shown:.2f} kgf")
        self._do("letting_off", 0.5)
