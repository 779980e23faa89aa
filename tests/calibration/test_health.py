"""The health of the measurement: synthetic readings whose rate, noise, hum, drift and zero are known, and both sides of
every limit."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from evenbed.calibration.cellcreep import judge_creep, warm_up
from evenbed.calibration.health import Configured, Finding, creep_findings, judge, warm_up_finding
from evenbed.calibration.readings import Heard, rising, sort
from hypothesis import given, settings
from hypothesis import strategies as st

GAIN = 8759.0  # counts/N: 50 kgf, 2 mV/V, gain 128, 24 bits
ZERO = 21000.0
NOISE = 38.65  # counts: 90 nV rms at 80 readings a second and gain 128, of a bridge converter's data sheet
BOARD = Configured(0.0125, ZERO, GAIN)


def readings(
    rate_hz: float = 80.0,
    seconds: float = 20.0,
    noise: float = NOISE,
    force_n: Callable[[float], float] = lambda t: 0.0,
    seed: int = 1,
) -> list[Heard]:
    rng = np.random.default_rng(seed)
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    y = ZERO + GAIN * np.array([force_n(at) for at in t]) + rng.normal(0.0, noise, len(t))
    return [Heard(float(a), round(float(b)), True, k) for k, (a, b) in enumerate(zip(t, y, strict=True))]


def found(heard: list[Heard], name: str, board: Configured = BOARD) -> Finding:
    return next(f for f in judge(heard, board) if f.name == name)


def changed(heard: list[Heard], at: dict[int, int]) -> list[Heard]:
    return [r._replace(counts=at.get(k, r.counts)) for k, r in enumerate(heard)]


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(74.0, 86.0))
def test_a_sound_measurement_passes_whatever_its_seed(seed: int, rate_hz: float) -> None:
    for finding in judge(readings(rate_hz, seed=seed), BOARD):
        if "hum" in finding.name and finding.value == "not told":
            continue  # near a fold
        assert finding.verdict == "pass", finding
        assert finding.next_step == ""


# --- the rate ------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("rate_hz", "verdict"), [(80.0, "pass"), (72.1, "pass"), (71.9, "fail"), (87.9, "pass"), (88.1, "look")]
)
def test_the_rate_may_be_a_tenth_off(rate_hz: float, verdict: str) -> None:
    finding = found(readings(rate_hz), "rate of readings")
    assert finding.verdict == verdict and f"{rate_hz:.2f} a second" in finding.value
    assert bool(finding.next_step) == (verdict != "pass")


def test_a_rate_pin_wired_the_other_way_is_named() -> None:
    slow = [r._replace(sound=False) for r in readings(10.0)]  # the board sees a gap before each
    finding = found(slow, "rate of readings")
    assert finding.verdict == "fail"
    for part in ("rate pin", "10 readings a second", "set to 80"):
        assert part in finding.next_step
    assert "Follows from the rate" in found(slow, "not believed by the board").next_step
    fast = found(readings(80.0), "rate of readings", Configured(0.1, ZERO, GAIN))
    assert fast.verdict == "fail" and "wired for 80" in fast.next_step and "set to 10" in fast.next_step


@pytest.mark.parametrize("rate_hz", [20.0, 13.0, 40.0])
def test_another_wrong_rate_is_no_pin(rate_hz: float) -> None:
    finding = found(readings(rate_hz), "rate of readings")
    assert finding.verdict == "fail" and "pin" not in finding.next_step
    assert f"{1e6 / rate_hz:.0f}" in finding.next_step  # period_us = 1e6/rate, exact arithmetic


# --- what is missing ------------------------------------------------------------------------------------------------
def without(heard: list[Heard], *numbers: int, converter: bool) -> list[Heard]:
    """Left out by the converter (the numbers go on without a gap), or lost on the way (they do not)."""
    left = [r for k, r in enumerate(heard) if k not in numbers]
    return [r._replace(conversion=k) for k, r in enumerate(left)] if converter else left


def test_one_reading_left_out_is_looked_at_and_a_gap_that_stops_the_head_fails() -> None:
    heard = readings()
    assert found(heard, "missing readings").verdict == "pass"
    assert found(without(heard, 500, converter=True), "missing readings").verdict == "look"
    # Fault 2 of the protocol: 2.5 slowest periods, 2.5 x 10/9 = 2.78 periods. One left out makes 2, two make 3.
    two = found(without(heard, 500, 501, converter=True), "missing readings")
    assert two.verdict == "fail" and two.value == "2 of 1598, longest gap 38 ms"


def test_what_the_wire_loses_is_not_the_converters_fault() -> None:
    heard = without(readings(), 100, 101, 102, 103, converter=False)
    assert found(heard, "missing readings").verdict == "pass"
    lost = found(heard, "lines lost on the wire")
    assert lost.verdict == "look" and lost.value == "4 of 1600"


@pytest.mark.parametrize(("count", "verdict"), [(0, "pass"), (1, "pass"), (2, "look"), (140, "look"), (160, "fail")])
def test_lines_lost_on_both_sides_of_their_limits(count: int, verdict: str) -> None:
    # 0.1 % of 1599 lines is 1.6; 10 % of 1460 is 146, of 1440 144.
    heard = without(readings(), *range(10, 10 + 7 * count, 7), converter=False)
    assert found(heard, "lines lost on the wire").verdict == verdict


@pytest.mark.parametrize(("count", "verdict"), [(0, "pass"), (1, "look"), (16, "look"), (17, "fail")])
def test_readings_the_board_did_not_believe(count: int, verdict: str) -> None:
    heard = [r._replace(sound=k >= count) for k, r in enumerate(readings())]  # 1 % of 1600 is 16
    assert found(heard, "not believed by the board").verdict == verdict


# --- readings wrong in themselves -----------------------------------------------------------------------------------
def test_saturated_readings() -> None:
    heard = readings()
    assert found(changed(heard, {300: 8388607, 700: -8388608}), "at the end of the range").verdict == "look"
    two = found(changed(heard, {300: 8388607, 301: 8388607}), "at the end of the range")
    assert two.verdict == "fail" and two.value == "2 of 1600, 2 in a row"
    assert found(changed(heard, {300: 8388606}), "at the end of the range").verdict == "pass"


@pytest.mark.parametrize("bits", [1, 2, 3, 4])
def test_slipped_bits_are_told_from_other_strays(bits: int) -> None:
    heard = readings(force_n=lambda t: 50.0)
    right = changed(heard, {400: heard[400].counts >> bits, 800: heard[800].counts << bits, 900: 2 ** (bits + 10) - 1})
    told = sort(right)
    assert (told.stray, told.slipped) == (3, 3)
    other = sort(changed(heard, {400: round(ZERO + 70.0 * GAIN)}))
    assert (other.stray, other.slipped) == (1, 0)


@pytest.mark.parametrize(("count", "verdict"), [(0, "pass"), (1, "look"), (16, "look"), (17, "fail")])
def test_stray_readings_on_both_sides_of_their_limit(count: int, verdict: str) -> None:
    heard = readings()
    finding = found(changed(heard, {50 + 60 * k: heard[50 + 60 * k].counts >> 1 for k in range(count)}), "stray readings")
    assert finding.verdict == verdict and finding.number == count


def test_strays_do_not_spoil_the_noise() -> None:
    heard = readings()
    heard = changed(heard, {50 + 60 * k: 2**22 for k in range(20)})
    assert found(heard, "noise, RMS").number == pytest.approx(NOISE / GAIN, rel=0.05)


def test_a_trembling_hand_is_no_stray_reading() -> None:
    rng = np.random.default_rng(4)
    steps = rng.normal(0.0, 0.03, 1600).cumsum()  # smooth over four readings, as the converter settles
    smooth = np.convolve(steps, np.ones(4) / 4.0, mode="same")
    heard = readings(force_n=lambda t: float(smooth[round(t * 80.0)]), noise=5.0)
    assert sort(heard[4:-4]).stray == 0


@pytest.mark.parametrize(("run", "verdict"), [(2, "pass"), (6, "look"), (7, "fail")])
def test_equal_readings_up_to_the_run_that_stops_the_head(run: int, verdict: str) -> None:
    heard = readings(seed=3)
    heard = changed(heard, {200 + k: heard[200].counts for k in range(run)})
    finding = found(heard, "equal to the one before")
    assert finding.verdict == verdict and "7 in a row" in finding.limit


def test_each_reading_fetched_twice_is_seen() -> None:
    heard = readings(seed=3)
    heard = changed(heard, {k: heard[k - 1].counts for k in range(1, 1600, 2)})
    assert found(heard, "equal to the one before").verdict == "look"


def test_the_share_of_equal_neighbours_is_that_of_gaussian_noise() -> None:
    # Chance that two Gaussian values round to the same count: 1/(2 sd sqrt(pi)) for sd of some counts (derived).
    heard = readings(seconds=200.0, noise=5.0)
    pairs = found(heard, "equal to the one before").number
    assert pairs == pytest.approx(16000 / (2.0 * 5.0 * math.sqrt(math.pi)), rel=0.1)


# --- noise, hum, drift, zero ------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("rms_n", "verdict"), [(0.024, "pass"), (0.026, "look"), (0.096, "look"), (0.104, "fail")])
def test_noise_rms(rms_n: float, verdict: str) -> None:
    finding = found(readings(seconds=60.0, noise=rms_n * GAIN), "noise, RMS")
    assert finding.verdict == verdict
    assert finding.number == pytest.approx(rms_n, rel=0.03)
    assert finding.number is not None and f"({100.0 * finding.number / 235.0:.4f} % of 235 N)" in finding.value


@pytest.mark.parametrize(("peak_n", "verdict"), [(0.24, "pass"), (0.26, "look"), (0.49, "look"), (0.51, "fail")])
def test_noise_peak_to_peak(peak_n: float, verdict: str) -> None:
    # A square wave of 10 Hz: within any 0.4 s it goes through both its ends.
    heard = readings(
        noise=1.0, force_n=lambda t: 0.5 * peak_n * (1.0 if math.sin(20.0 * math.pi * t + 0.1) > 0.0 else -1.0)
    )
    assert found(heard, "noise, peak to peak").verdict == verdict


def test_a_slow_swing_is_no_peak() -> None:
    # 1 N peak to peak in 20 s: within 0.4 s it moves by at most 1 N sin(pi 0.4/20) = 0.063 N.
    heard = readings(noise=1.0, force_n=lambda t: 0.5 * math.sin(2.0 * math.pi * t / 20.0))
    assert found(heard, "noise, peak to peak").number == pytest.approx(0.063, abs=0.002)


@pytest.mark.parametrize(
    ("rate_hz", "mains", "seen"),
    # |f - rate round(f/rate)|: 80 - 50, 80 - 60, 76 - 50, 76 - 60, 90 - 50 (exact arithmetic).
    [(80.0, 50, 30.0), (80.0, 60, 20.0), (76.0, 50, 26.0), (76.0, 60, 16.0), (90.0, 50, 40.0)],
)
def test_hum_is_found_at_its_alias(rate_hz: float, mains: int, seen: float) -> None:
    heard = readings(rate_hz, force_n=lambda t: 0.1 * math.sin(2.0 * math.pi * mains * t + 0.7))
    finding = found(heard, f"mains hum, {mains} Hz")
    assert finding.number == pytest.approx(0.1, rel=0.03)
    assert f"seen at {seen:.2f} Hz" in finding.value and finding.verdict == "look"
    other = found(heard, f"mains hum, {110 - mains} Hz")
    assert other.verdict == "pass" and "none above" in other.value


@pytest.mark.parametrize(("size_n", "verdict"), [(0.019, "pass"), (0.021, "look"), (0.245, "look"), (0.255, "fail")])
def test_hum_on_both_sides_of_its_limits(size_n: float, verdict: str) -> None:
    heard = readings(force_n=lambda t: size_n * math.sin(2.0 * math.pi * 50.0 * t))
    assert found(heard, "mains hum, 50 Hz").verdict == verdict


def test_ripple_that_looks_like_the_other_mains_is_said() -> None:
    # 100 Hz at 80 readings a second is seen at 20 Hz, and so is 60 Hz.
    heard = readings(force_n=lambda t: 0.1 * math.sin(2.0 * math.pi * 100.0 * t))
    assert "100 Hz, the ripple of a supply on 50 Hz mains" in found(heard, "mains hum, 60 Hz").next_step
    assert "mains hum: see there" in found(heard, "noise, RMS").next_step


def test_hum_that_cannot_be_told_is_said() -> None:
    finding = found(readings(100.0), "mains hum, 50 Hz", Configured(0.01, ZERO, GAIN))
    assert (finding.value, finding.verdict) == ("not told", "look") and "half the rate" in finding.next_step


@pytest.mark.parametrize(
    ("n_min", "verdict"), [(0.0185, "pass"), (-0.0185, "pass"), (0.0215, "look"), (0.0985, "look"), (-0.1015, "fail")]
)
def test_drift_on_both_sides_of_its_limits(n_min: float, verdict: str) -> None:
    finding = found(readings(seconds=60.0, force_n=lambda t: n_min * t / 60.0), "drift")
    assert finding.verdict == verdict and finding.number == pytest.approx(n_min, abs=0.001)


def test_too_short_for_a_drift_asks_for_longer() -> None:
    finding = found(readings(seconds=2.0), "drift")
    assert finding.verdict == "look" and "measure longer" in finding.next_step


@pytest.mark.parametrize(
    ("zero_n", "verdict"), [(0.99, "pass"), (-0.99, "pass"), (1.01, "look"), (-2.99, "look"), (3.01, "fail")]
)
def test_the_zero_on_both_sides_of_its_limits(zero_n: float, verdict: str) -> None:
    heard = readings(noise=3.0, force_n=lambda t: zero_n)
    assert found(heard, "zero from the reference zero").verdict == verdict
    assert not [f for f in judge(heard, BOARD, expect_zero=False) if f.name.startswith("zero")]


def test_a_cell_wired_the_other_way_round_is_judged_by_its_size() -> None:
    findings = judge(readings(), Configured(0.0125, ZERO, -GAIN))
    assert all(f.verdict == "pass" for f in findings)


# --- what came, and the long tests --------------------------------------------------------------------------------------
def test_too_few_readings_are_said() -> None:
    assert [f.verdict for f in judge([], BOARD)] == ["fail"]
    assert judge(readings()[:99], BOARD)[0].name == "readings"
    assert judge(readings()[:100], BOARD)[0].name == "rate of readings"


def test_a_board_that_started_anew_counts_from_then_on() -> None:
    heard = readings(seconds=3.0)
    again = [*heard, *readings(seconds=2.0, seed=2)]
    assert rising(again) == again[len(heard) :]


def test_warm_up_says_when_it_settled() -> None:
    # Exponential drift, 2 N with 120 s: its slope falls below 0.02 N/min at 120 ln(2/120*60/0.02) = 468.7 s (derived).
    heard = readings(8.0, 1200.0, noise=1.0, force_n=lambda t: 2.0 * (1.0 - math.exp(-t / 120.0)))
    t, y = [r.t_s for r in heard], [float(r.counts) for r in heard]
    finding = warm_up_finding(warm_up(t, y, 0.02 * GAIN), 20.0, GAIN)
    # The mean slope of a window of 120 s falls below it within the window that ends at 600 s.
    assert finding.verdict == "pass" and finding.number == pytest.approx(10.0)
    short = [i for i, at in enumerate(t) if at < 360.0]
    late = warm_up_finding(warm_up([t[i] for i in short], [y[i] for i in short], 0.02 * GAIN), 6.0, GAIN)
    assert late.verdict == "look" and "more minutes" in late.next_step


def test_creep_is_compared_and_never_fails() -> None:
    t = np.arange(0.0, 1850.0, 0.5)
    for share, verdict in ((0.000252, "pass"), (0.000260, "look")):
        # Above 2000 v the MPE is 0.7 x 1.5 v, and 0.7 of it in 30 min 0.0245 % of E_max (OIML R 60, from memory).
        force = 480.0 + 490.0 * share * np.minimum(1.0, t / 600.0)
        first = force[40]  # what has crept by 20 s does not count
        creep = judge_creep(t.tolist(), (GAIN * force).tolist(), 480.0, 490.0, GAIN, 0.0, 0.0)
        findings = creep_findings(creep, 490.0)
        assert findings[0].number == pytest.approx(force[-1] - first, rel=0.02)
        assert findings[0].verdict == verdict, findings[0]
        assert "OIML R 60: 0.0245 %" in findings[0].limit
    short = creep_findings(judge_creep(t[:200].tolist(), (GAIN * force[:200]).tolist(), 480.0, 490.0, GAIN), 490.0)
    assert [f.verdict for f in short] == ["look"] * 3 and short[1].value == "not measured"
