"""String lengths against exact chords, roots and integrals computed by scipy."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from evenbed.racquet import geometry
from evenbed.racquet.file import examples, read
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

A, B = 126.0, 167.5  # half width and half length of a hoop, mm


@given(st.floats(1.6, 4.0), st.floats(0.01, 0.99))
@settings(max_examples=60, deadline=None)
def test_chords_of_a_superellipse_are_the_roots_of_its_equation(n: float, share: float) -> None:
    # scipy.optimize.brentq on |x/a|^n + |y/b|^n = 1.
    hoop = geometry.Superellipse(2 * B, 2 * A, n)
    up = brentq(lambda y: share**n + (y / B) ** n - 1.0, 0.0, B)
    assert hoop.main_mm(share * A) == pytest.approx(2.0 * up, rel=1e-9)
    out = brentq(lambda x: (x / A) ** n + share**n - 1.0, 0.0, A)
    for y in (B * (1.0 - share), B * (1.0 + share)):
        assert geometry.cross_lengths_mm(hoop, [y])[0] == pytest.approx(2.0 * out, rel=1e-9)


@pytest.mark.parametrize("distance", [0.0, 30.0, 60.0, 99.0])
def test_chords_of_a_circle(distance: float) -> None:
    # A chord at distance d from the centre is 2 sqrt(r^2 - d^2) (Euclid III.14 and I.47).
    exact = 2.0 * math.sqrt(100.0**2 - distance**2)
    circle = geometry.Superellipse(200.0, 200.0)
    assert circle.main_mm(distance) == pytest.approx(exact, rel=1e-12)
    assert geometry.cross_lengths_mm(circle, [100.0 - distance])[0] == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize("n", [1.7, 2.0, 2.3, 3.5])
def test_the_area_is_the_integral_of_the_chords(n: float) -> None:
    hoop = geometry.Superellipse(2 * B, 2 * A, n)
    integral, error = quad(hoop.main_mm, 0.0, A)
    assert hoop.area_mm2() == pytest.approx(2.0 * integral, abs=2.0 * error + 0.01)


@pytest.mark.parametrize(("length", "width", "cm2"), [(394.0, 292.0, 903.6), (280.0, 220.0, 483.8)])
def test_areas_of_the_largest_hoops_that_tennis_and_badminton_allow(length: float, width: float, cm2: float) -> None:
    # Derived from the ellipse's pi a b, to a tenth of a square centimetre.
    assert geometry.Superellipse(length, width).area_mm2() / 100.0 == pytest.approx(cm2, abs=0.05)


@pytest.mark.parametrize("n", [2.0, 2.6])
def test_an_outline_of_points_comes_close_to_the_curve_from_inside(n: float) -> None:
    curve = geometry.Superellipse(2 * B, 2 * A, n)
    polygon = geometry.Polygon(curve.points())
    assert polygon.length_mm == pytest.approx(2 * B) and polygon.width_mm == pytest.approx(2 * A, abs=0.2)
    for share in (0.03, 0.2, 0.5, 0.8, 0.93):
        # A straight step s round a bend of radius r lies s^2 / 8 r inside it: 0.13 mm for 9 mm round 80 mm. Where a chord
        # meets the outline at a slant, more of it is seen along the chord, and a main has two ends.
        assert -1e-9 <= curve.main_mm(share * A) - polygon.main_mm(share * A) < 1.0
        for y in (B * (1 - share), B * (1 + share)):
            assert -1e-9 <= curve.half_width_mm(y) - polygon.half_width_mm(y) < 0.3
    assert polygon.area_mm2() == pytest.approx(curve.area_mm2(), rel=2e-3)


def test_a_polygon_of_straight_lines_is_exact() -> None:
    # A rhombus: chords by similar triangles.
    rhombus = geometry.Polygon(((0.0, 0.0), (100.0, 150.0), (0.0, 300.0)))
    assert rhombus.main_mm(25.0) == pytest.approx(225.0)
    assert geometry.cross_lengths_mm(rhombus, [75.0, 150.0, 270.0]) == pytest.approx((100.0, 200.0, 40.0))
    assert rhombus.area_mm2() == pytest.approx(30_000.0)
    assert rhombus.main_mm(101.0) == 0.0 and rhombus.half_width_mm(301.0) == 0.0


@given(st.integers(2, 15), st.integers(4, 30), st.floats(1.0, 2.0))
@settings(max_examples=60, deadline=None)
def test_estimated_places_are_even_or_open_outwards(per_side: int, crosses: int, opening: float) -> None:
    xs = geometry.spread_mains_mm(250.0, per_side, opening)
    gaps = [2 * xs[0], *(b - a for a, b in pairwise(xs))]  # the first lies between the centre mains
    assert all(after >= before - 1e-9 for before, after in pairwise(gaps))
    assert gaps[-1] == pytest.approx(opening * gaps[0]) and xs[-1] < 125.0
    ys = geometry.spread_crosses_mm(340.0, crosses, opening)
    assert all(b > a for a, b in pairwise(ys))
    assert [340.0 - y for y in reversed(ys)] == pytest.approx(ys)  # head and throat alike


def test_strings_of_the_examples_are_chords_of_their_hoops() -> None:
    for name, path in examples().items():
        racquet = read(path)
        if name.startswith("demo"):
            continue  # its lengths are given
        hoop = geometry.hoop_of(racquet)
        for x, mm in zip(racquet.mains_x_mm, racquet.main_lengths_mm, strict=True):
            assert hoop.main_mm(x) == mm
        for y, mm in zip(racquet.crosses_y_mm, racquet.cross_lengths_mm, strict=True):
            assert 2 * hoop.half_width_mm(y) == mm
