"""The true force over time, kept by a wrapper around a plant."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from evenbed_sim.plant import Plant

Array = npt.NDArray[np.float64]


class Traced:
    """A plant that keeps its true force over time. Implements :class:`Plant`."""

    def __init__(self, inner: Plant, low_n: float, high_n: float) -> None:
        self.inner = inner
        self.force_n = inner.force_n
        self.peak_n = inner.peak_n
        self.t_s = 0.0
        self.out_s = 0.0  # when the force was last outside the band
        self.moved_s: float | None = None  # when the gripper first went forward
        self.times: list[float] = [0.0]
        self.forces: list[float] = [inner.force_n]
        self._low_n = low_n
        self._high_n = high_n

    def _keep(self) -> None:
        force = self.force_n = self.inner.force_n
        self.peak_n = self.inner.peak_n
        self.times.append(self.t_s)
        self.forces.append(force)
        if not self._low_n <= force <= self._high_n:
            self.out_s = self.t_s

    def advance(self, dt_s: float, dx_mm: float) -> None:
        self.inner.advance(dt_s, dx_mm)
        before = self.forces[-1]
        if dx_mm > 0.0 and self.moved_s is None:
            self.moved_s = self.t_s
        self.t_s += dt_s
        was_out = self.out_s >= self.times[-1]
        self._keep()
        if was_out and self._low_n <= self.force_n <= self._high_n and before != self.force_n:
            edge = self._low_n if before < self._low_n else self._high_n
            self.out_s = self.t_s - dt_s * min(1.0, max(0.0, (self.force_n - edge) / (self.force_n - before)))

    def reset_peak(self) -> None:
        self.inner.reset_peak()
        self.peak_n = self.inner.peak_n

    def stiffness_n_per_mm(self) -> float:
        return self.inner.stiffness_n_per_mm()

    def free_previous_clamp(self) -> None:
        self.inner.free_previous_clamp()
        self._keep()

    def add_path(self, mm: float, duration_s: float) -> None:
        self.inner.add_path(mm, duration_s)

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        self.inner.close_clamp(slips_above_n)
        self._keep()

    def string_breaks(self) -> None:
        self.inner.string_breaks()
        self._keep()

    def gripper_slips(self, mm: float) -> None:
        self.inner.gripper_slips(mm)
        self._keep()

    def bed_tension_n(self) -> float:
        return self.inner.bed_tension_n()

    def between(self, from_s: float, to_s: float) -> Array:
        """True force every millisecond, N."""
        return np.asarray(np.interp(np.arange(from_s, to_s, 0.001), self.times, self.forces), dtype=np.float64)
