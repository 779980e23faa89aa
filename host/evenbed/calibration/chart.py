"""Checks between calibrations: is it still as it was? Control charts, and the verdict on a single check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

D2 = 1.128  # mean range of two values over their standard deviation (NIST/SEMATECH e-Handbook 6.3.2)
SIGMAS = 3.0
LAMBDA, L = 0.2, 2.7  # weights and limits for small, lasting shifts (Lucas and Saccucci 1990, from memory)
# |E_n| of 1.5 is three standard uncertainties (U is for k = 2): the control chart's action limit.
E_N_WARN, E_N_FAIL = 1.0, 1.5

Verdict = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class Chart:
    """A chart's points with their limits and the indices of the points outside; all in the unit of the values."""

    points: tuple[float, ...]
    centre: float
    sigma: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    outside: tuple[int, ...]


def moving_range_sigma(values: Sequence[float]) -> float:
    """Standard deviation from the mean range of neighbours over 1.128. Raises ValueError for fewer than two values."""
    if len(values) < 2:
        raise ValueError(f"A moving range needs two checks or more, not {len(values)}.")
    return math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1) / D2


def individuals(values: Sequence[float], centre: float | None = None, sigma: float | None = None) -> Chart:
    """Shewhart chart of single values with 3 sigma limits (NIST/SEMATECH e-Handbook 6.3.2.2).

    Without ``centre`` and ``sigma`` both come from the values. Between calibrations give the reference force and half of
    the calibration's U (k = 2) until some ten checks are there.
    """
    if not values:
        raise ValueError("A chart needs at least one check.")
    centre = math.fsum(values) / len(values) if centre is None else centre
    sigma = moving_range_sigma(values) if sigma is None else sigma
    n = len(values)
    return _chart(values, centre, sigma, [SIGMAS * sigma] * n)


def ewma(
    values: Sequence[float], centre: float, sigma: float, weight: float = LAMBDA, limit: float = L, settled: bool = False
) -> Chart:
    """Exponentially weighted moving average, starting at ``centre``: z_i = weight x_i + (1 - weight) z_(i-1), limits
    ``limit`` times its exact standard deviation sigma sqrt(weight / (2 - weight) (1 - (1 - weight)^(2 i))), or with
    ``settled`` its final value (NIST/SEMATECH e-Handbook 6.3.2.4). Finds small, lasting shifts that single checks hide.

    Raises ValueError for a weight outside 0 to 1.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"An EWMA weight lies above 0 and up to 1, not {weight}.")
    points, halves = [], []
    z = centre
    for i, value in enumerate(values, start=1):
        z = weight * value + (1.0 - weight) * z
        grown = 1.0 if settled else 1.0 - (1.0 - weight) ** (2 * i)
        points.append(z)
        halves.append(limit * sigma * math.sqrt(weight / (2.0 - weight) * grown))
    return _chart(points, centre, sigma, halves)


def _chart(points: Sequence[float], centre: float, sigma: float, halves: Sequence[float]) -> Chart:
    if not sigma >= 0.0:
        raise ValueError(f"A standard deviation is 0 or more, not {sigma}.")
    outside = tuple(i for i, (p, half) in enumerate(zip(points, halves, strict=True)) if abs(p - centre) > half)
    lower = tuple(centre - half for half in halves)
    return Chart(tuple(points), centre, sigma, lower, tuple(centre + half for half in halves), outside)


@dataclass(frozen=True)
class Check:
    """Verdict on one check: error in N, its expanded uncertainty (k = 2), E_n, and the reason in words."""

    verdict: Verdict
    error_n: float
    expanded_n: float
    e_n: float
    text: str


def judge_check(
    indicated_n: float, reference_n: float, expanded_n: float, reference_half_n: float, tolerance_n: float | None = None
) -> Check:
    """Judge one check against the calibration's own uncertainty.

    ``expanded_n``: U (k = 2) of the indication; ``reference_half_n``: tolerance of the gauge or weight, a half width, taken
    as rectangular. Without ``tolerance_n`` the E_n number decides (ISO/IEC 17043: agreed up to 1): pass up to 1, warn up
    to 1.5 (three standard uncertainties), fail above. With it, guard bands in the manner of ISO 14253-1: pass only where
    the error is within the tolerance by more than U, fail only where it is outside by more than U, warn between.
    """
    if not (expanded_n >= 0.0 and reference_half_n >= 0.0 and expanded_n + reference_half_n > 0.0):
        raise ValueError("A check needs the uncertainty of the indication or the tolerance of the reference.")
    error_n = indicated_n - reference_n
    together_n = math.hypot(expanded_n, 2.0 * reference_half_n / math.sqrt(3.0))
    e_n = error_n / together_n
    verdict: Verdict
    if tolerance_n is None:
        verdict = "pass" if abs(e_n) <= E_N_WARN else "warn" if abs(e_n) <= E_N_FAIL else "fail"
        why = f"E_n = {e_n:+.2f}, agreed up to {E_N_WARN:.0f}"
    else:
        over_n = abs(error_n) - tolerance_n
        verdict = "pass" if over_n <= -together_n else "fail" if over_n > together_n else "warn"
        why = f"tolerance {tolerance_n:.2f} N with a guard band of {together_n:.2f} N"
    next_step = {
        "pass": "The calibration stands.",
        "warn": "Check again with another weight; if it stays, calibrate.",
        "fail": "Do not string with it: calibrate, and look for what changed.",
    }[verdict]
    text = f"The reading is {error_n:+.2f} N from {reference_n:.1f} N (uncertainty {together_n:.2f} N; {why}). {next_step}"
    return Check(verdict, error_n, together_n, e_n, text)
