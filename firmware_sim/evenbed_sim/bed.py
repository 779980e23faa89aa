"""The string bed as it fills: every string loads the frame, the frame slackens or tightens all the others.

The frame is a linear spring in two directions. Mains shorten and widen it, crosses narrow and lengthen it:

    shortening = length_mm_per_n * sum(mains) - coupling_mm_per_n * sum(crosses)
    narrowing  = width_mm_per_n * sum(crosses) - coupling_mm_per_n * sum(mains)

and each string loses its stiffness times the change since it came in. All strings relax by one log law, so within
a step each tension is affine in the two changes and the step is a two-by-two linear system.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenbed_sim.viscoelastic import PronySeries

Kind = Literal["main", "cross"]
_PULL_S = 0.5
_FIRST_STEP_S = 0.25
_STEP_GROWTH = 0.35


@dataclass(frozen=True)
class FrameParams:
    """How a mounted frame gives, mm per N of all strings of one direction together. Presets from memory, weak: a
    few millimetres under a whole bed. Raises ValueError if the frame would give out energy."""

    length_mm_per_n: float = 6e-4
    width_mm_per_n: float = 6e-4
    coupling_mm_per_n: float = 3e-4

    def __post_init__(self) -> None:
        own = self.length_mm_per_n * self.width_mm_per_n
        if min(self.length_mm_per_n, self.width_mm_per_n) < 0.0 or self.coupling_mm_per_n**2 > own:
            raise ValueError("frame compliances must be positive semidefinite")


class _Placed:
    """One string in the bed: its stiffness, the stretch it is held at and what it remembers."""

    __slots__ = ("arms", "is_main", "k_n_per_mm", "measure_mm")

    def __init__(self, is_main: bool, k_n_per_mm: float, measure_mm: float, arms: list[float]) -> None:
        self.is_main = is_main
        self.k_n_per_mm = k_n_per_mm
        self.measure_mm = measure_mm
        self.arms = arms

    def tension_n(self, equilibrium: float) -> float:
        return max(0.0, self.k_n_per_mm * (equilibrium * self.measure_mm + sum(self.arms)))


class StringBed:
    """All strings clamped so far, in the order they came in.

    ``series`` is how the string relaxes; ``held_s`` how long each string was held at the head before its clamp
    closed (s). Time (s) must not run backwards between additions.
    """

    def __init__(self, series: PronySeries, frame: FrameParams | None = None, held_s: float = 3.0) -> None:
        self._series = series
        self._frame = frame or FrameParams()
        self._held_s = held_s
        self._strings: list[_Placed] = []
        self._sums_n = (0.0, 0.0)
        self._now_s = -math.inf

    def __len__(self) -> int:
        return len(self._strings)

    def add(self, kind: Kind, tension_n: float, stiffness_n_per_mm: float, now_s: float, turn: float = 0.0) -> int:
        """A string enters with ``tension_n`` just inside the frame as the head lets off; its number, from 0.

        ``stiffness_n_per_mm`` is that of its part inside the frame at the one-second scale. A string pulled only
        through its neighbour round the frame gives the neighbour's tension and the ``turn`` mu*theta between them:
        it carries exp(-turn) of it until :meth:`pull_directly`. Raises ValueError on values out of range.
        """
        if kind not in ("main", "cross"):
            raise ValueError(f"a string is a main or a cross, not {kind!r}")
        if not stiffness_n_per_mm > 0.0 or not turn >= 0.0:
            raise ValueError("stiffness must be positive and turn not negative")
        self._go_to(now_s)
        self._strings.append(self._placed(kind == "main", tension_n * math.exp(-turn), stiffness_n_per_mm))
        self._settle()
        return len(self._strings) - 1

    def pull_directly(self, number: int, tension_n: float, now_s: float) -> None:
        """Pull a string anew to ``tension_n`` (N) and clamp it; the earlier tension is gone. Raises IndexError for a
        string that is not there and ValueError on values out of range."""
        self._go_to(now_s)
        old = self._strings[number]
        self._strings[number] = self._placed(old.is_main, tension_n, old.k_n_per_mm)
        self._settle()

    def tensions_at(self, now_s: float) -> list[float]:
        """Tension of each string at ``now_s``, N; asking changes nothing. Raises ValueError before the last change."""
        strings, _ = self._at(now_s)
        return [s.tension_n(self._series.equilibrium) for s in strings]

    def previous_tension(self, now_s: float) -> float:
        """Tension of the string that came in last, N. Raises IndexError if there is none."""
        return self.tensions_at(now_s)[-1]

    # --- inside --------------------------------------------------------------------------------------------
    def _go_to(self, now_s: float) -> None:
        self._strings, self._sums_n = self._at(now_s)
        self._now_s = now_s

    def _placed(self, is_main: bool, tension_n: float, k_n_per_mm: float) -> _Placed:
        if not 0.0 <= tension_n < math.inf:
            raise ValueError("tension must not be negative")
        unit_arms = self._series.after_ramp_and_hold(1.0, _PULL_S, self._held_s)
        measure = tension_n / (k_n_per_mm * (self._series.equilibrium + sum(unit_arms)))
        return _Placed(is_main, k_n_per_mm, measure, [h * measure for h in unit_arms])

    def _settle(self) -> None:
        """The frame finds its new shape at once after a change of strings."""
        self._sums_n = self._step(self._strings, self._sums_n, 0.0)

    def _at(self, now_s: float) -> tuple[list[_Placed], tuple[float, float]]:
        if not self._now_s <= now_s < math.inf:
            raise ValueError(f"cannot take the bed from {self._now_s} s to {now_s} s")
        if not self._strings:
            return [], self._sums_n
        strings = [_Placed(s.is_main, s.k_n_per_mm, s.measure_mm, list(s.arms)) for s in self._strings]
        sums, t = self._sums_n, self._now_s
        while t < now_s:
            dt = min(now_s - t, max(_FIRST_STEP_S, _STEP_GROWTH * (t - self._now_s)))
            sums = self._step(strings, sums, dt)
            t = now_s if dt == now_s - t else t + dt
        return strings, sums

    def _step(self, strings: list[_Placed], old_sums: tuple[float, float], dt_s: float) -> tuple[float, float]:
        """One step of the whole bed in place; the new sums of tension of mains and crosses, N."""
        decay, ramp, b = self._series.step(dt_s)
        g = self._series.equilibrium
        for s in strings:
            s.arms = [h * d for h, d in zip(s.arms, decay, strict=True)]
        frame = self._frame
        stays = [s.k_n_per_mm * (g * s.measure_mm + sum(s.arms)) for s in strings]
        loose: set[int] = set()
        while True:
            rest = [0.0, 0.0]
            rate = [0.0, 0.0]
            for i, s in enumerate(strings):
                if i not in loose:
                    rest[not s.is_main] += stays[i]
                    rate[not s.is_main] += s.k_n_per_mm * b
            # sums = rest - rate * change, change = compliance * (sums - old_sums)
            cl, cw, cc = frame.length_mm_per_n, frame.width_mm_per_n, frame.coupling_mm_per_n
            a11, a12 = 1.0 + rate[0] * cl, -rate[0] * cc
            a21, a22 = -rate[1] * cc, 1.0 + rate[1] * cw
            r1, r2 = rest[0] - old_sums[0], rest[1] - old_sums[1]
            det = a11 * a22 - a12 * a21
            d1, d2 = (r1 * a22 - r2 * a12) / det, (r2 * a11 - r1 * a21) / det
            shorter, narrower = cl * d1 - cc * d2, cw * d2 - cc * d1
            gone = {
                i
                for i, s in enumerate(strings)
                if i not in loose and stays[i] < s.k_n_per_mm * b * (shorter if s.is_main else narrower)
            }
            if not gone:
                break
            loose |= gone
        for s in strings:
            change = -(shorter if s.is_main else narrower)
            s.measure_mm += change
            s.arms = [h + r * change for h, r in zip(s.arms, ramp, strict=True)]
        return old_sums[0] + d1, old_sums[1] + d2
