"""Steady: has the hold settled enough that clamping now loses little? Advice, never a gate.

At constant stretch a polymer's force falls as C / t, so its creep rate q (N/s) at time t after reaching the reference
forecasts the loss over the next T seconds if it were clamped now: C ln((t + T) / t) with C = q t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Creep rate below which a hold counts as steady, fraction of the reference per second, by family (common practice, no
# source: a few seconds of holding, longer for strings that creep more).
THRESHOLD = {
    "gut": 0.0030,
    "nylon": 0.0040,
    "polyester": 0.0060,
    "aramid": 0.0050,
    "badminton nylon": 0.0040,
    "unknown": 0.0040,
}
QUIET_S = 0.4  # without a disturbance
SMOOTH_S = 0.4
FORECAST_S = 60.0
LATER_S = 5.0


@dataclass(frozen=True)
class Forecast:
    """Loss over the next minute if clamped now, and if clamped in five seconds, N; creep rate, N/s."""

    now_n: float
    later_n: float
    creep_n_s: float


class SteadyDetector:
    """Watches one hold."""

    def __init__(self, family: str, reference_n: float, reached_s: float) -> None:
        self._threshold_n_s = THRESHOLD.get(family, THRESHOLD["unknown"]) * reference_n
        self._reached_s = reached_s
        self._last_s = reached_s
        self._quiet_since = reached_s
        self._creep: float | None = None
        self.steady = False

    def step(self, t_s: float, creep_n_s: float, disturbed: bool, stroke_ok: bool) -> bool:
        """Take the creep rate now; return whether the hold is steady. A limit at work (``stroke_ok`` false) or a
        disturbance withdraws it."""
        dt = t_s - self._last_s
        self._last_s = t_s
        if disturbed:
            self._quiet_since = t_s
            self._creep = None
        elif self._creep is None:
            self._creep = creep_n_s
        else:
            self._creep += (creep_n_s - self._creep) * min(1.0, dt / SMOOTH_S)
        quiet = t_s - self._quiet_since > QUIET_S and self._creep is not None
        limit = self._threshold_n_s * (1.3 if self.steady else 1.0)
        self.steady = quiet and stroke_ok and abs(self._creep or 0.0) < limit
        return self.steady

    def forecast(self, t_s: float) -> Forecast | None:
        """What clamping would lose, or None while disturbed."""
        if self._creep is None:
            return None
        t = max(0.3, t_s - self._reached_s)
        q = max(0.0, self._creep)
        c = q * t
        return Forecast(
            c * math.log((t + FORECAST_S) / t),
            c * math.log((t + LATER_S + FORECAST_S) / (t + LATER_S)),
            q,
        )
