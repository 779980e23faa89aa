"""Student's t and Fisher's F, so that the product needs no statistics package."""

from __future__ import annotations

import math

_TINY = 1e-300


def incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), by Lentz's continued fraction (Abramowitz & Stegun 26.5.8).

    Raises ValueError unless a > 0, b > 0 and 0 <= x <= 1.
    """
    if not (a > 0.0 and b > 0.0 and 0.0 <= x <= 1.0):
        raise ValueError(f"incomplete beta needs a, b > 0 and 0 <= x <= 1, not a = {a}, b = {b}, x = {x}")
    if x in (0.0, 1.0):
        return x
    if x > (a + 1.0) / (a + b + 2.0):  # the fraction converges fast only below its turning point
        return 1.0 - incomplete_beta(b, a, 1.0 - x)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)) / a
    c, d = 1.0, 1.0 / max(1.0 - (a + b) * x / (a + 1.0), _TINY)
    value = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return min(1.0, front * value)


def t_coverage(k: float, dof: float) -> float:
    """Probability that a t variable with ``dof`` degrees of freedom lies within -k and +k; normal for infinite dof."""
    if not k >= 0.0 or not dof > 0.0:
        raise ValueError(f"coverage needs k >= 0 and dof > 0, not k = {k}, dof = {dof}")
    if dof > 1e7:  # the difference to the normal is below 1e-8 there
        return math.erf(k / math.sqrt(2.0))
    return 1.0 - incomplete_beta(dof / 2.0, 0.5, dof / (dof + k * k))


def t_factor(coverage: float, dof: float) -> float:
    """Coverage factor k for a two-sided interval, the inverse of ``t_coverage`` (JCGM 100 Table G.2)."""
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"a coverage lies between 0 and 1, not {coverage}")
    low, high = 0.0, 1.0
    while t_coverage(high, dof) < coverage:
        low, high = high, 2.0 * high
        if high > 1e30:
            break
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if t_coverage(middle, dof) < coverage:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def f_exceeds(f: float, dof_above: float, dof_below: float) -> float:
    """Probability that a ratio of two equal variances exceeds ``f`` by chance (F test, upper tail)."""
    if f <= 0.0:
        return 1.0
    if math.isinf(f):
        return 0.0
    return incomplete_beta(dof_below / 2.0, dof_above / 2.0, dof_below / (dof_below + dof_above * f))
