"""Weights to newtons: gravity, buoyancy, tolerances, correlation, and what people type."""

from __future__ import annotations

import math

import pytest
from evenbed.calibration.budget import Budget
from evenbed.calibration.weights import (
    MPE_MG,
    Place,
    Rigging,
    WeightError,
    air_density,
    friction_share,
    normal_gravity,
    parse_weights,
    place_at,
    stack,
    standard_place,
    weight_force,
)
from hypothesis import given, settings
from hypothesis import strategies as st

HERE = Place(9.80665, 0.0, 1.2, 0.1)


@pytest.mark.parametrize(
    ("latitude", "g"),
    # WGS 84 (NGA.STND.0036): equator and pole printed, the others derived from its constants.
    [
        (0.0, 9.7803253359),
        (30.0, 9.7932472692),
        (45.0, 9.8061977693),
        (50.0, 9.8107021356),
        (52.0, 9.8124740779),
        (60.0, 9.8191769531),
        (90.0, 9.8321849378),
    ],
)
def test_normal_gravity_of_wgs_84(latitude: float, g: float) -> None:
    assert normal_gravity(latitude) == pytest.approx(g, abs=1e-9)
    assert normal_gravity(-latitude) == pytest.approx(g, abs=1e-9)


def test_somigliana_in_its_other_form() -> None:
    # g = ge (1 + k sin2)/sqrt(1 - e2 sin2), NGA.STND.0036 eq. 4-1, printed k and e2.
    for latitude in range(0, 91, 5):
        s2 = math.sin(math.radians(latitude)) ** 2
        other = 9.7803253359 * (1 + 0.00193185265241 * s2) / math.sqrt(1 - 0.00669437999014 * s2)
        assert normal_gravity(latitude) == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize(
    ("latitude", "height", "g"),
    # Free air to second order, WGS 84 (derived from the formula and its constants).
    [(45.0, 1000.0, 9.803112944), (45.0, 2000.0, 9.800029564), (0.0, 1000.0, 9.777238367), (90.0, 1000.0, 9.829102274)],
)
def test_gravity_falls_with_height(latitude: float, height: float, g: float) -> None:
    assert normal_gravity(latitude, height) == pytest.approx(g, abs=2e-9)


def test_gravity_off_the_globe_is_refused() -> None:
    for latitude, height in ((91.0, 0.0), (-90.5, 0.0), (50.0, 20_000.0), (math.nan, 0.0)):
        with pytest.raises(WeightError):
            normal_gravity(latitude, height)
    with pytest.raises(WeightError, match="nowhere"):
        Place(9.9, 0.0)


def test_buoyancy() -> None:
    # OIML D 28: 20 kg conventional mass under standard gravity (derived): 196.103 580 05 N in air of 1.2, any density.
    for density in (8000.0, 7000.0, 2700.0, 1000.0):
        assert weight_force(20.0, HERE, density) == pytest.approx(196.10358005, rel=1e-9)
    for density, air, force in ((7000.0, 1.1, 196.106382), (8000.0, 1.1, 196.106032), (2700.0, 1.0, 196.118113)):
        assert weight_force(20.0, Place(9.80665, 0.0, air), density) == pytest.approx(force, abs=1e-6)


def test_air_density() -> None:
    # OIML R 111-1 Annex E approximation (derived): 1.199 260, dry 1.204 494, 1.171 721 kg/m3.
    assert air_density(1013.25, 50.0, 20.0) == pytest.approx(1.199260, abs=1e-6)
    assert air_density(1013.25, 0.0, 20.0) == pytest.approx(1.204494, abs=1e-6)
    assert air_density(1000.0, 40.0, 23.0) == pytest.approx(1.171721, abs=1e-6)


def test_maximum_permissible_errors() -> None:
    # OIML R 111-1:2004 Table 1, mg, as printed for M1, M2, M3 (read in two secondary copies).
    printed = {
        50_000: (2500, 8000, 25_000),
        20_000: (1000, 3000, 10_000),
        10_000: (500, 1600, 5000),
        5000: (250, 800, 2500),
        2000: (100, 300, 1000),
        1000: (50, 160, 500),
        500: (25, 80, 250),
        200: (10, 30, 100),
        100: (5, 16, 50),
        50: (3, 10, 30),
        20: (2.5, 8, 25),
        10: (2, 6, 20),
    }
    for nominal, row in printed.items():
        assert tuple(MPE_MG[name][nominal] for name in ("M1", "M2", "M3")) == row
    # 20 kg of M1: 9.81 mN (derived).
    load = stack(parse_weights("20kg M1"), HERE)
    weights = next(t for t in load.terms if t.name.startswith("weights"))
    assert weights.distribution == "rectangular"
    assert weights.value * weights.sensitivity == pytest.approx(9.81e-3, rel=1e-3)


def test_typed_weights() -> None:
    (m1,) = parse_weights("5kg M1")
    assert (m1.mass_kg, m1.half_kg, m1.kind, m1.set_name) == (5.0, pytest.approx(250e-6), "class", "M1")
    (home,) = parse_weights("20 lb ±1%")
    assert home.mass_kg == pytest.approx(9.0718474)  # 20 x 0.453 592 37
    assert home.half_kg == pytest.approx(0.090718474)
    (bucket,) = parse_weights("bucket 12.43kg ±0.05")
    assert (bucket.mass_kg, bucket.half_kg, bucket.kind) == (12.43, pytest.approx(0.05), "bucket")
    assert bucket.density_kg_m3 == 1000.0
    assert [w.mass_kg for w in parse_weights("2x 10kg M2 set A + 500 g M2 set A")] == [10.0, 10.0, 0.5]
    for text in ("10kg +- 20g", "10 kg +/-20 g", "10,0kg ±0,02kg", " 10000g ± 20 g "):
        (w,) = parse_weights(text)
        assert (w.mass_kg, w.half_kg) == (pytest.approx(10.0), pytest.approx(0.02))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("20", "has no unit: 20 kg pulls with 196.1 N, 20 lb only with 89.0 N"),
        ("20 lb", "does not say how well it is known"),
        ("20kgf", "is a force"),
        ("20 st ±1%", "'st' is not a unit"),
        ("3kg M1", "1, 2 or 5 times a power of ten"),
        ("5kg E2", "class E2 is not in the table"),
        ("5kg M1 ±1g", "a class and a tolerance"),
        ("5kg ±0", "not possible"),
        ("5kg ±30%", "not possible"),
        ("5kg ±1 stone", "'stone' is not a unit"),
        ("900kg ±1%", "outside"),
        ("bucket", "not understood"),
        ("5kg M1 +", "not understood"),
        ("", "not understood"),
        ("0x 5kg M1", "too many or too few"),
    ],
)
def test_what_cannot_be_understood_says_what_to_write(text: str, says: str) -> None:
    with pytest.raises(WeightError) as caught:
        parse_weights(text)
    assert says in str(caught.value)


@settings(deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_understood_or_refused_for_people(text: str) -> None:
    try:
        for weight in parse_weights(text):
            assert 0.0 < weight.half_kg < weight.mass_kg
    except WeightError as error:
        assert str(error)


def test_a_set_adds_linearly_and_strangers_by_squares() -> None:
    # Four 5 kg weights of M1, +-250 mg each: 1 g together if alike, 0.5 g if not (derived).
    def half_mn(correlation: float) -> float:
        terms = [t for t in stack(parse_weights("4x 5kg M1"), HERE, correlation=correlation).terms if "weights" in t.name]
        return Budget(0.0, tuple(terms)).u_n * math.sqrt(3.0) * 1000.0

    assert half_mn(1.0) == pytest.approx(9.80665 * 1.0, rel=1e-3)
    assert half_mn(0.0) == pytest.approx(9.80665 * 0.5, rel=1e-3)
    # Half in common: (4 x 1/2)^2 + 4 x (1 - 1/4) = 7 times 250 mg squared (derived).
    assert half_mn(0.5) == pytest.approx(9.80665 * 0.25 * math.sqrt(7.0), rel=1e-3)
    two_sets = stack(parse_weights("5kg M1 set A + 5kg M1 set B"), HERE)
    assert Budget(0.0, tuple(t for t in two_sets.terms if "weights" in t.name)).u_n == pytest.approx(
        math.sqrt(2.0) * 250e-6 * 9.80665 / math.sqrt(3.0), rel=1e-3
    )


def test_air_density_moves_the_force() -> None:
    for text in ("20kg M1", "bucket 20kg ±0.05 + 5kg M1"):
        weights = parse_weights(text)
        air = next(t for t in stack(weights, HERE).terms if t.name == "air density")
        denser = stack(weights, Place(9.80665, 0.0, 1.21)).force_n - stack(weights, HERE).force_n
        assert air.sensitivity == pytest.approx(denser / 0.01, rel=1e-6)


def test_pulley_ratio_and_friction() -> None:
    plain = stack(parse_weights("10kg M1"), HERE)
    lever = stack(parse_weights("10kg M1"), HERE, Rigging(2.0, 0.01, 0.03))
    assert lever.force_n == pytest.approx(2.0 * plain.force_n)
    by_name = {t.name: t for t in lever.terms}
    assert by_name["force ratio"].contribution_n == pytest.approx(0.01 / math.sqrt(3.0) * plain.force_n)
    assert by_name["rigging friction"].contribution_n == pytest.approx(0.03 / math.sqrt(3.0) * lever.force_n)
    halved = stack(parse_weights("10kg M1"), HERE, Rigging(2.0, 0.01, 0.03, averaged=True))
    assert {t.name: t for t in halved.terms}["rigging friction"].contribution_n == pytest.approx(
        0.5 * by_name["rigging friction"].contribution_n
    )
    # F (1 - mu) going up, F (1 + mu) coming down (derived).
    assert friction_share(97.0, 103.0) == pytest.approx(0.03)
    with pytest.raises(WeightError):
        friction_share(97.0, -103.0)


def test_a_rough_place_says_so() -> None:
    here = place_at(52.0, 50.0)
    assert here.g_m_s2 == pytest.approx(normal_gravity(52.0, 50.0))
    assert 5e-4 < here.u_g_m_s2 < 1e-3  # below 0.01 % of g
    assert standard_place().u_g_m_s2 > 10.0 * here.u_g_m_s2
    # Pole less equator is 0.530 24 % of g (derived from WGS 84).
    assert (normal_gravity(90.0) - normal_gravity(0.0)) / normal_gravity(0.0) == pytest.approx(0.0053024, abs=1e-6)


def test_nothing_hung_and_bad_rigging_are_refused() -> None:
    with pytest.raises(WeightError, match="No weight"):
        stack((), HERE)
    with pytest.raises(WeightError, match="ratio"):
        stack(parse_weights("5kg M1"), HERE, Rigging(0.0))
    with pytest.raises(WeightError, match="correlation"):
        stack(parse_weights("5kg M1"), HERE, correlation=1.5)


@settings(deadline=None)
@given(st.floats(0.01, 100.0), st.floats(9.77, 9.83), st.floats(0.9, 1.3))
def test_force_goes_with_mass_and_gravity(mass: float, g: float, air: float) -> None:
    place = Place(g, 0.0, air)
    assert weight_force(2.0 * mass, place) == pytest.approx(2.0 * weight_force(mass, place))
    assert weight_force(mass, place) == pytest.approx(mass * g * (1.0 - air / 8000.0))
