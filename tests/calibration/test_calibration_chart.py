"""Control charts against the NIST/SEMATECH e-Handbook, and verdicts on single checks."""

from __future__ import annotations

import math

import pytest
from evenbed.calibration.chart import ewma, individuals, judge_check, moving_range_sigma
from hypothesis import given, settings
from hypothesis import strategies as st

# e-Handbook 6.3.2.4, 20 observations, lambda 0.3, target 50, s 2.0539; the EWMA as printed to two decimals.
VALUES = [
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
    52.4,
    53.6,
    52.1,
]
PRINTED = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]


def test_ewma_of_the_handbook() -> None:
    chart = ewma(VALUES, 50.0, 2.0539, weight=0.3, limit=3.0, settled=True)
    assert [round(p, 2) for p in chart.points] == PRINTED
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-3)  # printed with sqrt(0.3/1.7) cut to 0.4201
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1e-3)
    assert chart.outside == ()


def test_individuals_of_the_handbook() -> None:
    # e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159, in control.
    chart = individuals(VALUES[10:])
    assert chart.centre == pytest.approx(50.81)
    assert moving_range_sigma(VALUES[10:]) * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper[0] == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower[0] == pytest.approx(45.8159, abs=5e-5)
    assert chart.outside == ()


def test_exact_limits_widen() -> None:
    # var z_i = s2 w/(2 - w) (1 - (1 - w)^(2 i)): the first is (w s)^2 exactly (derived).
    chart = ewma([0.0] * 200, 0.0, 1.0, 0.2, 2.7)
    assert chart.upper[0] == pytest.approx(2.7 * 0.2)
    assert list(chart.upper) == sorted(chart.upper)
    assert chart.upper[-1] == pytest.approx(2.7 / 3.0)  # sqrt(0.2/1.8) = 1/3


def test_a_small_lasting_shift_is_found_by_the_ewma_only() -> None:
    # One sigma to one side and on: no single check is out, the average is.
    values = [0.1, -0.2, 0.3, -0.1, 0.0] + [1.1, 0.9, 1.2, 0.8, 1.0] * 3
    assert individuals(values, 0.0, 1.0).outside == ()
    assert ewma(values, 0.0, 1.0).outside
    assert individuals([0.0, 3.1], 0.0, 1.0).outside == (1,)


def test_checks_without_a_tolerance() -> None:
    # E_n = error / sqrt(U1^2 + U2^2); with a weight known exactly U = 0.6 N.
    assert judge_check(235.0 + 0.6, 235.0, 0.6, 0.0).verdict == "pass"
    assert judge_check(235.0 - 0.61, 235.0, 0.6, 0.0).verdict == "warn"
    assert judge_check(235.0 + 0.91, 235.0, 0.6, 0.0).verdict == "fail"
    # A gauge of +-2 N (rectangular) has U = 4/sqrt 3 N, and the verdict is milder.
    wide = judge_check(236.5, 235.0, 0.6, 2.0)
    assert wide.expanded_n == pytest.approx(math.hypot(0.6, 4.0 / math.sqrt(3.0)))
    assert wide.verdict == "pass" and wide.e_n == pytest.approx(1.5 / wide.expanded_n)


def test_checks_with_a_tolerance_have_guard_bands() -> None:
    # Tolerance 2 N, U 0.6 N: sure to 1.4, unsure to 2.6 (ISO 14253-1 in manner).
    for error, verdict in ((1.39, "pass"), (1.41, "warn"), (2.59, "warn"), (2.61, "fail"), (-1.3, "pass"), (-2.7, "fail")):
        assert judge_check(235.0 + error, 235.0, 0.6, 0.0, 2.0).verdict == verdict
    said = judge_check(238.0, 235.0, 0.6, 0.0, 2.0).text
    assert "+3.00 N from 235.0 N" in said and "guard band of 0.60 N" in said and "calibrate" in said


def test_what_makes_no_chart_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        individuals([])
    with pytest.raises(ValueError, match="two checks"):
        individuals([1.0])
    with pytest.raises(ValueError, match="EWMA weight"):
        ewma([1.0], 0.0, 1.0, weight=0.0)
    with pytest.raises(ValueError, match="standard deviation"):
        individuals([1.0], 0.0, -1.0)
    with pytest.raises(ValueError, match="uncertainty"):
        judge_check(1.0, 1.0, 0.0, 0.0)


@settings(deadline=None)
@given(st.lists(st.floats(-50.0, 50.0), min_size=2, max_size=30), st.floats(0.01, 100.0))
def test_charts_scale(values: list[float], unit: float) -> None:
    one, other = individuals(values), individuals([v * unit for v in values])
    assert other.upper == pytest.approx([u * unit for u in one.upper], abs=1e-6)
    a, b = ewma(values, 1.0, 2.0), ewma([v * unit for v in values], unit, 2.0 * unit)
    assert b.points == pytest.approx([p * unit for p in a.points], rel=1e-9, abs=1e-6)


@settings(deadline=None)
@given(st.floats(-5.0, 5.0), st.floats(0.05, 3.0), st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_a_larger_uncertainty_never_turns_a_warning_into_a_failure(
    error: float, u: float, half: float, more: float
) -> None:
    before = judge_check(100.0 + error, 100.0, u, half)
    after = judge_check(100.0 + error, 100.0, u + more, half)
    rank = {"pass": 0, "warn": 1, "fail": 2}
    assert rank[after.verdict] <= rank[before.verdict]
