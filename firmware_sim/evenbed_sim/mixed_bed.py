"""A string bed whose strings relax each by its own law and were held each for its own time: hybrids, and uneven hands."""

from __future__ import annotations

from evenbed_sim.bed import _PULL_S, FrameParams, Kind, StringBed, _Placed
from evenbed_sim.viscoelastic import PronySeries


class MixedBed(StringBed):
    """A :class:`~evenbed_sim.bed.StringBed` where :meth:`enter` says how the string relaxes and how long it was held."""

    def __init__(self, series: PronySeries, frame: FrameParams | None = None) -> None:
        super().__init__(series, frame)
        self._own: list[PronySeries] = []

    def enter(
        self, kind: Kind, tension_n: float, stiffness_n_per_mm: float, now_s: float, series: PronySeries, held_s: float
    ) -> int:
        """Like ``add``, with the string's own ``series`` and the time for which it was held, s."""
        self._go_to(now_s)
        self._own.append(series)
        self._strings.append(self._loaded(kind == "main", tension_n, stiffness_n_per_mm, series, held_s))
        self._settle()
        return len(self._strings) - 1

    def pull_anew(self, number: int, tension_n: float, now_s: float, held_s: float) -> None:
        """Like ``pull_directly``, with the time for which it was held, s."""
        self._go_to(now_s)
        old = self._strings[number]
        self._strings[number] = self._loaded(old.is_main, tension_n, old.k_n_per_mm, self._own[number], held_s)
        self._settle()

    def tensions_at(self, now_s: float) -> list[float]:
        """See ``StringBed.tensions_at``."""
        strings, _ = self._at(now_s)
        return [s.tension_n(series.equilibrium) for s, series in zip(strings, self._own, strict=True)]

    def _loaded(self, is_main: bool, tension_n: float, k_n_per_mm: float, series: PronySeries, held_s: float) -> _Placed:
        if not tension_n >= 0.0 or not k_n_per_mm > 0.0:
            raise ValueError("tension must not be negative, and stiffness positive")
        unit = series.after_ramp_and_hold(1.0, _PULL_S, held_s)
        measure = tension_n / (k_n_per_mm * (series.equilibrium + sum(unit)))
        return _Placed(is_main, k_n_per_mm, measure, [h * measure for h in unit])

    def _step(self, strings: list[_Placed], old_sums: tuple[float, float], dt_s: float) -> tuple[float, float]:
        """As in ``StringBed``, each string by its own series."""
        steps = [series.step(dt_s) for series in self._own]
        stays: list[float] = []
        slopes: list[float] = []
        for s, series, step in zip(strings, self._own, steps, strict=True):
            s.arms = [h * d for h, d in zip(s.arms, step.decay, strict=True)]
            stays.append(s.k_n_per_mm * (series.equilibrium * s.measure_mm + sum(s.arms)))
            slopes.append(s.k_n_per_mm * step.total)
        frame = self._frame
        cl, cw, cc = frame.length_mm_per_n, frame.width_mm_per_n, frame.coupling_mm_per_n
        loose: set[int] = set()
        while True:
            rest, rate = [0.0, 0.0], [0.0, 0.0]
            for i, s in enumerate(strings):
                if i not in loose:
                    rest[not s.is_main] += stays[i]
                    rate[not s.is_main] += slopes[i]
            a11, a12 = 1.0 + rate[0] * cl, -rate[0] * cc
            a21, a22 = -rate[1] * cc, 1.0 + rate[1] * cw
            r1, r2 = rest[0] - old_sums[0], rest[1] - old_sums[1]
            det = a11 * a22 - a12 * a21
            d1, d2 = (r1 * a22 - r2 * a12) / det, (r2 * a11 - r1 * a21) / det
            shorter, narrower = cl * d1 - cc * d2, cw * d2 - cc * d1
            gone = {
                i
                for i, s in enumerate(strings)
                if i not in loose and stays[i] < slopes[i] * (shorter if s.is_main else narrower)
            }
            if not gone:
                break
            loose |= gone
        for s, step in zip(strings, steps, strict=True):
            change = -(shorter if s.is_main else narrower)
            s.measure_mm += change
            s.arms = [h + r * change for h, r in zip(s.arms, step.ramp, strict=True)]
        return old_sums[0] + d1, old_sums[1] + d2
