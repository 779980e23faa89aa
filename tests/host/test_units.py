"""Newtons inside, kgf and lbf at the edge: exact factors, what may be typed, and what is shown."""

from __future__ import annotations

import math

import pytest
from evenbed.units import N_PER_KGF, N_PER_LBF, STANDARD_GRAVITY, UNITS, UnitError, parse_force, show_force
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

# Exact arithmetic from the two factors (derived): what is typed, newtons.
HANDY = [
    ("20lbf", 88.96443230521),
    ("24lbf", 106.757318766252),
    ("28lbf", 124.550205227294),
    ("50lbf", 222.411080763025),
    ("55lbf", 244.6521888393275),
    ("60lbf", 266.89329691563),
    ("62lbf", 275.789740146151),
    ("22kgf", 215.7463),
    ("25kgf", 245.16625),
    ("28kgf", 274.5862),
]

forces_n = st.floats(0.5, 1000.0)
units = st.sampled_from(UNITS)
shown_half = {"N": 0.05, "kgf": 0.005 * 9.80665, "lbf": 0.05 * 4.4482216152605}  # half the last digit shown


def test_factors_are_those_of_the_constants() -> None:
    # NIST SP 811 App. B, through scipy.constants; lbf printed there as 4.448 221 615 260 5 N exactly.
    assert constants.g == STANDARD_GRAVITY
    assert constants.kgf == N_PER_KGF
    assert pytest.approx(constants.lbf, rel=1e-15) == N_PER_LBF
    assert pytest.approx(4.4482216152605, rel=1e-15) == N_PER_LBF
    assert pytest.approx(constants.pound, rel=1e-15) == N_PER_LBF / N_PER_KGF
    assert pytest.approx(2.2046226218487757, rel=1e-15) == N_PER_KGF / N_PER_LBF


@pytest.mark.parametrize(("text", "newtons"), HANDY)
def test_handy_forces(text: str, newtons: float) -> None:
    assert parse_force(text)[0] == pytest.approx(newtons, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "newtons", "unit"),
    [
        ("24kgf", 24 * 9.80665, "kgf"),
        ("24 kg", 24 * 9.80665, "kgf"),
        ("24KGF", 24 * 9.80665, "kgf"),
        ("24 kp", 24 * 9.80665, "kgf"),
        ("  24.5kgf ", 24.5 * 9.80665, "kgf"),
        ("24,5kgf", 24.5 * 9.80665, "kgf"),
        (".5kgf", 0.5 * 9.80665, "kgf"),
        ("24.kgf", 24 * 9.80665, "kgf"),
        ("+24kgf", 24 * 9.80665, "kgf"),
        ("52lb", 52 * 4.4482216152605, "lbf"),
        ("52 LBS", 52 * 4.4482216152605, "lbf"),
        ("52lbf", 52 * 4.4482216152605, "lbf"),
        ("235N", 235.0, "N"),
        ("235 n", 235.0, "N"),
        ("235 newton", 235.0, "N"),
        ("235 newtons", 235.0, "N"),
    ],
)
def test_ways_to_type_a_force(text: str, newtons: float, unit: str) -> None:
    got, thought_in = parse_force(text)
    assert got == pytest.approx(newtons, rel=1e-15)
    assert thought_in == unit


def test_a_bare_number_is_refused_and_shows_what_is_at_stake() -> None:
    with pytest.raises(UnitError) as error:
        parse_force("50")
    text = str(error.value)
    # 50 kgf = 490.3325 N and 50 lbf = 222.411 N (exact arithmetic, derived).
    assert "no unit" in text
    assert "490 N" in text
    assert "222 N" in text
    for way_out in ("50kgf", "50lbf", "50N"):
        assert way_out in text


@pytest.mark.parametrize("text", ["24 stone", "24kN", "24 g", "24kgs", "24 k"])
def test_an_unknown_unit_is_named_with_those_that_are_known(text: str) -> None:
    with pytest.raises(UnitError) as error:
        parse_force(text)
    assert all(unit in str(error.value) for unit in UNITS)


@pytest.mark.parametrize(
    "text", ["", "kgf", "24 24kgf", "1e3N", "24kgf!", "nan N", "inf N", "24_0N", "0x18N", "1.2.3N", "--3N"]
)
def test_nonsense_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(UnitError, match="24kgf"):
        parse_force(text)


@pytest.mark.parametrize("text", ["0N", "-3kgf", "-0.0N", "0,0 lbf", "9" * 400 + "N"])
def test_a_pull_must_pull(text: str) -> None:
    with pytest.raises(UnitError, match="more than 0 N"):
        parse_force(text)


def test_twenty_eight_kilogram_force_is_not_sixty_two_pounds() -> None:
    # "28 kg (274 N or about 62 lb)": Cross & Bower, Measurements of string tension in a tennis racket, introduction.
    # The two differ by 1.2 N (274.5862 and 275.7897 N), and no display may round one into the other.
    kgf28, lbf62 = parse_force("28kgf")[0], parse_force("62lbf")[0]
    assert lbf62 - kgf28 == pytest.approx(1.203540146151, rel=1e-12)
    for unit in UNITS:
        assert show_force(kgf28, unit) != show_force(lbf62, unit)
    assert show_force(kgf28, "lbf") == "61.7 lbf"
    assert show_force(lbf62, "kgf") == "28.12 kgf"
    assert show_force(kgf28, "N") == "274.6 N"


@given(forces_n, units)
def test_what_is_shown_can_be_typed_again(force_n: float, unit: str) -> None:
    text = show_force(force_n, unit)
    again, thought_in = parse_force(text)
    assert thought_in == unit
    assert abs(again - force_n) <= shown_half[unit] * (1.0 + 1e-9)
    assert show_force(again, unit) == text


@given(st.floats(0.01, 200.0), units)
def test_a_typed_number_comes_back(value: float, unit: str) -> None:
    newtons, _ = parse_force(f"{value:.6f}{unit}")
    factor = {"N": 1.0, "kgf": constants.kgf, "lbf": constants.lbf}[unit]
    assert math.isclose(newtons / factor, float(f"{value:.6f}"), rel_tol=1e-15)


@given(st.text(max_size=12))
def test_any_text_is_a_force_or_a_unit_error(text: str) -> None:
    try:
        newtons, unit = parse_force(text)
    except UnitError as error:
        assert str(error)
    else:
        assert newtons > 0.0 and math.isfinite(newtons)
        assert unit in UNITS


def test_units_shown_are_those_named() -> None:
    with pytest.raises(KeyError):
        show_force(1.0, "stone")
