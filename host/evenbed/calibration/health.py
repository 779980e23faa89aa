"""Is the measurement sound? Readings that are only listened to, against what the board is set to: each figure with its
limit, a verdict and the next step.

Limits are what the rest of the program bears: half a newton peak to peak is where no working zero is taken, three newtons
from the reference zero is where arming is refused, seven equal readings is where the board stops. Where nothing else sets
one it is a tenth of that or less, and says "no source".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from evenbed_fw.safety import SAME
from numpy.typing import NDArray

from evenbed.calibration.cellcreep import Creep, Drift, WarmUp, drift
from evenbed.calibration.noise import HUM_SIGMAS, Hum, Rate, alias_hz, hum, noise, rate
from evenbed.calibration.readings import Heard, Sorted, longest_run, rising, skipped, sort
from evenbed.head.reference import NOISE_N, SHIFT_N, STILL_S

Array = NDArray[np.float64]
Verdict = Literal["pass", "look", "fail"]

LEAST = 100  # readings
RATE_OFF = 0.10  # share; the board reckons with periods up to 10/9 of the one it is set to
PIN_RATES_HZ = (10.0, 80.0)  # of a bridge converter with a rate pin
PIN_NEAR = 0.15
GAP_PERIODS = 2.5 * 10.0 / 9.0  # fault 2 of the board
SHARE_FAIL = 0.01  # of the readings (no source)
LOST_LOOK, LOST_FAIL = 0.001, 0.1  # of the lines (no source); a lease bridges seven
RMS_LOOK_N, RMS_FAIL_N = 0.025, 0.1  # no source: 5 times a good converter's 4.4 mN; half a newton is 4 to 5 times 0.1 N
PEAK_LOOK_N = 0.5 * NOISE_N
HUM_LOOK_N, HUM_FAIL_N = 0.02, 0.5 * NOISE_N
DRIFT_LOOK_N_MIN, DRIFT_FAIL_N_MIN = 0.02, 0.1  # no source: 0.1 N a minute is SHIFT_N in half an hour
ZERO_LOOK = 1.0 / 3.0  # of what is refused (no source)
EQUAL_SIGMAS, EQUAL_CHANCE = 4.0, 1e-3  # more pairs, or a longest run less likely, than noise makes (no source)
HUM_LONGEST_S, HUM_LEAST = 60.0, 32  # readings


@dataclass(frozen=True)
class Configured:
    """What the board is set to: s between readings, reference zero in counts, sensitivity in counts/N. Noise is told as
    a share of ``usual_n``; a zero further than ``zero_n`` from the reference zero is refused at arming."""

    period_s: float
    zero_counts: float
    counts_n: float
    usual_n: float = 235.0
    zero_n: float = SHIFT_N


@dataclass(frozen=True)
class Finding:
    """One line: what was measured, its value and limit in words, the verdict, and what to do ("" where it passes)."""

    name: str
    value: str
    limit: str
    verdict: Verdict
    next_step: str = ""
    number: float | None = None


def _line(name: str, value: str, limit: str, verdict: Verdict, next_step: str, number: float) -> Finding:
    """A finding; where it passes there is nothing to do."""
    return Finding(name, value, limit, verdict, "" if verdict == "pass" else next_step, number)


def grade(value: float, look: float, fail: float) -> Verdict:
    """Pass up to ``look``, fail above ``fail``."""
    return "pass" if value <= look else "look" if value <= fail else "fail"


def judge(readings: Sequence[Heard], configured: Configured, expect_zero: bool = True) -> list[Finding]:
    """All findings, in the order of their importance. ``expect_zero``: the gripper is empty, so the zero is judged too."""
    readings = rising(readings)
    if len(readings) < LEAST:
        return [
            Finding(
                "readings",
                f"{len(readings)}",
                f"at least {LEAST}",
                "fail",
                "Listen longer; if none come, check the cable from the converter to the board.",
            )
        ]
    told = sort(readings)
    measured = rate([r.t_s for r in readings], 1.0 / configured.period_s)
    by_pin = pin(measured.rate_hz, 1.0 / configured.period_s)
    found = [
        _rate(measured, 1.0 / configured.period_s, by_pin),
        _missing(readings, measured),
        _lost(readings),
        _not_believed(readings, by_pin),
        _saturated(told, len(readings)),
        _stray(told, len(readings)),
        _equal(readings, told),
    ]
    if len(told.good) < LEAST:
        return found
    t, y = [r.t_s for r in told.good], [float(r.counts) for r in told.good]
    per_n = abs(configured.counts_n)
    late = [i for i, at in enumerate(t) if at >= t[-1] - HUM_LONGEST_S]
    recent, values = [t[i] for i in late], [y[i] for i in late]
    hums = [hum(recent, values, mains) for mains in (50.0, 60.0)] if len(late) >= HUM_LEAST else []
    found += _noise(t, y, per_n, configured.usual_n, hums)
    found += [_hum(one, per_n, measured.rate_hz) for one in hums]
    found.append(_drift(drift(t, y), per_n))
    if expect_zero:
        zero_n = (float(np.mean(y)) - configured.zero_counts) / configured.counts_n
        found.append(_zero(zero_n, configured.zero_n))
    return found


def pin(measured_hz: float, configured_hz: float) -> bool:
    """Does the converter stand at one of the rates of a rate pin, and the board reckon with the other?"""
    slow, fast = PIN_RATES_HZ
    return any(
        abs(measured_hz / is_at - 1.0) <= PIN_NEAR and abs(configured_hz / set_to - 1.0) <= PIN_NEAR
        for is_at, set_to in ((slow, fast), (fast, slow))
    )


def _rate(measured: Rate, configured_hz: float, by_pin: bool) -> Finding:
    value = f"{measured.rate_hz:.2f} a second ({measured.deviation_percent:+.1f} % of {configured_hz:.1f})"
    limit = f"within {100.0 * RATE_OFF:.0f} % of what the board is set to"
    off = measured.deviation_percent / 100.0
    if abs(off) <= RATE_OFF + 1e-9:
        return Finding("rate of readings", value, limit, "pass", number=measured.rate_hz)
    if by_pin:
        next_step = (
            f"The converter's rate pin is wired for {10 if off < 0.0 else 80} readings a second, the board is set to "
            f"{configured_hz:.0f}: change the pin over (or, if it is meant so, period_us)."
        )
    else:
        next_step = (
            f"Set period_us on the board to {1e6 / measured.rate_hz:.0f}, or look at the converter's clock: the envelope "
            "is reckoned with this rate."
        )
    # Faster than set is late by less than reckoned; slower is what the envelope does not cover.
    verdict: Verdict = "fail" if off < 0.0 or by_pin else "look"
    return Finding("rate of readings", value, limit, verdict, next_step, measured.rate_hz)


def _missing(readings: Sequence[Heard], measured: Rate) -> Finding:
    missing = max(0, measured.missing - skipped(readings))
    longest = max(
        (b.t_s - a.t_s for a, b in pairwise(readings) if (b.conversion - a.conversion) == 1),
        default=0.0,
    )
    periods = longest * measured.rate_hz
    value = f"{missing} of {len(readings)}, longest gap {1e3 * longest:.0f} ms"
    limit = f"none; no gap above {GAP_PERIODS:.1f} periods ({1e3 * GAP_PERIODS / measured.rate_hz:.0f} ms)"
    if not missing:
        return Finding("missing readings", value, limit, "pass", number=0.0)
    return Finding(
        "missing readings",
        value,
        limit,
        "fail" if periods > GAP_PERIODS else "look",
        "The converter leaves readings out: check its supply, its data line and the plugs between it and the board.",
        float(missing),
    )


def _lost(readings: Sequence[Heard]) -> Finding:
    lost = skipped(readings)
    verdict = grade(lost / len(readings), LOST_LOOK, LOST_FAIL)
    return _line(
        "lines lost on the wire",
        f"{lost} of {lost + len(readings)}",
        f"{100.0 * LOST_LOOK:g} %, no more than {100.0 * LOST_FAIL:g} %",
        verdict,
        "Use another cable or port, without a hub; keep it away from the motor's wires.",
        float(lost),
    )


def _not_believed(readings: Sequence[Heard], by_pin: bool) -> Finding:
    count = sum(not r.sound for r in readings)
    verdict: Verdict = "pass" if not count else "look" if count <= SHARE_FAIL * len(readings) else "fail"
    next_step = "" if not count else "See the other lines for why: a gap, an end of the range, a leap or equal readings."
    if count and by_pin:
        next_step = "Follows from the rate: put the rate pin right first."
    return _line(
        "not believed by the board",
        f"{count} of {len(readings)}",
        f"none, no more than {100.0 * SHARE_FAIL:g} %",
        verdict,
        next_step,
        float(count),
    )


def _saturated(told: Sorted, n: int) -> Finding:
    verdict: Verdict = "pass" if not told.saturated else "look" if told.longest_saturated < 2 else "fail"
    return _line(
        "at the end of the range",
        f"{told.saturated} of {n}, {told.longest_saturated} in a row",
        "none, 2 in a row stop the head",
        verdict,
        "Take any load off at once; then check the cell's four wires for a break, and the converter's gain.",
        float(told.saturated),
    )


def _stray(told: Sorted, n: int) -> Finding:
    verdict: Verdict = "pass" if not told.stray else "look" if told.stray <= SHARE_FAIL * n else "fail"
    return _line(
        "stray readings",
        f"{told.stray} of {n}, {told.slipped} as if bits had slipped",
        f"none, no more than {100.0 * SHARE_FAIL:g} %",
        verdict,
        "Shorten clock and data line to the converter, keep them from the motor's wires, check plugs and ground.",
        float(told.stray),
    )


def _equal(readings: Sequence[Heard], told: Sorted) -> Finding:
    same = [a.counts == b.counts for a, b in pairwise(readings)]
    pairs, longest = sum(same), longest_run(same) + 1 if any(same) else 1
    # Two neighbours of Gaussian noise agree to a count with the chance 1/(2 sd sqrt(pi)).
    steps = np.diff([float(r.counts) for r in told.good]) if len(told.good) > LEAST else np.array([0.0])
    sd = float(np.std(steps)) / math.sqrt(2.0)
    chance = min(1.0, 1.0 / (2.0 * math.sqrt(math.pi) * sd)) if sd > 0.0 else 1.0
    expected = chance * len(same)
    most = expected + EQUAL_SIGMAS * math.sqrt(expected) + 1.0
    odd = pairs > most or len(same) * chance ** (longest - 1) < EQUAL_CHANCE
    verdict: Verdict = "fail" if longest >= SAME else "look" if odd else "pass"
    return _line(
        "equal to the one before",
        f"{pairs} of {len(readings)}, {longest} in a row",
        f"about {expected:.0f} of this noise, up to {most:.0f}; {SAME} in a row stop the head",
        verdict,
        "The same reading comes twice: it is fetched before a new one is there, or the cell's wires are off.",
        float(pairs),
    )


def _noise(t: Sequence[float], y: Sequence[float], per_n: float, usual_n: float, hums: Sequence[Hum]) -> list[Finding]:
    rms_n = noise(t, y).rms_counts / per_n
    humming = sum((one.amplitude_counts or 0.0) ** 2 / 2.0 for one in hums if one.significant) / per_n**2
    peak_n = _peak(t, y) / per_n
    rms = grade(rms_n, RMS_LOOK_N, RMS_FAIL_N)
    peak = grade(peak_n, PEAK_LOOK_N, NOISE_N)
    quiet = "Hands off, motor still. If it stays: shield at one end only, converter near the cell, another supply."
    if humming > 0.5 * rms_n**2:
        quiet = "Most of it is mains hum: see there."
    return [
        _line(
            "noise, RMS",
            f"{rms_n:.4f} N ({100.0 * rms_n / usual_n:.4f} % of {usual_n:.0f} N)",
            f"{RMS_LOOK_N:g} N, no more than {RMS_FAIL_N:g} N",
            rms,
            quiet,
            rms_n,
        ),
        _line(
            "noise, peak to peak",
            f"{peak_n:.3f} N ({100.0 * peak_n / usual_n:.3f} %) within {STILL_S:g} s",
            f"{PEAK_LOOK_N:g} N; above {NOISE_N:g} N no zero is taken",
            peak,
            quiet,
            peak_n,
        ),
    ]


def _peak(t: Sequence[float], y: Sequence[float]) -> float:
    """Largest peak to peak within any ``STILL_S``."""
    at = np.asarray(t, float)
    values = np.asarray(y, float)
    first = np.searchsorted(at, at - STILL_S, side="left")
    return max(float(np.ptp(values[a : b + 1])) for b, a in enumerate(first))


def _hum(found: Hum, per_n: float, rate_hz: float) -> Finding:
    mains = round(found.mains_hz / 10.0) * 10
    name = f"mains hum, {mains} Hz"
    limit = f"{HUM_LOOK_N:g} N, no more than {HUM_FAIL_N:g} N"
    if found.amplitude_counts is None:
        return Finding(name, "not told", limit, "look", found.text)
    amplitude_n = found.amplitude_counts / per_n
    if not found.significant:
        none = (
            f"none above {HUM_SIGMAS * found.u_counts / per_n:.4f} N (would be seen at {alias_hz(mains, rate_hz):.1f} Hz)"
        )
        return Finding(name, none, limit, "pass", number=amplitude_n)
    seen = f"seen at {found.alias_hz:.2f} Hz"
    verdict = grade(amplitude_n, HUM_LOOK_N, HUM_FAIL_N)
    also = ""
    twice = 100.0 if mains == 60 else 120.0
    if abs(alias_hz(twice, rate_hz) - found.alias_hz) < 0.5:
        also = f" At this rate {twice:.0f} Hz, the ripple of a supply on {twice / 2:.0f} Hz mains, looks the same."
    return _line(
        name,
        f"{amplitude_n:.4f} N at {found.mains_hz:.2f} Hz ({seen})",
        limit,
        verdict,
        "Twist or shield the cell's wires, ground the shield at one end, move mains leads and supplies away." + also,
        amplitude_n,
    )


def _drift(found: Drift, per_n: float) -> Finding:
    slope, half = found.counts_min / per_n, found.half_min / per_n
    verdict: Verdict = "look"
    if abs(slope) + half <= DRIFT_LOOK_N_MIN:
        verdict = "pass"
    elif abs(slope) - half > DRIFT_FAIL_N_MIN:
        verdict = "fail"
    next_step = "Let it warm up and measure again ('evenbed sensor --warm-up 20'); keep draughts and hands away."
    if verdict == "look" and half > DRIFT_LOOK_N_MIN:
        next_step = "The interval is wider than the limit: measure longer (--seconds 120)."
    return _line(
        "drift",
        f"{slope:+.4f} ± {half:.4f} N a minute (95 %)",
        f"{DRIFT_LOOK_N_MIN:g} N, no more than {DRIFT_FAIL_N_MIN:g} N a minute",
        verdict,
        next_step,
        slope,
    )


def _zero(zero_n: float, most_n: float) -> Finding:
    look_n = ZERO_LOOK * most_n
    verdict = grade(abs(zero_n), look_n, most_n)
    return _line(
        "zero from the reference zero",
        f"{zero_n:+.3f} N",
        f"{look_n:.1f} N; above {most_n:.1f} N arming is refused",
        verdict,
        "Take everything off the gripper. If it stays, the cell was overloaded or something rubs: look, and calibrate.",
        zero_n,
    )


def warm_up_finding(found: WarmUp, minutes: float, per_n: float) -> Finding:
    """When the drift came to stay within its limit."""
    last = f"last {found.last.counts_min / per_n:+.4f} ± {found.last.half_min / per_n:.4f} N a minute"
    limit = f"drift within {DRIFT_LOOK_N_MIN:g} N a minute"
    if found.settled_s is None:
        return Finding(
            "warm-up",
            f"not within it after {minutes:.0f} min; {last}",
            limit,
            "look",
            "Leave it powered and repeat with more minutes; if it never settles, look for draughts and a warm motor.",
        )
    settled = found.settled_s / 60.0
    return Finding(
        "warm-up",
        f"{settled:.1f} min; {last}",
        limit,
        "pass",
        f"Power the rig {math.ceil(settled)} min before use.",
        settled,
    )


def creep_findings(found: Creep, capacity_n: float) -> list[Finding]:
    """The creep test against OIML R 60, class C with 3000 intervals: for comparison, so nothing fails by it."""
    out = []
    named = {"creep in 30 min": found.within, "creep from 20 to 30 min": found.late, "zero after unloading": found.zero}
    for name, figure in named.items():
        limit = f"OIML R 60: {100.0 * figure.limit:.4f} % of capacity ({figure.limit * capacity_n:.3f} N)"
        if figure.value is None:
            out.append(Finding(name, "not measured", limit, "look", found.note or "Leave the weight on for 30 minutes."))
            continue
        value = f"{100.0 * figure.value:+.4f} % of capacity ({figure.value * capacity_n:+.3f} N)"
        next_step = "Repeat it at an even temperature; a cell that creeps so wants its share in U (creep_share)."
        verdict: Verdict = "pass" if figure.passed else "look"
        out.append(_line(name, value, limit, verdict, next_step, figure.value * capacity_n))
    return out
