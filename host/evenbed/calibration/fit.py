"""From steps to a curve: least squares that stays exact, the choice between line and parabola, and the way back from
counts to newtons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.polynomial import polynomial as power
from numpy.typing import ArrayLike, NDArray

from evenbed.calibration.special import f_exceeds
from evenbed.calibration.steps import Direction, Series, Step, levels

Array = NDArray[np.float64]

SIGNIFICANT = 0.05  # of the lack-of-fit test
COUNT_SD = 1.0 / math.sqrt(12.0)  # of rounding to whole counts
# What a parabola needs (no source: fewer forces, or forces close together, and its end slopes are guesses).
CURVE_LEVELS = 5
CURVE_SPAN = 3.0  # highest over lowest force


class FitError(ValueError):
    """Steps from which no curve can be made; its text says what is missing."""


@dataclass(frozen=True, eq=False)
class Fit:
    """counts = polynomial of force, fitted by least squares.

    Inside, force is centred and scaled; ``coefficients`` are those of plain powers, counts per N^k, lowest first.
    ``lowest_n`` and ``top_n`` bound the forces fitted. ``through_zero``: no constant.
    """

    degree: int
    through_zero: bool
    centre_n: float
    half_n: float
    beta: Array
    inverse_r: Array
    design: Array
    residuals: Array
    lowest_n: float
    top_n: float
    total_ss: float

    @property
    def n(self) -> int:
        """Number of points."""
        return len(self.residuals)

    @property
    def dof(self) -> int:
        """Degrees of freedom of the residuals."""
        return len(self.residuals) - len(self.beta)

    @property
    def residual_ss(self) -> float:
        """Sum of squared residuals, counts squared."""
        return float(self.residuals @ self.residuals)

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation, counts; 0 where no degree of freedom is left."""
        return math.sqrt(self.residual_ss / self.dof) if self.dof > 0 else 0.0

    @property
    def r_squared(self) -> float:
        """Share of the variance explained (about zero for a fit through zero)."""
        return 1.0 - self.residual_ss / self.total_ss if self.total_ss > 0.0 else 1.0

    @cached_property
    def _to_powers(self) -> Array:
        """Column k: the coefficients of basis function k in plain powers of force."""
        z = np.array([-self.centre_n / self.half_n, 1.0 / self.half_n])
        functions: list[NDArray[Any]] = [np.array([1.0]), z]
        for _ in range(2, self.degree + 1):
            if self.through_zero:
                functions.append(power.polymul(functions[-1], z))
            else:
                functions.append(power.polysub(2.0 * power.polymul(functions[-1], z), functions[-2]))
        first = 1 if self.through_zero else 0
        matrix = np.zeros((self.degree + 1, self.degree + 1 - first))
        for k, function in enumerate(functions[first : self.degree + 1]):
            matrix[: len(function), k] = function
        return matrix

    @cached_property
    def coefficients(self) -> tuple[float, ...]:
        """Of plain powers of force, counts/N^k, from k = 0."""
        return tuple(float(c) for c in self._to_powers @ self.beta)

    @cached_property
    def coefficient_sds(self) -> tuple[float, ...]:
        """Standard deviations of ``coefficients``."""
        rows = self._to_powers @ self.inverse_r
        return tuple(float(v) for v in self.residual_sd * np.sqrt((rows * rows).sum(axis=1)))

    def _row(self, force_n: float) -> Array:
        """Basis functions at a force; beyond the highest force and below 0 N a parabola's go on by their tangents."""
        if self.degree != 2:
            return self._plain_row(force_n)
        inside = min(max(force_n, min(0.0, self.lowest_n)), self.top_n)
        row = self._plain_row(inside)
        if inside == force_n:
            return row
        slope = (self._plain_row(inside + self.half_n) - self._plain_row(inside - self.half_n)) / (2.0 * self.half_n)
        return row + slope * (force_n - inside)  # the central difference is exact for a parabola

    def _plain_row(self, force_n: float) -> Array:
        return np.asarray(_design(np.array([force_n]), self.degree, self.through_zero, self.centre_n, self.half_n)[0])

    def counts(self, force_n: float) -> float:
        """Counts above the zero at a force. Beyond the highest force, and below 0 N, a parabola goes on by its tangent."""
        return float(self._row(force_n) @ self.beta)

    def sensitivity(self, force_n: float) -> float:
        """Slope in counts/N at a force, of the curve that ``counts`` follows."""
        inside = min(max(force_n, min(0.0, self.lowest_n)), self.top_n) if self.degree == 2 else force_n
        return float(power.polyval(inside, power.polyder(np.array(self.coefficients))))

    def force(self, counts: float) -> float:
        """Force in N that gives these counts above the zero, the exact inverse of ``counts``. Raises FitError for a
        degree above 2."""
        if self.degree > 2:
            raise FitError(f"A polynomial of degree {self.degree} is not turned round; use 1 or 2.")
        c0, c1, *rest = self.coefficients
        if not rest:
            return (counts - c0) / c1
        base_n = min(0.0, self.lowest_n)
        for end_n, beyond in ((self.top_n, 1.0), (base_n, -1.0)):
            slope = self.sensitivity(end_n)
            past_n = (counts - self.counts(end_n)) / slope
            if past_n * beyond > 0.0:
                return end_n + past_n
        return 2.0 * (counts - c0) / (c1 + math.copysign(math.sqrt(max(0.0, c1 * c1 + 4.0 * rest[0] * (counts - c0))), c1))

    def line_sd(self, force_n: float) -> float:
        """Standard deviation of the fitted curve at a force, counts (from the residuals); beyond the highest force too."""
        return self.residual_sd * float(np.linalg.norm(self._row(force_n) @ self.inverse_r))

    def leverage(self, force_n: float) -> Array:
        """How much each point's counts move the curve at a force: the curve's value is leverage @ counts."""
        return np.asarray((self._row(force_n) @ self.inverse_r) @ (self.inverse_r.T @ self.design.T))

    def interval(self, counts: float, k: float) -> tuple[float, float]:
        """Force for one new reading and its half width from scatter and curve alone: k standard deviations of a
        prediction, turned round by the slope (NIST/SEMATECH e-Handbook 4.6.1)."""
        force_n = self.force(counts)
        return force_n, k * math.hypot(self.residual_sd, self.line_sd(force_n)) / abs(self.sensitivity(force_n))


def polynomial(force_n: ArrayLike, counts: ArrayLike, degree: int, through_zero: bool = False) -> Fit:
    """Least squares by QR in centred, scaled Chebyshev functions (plain scaled powers for a fit through zero), which
    keeps about nine digits where plain powers lose all. Raises FitError for too few different forces or no finite data."""
    x, y = np.asarray(force_n, float), np.asarray(counts, float)
    if x.ndim != 1 or x.shape != y.shape or not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise FitError("Forces and counts must be finite numbers, as many of one as of the other.")
    if not 1 <= degree <= 12:
        raise FitError(f"A degree of {degree} is not offered; 1 to 12.")
    different = len(np.unique(x[x != 0.0] if through_zero else x))
    if different < degree + (0 if through_zero else 1):
        raise FitError(f"A polynomial of degree {degree} needs more different forces than {different}. Add weights.")
    centre = 0.0 if through_zero else 0.5 * (float(x.max()) + float(x.min()))
    half = float(np.abs(x - centre).max())
    design = _design(x, degree, through_zero, centre, half)
    q, r = np.linalg.qr(design)
    beta = np.linalg.solve(r, q.T @ y)
    beta = beta + np.linalg.solve(r, q.T @ (y - design @ beta))  # one refinement takes the rounding of the first solve out
    about = 0.0 if through_zero else float(y.mean())
    return Fit(
        degree,
        through_zero,
        centre,
        half,
        beta,
        np.linalg.inv(r),
        design,
        y - design @ beta,
        float(x.min()),
        float(x.max()),
        float((y - about) @ (y - about)),
    )


def _design(x: Array, degree: int, through_zero: bool, centre: float, half: float) -> Array:
    z = (x - centre) / half
    if through_zero:
        return np.stack([z**k for k in range(1, degree + 1)], axis=1)
    return np.asarray(np.polynomial.chebyshev.chebvander(z, degree), float)


@dataclass(frozen=True)
class LackOfFit:
    """F test of the curve against what repeats of the same force differ: ratio, its degrees of freedom, the
    probability of such a ratio by chance, and the standard deviation of the repeats in counts."""

    f: float
    dof_lack: int
    dof_repeat: int
    p: float
    repeat_sd: float


def lack_of_fit(fit: Fit, groups: Sequence[Sequence[float]], least_sd: float = 0.0) -> LackOfFit | None:
    """Test a fit whose points are ``groups`` of counts, each group repeats of one force, in the order they were fitted.

    ``least_sd``: repeats are not believed to agree better than this. None where no force was repeated or no degree of
    freedom is left (NIST/SEMATECH e-Handbook 4.4.4.6)."""
    repeats = [np.asarray(group, float) for group in groups]
    repeat_ss = sum(float(((g - g.mean()) ** 2).sum()) for g in repeats)
    dof_repeat = sum(len(g) - 1 for g in repeats)
    dof_lack = fit.dof - dof_repeat
    if dof_repeat < 1 or dof_lack < 1:
        return None
    lack_ss = max(0.0, fit.residual_ss - repeat_ss)
    variance = max(repeat_ss / dof_repeat, least_sd**2)
    if variance == 0.0:
        f = math.inf if lack_ss > 0.0 else 0.0
    else:
        f = lack_ss / dof_lack / variance
    return LackOfFit(f, dof_lack, dof_repeat, f_exceeds(f, dof_lack, dof_repeat), math.sqrt(variance))


@dataclass(frozen=True, eq=False)
class Chosen:
    """The curve taken, the points it was fitted to (step and zero-corrected counts), the test that led to it, and in
    words why. ``suspect``: repeats say that even this curve does not fit."""

    fit: Fit
    points: tuple[tuple[Step, float], ...]
    test: LackOfFit | None
    why: str
    suspect: bool


def fit_series(
    runs: Sequence[Series], through_zero: bool = True, direction: Direction | None = "up", most_degree: int = 2
) -> Chosen:
    """Fit zero-corrected steps of one or more series: a straight line, or a parabola where the line misses by more than
    repeats explain and at least five forces, the highest three times the lowest, support one.

    ``direction`` None takes loading and unloading steps alike. Raises FitError without a usable step, or when the
    curve would turn back within the range.
    """
    grouped = levels(runs, direction)
    if not grouped:
        raise FitError("There is no loaded step to fit. Hang on weights and take steps.")
    points = [pair for group in grouped.values() for pair in group]
    x = [step.force_n for step, _ in points]
    y = [counts for _, counts in points]
    groups = [[counts for _, counts in group] for group in grouped.values()]
    fit = polynomial(x, y, 1, through_zero)
    test = lack_of_fit(fit, groups, COUNT_SD)
    why, suspect = "straight line", False
    if test is None:
        why += "; no force was repeated, so it cannot be told whether a curve fits better"
    elif test.p >= SIGNIFICANT:
        why += f"; it fits within the repeats ({_told(test)})"
    else:
        forces = list(grouped)
        missing = _curve_missing(forces, most_degree)
        if missing:
            why += f", although it misses by more than repeats explain ({_told(test)}): {missing}"
            suspect = True
        else:
            line_told = _told(test)
            fit = polynomial(x, y, 2, through_zero)
            test = lack_of_fit(fit, groups, COUNT_SD)
            suspect = test is not None and test.p < SIGNIFICANT
            why = f"parabola; a line misses by more than repeats explain ({line_told})"
            if suspect and test is not None:
                why += f", and so does the parabola ({_told(test)}): look for a weight or a step that went wrong"
    ends = fit.sensitivity(0.0), fit.sensitivity(fit.top_n)
    if not ends[0] * ends[1] > 0.0:
        raise FitError(
            f"The curve turns back within the range ({ends[0]:.4g} counts/N at 0, {ends[1]:.4g} at {fit.top_n:.0f} N). "
            "Look for a wrong weight, and take the steps again."
        )
    return Chosen(fit, tuple(points), test, why, suspect)


def _curve_missing(forces: Sequence[float], most_degree: int) -> str:
    if most_degree < 2:
        return "a curve was not asked for"
    if len(forces) < CURVE_LEVELS:
        return f"a curve needs {CURVE_LEVELS} different forces, there are {len(forces)}"
    if max(forces) < CURVE_SPAN * min(forces):
        return (
            f"a curve needs a highest force {CURVE_SPAN:.0f} times the lowest, here {max(forces) / min(forces):.1f} times"
        )
    return ""


def _told(test: LackOfFit) -> str:
    return f"F({test.dof_lack}, {test.dof_repeat}) = {test.f:.3g}, p = {test.p:.2g}"
