"""The figures a calibration is judged by: repeatability, reversibility, interpolation, zero, resolution; classes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evenbed.calibration.fit import Chosen, Fit
from evenbed.calibration.steps import Series, levels

# ISO 7500-1:2018 table of classes, percent: class, q, b, v, f0, a.
ISO7500 = (
    (0.5, 0.5, 0.5, 0.75, 0.05, 0.25),
    (1.0, 1.0, 1.0, 1.5, 0.1, 0.5),
    (2.0, 2.0, 2.0, 3.0, 0.2, 1.0),
    (3.0, 3.0, 3.0, 4.5, 0.3, 1.5),
)
ISO7500_FORCES, ISO7500_SERIES, ISO7500_LOWEST = 5, 3, 0.20  # steps from 20 % of the range up (clause from memory)
# ASTM E74-18 7.1.2, 8.5: LLF is 2.4 standard deviations, at least the resolution. Forces and levels needed: from memory.
LLF_FACTOR = 2.4
E74_FORCES, E74_LEVELS = 30, 10
E74_CLASS = {"AA": 2000.0, "A": 400.0}


@dataclass(frozen=True)
class Level:
    """One force, all figures in percent of it.

    ``q``: relative error of the indicated force (mean of the series). ``b``: spread of the indicated force over the
    series. ``v``: unloading less loading, None without unloading steps. ``fc``: mean reading against the curve.
    ``b376``: spread of the readings over their mean (ISO 376). ``a``: one resolution step.
    """

    force_n: float
    n: int
    q: float
    b: float
    v: float | None
    fc: float
    b376: float
    a: float


@dataclass(frozen=True)
class Figures:
    """Figures of all levels, lowest force first; ``f0``: worst residual zero in percent of the highest force, None
    where no series ended with a zero; ``series``: how many there were."""

    levels: tuple[Level, ...]
    f0: float | None
    series: int


@dataclass(frozen=True)
class ClassVerdict:
    """ISO 7500-1 class, or None; what the class hangs on; what was not done that the class needs; what is left open."""

    iso_class: float | None
    limiting: str
    missing: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class LowerLimit:
    """ASTM E74 lower limit factor, N; lowest force usable as class A and AA, N; what the practice needs but was not
    done."""

    llf_n: float
    class_a_n: float
    class_aa_n: float
    missing: tuple[str, ...]


def figures(runs: Sequence[Series], chosen: Chosen, resolution_counts: float = 1.0) -> Figures:
    """Work out the figures of ISO 7500-1 and ISO 376 (definitions there from memory) against the curve taken."""
    fit = chosen.fit
    down = levels(runs, "down")
    found = []
    for force_n, group in levels(runs, "up").items():
        readings = [counts for _, counts in group]
        errors = [100.0 * (fit.force(counts) - step.force_n) / step.force_n for step, counts in group]
        mean = math.fsum(readings) / len(readings)
        back = next((g for f, g in down.items() if math.isclose(f, force_n, rel_tol=1e-4)), None)
        v = None
        if back:
            mean_up = math.fsum(fit.force(counts) for counts in readings) / len(readings)
            v = 100.0 * (math.fsum(fit.force(counts) for _, counts in back) / len(back) - mean_up) / force_n
        found.append(
            Level(
                force_n,
                len(group),
                math.fsum(errors) / len(errors),
                max(errors) - min(errors),
                v,
                100.0 * (mean - fit.counts(force_n)) / fit.counts(force_n),
                100.0 * (max(readings) - min(readings)) / abs(mean),
                100.0 * resolution_counts / abs(fit.sensitivity(force_n)) / force_n,
            )
        )
    top_counts = abs(fit.counts(fit.top_n))
    returns = [
        100.0 * (run.zeros[-1].mean_counts - run.zeros[0].mean_counts) / top_counts for run in runs if len(run.zeros) > 1
    ]
    return Figures(tuple(found), max(returns, key=abs) if returns else None, len(runs))


def iso7500_class(found: Figures) -> ClassVerdict:
    """The class of ISO 7500-1 (0.5, 1, 2 or 3), given only if three series of at least five forces from 20 % of the range
    were made with a zero at the end; else None and what is missing. Reversibility counts where unloading steps exist."""
    top_n = max((level.force_n for level in found.levels), default=0.0)
    counted = [level for level in found.levels if level.force_n >= ISO7500_LOWEST * top_n * (1.0 - 1e-6)]
    missing, notes = [], []
    if found.series < ISO7500_SERIES:
        missing.append(f"{ISO7500_SERIES} series, {found.series} made")
    if len(counted) < ISO7500_FORCES:
        missing.append(f"{ISO7500_FORCES} different forces from 20 % of the highest up, {len(counted)} made")
    short = [level for level in counted if level.n < ISO7500_SERIES]
    if found.series >= ISO7500_SERIES and short:
        missing.append(f"every force in {ISO7500_SERIES} series; {short[0].force_n:.1f} N came only {short[0].n} times")
    if found.f0 is None:
        missing.append("a zero after unloading")
    if any(level.v is None for level in counted):
        notes.append("reversibility is not judged at every force: take the weights off in steps too")
    if missing:
        return ClassVerdict(None, "", tuple(missing), tuple(notes))
    worst, limiting = ISO7500[0][0], ""
    for level in counted:
        for name, value, column in (("q", level.q, 1), ("b", level.b, 2), ("v", level.v or 0.0, 3), ("a", level.a, 5)):
            worst, limiting = _worse(worst, limiting, column, value, f"{name} = {value:+.3f} % at {level.force_n:.1f} N")
    f0 = found.f0 or 0.0
    worst, limiting = _worse(worst, limiting, 4, f0, f"f0 = {f0:+.3f} %")
    return ClassVerdict(None if math.isinf(worst) else worst, limiting, (), tuple(notes))


def _worse(worst: float, limiting: str, column: int, value: float, text: str) -> tuple[float, str]:
    # A hair of rounding must not cost a class.
    reached = next((row[0] for row in ISO7500 if abs(value) <= row[column] * (1.0 + 1e-9)), math.inf)
    return (reached, text) if reached > worst else (worst, limiting)


def lower_limit(fit: Fit, forces_n: Sequence[float], counts: Sequence[float], resolution_counts: float = 1.0) -> LowerLimit:
    """ASTM E74 lower limit factor: 2.4 residual standard deviations with n - m - 1 degrees of freedom, at least the
    resolution, turned into newtons by the average ratio of force to reading; and the lowest force of class A (400 LLF)
    and AA (2000 LLF), never below the lowest force of the calibration."""
    pairs = [(f, c) for f, c in zip(forces_n, counts, strict=True) if f != 0.0 and c != 0.0]
    ratio = math.fsum(f / c for f, c in pairs) / len(pairs)
    llf_n = max(LLF_FACTOR * fit.residual_sd, resolution_counts) * abs(ratio)
    lowest_n = min(f for f, _ in pairs)
    different = len({f for f, _ in pairs})
    missing = []
    if len(pairs) < E74_FORCES:
        missing.append(f"{E74_FORCES} readings, {len(pairs)} made")
    if different < E74_LEVELS:
        missing.append(f"{E74_LEVELS} different forces, {different} made")
    return LowerLimit(llf_n, max(lowest_n, E74_CLASS["A"] * llf_n), max(lowest_n, E74_CLASS["AA"] * llf_n), tuple(missing))
