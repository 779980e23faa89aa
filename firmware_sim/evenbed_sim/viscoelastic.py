"""Linear viscoelastic memory: a Prony series and its exact step.

Everything here is per unit: a *measure* (a stretch in mm, or a strain) goes in, the *stress* that answers it comes
out in the same unit, and the caller multiplies by a stiffness. The relaxation function is

    G(t) = G_inf + sum_i g_i exp(-t / tau_i)

and a step in which the measure changes linearly in time is exact for any length of the step (Taylor, Pister and
Goudreau 1970; Simo and Hughes, *Computational Inelasticity*; formulas from memory):

    h_i <- exp(-dt/tau_i) h_i + g_i (tau_i/dt) (1 - exp(-dt/tau_i)) * d_measure,     stress = G_inf measure + sum h_i
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

_CACHE_SIZE = 512
FASTEST_ARM_S = 1e-3
SLOWEST_ARM_S = 1e5


class Step(NamedTuple):
    """Coefficients of one step: ``decay[i]`` of each arm, ``ramp[i]`` what it gains per unit of measure, and
    ``total``, the stress gained per unit of measure by everything together (``G_inf + sum(ramp)``)."""

    decay: list[float]
    ramp: list[float]
    total: float


class PronySeries:
    """A relaxation function; immutable, shared by all segments of one material.

    ``equilibrium`` is G_inf (>= 0), ``weights`` the g_i (>= 0) and ``time_constants_s`` the tau_i (> 0, s).
    Raises ValueError if they do not match or are out of range.
    """

    __slots__ = ("_cache", "equilibrium", "time_constants_s", "weights")

    def __init__(self, equilibrium: float, weights: Sequence[float], time_constants_s: Sequence[float]) -> None:
        if len(weights) != len(time_constants_s):
            raise ValueError("a Prony series needs one time constant per weight")
        if not equilibrium >= 0.0 or not all(w >= 0.0 for w in weights):
            raise ValueError("Prony weights must not be negative")
        if not all(0.0 < tau < math.inf for tau in time_constants_s):
            raise ValueError("time constants must be positive and finite")
        self.equilibrium = equilibrium
        self.weights = tuple(weights)
        self.time_constants_s = tuple(time_constants_s)
        self._cache: dict[float, Step] = {}

    @property
    def instantaneous(self) -> float:
        """G(0+)."""
        return self.equilibrium + math.fsum(self.weights)

    def relaxation(self, t_s: float) -> float:
        """G(t) at ``t_s`` (>= 0, s)."""
        return self.equilibrium + math.fsum(
            w * math.exp(-t_s / tau) for w, tau in zip(self.weights, self.time_constants_s, strict=True)
        )

    def step(self, dt_s: float) -> Step:
        """The coefficients for a step of ``dt_s`` (>= 0, s); 0 is the sudden step, where nothing decays.

        Raises ValueError for a negative step.
        """
        found = self._cache.get(dt_s)
        if found is None:
            found = self._make_step(dt_s)
            if len(self._cache) >= _CACHE_SIZE:
                # Contact and straightening cut steps at odd places; those lengths never come back.
                self._cache.clear()
            self._cache[dt_s] = found
        return found

    def _make_step(self, dt_s: float) -> Step:
        if not 0.0 <= dt_s < math.inf:
            raise ValueError(f"a step cannot last {dt_s} s")
        decay = [math.exp(-dt_s / tau) for tau in self.time_constants_s]
        if dt_s == 0.0:
            ramp = list(self.weights)
        else:
            ramp = [
                -w * tau / dt_s * math.expm1(-dt_s / tau)
                for w, tau in zip(self.weights, self.time_constants_s, strict=True)
            ]
        return Step(decay, ramp, self.equilibrium + math.fsum(ramp))

    def after_ramp_and_hold(self, measure: float, ramp_s: float, hold_s: float) -> list[float]:
        """The arms' share of the stress after a ramp from rest to ``measure`` in ``ramp_s`` (> 0, s) and a hold of
        ``hold_s`` (>= 0, s) at it."""
        ramp = self.step(ramp_s).ramp
        return [r * measure * d for r, d in zip(ramp, self.step(hold_s).decay, strict=True)]


def log_law_series(
    loss_per_decade: float,
    fast_ratio: float | None = None,
    fastest_s: float = FASTEST_ARM_S,
    slowest_s: float = SLOWEST_ARM_S,
) -> PronySeries:
    """A series with one arm per decade that follows ``G(t) = 1 - loss_per_decade * log10(t / 1 s)``.

    G(1 s) is exactly 1, and with equal arms the ripple about the straight log line is 0.0181 of an arm (derived).
    ``fast_ratio`` = G(0+)/G(1 s) >= 1 scales the arms below one second to that ratio: polymers are stiffer at
    speed than their slow loss says. Without it the law is the same at every scale. A loss of 0 with no fast ratio
    gives a purely elastic series. Raises ValueError if the law would leave nothing at infinite time, or if the ratio
    is below what the slow arms alone lose by 1 s.
    """
    if not loss_per_decade >= 0.0:
        raise ValueError("loss_per_decade must not be negative")
    if fast_ratio is not None and not fast_ratio >= 1.0:
        raise ValueError("fast_ratio must not be below 1")
    if loss_per_decade == 0.0 and fast_ratio in (None, 1.0):
        return PronySeries(1.0, (), ())
    exponents = range(round(math.log10(fastest_s)), round(math.log10(slowest_s)) + 1)
    taus = [10.0**n for n in exponents]
    weights = [loss_per_decade] * len(taus)
    if fast_ratio is not None:
        fast = [i for i, tau in enumerate(taus) if tau < 0.5]
        # What the slow arms have already given back at 1 s belongs to the ratio too; only the rest is spread.
        slow_lost = sum(-w * math.expm1(-1.0 / tau) for w, tau in zip(weights, taus, strict=True) if tau >= 0.5)
        missing = fast_ratio - 1.0 - slow_lost
        if missing < 0.0:
            raise ValueError(f"the slow arms alone lose more by 1 s than a fast_ratio of {fast_ratio} allows")
        lost_by_one = sum(-math.expm1(-1.0 / taus[i]) for i in fast)
        for i in fast:
            weights[i] = missing / lost_by_one
    at_one_second = math.fsum(w * math.exp(-1.0 / tau) for w, tau in zip(weights, taus, strict=True))
    if at_one_second >= 1.0:
        raise ValueError(f"a loss of {loss_per_decade} per decade leaves nothing at long times")
    return PronySeries(1.0 - at_one_second, weights, taus)


class Relaxing:
    """One viscoelastic element that starts unstretched and is led by its measure."""

    __slots__ = ("arms", "measure", "series")

    def __init__(self, series: PronySeries) -> None:
        self.series = series
        self.measure = 0.0
        self.arms = [0.0] * len(series.weights)

    @property
    def stress(self) -> float:
        """Stress now, in the unit of the measure."""
        return self.series.equilibrium * self.measure + sum(self.arms)

    def advance(self, dt_s: float, d_measure: float) -> float:
        """Let ``dt_s`` (>= 0, s) pass while the measure changes by ``d_measure`` linearly in time; the new stress."""
        decay, ramp, _ = self.series.step(dt_s)
        self.arms = [d * h + r * d_measure for h, d, r in zip(self.arms, decay, ramp, strict=True)]
        self.measure += d_measure
        return self.stress
