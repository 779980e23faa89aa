"""Least squares against the certified values of NIST, the e-Handbook's load cell, and the GUM's thermometer."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from calibration_runs import GAIN, run
from evenbed.calibration.fit import Fit, FitError, fit_series, lack_of_fit, polynomial
from evenbed.calibration.steps import Series
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"


def nist(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x, y = np.loadtxt(DATA / f"nist_{name}.csv", delimiter=",", skiprows=1).T
    return x, y


# NIST StRD certified values, https://www.itl.nist.gov/div898/strd/lls/data/ (Norris, Pontius, Filip .dat): degree,
# coefficients, their standard deviations, residual standard deviation, R squared.
CERTIFIED = {
    "norris": (
        1,
        (-0.262323073774029, 1.00211681802045),
        (0.232818234301152, 0.429796848199937e-03),
        0.884796396144373,
        0.999993745883712,
    ),
    "pontius": (
        2,
        (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14),
        (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16),
        0.205177424076185e-03,
        0.999999900178537,
    ),
    "filip": (
        10,
        (
            -1467.48961422980,
            -2772.17959193342,
            -2316.37108160893,
            -1127.97394098372,
            -354.478233703349,
            -75.1242017393757,
            -10.8753180355343,
            -1.06221498588947,
            -0.670191154593408e-01,
            -0.246781078275479e-02,
            -0.402962525080404e-04,
        ),
        (
            298.084530995537,
            559.779865474950,
            466.477572127796,
            227.204274477751,
            71.6478660875927,
            15.2897178747400,
            2.23691159816033,
            0.221624321934227,
            0.142363763154724e-01,
            0.535617408889821e-03,
            0.896632837373868e-05,
        ),
        0.334801051324544e-02,
        0.996727416185620,
    ),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_values_of_nist(name: str) -> None:
    degree, b, sd, residual_sd, r2 = CERTIFIED[name]
    fit = polynomial(*nist(name), degree)
    assert fit.coefficients == pytest.approx(b, rel=1e-10)
    assert fit.coefficient_sds == pytest.approx(sd, rel=1e-10)
    assert fit.residual_sd == pytest.approx(residual_sd, rel=1e-11)
    assert fit.r_squared == pytest.approx(r2, rel=1e-13)


def test_plain_powers_would_have_lost_it() -> None:
    # Why the fit scales: least squares on unscaled powers misses the certified values of the load cell by over 1e-9.
    x, y = nist("pontius")
    plain = np.linalg.lstsq(np.stack([np.ones_like(x), x, x * x], axis=1), y, rcond=None)[0]
    assert abs(plain[2] / CERTIFIED["pontius"][1][2] - 1.0) > 1e-9


def test_line_through_zero() -> None:
    # NIST StRD NoInt1: x = 60..70, y = 130..140, B1 and its SD, residual SD (from memory; B1 = sum xy / sum x2).
    x = np.arange(60.0, 71.0)
    fit = polynomial(x, x + 70.0, 1, through_zero=True)
    assert fit.coefficients == pytest.approx((0.0, 2.07438016528926), rel=1e-13)
    assert fit.coefficient_sds[1] == pytest.approx(0.165289256198347e-01, rel=1e-12)
    assert fit.residual_sd == pytest.approx(3.56753034006338, rel=1e-12)


def test_exact_fifth_degree() -> None:
    # NIST StRD Wampler1: y = 1 + x + ... + x5 at x = 0..20, all coefficients 1, no residual.
    x = np.arange(21.0)
    fit = polynomial(x, sum(x**k for k in range(6)), 5)
    assert fit.coefficients == pytest.approx([1.0] * 6, rel=1e-9)


def test_unscaled_covariance_of_the_load_cell() -> None:
    # (X'X)^-1 diagonal of Pontius, as in the GNU Scientific Library's test.
    fit = polynomial(*nist("pontius"), 2)
    diagonal = [(sd / fit.residual_sd) ** 2 for sd in fit.coefficient_sds]
    assert diagonal == pytest.approx([2.76754385964916e-1, 5.91630591630603e-13, 5.62573661988878e-26], rel=1e-9)


def load_cell_groups() -> list[NDArray[np.float64]]:
    x, y = nist("pontius")
    return [y[x == load] for load in np.unique(x)]


def test_lack_of_fit_of_the_load_cell() -> None:
    # NIST/SEMATECH e-Handbook 4.6.1: F = 214.7464 for the line, 0.8107 for the parabola (from memory, recomputed).
    x, y = nist("pontius")
    line = lack_of_fit(polynomial(x, y, 1), load_cell_groups())
    parabola = lack_of_fit(polynomial(x, y, 2), load_cell_groups())
    assert line and parabola
    assert (line.f, line.dof_lack, line.dof_repeat) == (pytest.approx(214.747, rel=1e-4), 18, 20)
    assert (parabola.f, parabola.dof_lack) == (pytest.approx(0.8107, rel=1e-4), 17)
    assert line.p < 1e-15 < 0.05 < parabola.p
    assert line.repeat_sd == pytest.approx(2.147266e-4, rel=1e-6)


def test_reading_of_the_load_cell_turned_round() -> None:
    # e-Handbook 4.6.1: deflection 1.239 722 -> 1 705 106, 95 % interval 1 704 513 to 1 705 698 (from memory, recomputed).
    fit = polynomial(*nist("pontius"), 2)
    load, half = fit.interval(1.239722, 2.026192)
    assert load == pytest.approx(1705105.57, abs=0.01)
    assert load - half == pytest.approx(1704513.4, abs=0.3)
    assert load + half == pytest.approx(1705697.8, abs=0.3)


def test_thermometer_of_the_gum() -> None:
    # JCGM 100:2008 H.3: y1 = -0.1712, s 0.0029; y2 = 0.002 18, s 0.000 67; s 0.0035; b(30 C) = -0.1494, u 0.0041, 9 df.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = polynomial([one - 20.0 for one in t], b, 1)
    assert fit.coefficients == pytest.approx((-0.17120379013135, 0.002182697739887), rel=1e-9)
    assert fit.coefficient_sds == pytest.approx((0.0028776, 0.0006679387732), rel=1e-5)
    assert (fit.residual_sd, fit.dof) == (pytest.approx(0.00349756396, rel=1e-8), 9)
    assert fit.counts(10.0) == pytest.approx(-0.1493768127, rel=1e-9)
    assert fit.line_sd(10.0) == pytest.approx(0.0041385958, rel=1e-7)


def test_leverage_is_what_a_point_moves() -> None:
    x = np.array([10.0, 20.0, 40.0, 80.0, 160.0])
    y = 3.0 * x + 1e-3 * x * x
    for degree, through in ((1, False), (1, True), (2, True), (2, False)):
        for at in (30.0, 160.0, 250.0):
            lever = polynomial(x, y, degree, through).leverage(at)
            moved = y.copy()
            moved[3] += 0.5
            change = polynomial(x, moved, degree, through).counts(at) - polynomial(x, y, degree, through).counts(at)
            assert lever[3] * 0.5 == pytest.approx(change, rel=1e-9)


def test_a_straight_cell_gets_a_line() -> None:
    runs = [run([49.0, 98.0, 147.0, 196.0, 245.0], scatter=40.0, seed=s) for s in range(3)]
    chosen = fit_series(runs)
    assert chosen.fit.degree == 1 and not chosen.suspect
    assert "fits within the repeats" in chosen.why
    assert chosen.fit.coefficients[1] == pytest.approx(GAIN, rel=1e-4)


def test_repeats_that_agree_to_the_count_do_not_make_a_curve() -> None:
    chosen = fit_series([run([49.0, 98.0, 147.0, 196.0, 245.0], lambda f: float(round(GAIN * f))) for _ in range(3)])
    assert chosen.fit.degree == 1 and not chosen.suspect


def bent(f: float) -> float:
    return GAIN * f * (1.0 + 2e-5 * f)  # half a percent at 245 N


def test_a_bent_cell_gets_a_parabola_when_the_steps_allow() -> None:
    runs = [run([49.0, 98.0, 147.0, 196.0, 245.0], bent, 40.0, s) for s in range(3)]
    chosen = fit_series(runs)
    assert chosen.fit.degree == 2 and not chosen.suspect
    assert "parabola; a line misses" in chosen.why
    assert chosen.fit.force(bent(120.0)) == pytest.approx(120.0, abs=0.02)


def test_few_or_crowded_forces_stay_a_line_and_say_so() -> None:
    four = fit_series([run([49.0, 98.0, 147.0, 245.0], bent, 40.0, s) for s in range(3)])
    assert four.fit.degree == 1 and four.suspect
    assert "needs 5 different forces, there are 4" in four.why
    crowded = fit_series([run([150.0, 170.0, 190.0, 210.0, 245.0], bent, 2.0, s) for s in range(3)])
    assert crowded.fit.degree == 1 and "3 times the lowest" in crowded.why


def test_without_repeats_it_stays_a_line() -> None:
    chosen = fit_series([run([49.0, 98.0, 147.0, 196.0, 245.0], bent)])
    assert chosen.fit.degree == 1 and chosen.test is None
    assert "no force was repeated" in chosen.why


def test_a_wrong_weight_is_suspected() -> None:
    runs = [
        run([49.0, 98.0, 147.0, 196.0, 245.0], lambda f: GAIN * (f + (5.0 if f == 147.0 else 0.0)), 40.0, s)
        for s in range(3)
    ]
    chosen = fit_series(runs)
    assert chosen.suspect and "a weight or a step that went wrong" in chosen.why


def test_what_makes_no_curve_is_refused() -> None:
    with pytest.raises(FitError, match="more different forces"):
        polynomial([1.0, 1.0], [2.0, 2.1], 1)
    with pytest.raises(FitError, match="finite"):
        polynomial([1.0, math.nan], [2.0, 2.1], 1)
    with pytest.raises(FitError, match="no loaded step"):
        fit_series([run([])])
    with pytest.raises(FitError, match="turns back"):
        fit_series([run([40.0, 80.0, 120.0, 160.0, 200.0], lambda f: GAIN * f * (1 - f / 300.0), 5.0, s) for s in range(3)])


gains = st.floats(-1e5, 1e5).filter(lambda g: abs(g) > 1.0)


@settings(deadline=None)
@given(gains, st.floats(-4e-4, 4e-4), st.floats(-50.0, 900.0))
def test_counts_and_force_are_inverse(gain: float, bend: float, force_n: float) -> None:
    x = np.array([50.0, 100.0, 150.0, 200.0, 250.0])
    for degree in (1, 2):
        fit = polynomial(x, gain * x * (1.0 + bend * x), degree, through_zero=True)
        assert fit.force(fit.counts(force_n)) == pytest.approx(force_n, rel=1e-7, abs=1e-6)


@settings(deadline=None)
@given(st.floats(0.01, 100.0), st.floats(1e-3, 1e4))
def test_units_scale(force_unit: float, count_unit: float) -> None:
    x, y = nist("pontius")
    plain: Fit = polynomial(x, y, 2)
    other: Fit = polynomial(x * force_unit, y * count_unit, 2)
    expected = [b * count_unit / force_unit**k for k, b in enumerate(plain.coefficients)]
    assert other.coefficients == pytest.approx(expected, rel=1e-8)
    assert other.force(1.2 * count_unit) == pytest.approx(force_unit * plain.force(1.2), rel=1e-10)


@settings(deadline=None)
@given(st.permutations(range(12)))
def test_order_of_steps_gives_the_same_curve(order: list[int]) -> None:
    steps = run([49.0, 98.0, 147.0, 196.0, 245.0], bent, 40.0, 3, down=lambda f: 10.0).steps
    assert len(steps) == 11
    shuffled = Series(tuple(steps[i] for i in order if i < 11))
    assert fit_series([shuffled]).fit.coefficients == fit_series([Series(steps)]).fit.coefficients
