"""What hands did to the string during a hold, told from the motion of its own share of the path.

The governor tracks z = F/k - x. Quiet creep moves it slowly down. A push lengthens the path in the bed (z rises), a feed
gives string back (z falls), the hand-over of the previous clamp and a slip are falls too fast for hands.
"""

from __future__ import annotations

from dataclasses import dataclass

FAST_MM_S = 12.0
QUIET_S = 0.3


@dataclass(frozen=True)
class Disturbance:
    """One episode: its name, the net change of path (mm, negative: the head took up), and how long it took."""

    name: str  # "hand-over", "push", "feed", "straightening", "slip", "unknown"
    path_mm: float
    duration_s: float


class DisturbanceWatch:
    """Cuts the hold into episodes and names them."""

    def __init__(self) -> None:
        self._settled = False  # the end of the draw is no disturbance
        self._open = False
        self._start_s = 0.0
        self._last_s = 0.0
        self._z0 = 0.0
        self._high = 0.0
        self._low = 0.0
        self._fastest = 0.0
        self._handed_over = False

    @property
    def active(self) -> bool:
        """Is something going on now?"""
        return self._open

    def step(self, t_s: float, z_mm: float, rate_mm_s: float, alert: bool) -> Disturbance | None:
        """Take the tracker's state; return an episode when it has ended."""
        if not self._settled:
            self._settled = not alert
            return None
        if alert:
            if not self._open:
                self._open = True
                self._start_s = t_s
                self._z0 = z_mm
                self._high = self._low = self._fastest = 0.0
            self._last_s = t_s
        if not self._open:
            return None
        moved = z_mm - self._z0
        self._high = max(self._high, moved)
        self._low = min(self._low, moved)
        if rate_mm_s < self._fastest:
            self._fastest = rate_mm_s
        if t_s - self._last_s < QUIET_S:
            return None
        self._open = False
        return Disturbance(self._name(moved), moved, self._last_s - self._start_s)

    def _name(self, moved: float) -> str:
        rose = self._high > 0.05
        fell = self._low < -0.05
        if self._fastest < -FAST_MM_S:
            if self._handed_over or rose:
                return "slip"
            self._handed_over = True
            return "hand-over"
        if rose and moved < self._high - 0.05:
            return "straightening"
        if rose:
            return "push"
        if fell:
            return "feed"
        return "unknown"
