"""How the cell behaves under a weight that does not change: creep after OIML R 60, warm-up and drift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbed.calibration.special import t_factor

P_LC = 0.7  # apportioning factor of OIML R 60 where none is declared
CREEP_S, LATE_FROM_S = 1800.0, 1200.0
# OIML R 60-1:2021 5.5.1: creep within 30 min, and from 20 to 30 min, as shares of the MPE; zero return in intervals v.
CREEP_SHARE, LATE_SHARE, RETURN_V = 0.7, 0.15, 0.5
LOAD_FROM, LOAD_TO = 0.90, 1.00  # of E_max
MEAN_S = 10.0
STABLE_S = 20.0  # wait after loading, cells up to 10 t (OIML R 60-2 Table 1, from memory)


def mpe_v(load_v: float, p_lc: float = P_LC) -> float:
    """Maximum permissible error of a class C cell in verification intervals v at a load in v: 0.5, 1 and 1.5 times p_LC
    up to 500 v, up to 2000 v and above (OIML R 60-1 Table 4, from memory)."""
    return p_lc * (0.5 if load_v <= 500.0 else 1.0 if load_v <= 2000.0 else 1.5)


@dataclass(frozen=True)
class Figure:
    """A figure and its limit, both as shares of E_max; None where it was not measured long enough."""

    value: float | None
    limit: float

    @property
    def passed(self) -> bool | None:
        """Within the limit; None where not measured."""
        return None if self.value is None else abs(self.value) <= self.limit * (1.0 + 1e-9)


@dataclass(frozen=True)
class Creep:
    """Creep test: ``within`` 30 min (largest change from the first reading), ``late`` from 20 to 30 min, ``zero`` the
    zero's return after unloading; ``curve``: means of ten seconds, s and share of E_max; ``note``: why it is for
    comparison only."""

    within: Figure
    late: Figure
    zero: Figure
    curve: tuple[tuple[float, float], ...]
    note: str

    @property
    def passed(self) -> bool | None:
        """All three within their limits; False as soon as one is not; None while one is missing."""
        each = (self.within.passed, self.late.passed, self.zero.passed)
        if False in each:
            return False
        return None if None in each else True


def judge_creep(
    t_s: Sequence[float],
    counts: Sequence[float],
    load_n: float,
    capacity_n: float,
    counts_n: float,
    zero_before: float | None = None,
    zero_after: float | None = None,
    n_max: int = 3000,
    p_lc: float = P_LC,
    loaded_s: float = 0.0,
) -> Creep:
    """Evaluate counts under a dead weight against OIML R 60.

    ``t_s`` counts from any beginning, ``loaded_s`` is when the weight hung; the first reading is the one 20 s later. The
    limits are those of class C with ``n_max`` intervals. Give both zeros, in counts, for the zero's return. Raises
    ValueError for a load or capacity that is not positive, or no reading after the wait.
    """
    if not (load_n > 0.0 and capacity_n > 0.0 and counts_n != 0.0):
        raise ValueError("A creep test needs a load, a capacity and a sensitivity other than zero.")
    t = np.asarray(t_s, float) - loaded_s
    order = np.argsort(t, kind="stable")
    t, y = t[order], np.asarray(counts, float)[order]
    kept = t >= STABLE_S
    if not kept.any():
        raise ValueError(f"No reading is later than {STABLE_S:.0f} s after loading. Leave the weight on for 30 minutes.")
    # Means of ten seconds: the limits are near the noise of single samples, and a largest change would pick its peaks.
    _, block = np.unique(np.floor((t[kept] - STABLE_S) / MEAN_S), return_inverse=True)
    size = np.bincount(block)
    t, y = np.bincount(block, t[kept]) / size, np.bincount(block, y[kept]) / size
    t = t - t[0]
    share = (y - y[0]) / (counts_n * capacity_n)
    v = 1.0 / n_max
    mpe = mpe_v(load_n / capacity_n * n_max, p_lc) * v
    within_limit, late_limit = CREEP_SHARE * mpe, LATE_SHARE * mpe
    end = t <= CREEP_S + MEAN_S
    long_enough = float(t[-1]) >= CREEP_S - MEAN_S
    # A change beyond the limit is one however short the test was.
    largest = float(share[end][int(np.argmax(np.abs(share[end])))])
    within = largest if long_enough or abs(largest) > within_limit else None
    late = float(np.interp(CREEP_S, t, share) - np.interp(LATE_FROM_S, t, share)) if long_enough else None
    back = None
    if zero_before is not None and zero_after is not None:
        back = (zero_after - zero_before) / (counts_n * capacity_n)
    used = load_n / capacity_n
    note = "" if LOAD_FROM <= used <= LOAD_TO else f"OIML R 60 loads to 90 to 100 % of E_max, this was {100.0 * used:.0f} %"
    if not long_enough:
        so_far = f"the test lasted {t[-1] / 60.0:.0f} of 30 minutes"
        note = f"{note}; {so_far}" if note else so_far
    curve = tuple((float(a), float(b)) for a, b in zip(t, share, strict=True))
    return Creep(Figure(within, within_limit), Figure(late, late_limit), Figure(back, RETURN_V * v), curve, note)


@dataclass(frozen=True)
class Drift:
    """Slope of the reading per minute in counts, half width of its 95 % interval, and the mean."""

    counts_min: float
    half_min: float
    mean_counts: float


def drift(t_s: Sequence[float], counts: Sequence[float]) -> Drift:
    """Straight-line drift per minute with its 95 % interval. Neighbouring samples that resemble each other count for
    less (lag-1 autocorrelation of the residuals, n (1 - r)/(1 + r), for r > 0). Raises ValueError for fewer than ten
    samples or no time between them."""
    t, y = np.asarray(t_s, float), np.asarray(counts, float)
    if len(t) < 10 or len(t) != len(y) or float(np.ptp(t)) <= 0.0:
        raise ValueError("A drift needs ten samples or more with their times.")
    t0, y0 = t - t.mean(), y - y.mean()
    sxx = float(t0 @ t0)
    slope = float(t0 @ y0) / sxx
    rest = y0 - slope * t0
    power = float(rest @ rest)
    r = float(rest[1:] @ rest[:-1]) / power if power > 0.0 else 0.0
    inflate = (1.0 + r) / (1.0 - r) if 0.0 < r < 1.0 else 1.0
    effective = max(3.0, len(t) / inflate)
    sd = math.sqrt(power / (len(t) - 2) / sxx * inflate)
    return Drift(60.0 * slope, 60.0 * sd * t_factor(0.95, effective - 2.0), float(y.mean()))


@dataclass(frozen=True)
class WarmUp:
    """When the drift came to stay within the band, s from the first sample, or None; and the drift of the last window."""

    settled_s: float | None
    last: Drift


def warm_up(t_s: Sequence[float], counts: Sequence[float], band_counts_min: float, window_s: float = 120.0) -> WarmUp:
    """Find when the cell has warmed up: the end of the first window from which the drift, less what its interval leaves
    open, stays within the band. Raises ValueError for less than two windows of samples."""
    t, y = np.asarray(t_s, float), np.asarray(counts, float)
    count = int((t[-1] - t[0]) // window_s) if len(t) else 0
    if count < 2:
        raise ValueError(f"A warm-up needs two windows of {window_s:.0f} s or more.")
    settled: float | None = None
    last = None
    for i in range(count):
        held = (t >= t[0] + i * window_s) & (t < t[0] + (i + 1) * window_s)
        last = drift(t[held].tolist(), y[held].tolist())
        if abs(last.counts_min) + last.half_min > band_counts_min:
            settled = None
        elif settled is None:
            settled = (i + 1) * window_s
    assert last is not None
    return WarmUp(settled, last)
