"""The way down: the force falls on it, or the motor turns the wrong way.

Until the force has been seen to fall the way down is slow, so that a motor that pulls instead is stopped before it has
pulled far.
"""

from evenbed_fw.settings import Settings

MARK = 6  # readings in a row on the way down before the force must fall: two ages of a reading
RISES = 3  # readings in a row above the lowest: one bad reading does not judge


class WayDown:
    """One way down after another. Forces in counts above zero."""

    def __init__(self, settings: Settings) -> None:
        self.s = settings
        self.most = settings.lost_floor_counts  # that the force may rise
        self.fell = False  # the force has been seen to fall: the way down may be fast
        self._readings = 0  # on this way, capped
        self._start = self._lowest = self._last = self._rises = 0  # _start: highest of the first readings

    def off(self) -> None:
        """Nothing goes down now."""
        self.fell = False
        self._readings = 0

    def step(self, force: int, rate: int) -> bool:
        """Take one reading of a let-down; True if the force rises where it should fall."""
        s = self.s
        if rate >= 0:  # still braking from the way up
            self._readings = 0
        if self._readings < MARK:
            self._start = max(force, self._start) if self._readings else force
            self._lowest = force
            if rate < 0:
                self._readings += 1
        else:  # a single low reading is none
            self._lowest = min(self._lowest, max(force, self._last))
        self._last = force
        if force < s.contact_counts or force < self._start - (s.contact_counts >> 1):
            self.fell = True
        # A hand that pushes on the way raises it again, but not above where the way began.
        rises = force > self._start and force - self._lowest > self.most
        self._rises = self._rises + 1 if rises else 0
        return self._rises >= RISES
