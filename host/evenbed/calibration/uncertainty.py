"""A calibration in use: counts to newtons with an uncertainty, its budget at any force, and where it ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from evenbed.calibration.budget import Budget, Expanded, Term, collect, expand, two_digits
from evenbed.calibration.figures import Figures, figures
from evenbed.calibration.fit import Chosen, fit_series
from evenbed.calibration.steps import Direction, Series
from evenbed.units import N_PER_KGF, N_PER_LBF

WARN_ABOVE, REFUSE_ABOVE = 1.2, 2.0  # times the highest force of the calibration
Extrapolation = Literal["", "warn", "refuse"]


@dataclass(frozen=True)
class Conditions:
    """What the run itself cannot tell; all are half widths.

    ``creep_share``: creep of the cell while a pull lasts, share of the force. ``temperature_k``: how far the cell may be
    from its temperature at the calibration; ``span_per_k``, ``zero_n_per_k``: what a kelvin does to it.
    ``guide_friction_n``: between gripper and cell, against the pull or with it. ``unseen_share``: error of a cell where
    the run could not show it (linearity from a single weight, reversibility without unloading), share of the force.
    The defaults are what data sheets of common cells allow (from memory); measure, and give your own.
    """

    resolution_counts: float = 1.0
    creep_share: float = 0.0005
    temperature_k: float = 5.0
    span_per_k: float = 5e-5
    zero_n_per_k: float = 0.0
    guide_friction_n: float = 0.0
    unseen_share: float = 0.001


@dataclass(frozen=True)
class Reading:
    """A force, its expanded uncertainty and budget, and whether it lies beyond what the calibration supports."""

    force_n: float
    expanded: Expanded
    budget: Budget
    extrapolation: Extrapolation


@dataclass(frozen=True, eq=False)
class Calibration:
    """A curve, the figures of its run and the conditions of use. Counts are above the zero."""

    chosen: Chosen
    figures: Figures
    conditions: Conditions

    @property
    def top_n(self) -> float:
        """Highest force of the run, N."""
        return self.chosen.fit.top_n

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What the run did not show, and is covered by assumption."""
        found = []
        if self._linearity_unseen:
            found.append("linearity was not tested: hang on more different weights")
        if self.chosen.test is None:
            found.append("no force was repeated: repeat the series")
        if all(level.v is None for level in self.figures.levels):
            found.append("reversibility was not tested: take the weights off in steps too")
        if self.figures.f0 is None:
            found.append("no zero was taken after unloading")
        return tuple(found)

    @property
    def _linearity_unseen(self) -> bool:
        return len(self.figures.levels) <= len(self.chosen.fit.beta)

    def extrapolation(self, force_n: float) -> Extrapolation:
        """``""`` up to 1.2 times the highest force of the run, ``"warn"`` up to twice it, ``"refuse"`` above."""
        if force_n > REFUSE_ABOVE * self.top_n:
            return "refuse"
        return "warn" if force_n > WARN_ABOVE * self.top_n else ""

    def counts(self, force_n: float) -> float:
        """Counts above the zero at a force."""
        return self.chosen.fit.counts(force_n)

    def force(self, counts: float) -> float:
        """Force in N at counts above the zero."""
        return self.chosen.fit.force(counts)

    def reading(self, counts: float) -> Reading:
        """Force with its uncertainty. It is given beyond the range too: look at ``extrapolation`` before using it."""
        force_n = self.force(counts)
        budget = self.budget(force_n)
        return Reading(force_n, expand(budget), budget, self.extrapolation(force_n))

    def budget(self, force_n: float) -> Budget:
        """All terms of a single reading at a force, N (JCGM 100; the terms are those that EURAMET cg-4 names)."""
        return Budget(force_n, (*self._loads(force_n), *self._run(force_n), *self._use(force_n)))

    def _loads(self, force_n: float) -> tuple[Term, ...]:
        """The errors of weights, gravity and rigging, carried through the fit: the curve moves by its leverage times
        the error of each load, so an error common to all loads is one of the slope and does not average out."""
        fit = self.chosen.fit
        here = fit.sensitivity(force_n)
        lever = fit.leverage(force_n)
        weights = [
            float(h) * fit.sensitivity(step.force_n) / here for h, (step, _) in zip(lever, self.chosen.points, strict=True)
        ]
        return collect([step.terms for step, _ in self.chosen.points], weights)

    def _run(self, force_n: float) -> list[Term]:
        fit, test = self.chosen.fit, self.chosen.test
        per_count = 1.0 / abs(fit.sensitivity(force_n))
        steps = [step for step, _ in self.chosen.points]
        if test is not None:
            scatter, dof = test.repeat_sd, float(test.dof_repeat)
        elif fit.dof > 0:
            scatter, dof = fit.residual_sd, float(fit.dof)
        else:
            scatter, dof = max(step.sd_counts for step in steps), float(min(step.n for step in steps) - 1)
        terms = [Term("repeatability", scatter, "normal", per_count, "counts", dof)]
        if fit.dof > 0:
            terms.append(Term("curve", fit.line_sd(force_n), "normal", per_count, "counts", float(fit.dof)))
        terms.append(Term("interpolation", self._misfit_n * self._beyond(force_n) ** 2, "rectangular"))
        if fit.degree == 2 and force_n > self.top_n:
            c2 = fit.coefficients[2]
            left_n = abs(c2) * (force_n - self.top_n) ** 2 * per_count
            terms.append(Term("parabola left for its tangent", left_n, "rectangular"))
        terms.append(Term("reversibility", self._reversal_n(force_n), "rectangular"))
        zero_n = abs(self.figures.f0) / 100.0 * self.top_n if self.figures.f0 is not None else 0.0
        terms.append(Term("zero return", zero_n, "rectangular"))
        return terms

    def _use(self, force_n: float) -> list[Term]:
        c = self.conditions
        per_count = 1.0 / abs(self.chosen.fit.sensitivity(force_n))
        size_n = abs(force_n)
        return [
            # Twice: the zero is read with the same resolution.
            Term("resolution, load", 0.5 * c.resolution_counts, "rectangular", per_count, "counts"),
            Term("resolution, zero", 0.5 * c.resolution_counts, "rectangular", per_count, "counts"),
            Term("creep of the cell", c.creep_share, "rectangular", size_n, ""),
            Term("temperature, span", c.temperature_k, "rectangular", c.span_per_k * size_n, "K"),
            Term("temperature, zero", c.temperature_k, "rectangular", c.zero_n_per_k, "K"),
            Term("guide friction", c.guide_friction_n, "rectangular"),
        ]

    @cached_property
    def _misfit_n(self) -> float:
        """Largest distance of a force's mean reading from the curve, N; the assumed one where the curve cannot miss."""
        if self._linearity_unseen:
            return self.conditions.unseen_share * self.top_n
        fit = self.chosen.fit
        return max(
            abs(level.fc / 100.0 * fit.counts(level.force_n) / fit.sensitivity(level.force_n))
            for level in self.figures.levels
        )

    def _beyond(self, force_n: float) -> float:
        """1 within the range; beyond it the distance from its middle in half ranges: a bend that misses by so much at the
        ends misses by that squared out there."""
        half_n = 0.5 * self.top_n
        return max(1.0, abs(force_n - half_n) / half_n)

    def _reversal_n(self, force_n: float) -> float:
        """Unloading less loading, N: between the forces measured by straight lines from 0, beyond in proportion."""
        measured = [(level.force_n, abs(level.v) / 100.0) for level in self.figures.levels if level.v is not None]
        size_n = abs(force_n)
        if not measured:
            return self.conditions.unseen_share * size_n
        last_n, last = 0.0, 0.0
        for at_n, share in measured:
            if size_n <= at_n:
                return last + (share * at_n - last) * (size_n - last_n) / (at_n - last_n)
            last_n, last = at_n, share * at_n
        return last * size_n / last_n


def calibrate(
    runs: Sequence[Series],
    conditions: Conditions | None = None,
    through_zero: bool = True,
    direction: Direction | None = "up",
) -> Calibration:
    """Fit one or more series and work out their figures. Raises FitError or ValueError, for a person, where the steps do
    not make a calibration; judge each step before."""
    conditions = conditions or Conditions()
    chosen = fit_series(runs, through_zero, direction)
    return Calibration(chosen, figures(runs, chosen, conditions.resolution_counts), conditions)


def show(force_n: float, expanded_n: float, unit: str = "N") -> str:
    """Write a force with its uncertainty, both to the uncertainty's second digit, in N, kgf or lbf."""
    factor = {"N": 1.0, "kgf": N_PER_KGF, "lbf": N_PER_LBF}[unit]
    u = two_digits(expanded_n / factor)
    digits = len(u.partition(".")[2])
    if expanded_n > 0.0 and math.isfinite(expanded_n):
        return f"{round(force_n / factor, digits) + 0.0:.{digits}f} {unit} ± {u} {unit}"
    return f"{force_n / factor:g} {unit}"
