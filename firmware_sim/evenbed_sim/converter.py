"""The load cell and its bridge converter: from the true force to 24-bit readings, late, noisy and a little wrong.

The converter averages over each conversion period and then over the last ``taps`` periods (a four-sample settling, so a
group delay of two samples), as 24-bit bridge converters with a settling time of four conversions do.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from random import Random

CODE_MAX = 8388607  # 7FFFFFh, the converter's saturation code
CODE_MIN = -8388608  # 800000h


@dataclass(frozen=True)
class CellParams:
    """The cell with its converter. ``noise_counts`` is one reading's standard deviation."""

    zero_counts: float = 21000.0
    counts_per_n: float = 8759.0  # 50 kgf, 2 mV/V, gain 128: 2**32/1000 counts at capacity
    capacity_n: float = 490.3325
    period_us: float = 12500.0
    taps: int = 4
    extra_delay: int = 0  # whole readings
    noise_counts: float = 38.65  # 90 nV rms at 80 samples/s and gain 128 on 5 V
    creep_fraction: float = 0.0002  # of the load
    creep_tau_s: float = 300.0
    hysteresis_fraction: float = 0.0002  # of capacity, full band
    drift_n_per_min: float = 0.0


class Cell:
    """Feed it the force with ``feed`` and call ``convert`` once a period."""

    def __init__(self, params: CellParams, rng: Random) -> None:
        self.p = params
        self._rng = rng
        self._sum = 0.0
        self._time_s = 0.0
        self._elapsed_s = 0.0
        self._means: deque[float] = deque([0.0] * params.taps, maxlen=params.taps)
        self._late: deque[int] = deque()
        self._creep_n = 0.0
        self._play_n = 0.0

    def feed(self, dt_s: float, force_before_n: float, force_after_n: float) -> None:
        """Let ``dt_s`` pass while the force goes from one value to the other."""
        self._sum += 0.5 * (force_before_n + force_after_n) * dt_s
        self._time_s += dt_s

    def convert(self) -> int:
        """End the conversion period; return the reading in counts."""
        p = self.p
        mean_n = self._sum / self._time_s if self._time_s else 0.0
        self._elapsed_s += self._time_s
        self._creep_n += (mean_n * p.creep_fraction - self._creep_n) * (1.0 - math.exp(-self._time_s / p.creep_tau_s))
        self._sum = 0.0
        self._time_s = 0.0
        # Hysteresis as play: the reading follows only beyond a band.
        half = 0.5 * p.hysteresis_fraction * p.capacity_n
        self._play_n = min(max(self._play_n, mean_n - half), mean_n + half)
        self._means.append(self._play_n + self._creep_n + p.drift_n_per_min * self._elapsed_s / 60.0)
        filtered = sum(self._means) / len(self._means)
        noise = self._rng.gauss(0.0, p.noise_counts)
        code = round(p.zero_counts + filtered * p.counts_per_n + noise)
        code = min(max(code, CODE_MIN), CODE_MAX)
        self._late.append(code)
        return self._late.popleft() if len(self._late) > p.extra_delay else self._late[0]
