"""Columns, whirling shafts, guides, cell and converter against published formulas and numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenbed.design.bridge import counts_per_n, counts_per_v, full_scale_n, noise_n
from evenbed.design.structure import (
    BEAM,
    COLUMN,
    E_MPA,
    buckling_n,
    guide_n,
    guide_share,
    inertia_kg_m2,
    whirl_turns_s,
)
from evenbed.rig.tables import Cell, Converter, Rig
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import eigh
from scipy.optimize import brentq

ENDS = ("fixed-free", "supported-supported", "fixed-supported", "fixed-fixed")


def beam_matrices(ends: str, n: int = 24) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stiffness, geometric stiffness and mass of a beam of length 1, EI = rho A = 1, by cubic finite elements (textbooks),
    with the ends held."""
    h = 1.0 / n
    k = (
        np.array(
            [
                [12, 6 * h, -12, 6 * h],
                [6 * h, 4 * h * h, -6 * h, 2 * h * h],
                [-12, -6 * h, 12, -6 * h],
                [6 * h, 2 * h * h, -6 * h, 4 * h * h],
            ]
        )
        / h**3
    )
    g = np.array(
        [
            [36, 3 * h, -36, 3 * h],
            [3 * h, 4 * h * h, -3 * h, -h * h],
            [-36, -3 * h, 36, -3 * h],
            [3 * h, -h * h, -3 * h, 4 * h * h],
        ]
    ) / (30 * h)
    m = (
        np.array(
            [
                [156, 22 * h, 54, -13 * h],
                [22 * h, 4 * h * h, 13 * h, -3 * h * h],
                [54, 13 * h, 156, -22 * h],
                [-13 * h, -3 * h * h, -22 * h, 4 * h * h],
            ]
        )
        * h
        / 420
    )
    whole = [np.zeros((2 * n + 2, 2 * n + 2)) for _ in range(3)]
    for e in range(n):
        at = slice(2 * e, 2 * e + 4)
        for into, part in zip(whole, (k, g, m), strict=True):
            into[at, at] += part
    held = {
        "fixed-free": [0, 1],
        "supported-supported": [0, 2 * n],
        "fixed-supported": [0, 1, 2 * n],
        "fixed-fixed": [0, 1, 2 * n, 2 * n + 1],
    }[ends]
    free = [i for i in range(2 * n + 2) if i not in held]
    return whole[0][np.ix_(free, free)], whole[1][np.ix_(free, free)], whole[2][np.ix_(free, free)]


@pytest.mark.parametrize(
    ("ends", "in_theory"),
    [("fixed-free", 0.25), ("supported-supported", 1.0), ("fixed-supported", 2.0), ("fixed-fixed", 4.0)],
)
def test_column_constants_are_not_above_theory(ends: str, in_theory: float) -> None:
    """Shigley Table 4-2 (from memory): in theory 1/4, 1, 2, 4; recommended 1/4, 1, 1.2, 1.2. Theory by an eigenvalue."""
    k, g, _ = beam_matrices(ends)
    c = float(eigh(k, g, eigvals_only=True)[0]) / math.pi**2
    assert c == pytest.approx(in_theory, rel=0.03)  # "2" is 2.046
    assert COLUMN[ends] <= c * (1.0 + 1e-6)
    assert {"fixed-free": 0.25, "supported-supported": 1.0}.get(ends, 1.2) == COLUMN[ends]


@pytest.mark.parametrize("ends", ENDS)
def test_vibration_roots(ends: str) -> None:
    k, _, m = beam_matrices(ends)
    assert BEAM[ends] == pytest.approx(float(eigh(k, m, eigvals_only=True)[0]) ** 0.25, rel=1e-5)


def test_roots_of_the_beam_equation() -> None:
    """cos x cosh x = -1 for one end free, tan x = tanh x for one supported (textbooks of vibration)."""
    assert BEAM["fixed-free"] == pytest.approx(brentq(lambda x: math.cos(x) * math.cosh(x) + 1.0, 1.0, 3.0), abs=1e-6)
    assert BEAM["fixed-supported"] == pytest.approx(brentq(lambda x: math.tan(x) - math.tanh(x), 3.5, 4.2), abs=1e-6)


def test_johnson_and_euler_meet_at_half_the_yield_strength() -> None:
    """Shigley ch. 4-13: both curves are tangent at Sy / 2, (L/k)^2 = 2 pi^2 C E / Sy."""
    for ends in ENDS:
        d, sy = 8.0, 400.0
        length = d / 4.0 * math.sqrt(2.0 * math.pi**2 * COLUMN[ends] * E_MPA / sy)
        area = math.pi * d * d / 4.0
        below, by_johnson = buckling_n(d, length * 0.999999, ends, sy)
        above, by_euler = buckling_n(d, length * 1.000001, ends, sy)
        assert (by_johnson, by_euler) == ("Johnson", "Euler")
        assert below == pytest.approx(sy * area / 2.0, rel=1e-5)
        assert above == pytest.approx(sy * area / 2.0, rel=1e-5)
        slope = (buckling_n(d, length * 1.0001, ends, sy)[0] - buckling_n(d, length * 0.9999, ends, sy)[0]) / 0.0002
        assert slope == pytest.approx(-sy * area, rel=1e-3)


@pytest.mark.parametrize(
    ("ends", "factor"),
    [("fixed-free", 0.36), ("supported-supported", 1.0), ("fixed-supported", 1.47), ("fixed-fixed", 2.23)],
)
def test_critical_speed_as_catalogues_of_screws_give_it(ends: str, factor: float) -> None:
    """N = C 4.76e6 d / L^2 (rev/min, inches), as screw makers' pages print it (read): C 0.36, 1, 1.47, 2.23. Their 1.47
    is rounded down from 1.56."""
    d, length = 0.5, 30.0
    published = factor * 4.76e6 * d / length**2
    found = 60.0 * whirl_turns_s(d * 25.4, length * 25.4, ends)
    assert found == pytest.approx(published, rel=0.07 if ends == "fixed-supported" else 0.025)


@pytest.mark.parametrize(
    ("ends", "factor"),
    [("fixed-free", 3.4), ("supported-supported", 9.7), ("fixed-supported", 15.1), ("fixed-fixed", 21.9)],
)
def test_permitted_speed_as_an_engineering_reference_gives_it(ends: str, factor: float) -> None:
    """n = f d / L^2 x 1e7 (rev/min, mm) with the 80 % in it: f 3.4, 9.7, 15.1, 21.9 (read)."""
    assert 0.8 * 60.0 * whirl_turns_s(12.0, 700.0, ends) == pytest.approx(factor * 12.0 / 700.0**2 * 1e7, rel=0.025)


@settings(max_examples=50)
@given(
    st.floats(4.0, 30.0), st.floats(50.0, 2000.0), st.floats(50.0, 2000.0), st.sampled_from(ENDS), st.floats(100.0, 900.0)
)
def test_a_longer_screw_never_carries_more_nor_turns_faster(
    d: float, one: float, other: float, ends: str, sy: float
) -> None:
    short, long = sorted((one, other))
    assert buckling_n(d, long, ends, sy)[0] <= buckling_n(d, short, ends, sy)[0] * (1.0 + 1e-9)
    assert whirl_turns_s(d, long, ends) <= whirl_turns_s(d, short, ends)
    assert buckling_n(d, short, ends, sy)[0] <= sy * math.pi * d * d / 4.0


def test_guides() -> None:
    """Two bearings carry the moment of the offset: sums of forces and of moments are zero (statics)."""
    force, offset, spacing = 300.0, 40.0, 80.0
    a, b = np.linalg.solve([[1.0, 1.0], [0.0, spacing]], [0.0, force * offset])
    assert (abs(a), b) == pytest.approx((guide_n(force, offset, spacing),) * 2)
    # The friction of both against the pull: at 1 no pull moves it (the crooked drawer).
    assert guide_share(offset, spacing, 0.1) == pytest.approx(0.1 * (abs(a) + b) / force)


def test_inertia() -> None:
    """A solid cylinder m d^2 / 8, and m (l / 2 pi)^2 for what a screw moves (textbooks)."""
    mass = 7850.0 * math.pi * 0.01**2 / 4.0 * 0.4
    assert inertia_kg_m2(0.0, 10.0, 400.0, 0.0, 5.0) == pytest.approx(mass * 0.01**2 / 8.0)
    assert inertia_kg_m2(300.0, 10.0, 0.0, 0.0, 5.0) == pytest.approx(3e-5)
    assert inertia_kg_m2(0.0, 10.0, 0.0, 2.0, 5.0) == pytest.approx(2.0 * (0.005 / 2.0 / math.pi) ** 2)


def test_bridge_to_counts() -> None:
    """From the converter's published range, +-0.5 V_ref / G for 24 bits (read): 2 mV/V at gain 128 give 2^32 / 1000 counts
    at capacity, 51.2 % of 2^23; it saturates at 3.906 25 mV/V."""
    cell, converter = Cell(), Converter()
    assert counts_per_n(cell, converter) * cell.capacity_n == pytest.approx(4294967.296, rel=1e-12)
    assert full_scale_n(cell, converter) == pytest.approx(cell.capacity_n * 3.90625 / 2.0, rel=1e-12)
    assert counts_per_n(Cell(rated_mv_v=1.0), converter) * cell.capacity_n == pytest.approx(2147483.648, rel=1e-12)


@pytest.mark.parametrize(
    ("gain", "millivolts", "nanovolts"), [(128.0, 19.53, 2.328), (64.0, 39.06, 4.657), (32.0, 78.125, 9.313)]
)
def test_input_range_and_step(gain: float, millivolts: float, nanovolts: float) -> None:
    """Published input ranges of a 24-bit bridge converter on 5 V (read); the step is derived."""
    converter = Converter(gain=gain)
    assert full_scale_n(Cell(), converter) * 2e-3 * 5.0 / Cell().capacity_n == pytest.approx(millivolts / 1000.0, rel=1e-3)
    assert 1e9 / counts_per_v(converter) == pytest.approx(nanovolts, rel=1e-3)


@pytest.mark.parametrize(("nanovolts", "counts", "millinewtons"), [(50.0, 21.47, 2.45), (90.0, 38.65, 4.41)])
def test_noise(nanovolts: float, counts: float, millinewtons: float) -> None:
    """50 and 90 nV RMS at 10 and 80 samples/s, gain 128 (read); on a 50 kgf, 2 mV/V cell 2.45 and 4.41 mN (derived)."""
    converter = Converter(noise_nv=nanovolts)
    assert 1000.0 * noise_n(Cell(), converter) == pytest.approx(millinewtons, abs=5e-3)
    assert noise_n(Cell(), converter) * counts_per_n(Cell(), converter) == pytest.approx(counts, abs=5e-3)


def test_steps_a_millimetre() -> None:
    """200 full steps x 16 microsteps on a lead of 2 mm: 1600 (textbooks)."""
    assert Rig().steps_mm == 1600.0
