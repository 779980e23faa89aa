"""What the reading does when nothing happens: noise, mains hum and the rate of the samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAINS_HALF_HZ = 0.25  # how far the mains' frequency is searched (grids keep within 0.2 Hz; from memory)
HUM_SIGMAS = 4.0  # how far a hum must stand above what noise alone makes of the same search
LEAST_CYCLES = 4.0  # an alias slower than this many cycles in the record is not told from drift


@dataclass(frozen=True)
class Noise:
    """Standard deviation and peak to peak of the samples after their straight drift is taken out, counts."""

    rms_counts: float
    peak_to_peak_counts: float


@dataclass(frozen=True)
class Hum:
    """Amplitude of the mains in the reading, counts, its standard uncertainty, the frequency it is seen at after
    sampling, Hz, and whether it stands out of the noise. ``amplitude_counts`` None: it cannot be told at this rate."""

    amplitude_counts: float | None
    u_counts: float
    mains_hz: float
    alias_hz: float
    significant: bool
    text: str


@dataclass(frozen=True)
class Rate:
    """Measured sampling rate and its standard uncertainty, Hz; its deviation from the configured one in percent; how
    many samples are missing by the gaps between their times."""

    rate_hz: float
    u_hz: float
    deviation_percent: float
    missing: int


def noise(t_s: Sequence[float], counts: Sequence[float]) -> Noise:
    """Noise of still samples. Raises ValueError for fewer than four."""
    rest = _detrended(t_s, counts)
    return Noise(math.sqrt(float(rest @ rest) / (len(rest) - 2)), float(np.ptp(rest)))


def alias_hz(frequency_hz: float, rate_hz: float) -> float:
    """Where a frequency shows up after sampling: its distance from the nearest multiple of the rate."""
    return abs(frequency_hz - rate_hz * round(frequency_hz / rate_hz))


def hum(t_s: Sequence[float], counts: Sequence[float], mains_hz: float) -> Hum:
    """Amplitude of the mains (50 or 60 Hz) by least squares of a sine on the samples' own times, which also finds it
    where it is folded below half the rate; the frequency is searched within a quarter hertz.

    Where the fold falls on 0 Hz or on half the rate, amplitude and phase cannot be told apart: then it says so. Raises
    ValueError for fewer than 32 samples.
    """
    rest = _detrended(t_s, counts)
    n = len(rest)
    if n < 32:
        raise ValueError(f"Mains hum needs 32 samples or more, not {n}.")
    t = np.asarray(t_s, float)
    t = t - t[0]
    length_s = float(t[-1])
    rate_hz = (n - 1) / length_s
    folded = alias_hz(mains_hz, rate_hz)
    least = max(LEAST_CYCLES / length_s, MAINS_HALF_HZ)
    if folded < least or rate_hz / 2.0 - folded < least:
        where = "0 Hz" if folded < least else "half the rate"
        return Hum(
            None,
            0.0,
            mains_hz,
            folded,
            False,
            f"{mains_hz:.0f} Hz hum cannot be told at {rate_hz:.1f} samples per second: it folds to {where}.",
        )
    tries = np.arange(mains_hz - MAINS_HALF_HZ, mains_hz + MAINS_HALF_HZ + 1e-9, 0.25 / length_s)
    left, amplitude, at = _best(t, rest, tries)
    sd = math.sqrt(left / max(1, n - 5))
    u = sd * math.sqrt(2.0 / n)
    significant = amplitude > HUM_SIGMAS * u
    text = f"{amplitude:.1f} counts at {at:.2f} Hz (seen at {alias_hz(at, rate_hz):.2f} Hz)"
    if not significant:
        text = f"no {mains_hz:.0f} Hz hum above {HUM_SIGMAS * u:.1f} counts"
    return Hum(amplitude, u, at, alias_hz(at, rate_hz), significant, text)


def rate(t_s: Sequence[float], configured_hz: float) -> Rate:
    """Sampling rate by regression of the samples' times on their numbers; a gap of more than one and a half periods
    moves the numbers on. Raises ValueError for fewer than ten samples or times that do not rise."""
    t = np.asarray(t_s, float)
    steps = np.diff(t)
    if len(t) < 10 or not (steps > 0.0).all():
        raise ValueError("A rate needs ten samples or more whose times rise.")
    period = float(np.median(steps))
    jumps = np.maximum(1.0, np.rint(steps / period))
    number = np.concatenate(([0.0], np.cumsum(jumps)))
    k0, t0 = number - number.mean(), t - t.mean()
    skk = float(k0 @ k0)
    period = float(k0 @ t0) / skk
    rest = t0 - period * k0
    u_period = math.sqrt(float(rest @ rest) / (len(t) - 2) / skk)
    return Rate(
        1.0 / period,
        u_period / period**2,
        100.0 * (1.0 / period / configured_hz - 1.0),
        int(jumps.sum()) - (len(t) - 1),
    )


def _detrended(t_s: Sequence[float], counts: Sequence[float]) -> Array:
    t, y = np.asarray(t_s, float), np.asarray(counts, float)
    if len(t) < 4 or len(t) != len(y):
        raise ValueError(f"Noise needs four samples or more with their times, not {len(y)}.")
    t0, y0 = t - t.mean(), y - y.mean()
    across = float(t0 @ t0)
    return np.asarray(y0 - (float(t0 @ y0) / across if across > 0.0 else 0.0) * t0)


def _best(t: Array, y: Array, tries: Array) -> tuple[float, float, float]:
    """Residual sum of squares, amplitude and frequency of the sine that fits best."""
    return min((*_sine(t, y, float(f)), float(f)) for f in tries)


def _sine(t: Array, y: Array, frequency_hz: float) -> tuple[float, float]:
    w = 2.0 * math.pi * frequency_hz * t
    columns = np.stack([np.ones_like(t), t, np.cos(w), np.sin(w)], axis=1)
    found = np.linalg.lstsq(columns, y, rcond=None)[0]
    left = y - columns @ found
    return float(left @ left), math.hypot(float(found[2]), float(found[3]))
