"""The tone of a bed out of a recording of some taps on it. Pure: samples in, tone out.

Taps are found where the sound rises out of the quiet. Their spectra are added, what sounds in the quiet as well (mains hum
and its harmonics, a fan) is taken off, and the lowest strong peak in the band is the bed's fundamental.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from evenbed.job.tone import BED_HZ

Samples = npt.NDArray[np.float64]

STEP_S = 0.005  # of the loudness
RISE = 5.0  # over the quiet, in amplitude: a tap
LOUD = 0.2  # of the loudest tap: another one
APART_S = 0.25
AFTER_S = 0.004  # the knock itself is left out
LONGEST_S, SHORTEST_S = 0.35, 0.06
FFT = 1 << 16
HUM_HZ = (50.0, 60.0)
HUM_WITHIN_HZ = 1.0
HUM_STANDS = 40.0  # over what is around it, in power
DIES_TO = 0.7  # of its power: what has not fallen so far in the second half of the taps is no tap's tone
STRONG = 0.1  # of the highest peak's power: lower ones are no fundamental
RIVAL = 0.5
CLEAR_DB, FAIR_DB = 20.0, 12.0
ALIKE = 0.01


class ToneError(ValueError):
    """No tone in this recording; the text says why and what to do."""


@dataclass(frozen=True)
class Heard:
    """A tone: Hz, its standard uncertainty, how sure it is that it is the bed's ("sure", "fairly sure", "not sure"), why,
    and how many taps it comes from."""

    hz: float
    u_hz: float
    sure: str
    why: str
    taps: int


def hear(samples: Samples, rate_hz: float, band_hz: tuple[float, float] = BED_HZ) -> Heard:
    """The tone of a bed within ``band_hz``. Raises ToneError if there is none."""
    if rate_hz < 2.5 * band_hz[1]:
        raise ToneError(f"{rate_hz:.0f} samples a second are too few for a tone up to {band_hz[1]:.0f} Hz: record anew.")
    if len(samples) < rate_hz / 5.0 or float(np.ptp(samples)) == 0.0:
        raise ToneError("the recording is silent, or shorter than a fifth of a second.")
    sound = _cleared(samples - samples.mean(), rate_hz, band_hz)
    loud = _loudness(sound, rate_hz)
    taps = _taps(loud, len(sound) / rate_hz)
    if not taps:
        raise ToneError("no tap stands out of the noise: hold the bed close to the microphone and tap it with a knuckle.")
    quiet = _quiet(sound, rate_hz, loud, taps)
    parts = [sound[round(a * rate_hz) : round(b * rate_hz)] for a, b in taps]
    whole = _mean_spectrum(parts)
    if quiet is not None:
        whole = np.maximum(whole - 2.0 * quiet, 0.0)
    hz = np.asarray(np.fft.rfftfreq(FFT, 1.0 / rate_hz), dtype=np.float64)
    early = _mean_spectrum([p[: len(p) // 2] for p in parts])
    late = _mean_spectrum([p[len(p) // 2 :] for p in parts])
    peaks = _peaks(whole, hz, band_hz)
    steady = [i for i in peaks if not _dies(i, early, late, hz)]
    peaks = [i for i in peaks if i not in steady]
    if not peaks:
        more = ": only a steady one, such as hum" if steady else ""
        raise ToneError(f"no tone between {band_hz[0]:.0f} and {band_hz[1]:.0f} Hz dies away after the taps{more}.")
    top = max(whole[i] for i in peaks)
    chosen = next(i for i in peaks if whole[i] >= STRONG * top)
    tone = _between(whole, chosen, hz)
    return _judged(tone, whole, chosen, peaks, hz, band_hz, parts, rate_hz)


def _judged(
    tone: float,
    whole: Samples,
    chosen: int,
    peaks: Sequence[int],
    hz: Samples,
    band: tuple[float, float],
    parts: Sequence[Samples],
    rate_hz: float,
) -> Heard:
    inside = _mean_spectrum(parts)[(hz >= band[0]) & (hz <= band[1])]
    floor = max(float(np.median(inside)), 1e-30)
    clear_db = 10.0 * math.log10(max(whole[chosen] / floor, 1.0))
    singles = []
    for part in parts:
        one = _spectrum(part)
        near = _peaks(one, hz, (0.95 * tone, 1.05 * tone))
        if near:
            singles.append(_between(one, max(near, key=lambda i: one[i]), hz))
    spread = float(np.std(singles, ddof=1)) if len(singles) > 1 else 0.0
    longest = max(len(p) for p in parts) / rate_hz
    # A single tap says nothing of its scatter: then a tenth of the width of its line counts.
    u = max(spread / math.sqrt(max(1, len(singles))), 0.1 * 2.0 / longest, 0.2)
    rivals = [_between(whole, i, hz) for i in peaks if i != chosen and whole[i] >= RIVAL * whole[chosen]]
    rivals = [r for r in rivals if abs(r / tone - 1.0) > 0.05]
    why = [f"{clear_db:.0f} dB above the rest"]
    why.append(f"{len(parts)} taps within {spread:.1f} Hz" if len(singles) > 1 else "a single tap")
    if len(singles) < len(parts):
        why.append(f"missing in {len(parts) - len(singles)}")
    if rivals:
        why.append("there is also " + ", ".join(f"{r:.0f} Hz" for r in rivals[:3]))
    alike = spread <= ALIKE * tone and len(singles) == len(parts)
    if clear_db >= CLEAR_DB and alike and not rivals and len(parts) > 1:
        sure = "sure"
    elif clear_db >= FAIR_DB and alike and len(rivals) < 2:
        sure = "fairly sure"
    else:
        sure = "not sure"
    return Heard(tone, u, sure, "; ".join(why), len(parts))


def _cleared(samples: Samples, rate_hz: float, band: tuple[float, float]) -> Samples:
    """Without what lies far below the band, and without the steady lines of the mains."""
    spectrum = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(len(samples), 1.0 / rate_hz)
    low = band[0] / 2.0
    spectrum *= hz**4 / (hz**4 + low**4)
    power = np.abs(spectrum) ** 2
    for mains in HUM_HZ:
        for line in np.arange(mains, 2.0 * band[1], mains):
            at = np.abs(hz - line)
            around = power[(at > 1.5 * HUM_WITHIN_HZ) & (at < 6.0 * HUM_WITHIN_HZ)]
            near = at < HUM_WITHIN_HZ
            # A steady line is far narrower than the tone of a tap, and so stands far out of what is around it.
            if near.any() and len(around) and power[near].max() > HUM_STANDS * max(float(np.median(around)), 1e-30):
                spectrum[near] = 0.0
    return np.asarray(np.fft.irfft(spectrum, len(samples)), dtype=np.float64)


def _loudness(sound: Samples, rate_hz: float) -> Samples:
    step = max(1, round(STEP_S * rate_hz))
    n = len(sound) // step
    return np.asarray(np.sqrt(np.mean(sound[: n * step].reshape(n, step) ** 2, axis=1)), dtype=np.float64)


def _taps(loud: Samples, length_s: float) -> list[tuple[float, float]]:
    """Beginning and end of what is heard of each tap, s."""
    if len(loud) < 4:
        return []
    quiet = float(np.percentile(loud, 20.0))
    least = max(RISE * quiet, LOUD * float(loud.max()))
    starts: list[float] = []
    back = max(1, round(0.03 / STEP_S))
    for i in range(len(loud)):
        before = float(loud[max(0, i - back) : i].mean()) if i else quiet
        rises = loud[i] >= least and loud[i] > 2.0 * before
        if rises and (not starts or i * STEP_S - starts[-1] >= APART_S):
            starts.append(i * STEP_S)
    out = []
    for start, following in pairwise([*starts, length_s]):
        begin = start + STEP_S + AFTER_S
        end = min(begin + LONGEST_S, following - 2.0 * STEP_S)
        if end - begin >= SHORTEST_S:
            out.append((begin, end))
    return out


def _quiet(sound: Samples, rate_hz: float, loud: Samples, taps: Sequence[tuple[float, float]]) -> Samples | None:
    """Spectrum of what sounds before the first tap, or at the end; None if there is too little of it."""
    candidates = [(0.0, taps[0][0] - 4.0 * STEP_S - AFTER_S), (taps[-1][1] + 0.3, len(sound) / rate_hz)]
    longest = max(candidates, key=lambda c: c[1] - c[0])
    if longest[1] - longest[0] < SHORTEST_S:
        return None
    begin = longest[0]
    part = sound[round(begin * rate_hz) : round(min(longest[1], begin + LONGEST_S) * rate_hz)]
    return _spectrum(part)


def _mean_spectrum(parts: Sequence[Samples]) -> Samples:
    return np.asarray(np.mean([_spectrum(p) for p in parts], axis=0), dtype=np.float64)


def _spectrum(part: Samples) -> Samples:
    """Power for each frequency, of a second of this sound."""
    if len(part) > FFT:
        part = part[:FFT]
    window = np.hanning(len(part))
    power = np.abs(np.fft.rfft(part * window, FFT)) ** 2
    return np.asarray(power / max(float(np.sum(window**2)), 1e-30), dtype=np.float64)


def _peaks(power: Samples, hz: Samples, band: tuple[float, float]) -> list[int]:
    inside = [i for i in range(1, len(power) - 1) if band[0] <= hz[i] <= band[1]]
    return [i for i in inside if power[i] > power[i - 1] and power[i] >= power[i + 1] and power[i] > 0.0]


def _between(power: Samples, i: int, hz: Samples) -> float:
    """The place of a peak by the parabola through the logarithm of three points."""
    a, b, c = (math.log(max(float(power[k]), 1e-300)) for k in (i - 1, i, i + 1))
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
    return float(hz[i] + min(max(shift, -0.5), 0.5) * (hz[1] - hz[0]))


def _dies(i: int, early: Samples, late: Samples, hz: Samples) -> bool:
    """Has this tone fallen in the second half of the taps? Where a harmonic of the mains lies it has to fall further."""
    near = slice(max(0, i - 4), i + 5)
    fell = float(late[near].max()) / max(float(early[near].max()), 1e-30)
    hum = any(abs(hz[i] - round(hz[i] / m) * m) < HUM_WITHIN_HZ for m in HUM_HZ)
    return fell < (0.6 * DIES_TO if hum else DIES_TO)
