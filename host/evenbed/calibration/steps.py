"""A calibration run: what one load gave, whether it can be believed, and the series it belongs to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenbed.calibration.budget import Term
from evenbed.calibration.weights import KG_PER_LB

Direction = Literal["up", "down"]
Array = NDArray[np.float64]

CONVERTER = (-(2**23), 2**23 - 1)  # counts a 24-bit converter can give
# Thresholds of one step (no source): chosen so that a hanging, still weight on a sound cell passes and the named
# mistakes do not.
LEAST_SAMPLES = 8
NOISY = 5.0  # times the plausible noise
STILL_SHARE = 0.0005  # of the reading, over the step
STILL_NOISE = 4.0  # or this many times the noise, whichever is more
UNCHANGED = 0.01  # of the change that the added weights should give
LIGHT = 10.0  # a load must stand this many times above the noise of one sample
RATING = 0.20  # sensitivity against the cell's rating; the board refuses the same
CONFUSED = 0.05  # how near a ratio must be to name a mix-up


@dataclass(frozen=True)
class Cell:
    """The load cell as rated, and its converter.

    ``counts_per_mv_v``: converter counts for 1 mV/V; ``ratiometric`` gives it. ``noise_counts``: plausible standard
    deviation of one sample. ``rating_corrected``: the rating was entered anew on purpose, so a sensitivity far from it is
    believed. ``inverted``: wired so that pulling lowers the counts.
    """

    capacity_n: float
    rating_mv_v: float
    counts_per_mv_v: float
    noise_counts: float = 40.0
    rating_corrected: bool = False
    inverted: bool = False

    @property
    def rated_counts_n(self) -> float:
        """Sensitivity from the rating, counts/N, with the sign of the wiring."""
        return (-1.0 if self.inverted else 1.0) * self.rating_mv_v * self.counts_per_mv_v / self.capacity_n


def ratiometric(gain: float, bits: int = 24) -> float:
    """Counts for 1 mV/V of a converter that measures against the bridge's own supply, spanning ±half of it over the
    gain: 128 and 24 bits give 2 147 483.648 (from the converter's data sheet range)."""
    return gain * 2.0**bits * 1e-3


@dataclass(frozen=True)
class Step:
    """One load and what the cell said: force in N and its terms, mean and standard deviation of ``n`` samples in counts,
    time of its middle in s, how far the reading moved from beginning to end of the step, and how many samples stood at
    the converter's end."""

    force_n: float
    terms: tuple[Term, ...]
    direction: Direction
    mean_counts: float
    sd_counts: float
    n: int
    t_s: float
    moved_counts: float = 0.0
    saturated: int = 0


@dataclass(frozen=True)
class Series:
    """Steps of one mounting, in any order; steps of 0 N are its zeros."""

    steps: tuple[Step, ...]

    @property
    def zeros(self) -> tuple[Step, ...]:
        """Steps without a load, earliest first."""
        return tuple(sorted((step for step in self.steps if step.force_n == 0.0), key=lambda step: step.t_s))

    @property
    def loaded(self) -> tuple[Step, ...]:
        """Steps with a load, earliest first."""
        return tuple(sorted((step for step in self.steps if step.force_n != 0.0), key=lambda step: step.t_s))


def step_from_samples(
    force_n: float,
    terms: Sequence[Term],
    direction: Direction,
    t_s: Sequence[float],
    counts: Sequence[int],
    converter: tuple[int, int] = CONVERTER,
) -> Step:
    """Sum up the samples of one load. Raises ValueError for fewer than three, or times and counts of unequal length."""
    t, y = np.asarray(t_s, float), np.asarray(counts, float)
    if len(t) != len(y) or len(t) < 3:
        raise ValueError(f"a step needs at least 3 samples with their times, not {len(y)} counts and {len(t)} times")
    mean = float(y.mean())
    t0 = t - t.mean()
    slope = float(t0 @ (y - mean) / (t0 @ t0)) if float(t0 @ t0) > 0.0 else 0.0
    saturated = int(np.count_nonzero((y <= converter[0]) | (y >= converter[1])))
    # The noise is what a straight drift leaves over; the drift itself is judged apart.
    rest = y - mean - slope * t0
    sd = math.sqrt(float(rest @ rest) / (len(y) - 2))
    moved = slope * float(t[-1] - t[0])
    return Step(force_n, tuple(terms), direction, mean, sd, len(y), float(t.mean()), moved, saturated)


def judge_step(step: Step, before: Sequence[Step], cell: Cell) -> str:
    """Why this step cannot be used, for a person, or "" when it can. ``before``: the steps of the series so far; its
    first must be the zero."""
    noise = max(cell.noise_counts, 1.0)
    if step.saturated:
        return (
            f"{step.saturated} of {step.n} samples stood at the end of the converter's range. Take the load off at once if "
            "the cell is loaded; else check the wiring and the gain."
        )
    if step.n < LEAST_SAMPLES:
        return f"Only {step.n} samples came; {LEAST_SAMPLES} are needed. Wait longer, or check the cable to the cell."
    if step.force_n > cell.capacity_n:
        return (
            f"The load of {step.force_n:.0f} N is more than the cell's {cell.capacity_n:.0f} N. Take weights off, or "
            "correct the cell's capacity."
        )
    if step.sd_counts > NOISY * noise:
        return (
            f"The reading is noisy: {step.sd_counts:.0f} counts standard deviation, where {noise:.0f} is usual and "
            f"{NOISY * noise:.0f} the limit. Hands off, and let the weight stop swinging; if it stays, check wiring and "
            "supply."
        )
    zero = next((one for one in sorted(before, key=lambda one: one.t_s) if one.force_n == 0.0), None)
    moved_limit = max(
        STILL_NOISE * noise, STILL_SHARE * abs(step.mean_counts - (zero.mean_counts if zero else step.mean_counts))
    )
    if abs(step.moved_counts) > moved_limit:
        return (
            f"The reading did not stand still: it moved by {step.moved_counts:+.0f} counts during the step, limit "
            f"{moved_limit:.0f}. Wait until weight and cell have settled, and take the step again."
        )
    if step.force_n == 0.0:
        return ""
    if zero is None:
        return "There is no zero yet. Take everything off the gripper and take a step of 0 N first."
    return _judge_change(step, before, zero, cell, noise)


def _judge_change(step: Step, before: Sequence[Step], zero: Step, cell: Cell, noise: float) -> str:
    rated = cell.rated_counts_n
    expected = step.force_n * rated
    if abs(expected) < LIGHT * max(step.sd_counts, noise):
        return (
            f"{step.force_n:.2f} N is too light: it gives about {abs(expected):.0f} counts, and the noise is "
            f"{max(step.sd_counts, noise):.0f}. Use at least {LIGHT * max(step.sd_counts, noise) / abs(rated):.1f} N."
        )
    last = max(before, key=lambda one: one.t_s)
    added_n = step.force_n - last.force_n
    change = step.mean_counts - last.mean_counts
    usual = added_n * rated
    blur = 3.0 * math.hypot(step.sd_counts / math.sqrt(step.n), last.sd_counts / math.sqrt(last.n))
    if abs(usual) > LIGHT * noise and abs(change) < max(UNCHANGED * abs(usual), blur):
        return (
            f"{abs(added_n):.1f} N were {'added' if added_n > 0.0 else 'taken off'}, but the counts changed only by "
            f"{change:+.0f} where about {usual:+.0f} were to be expected. Does the weight hang freely on the gripper?"
        )
    signal = step.mean_counts - zero.mean_counts
    if signal * rated < 0.0:
        return (
            f"The counts went {'down' if signal < 0.0 else 'up'} by {abs(signal):.0f} under {step.force_n:.1f} N: the "
            "wrong way. The weight pulls backwards, or the cell is wired the other way round: turn the cell, or swap its "
            "two signal wires."
        )
    return "" if cell.rating_corrected else judge_sensitivity(signal / step.force_n, cell)


def judge_sensitivity(counts_n: float, cell: Cell) -> str:
    """Why a sensitivity in counts/N cannot be that of this cell, or "" when it is within 20 % of the rating. Names the
    mix-up of kilograms and pounds, and a factor of two, where the ratio fits."""
    ratio = counts_n / cell.rated_counts_n
    if abs(ratio - 1.0) <= RATING:
        return ""
    said = (
        f"The cell gives {counts_n:.1f} counts/N where its rating ({cell.rating_mv_v:.4g} mV/V at {cell.capacity_n:.0f} N) "
        f"says {cell.rated_counts_n:.1f}: {ratio:.3f} times as much, allowed are {1.0 - RATING:.1f} to {1.0 + RATING:.1f}. "
    )
    pounds = 1.0 / KG_PER_LB
    if abs(ratio / pounds - 1.0) <= CONFUSED:
        return said + "That is 2.2046: the weights are probably kilograms, typed as pounds. Type them again with kg."
    if abs(ratio * pounds - 1.0) <= CONFUSED:
        return said + "That is 1/2.2046: the weights are probably pounds, typed as kilograms. Type them again with lb."
    for factor, why in ((2.0, "twice"), (0.5, "half")):
        if abs(ratio / factor - 1.0) <= CONFUSED:
            return (
                said + f"That is {why}: a pulley's ratio, the converter's gain or the cell's rating may be given wrongly."
            )
    return said + "Check the weights, then the rating on the cell. If the rating given is wrong, correct it on purpose."


def zero_corrected(series: Series) -> list[tuple[Step, float]]:
    """The loaded steps with their counts less the zero, which is interpolated in time between the series' zeros (held
    before the first and after the last). Raises ValueError for a series without a zero."""
    zeros = series.zeros
    if not zeros:
        raise ValueError("A series without a zero cannot be used. Take a step of 0 N before and after the weights.")
    times = np.array([zero.t_s for zero in zeros])
    values = np.array([zero.mean_counts for zero in zeros])
    return [(step, step.mean_counts - float(np.interp(step.t_s, times, values))) for step in series.loaded]


def levels(runs: Sequence[Series], direction: Direction | None = None) -> dict[float, list[tuple[Step, float]]]:
    """Zero-corrected steps of all series by force, lowest force first. Forces within 0.01 % count as one (the same
    weights on another day's air), under the lowest of them."""
    pairs = [pair for run in runs for pair in zero_corrected(run) if direction is None or pair[0].direction == direction]
    pairs.sort(key=lambda pair: (pair[0].force_n, pair[0].t_s, pair[1]))
    grouped: dict[float, list[tuple[Step, float]]] = {}
    at = -math.inf
    for pair in pairs:
        if pair[0].force_n > at * (1.0 + 1e-4):
            at = pair[0].force_n
        grouped.setdefault(at, []).append(pair)
    return grouped
