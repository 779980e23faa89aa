"""Student's t and Fisher's F against scipy and the printed tables of the GUM."""

from __future__ import annotations

import math

import pytest
from evenbed.calibration.special import f_exceeds, incomplete_beta, t_coverage, t_factor
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats


@settings(deadline=None)
@given(st.floats(0.05, 500.0), st.floats(0.05, 500.0), st.floats(0.0, 1.0))
def test_incomplete_beta_is_that_of_scipy(a: float, b: float, x: float) -> None:
    assert incomplete_beta(a, b, x) == pytest.approx(float(special.betainc(a, b, x)), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("dof", "k"),
    # JCGM 100:2008 Table G.2, fraction 95.45 % (from memory; scipy agrees below).
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (math.inf, 2.00)],
)
def test_coverage_factors_of_the_gum(dof: float, k: float) -> None:
    assert t_factor(0.9545, dof) == pytest.approx(k, abs=0.005)


@settings(deadline=None)
@given(st.floats(1.0, 1e5), st.floats(0.1, 0.999))
def test_t_factor_is_the_quantile_of_scipy_and_turns_round(dof: float, p: float) -> None:
    k = t_factor(p, dof)
    assert k == pytest.approx(float(stats.t.ppf(0.5 + p / 2.0, dof)), rel=1e-7)
    assert t_coverage(k, dof) == pytest.approx(p, abs=1e-9)


def test_normal_limit() -> None:
    assert t_coverage(2.0, math.inf) == pytest.approx(0.954499736, abs=1e-9)  # erf(sqrt 2)
    assert t_factor(0.95, math.inf) == pytest.approx(1.959963985, abs=1e-8)


@settings(deadline=None)
@given(st.floats(0.01, 400.0), st.integers(1, 60), st.integers(1, 60))
def test_f_tail_is_that_of_scipy(f: float, above: int, below: int) -> None:
    assert f_exceeds(f, above, below) == pytest.approx(float(stats.f.sf(f, above, below)), rel=1e-8, abs=1e-14)


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="incomplete beta"):
        incomplete_beta(-1.0, 1.0, 0.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_factor(1.0, 5)
    with pytest.raises(ValueError, match="dof"):
        t_coverage(2.0, 0.0)
