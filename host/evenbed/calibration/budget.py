"""Uncertainty terms, the budget they make, and its propagation: JCGM 100 (GUM) and JCGM 101 (Monte Carlo)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbed.calibration.special import t_coverage, t_factor

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]
DIVISORS: dict[Distribution, float] = {
    "normal": 1.0,
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
}
COVERAGE = 0.9545  # of k = 2 for a normal distribution, JCGM 100 Table G.1
# A single bounded term dominates when all others together are at most this share of it (EA-4/02 S9.14, from memory).
DOMINANCE = 0.3
SEED = 20231


@dataclass(frozen=True)
class Term:
    """One source of uncertainty.

    ``value`` in ``unit`` is a standard uncertainty (normal; an expanded one with its ``k``) or a half width (the
    others). ``sensitivity`` turns it into newtons. Terms with the same non-empty ``shared`` key are one and the same
    error, seen several times: they add linearly, with their signs.
    """

    name: str
    value: float
    distribution: Distribution = "normal"
    sensitivity: float = 1.0
    unit: str = "N"
    dof: float = math.inf
    shared: str = ""
    k: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value >= 0.0):
            raise ValueError(f"{self.name}: an uncertainty is a number from 0 up, not {self.value}")
        if not math.isfinite(self.sensitivity) or not self.dof > 0.0 or not self.k > 0.0:
            raise ValueError(f"{self.name}: sensitivity, degrees of freedom and k must make sense")

    @property
    def divisor(self) -> float:
        """From ``value`` to the standard uncertainty."""
        return self.k if self.distribution == "normal" else DIVISORS[self.distribution]

    @property
    def standard(self) -> float:
        """Standard uncertainty in ``unit``."""
        return self.value / self.divisor

    @property
    def contribution_n(self) -> float:
        """Standard uncertainty times sensitivity, N, with the sensitivity's sign."""
        return self.standard * self.sensitivity


@dataclass(frozen=True)
class Budget:
    """A result in newtons and the terms of its uncertainty."""

    force_n: float
    terms: tuple[Term, ...]

    @cached_property
    def groups(self) -> tuple[tuple[Term, ...], ...]:
        """Terms that are one error together; a term without a shared key is a group of its own."""
        shared: dict[str, list[Term]] = {}
        alone: list[tuple[Term, ...]] = []
        for term in self.terms:
            if term.shared:
                shared.setdefault(term.shared, []).append(term)
            else:
                alone.append((term,))
        return (*alone, *(tuple(group) for group in shared.values()))

    @cached_property
    def u_n(self) -> float:
        """Combined standard uncertainty, N (JCGM 100 5.1.2, 5.2.2)."""
        return math.hypot(*(_sum(group) for group in self.groups)) if self.terms else 0.0

    @cached_property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, JCGM 100 G.4.1); a group counts with its least."""
        u = self.u_n
        if u == 0.0:
            return math.inf
        below = sum((_sum(group) / u) ** 4 / min(term.dof for term in group) for group in self.groups)
        return 1.0 / below if below > 0.0 else math.inf

    @property
    def expanded_n(self) -> float:
        """Expanded uncertainty U for k = 2, N."""
        return 2.0 * self.u_n

    @property
    def coverage(self) -> float:
        """Probability that U (k = 2) covers, from the effective degrees of freedom."""
        return t_coverage(2.0, self.dof)

    @property
    def k95(self) -> float:
        """Factor that would cover 95.45 % with these degrees of freedom; 2.00 when they are many."""
        return t_factor(COVERAGE, self.dof)

    @cached_property
    def dominated(self) -> bool:
        """Does one bounded term (not normal) outweigh all the others, so that k = 2 says too much?"""
        sizes = sorted(((abs(_sum(group)), _leader(group)) for group in self.groups), key=lambda pair: -pair[0])
        if not sizes or sizes[0][0] == 0.0 or sizes[0][1].distribution == "normal":
            return False
        return math.hypot(*(size for size, _ in sizes[1:]), 0.0) <= DOMINANCE * sizes[0][0]

    def share(self, term: Term) -> float:
        """Share of a term in the variance, percent; the shares of a budget add up to 100 (a term may be negative)."""
        if self.u_n == 0.0:
            return 0.0
        together = next(group for group in self.groups if any(one is term for one in group))
        return 100.0 * term.contribution_n * _sum(together) / self.u_n**2

    def table(self) -> list[tuple[str, str, str, str, str, str, str]]:
        """Rows ready to print: name, value, distribution, divisor, u in N, sensitivity, share in percent; the largest
        share first. The last row is the sum with U."""
        rows: list[tuple[str, str, str, str, str, str, str]] = [
            (
                term.name,
                f"{term.value:.3g} {term.unit}",
                term.distribution,
                f"{term.divisor:.3g}",
                f"{abs(term.contribution_n):.3g}",
                f"{term.sensitivity:.3g}",
                f"{self.share(term):.1f}",
            )
            for term in sorted(self.terms, key=lambda one: -abs(self.share(one)))
        ]
        rows.append(
            (
                "together",
                f"{self.force_n:.6g} N",
                f"U = {two_digits(self.expanded_n)} N",
                "k = 2",
                f"{self.u_n:.3g}",
                f"covers {100.0 * self.coverage:.1f} %",
                "100.0" if self.u_n else "0.0",
            )
        )
        return rows


@dataclass(frozen=True)
class Spread:
    """What the trials gave: mean, standard uncertainty and half width of the interval about the budget's force, N;
    number of trials; whether the numerical tolerance was reached."""

    mean_n: float
    u_n: float
    half_n: float
    trials: int
    stable: bool


@dataclass(frozen=True)
class Expanded:
    """Expanded uncertainty U in N, its factor, the probability it covers, and how it came about."""

    expanded_n: float
    k: float
    coverage: float
    method: Literal["k = 2", "Monte Carlo"]


def monte_carlo(
    budget: Budget, seed: int = SEED, coverage: float = COVERAGE, digits: int = 2, most: int = 1_000_000
) -> Spread:
    """Propagate distributions by trials (JCGM 101 clause 7, adaptive as in 7.9.4).

    Batches of 10 000 run until twice the standard deviation of the batches' mean, u and half width is below half a unit
    of the last of ``digits`` digits of u, but at least 50 000 and at most ``most`` trials. Every term is symmetric, so the
    shortest interval of ``coverage`` is the symmetric one. The same seed gives the same answer.
    """
    rng = np.random.default_rng(seed)
    batch = 10_000
    scale = budget.u_n  # the trials run in units of it, so that no square of theirs underflows
    if scale == 0.0:
        return Spread(budget.force_n, 0.0, 0.0, 0, True)
    groups = [(_sum(group) / scale, _leader(group)) for group in budget.groups]
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(scale)) - digits + 1) / scale
    results: list[NDArray[np.float64]] = []
    drawn: list[NDArray[np.float64]] = []
    stable = False
    while not stable and len(drawn) * batch < most:
        total = np.zeros(batch)
        for size, term in groups:
            if size != 0.0:
                total += size * _draw(rng, term, batch)
        drawn.append(total)
        results.append(np.array([total.mean(), total.std(ddof=1), np.quantile(np.abs(total), coverage)]))
        spread = np.std(results, axis=0, ddof=1) / math.sqrt(len(results)) if len(results) > 4 else math.inf
        stable = bool(np.all(2.0 * spread < tolerance))
    every = scale * np.concatenate(drawn)
    half_n = float(np.quantile(np.abs(every), coverage))
    return Spread(
        budget.force_n + float(every.mean()), scale * float((every / scale).std(ddof=1)), half_n, len(every), stable
    )


def expand(budget: Budget, seed: int = SEED) -> Expanded:
    """U for k = 2, or from trials where one bounded term dominates: twice its standard uncertainty would then lie
    outside what is possible at all."""
    if not budget.dominated:
        return Expanded(budget.expanded_n, 2.0, budget.coverage, "k = 2")
    half_n = monte_carlo(budget, seed).half_n
    return Expanded(half_n, half_n / budget.u_n, COVERAGE, "Monte Carlo")


def two_digits(u: float) -> str:
    """Write an uncertainty with two significant digits (ILAC-P14:09/2020: at most two)."""
    if u == 0.0 or not math.isfinite(u):
        return f"{u:g}"
    places = 1 - math.floor(math.log10(abs(u)))
    u = round(u, places)
    places = 1 - math.floor(math.log10(abs(u)))  # 0.0996 has become 0.10, not 0.100
    return f"{u:.{max(0, places)}f}"


def collect(loads: Sequence[Iterable[Term]], weights: Sequence[float]) -> tuple[Term, ...]:
    """Carry the terms of several loads through a result that is the sum of weight x load.

    Terms with the same shared key become one, in newtons, with their signs; the others stay apart. Used to bring the
    weights' errors through a fit to one force.
    """
    gathered: dict[str, tuple[Term, float]] = {}
    for at, (terms, weight) in enumerate(zip(loads, weights, strict=True)):
        for nth, term in enumerate(terms):
            key = term.shared or f"\0{at}.{nth}"
            first, so_far = gathered.get(key, (term, 0.0))
            gathered[key] = (first, so_far + weight * term.contribution_n)
    alone: dict[str, list[tuple[Term, float]]] = {}
    result = []
    for key, (term, u) in gathered.items():
        if key.startswith("\0"):
            alone.setdefault(term.name, []).append((term, u))
        else:
            result.append(Term(term.name, abs(u) * term.divisor, term.distribution, dof=term.dof, shared=key, k=term.k))
    for name, parts in alone.items():
        dof = min(term.dof for term, _ in parts)
        result.append(Term(name, math.hypot(*(u for _, u in parts)), dof=dof))
    return tuple(result)


def _sum(group: Sequence[Term]) -> float:
    return math.fsum(term.contribution_n for term in group)


def _leader(group: Sequence[Term]) -> Term:
    return max(group, key=lambda term: abs(term.contribution_n))


def _draw(rng: np.random.Generator, term: Term, n: int) -> NDArray[np.float64]:
    """Draws of unit standard uncertainty; a Type A term is a t variable (JCGM 101 6.4.9), so a little wider."""
    if term.distribution == "rectangular":
        return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), n)
    if term.distribution == "triangular":
        return rng.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), n)
    if term.distribution == "arcsine":
        return math.sqrt(2.0) * np.sin(rng.uniform(-math.pi, math.pi, n))
    if math.isfinite(term.dof):
        return rng.standard_t(term.dof, n)
    return rng.standard_normal(n)
