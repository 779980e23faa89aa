"""The cell by itself: creep, warm-up, drift, noise, hum and rate."""

from __future__ import annotations

import math

import numpy as np
import pytest
from calibration_runs import CELL, GAIN
from evenbed.calibration.cellcreep import drift, judge_creep, mpe_v, warm_up
from evenbed.calibration.noise import alias_hz, hum, noise, rate
from hypothesis import given, settings
from hypothesis import strategies as st

CAPACITY = CELL.capacity_n
TIMES = np.arange(0.0, 1861.0, 10.0)


def creeping(share: float, tau_s: float = 300.0) -> list[float]:
    """Counts at capacity, creeping up by a share of capacity with a time constant."""
    return [GAIN * CAPACITY * (1.0 + share * (1.0 - math.exp(-t / tau_s))) for t in TIMES]


def test_permissible_errors() -> None:
    # OIML R 60, class C with p_LC 0.7: 0.35 v to 500 v, 0.70 v to 2000 v, 1.05 v above (from memory).
    assert [mpe_v(load) for load in (1, 500, 501, 2000, 2001, 3000)] == pytest.approx([0.35, 0.35, 0.7, 0.7, 1.05, 1.05])


def test_limits_of_class_c3() -> None:
    # R 60 C3 at E_max: creep 0.0245 %, 20 to 30 min 0.005 25 %, zero return 0.0167 % of E_max (derived; 5.5.1 read).
    found = judge_creep(TIMES.tolist(), creeping(1e-4), CAPACITY, CAPACITY, GAIN, 0.0, 0.0)
    assert found.within.limit == pytest.approx(0.000245)
    assert found.late.limit == pytest.approx(0.0000525)
    assert found.zero.limit == pytest.approx(0.000167, abs=5e-7)
    assert found.passed is True and found.note == ""


def test_creep_of_an_exponential() -> None:
    found = judge_creep(TIMES.tolist(), creeping(5e-4), CAPACITY, CAPACITY, GAIN, 100.0, 100.0)
    first = math.exp(-20.0 / 300.0)  # the first reading is that of 20 s, so the 30 minutes end at 1820 s
    assert found.within.value == pytest.approx(5e-4 * (first - math.exp(-1830.0 / 300.0)), rel=2e-3)
    assert found.late.value == pytest.approx(5e-4 * (math.exp(-1220.0 / 300.0) - math.exp(-1820.0 / 300.0)), rel=1e-3)
    assert found.within.passed is False and found.late.passed is True and found.passed is False
    assert found.curve[0] == (0.0, 0.0)


def test_both_sides_of_the_creep_limit() -> None:
    # A step from the first reading on, of just the limit and just beyond; down counts as much as up.
    for share, passed in ((0.000244, True), (0.000246, False), (-0.000244, True), (-0.000246, False)):
        counts = [GAIN * CAPACITY * (1.0 + (share if t >= 40.0 else 0.0)) for t in TIMES]
        assert judge_creep(TIMES.tolist(), counts, CAPACITY, CAPACITY, GAIN, 0.0, 0.0).within.passed is passed


def test_zero_return() -> None:
    v = GAIN * CAPACITY / 3000.0
    for part, passed in ((0.49, True), (0.51, False), (-0.51, False)):
        found = judge_creep(TIMES.tolist(), creeping(0.0), CAPACITY, CAPACITY, GAIN, 0.0, part * v)
        assert found.zero.passed is passed is found.passed


def test_short_or_light_tests_do_not_pass() -> None:
    short = judge_creep(TIMES[:60].tolist(), creeping(1e-5)[:60], CAPACITY, CAPACITY, GAIN, 0.0, 0.0)
    assert short.passed is None and short.within.value is None and "of 30 minutes" in short.note
    bad = judge_creep(TIMES[:60].tolist(), creeping(1e-3)[:60], CAPACITY, CAPACITY, GAIN, 0.0, 0.0)
    assert bad.passed is False  # too much is too much, however short the test
    light = judge_creep(TIMES.tolist(), [0.4 * c for c in creeping(1e-5)], 0.4 * CAPACITY, CAPACITY, GAIN, 0.0, 0.0)
    assert "this was 40 %" in light.note
    with pytest.raises(ValueError, match="30 minutes"):
        judge_creep([0.0, 5.0], [1.0, 1.0], CAPACITY, CAPACITY, GAIN)
    with pytest.raises(ValueError, match="other than zero"):
        judge_creep([0.0, 50.0], [1.0, 1.0], 0.0, CAPACITY, GAIN)


def test_noise_of_single_samples_does_not_fail_a_sound_cell() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 1860.0, 0.1)
    counts = GAIN * CAPACITY + 200.0 * rng.standard_normal(len(t))  # single readings would miss 225 counts
    assert judge_creep(t.tolist(), counts.tolist(), CAPACITY, CAPACITY, GAIN, 0.0, 0.0).passed is True


def test_drift_interval_covers() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 60.0, 0.1)
    inside = 0
    for _ in range(300):
        found = drift(t.tolist(), (1000.0 + 0.5 * t + 30.0 * rng.standard_normal(len(t))).tolist())
        inside += abs(found.counts_min - 30.0) <= found.half_min
    assert 0.90 <= inside / 300 <= 0.99  # 95 % with a standard deviation of 1.3 %


def test_drift_of_noise_that_remembers_is_less_sure() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 60.0, 0.1)
    inside = 0
    for _ in range(200):
        e = rng.standard_normal(len(t))
        for i in range(1, len(e)):
            e[i] += 0.8 * e[i - 1]
        found = drift(t.tolist(), (10.0 * e).tolist())
        inside += abs(found.counts_min) <= found.half_min
    assert inside / 200 >= 0.89  # white-noise intervals cover about half here


def test_warm_up() -> None:
    # 20 000 exp(-t/300 s): the slope is 4000 exp(-t/300) counts/min, below 100 after 300 ln 40 = 1107 s (derived).
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 2400.0, 0.5)
    counts = 20_000.0 * (1.0 - np.exp(-t / 300.0)) + 20.0 * rng.standard_normal(len(t))
    found = warm_up(t.tolist(), counts.tolist(), 100.0)
    assert found.settled_s is not None and 1107.0 <= found.settled_s <= 1107.0 + 2.5 * 120.0
    assert abs(found.last.counts_min) < 5.0
    assert warm_up(t[:1200].tolist(), counts[:1200].tolist(), 100.0).settled_s is None
    with pytest.raises(ValueError, match="two windows"):
        warm_up(t[:100].tolist(), counts[:100].tolist(), 100.0)


def test_noise_leaves_drift_out() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(0.0, 25.0, 0.0125)
    found = noise(t.tolist(), (100.0 * t + 38.65 * rng.standard_normal(len(t))).tolist())
    assert found.rms_counts == pytest.approx(38.65, rel=0.05)
    assert 6.0 < found.peak_to_peak_counts / found.rms_counts < 8.5  # 2000 normal samples: about 7 (statistical tables)
    with pytest.raises(ValueError, match="four samples"):
        noise([0.0], [1.0])


@pytest.mark.parametrize(
    ("mains", "rate_hz", "seen"),
    [(50.0, 80.0, 30.0), (60.0, 80.0, 20.0), (50.0, 10.0, 0.0), (50.0, 92.8, 42.8), (60.0, 37.0, 14.0)],
)
def test_alias(mains: float, rate_hz: float, seen: float) -> None:
    assert alias_hz(mains, rate_hz) == pytest.approx(seen)


@pytest.mark.parametrize(
    ("mains", "true_hz", "rate_hz"), [(50.0, 50.0, 80.0), (60.0, 59.95, 80.0), (50.0, 50.1, 87.3), (60.0, 60.0, 320.0)]
)
def test_hum_is_found_where_it_is_folded(mains: float, true_hz: float, rate_hz: float) -> None:
    rng = np.random.default_rng(10)
    t = np.arange(1600) / rate_hz
    counts = 5000.0 + 3.0 * t + 40.0 * np.sin(2 * np.pi * true_hz * t + 0.7) + 38.65 * rng.standard_normal(len(t))
    found = hum(t.tolist(), counts.tolist(), mains)
    assert found.amplitude_counts == pytest.approx(40.0, abs=4.0 * found.u_counts)
    assert found.significant and found.mains_hz == pytest.approx(true_hz, abs=0.02)
    assert found.alias_hz == pytest.approx(alias_hz(true_hz, rate_hz), abs=0.03)


def test_no_hum_is_not_invented() -> None:
    rng = np.random.default_rng(11)
    t = (np.arange(1600) / 80.0).tolist()
    found = [hum(t, (38.65 * rng.standard_normal(1600)).tolist(), 50.0) for _ in range(50)]
    assert sum(one.significant for one in found) <= 1
    assert "no 50 Hz hum above" in found[0].text


def test_hum_that_cannot_be_told() -> None:
    t = (np.arange(400) / 10.0).tolist()
    for mains, where in ((50.0, "0 Hz"), (60.0, "0 Hz"), (55.0, "half the rate")):
        found = hum(t, [float(i % 7) for i in range(400)], mains)
        assert found.amplitude_counts is None and not found.significant
        assert where in found.text


def test_rate() -> None:
    rng = np.random.default_rng(12)
    t = np.arange(2000) / 83.7 + 2e-4 * rng.standard_normal(2000)
    found = rate(t.tolist(), 80.0)
    assert found.rate_hz == pytest.approx(83.7, abs=4.0 * found.u_hz)
    assert 0.0 < found.u_hz < 0.01
    assert found.deviation_percent == pytest.approx(4.625, abs=0.01)
    assert found.missing == 0
    gone = np.delete(t, [100, 101, 900])
    lost = rate(gone.tolist(), 80.0)
    assert lost.missing == 3 and lost.rate_hz == pytest.approx(83.7, abs=0.01)
    with pytest.raises(ValueError, match="times rise"):
        rate([0.0] * 20, 80.0)


@settings(deadline=None)
@given(st.floats(0.01, 1000.0), st.floats(-1e6, 1e6))
def test_units_and_offset(unit: float, offset: float) -> None:
    rng = np.random.default_rng(13)
    t = np.arange(0.0, 20.0, 0.1)
    counts = 50.0 * rng.standard_normal(len(t)) + 4.0 * t
    one, other = drift(t.tolist(), counts.tolist()), drift(t.tolist(), (unit * counts + offset).tolist())
    assert other.counts_min == pytest.approx(unit * one.counts_min, rel=1e-5, abs=1e-6)
    assert noise(t.tolist(), (unit * counts + offset).tolist()).rms_counts == pytest.approx(
        unit * noise(t.tolist(), counts.tolist()).rms_counts, rel=1e-5, abs=1e-6
    )
