"""The simulated string from outside: closed forms, an independent integrator, and what must hold for any handling.

Capstan ratios exp(mu*theta): Euler-Eytelwein (numbers derived from the formula). Where a check names no source, it
is the algebra of springs in series, written out beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from evenbed_sim import presets
from evenbed_sim.plant import Plant
from evenbed_sim.presets import ARAMID, BADMINTON_NYLON, FAMILIES, GUT, NYLON, POLYESTER, StringPreset
from evenbed_sim.strand import Strand, StrandParams
from evenbed_sim.viscoelastic import log_law_series
from scipy.integrate import solve_ivp

STIFF = 1e13
# An elastic string: 10 N/mm inside, 20 N/mm outside, nothing else.
ELASTIC = StrandParams(4000.0, 0.0, (400.0,), 200.0, k_rig_n_per_mm=STIFF, drawback_mm=0.0)


def pull_to(strand: Strand, force_n: float, step_mm: float = 0.05, dt_s: float = 0.002) -> float:
    """Pull until the force is reached; the travel."""
    travel = 0.0
    while strand.force_n < force_n:
        strand.advance(dt_s, step_mm)
        travel += step_mm
    return travel


def hold_at(strand: Strand, force_n: float, time_s: float, dt_s: float = 0.002) -> None:
    for _ in range(round(time_s / dt_s)):
        strand.advance(dt_s, (force_n - strand.force_n) / strand.stiffness_n_per_mm())


def test_a_strand_is_a_plant() -> None:
    plant: Plant = Strand(ELASTIC)
    assert plant.force_n == plant.peak_n == plant.stiffness_n_per_mm() == plant.bed_tension_n() == 0.0


# --- springs -----------------------------------------------------------------------------------------------------
def test_stiffness_of_a_plain_string() -> None:
    # E 4 GPa, d 1.30 mm: EA 5309.29 N; L 0.6 m: 8848.8 N/m, 31.03 mm at 274.586 N (k = EA/L, derived).
    ea_n = 4000.0 * math.pi * 1.30**2 / 4.0
    assert ea_n == pytest.approx(5309.29, abs=5e-3)
    strand = Strand(StrandParams(ea_n, 0.0, (450.0,), 150.0, k_rig_n_per_mm=STIFF))
    strand.advance(1.0, 31.03)
    assert strand.force_n == pytest.approx(274.586, abs=0.05)
    assert strand.stiffness_n_per_mm() == pytest.approx(8.8488, abs=1e-4)


def test_the_rig_gives_in_series() -> None:
    strand = Strand(replace(ELASTIC, k_rig_n_per_mm=150.0))
    strand.advance(0.1, 9.0)
    k = 1.0 / (1.0 / 10.0 + 1.0 / 20.0 + 1.0 / 150.0)
    assert strand.force_n == pytest.approx(9.0 * k, rel=1e-9)
    assert strand.stiffness_n_per_mm() == pytest.approx(k, rel=1e-9)


@pytest.mark.parametrize("k", [2.0, 20.0, 60.0])
def test_tether_has_the_stiffness_asked_for(k: float) -> None:
    strand = Strand(presets.steel_tether(k, slack_mm=3.0))
    strand.advance(0.3, 5.0)
    assert strand.force_n == pytest.approx(2.0 * k, rel=1e-9)


def test_contact_is_found_inside_the_step() -> None:
    # One step of 1 s that spends 0.37 s on slack equals a ramp of 0.63 s (Prony ramp form, closed).
    params = replace(ELASTIC, loss_per_decade=0.05, slack_mm=3.7)
    series = log_law_series(0.05)
    strand = Strand(params)
    strand.advance(1.0, 10.0)
    taus, weights = series.time_constants_s, series.weights
    fading = sum(w * tau * math.expm1(-0.63 / tau) for w, tau in zip(weights, taus, strict=True))
    ramp = series.equilibrium * 0.63 - fading
    assert strand.force_n == pytest.approx(4000.0 / 600.0 * 10.0 * ramp, rel=1e-7)
    elastic = Strand(replace(ELASTIC, slack_mm=3.7))
    elastic.advance(0.01, 3.69)
    assert elastic.force_n == 0.0
    assert elastic.slack_mm == pytest.approx(0.01)
    elastic.advance(0.01, 0.02)
    assert elastic.force_n == pytest.approx(0.01 * 4000.0 / 600.0)


def test_slack_again_and_contact_again() -> None:
    strand = Strand(ELASTIC)
    strand.advance(0.1, 2.0)
    strand.advance(0.1, -5.0)
    assert strand.force_n == 0.0
    assert strand.slack_mm == pytest.approx(3.0)
    strand.advance(0.1, 4.0)
    assert strand.force_n == pytest.approx(4000.0 / 600.0, rel=1e-9)


def test_toe_costs_its_travel() -> None:
    strand = Strand(replace(ELASTIC, toe_mm=2.5))
    strand.advance(0.1, 0.01)
    assert 0.0 < strand.force_n < 1e-3
    strand.advance(1.0, 39.99)
    # e - s (1 - exp(-e/s)) with e = 40 >> s
    assert strand.force_n == pytest.approx(37.5 * 4000.0 / 600.0, rel=1e-6)


def test_stiffness_rises_with_stress() -> None:
    strand = Strand(replace(ELASTIC, stiffening=3.0))
    strand.advance(0.1, 30.0)
    # Strain 0.05: tangent up by 3 * 0.05, mean by half of that.
    assert strand.stiffness_n_per_mm() == pytest.approx(1.15 * 4000.0 / 600.0, rel=1e-6)
    assert strand.force_n == pytest.approx(30.0 * 1.075 * 4000.0 / 600.0, rel=1e-6)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.family)
def test_pull_and_hold_against_an_integrator(family: StringPreset) -> None:
    """Toe, stiffening, memory and rig together, without friction, by scipy's solve_ivp."""
    params = replace(presets.main(family, slack_mm=0.0), edge_turn=0.0)
    series = log_law_series(params.loss_per_decade, params.fast_ratio)
    taus, weights = np.array(series.time_constants_s), np.array(series.weights)
    k, rig = params.k_string_n_per_mm, params.k_rig_n_per_mm
    c, toe = params.stiffening / params.free_mm, params.toe_mm

    def law(e: float) -> tuple[float, float]:
        x = e - toe * (1.0 - math.exp(-e / toe))
        return x + c * x * x / 2.0, (1.0 - math.exp(-e / toe)) * (1.0 + c * x)

    def slope(speed: float, y: np.ndarray) -> np.ndarray:
        _, rise = law(y[0])
        h = y[1:]
        # x' = e' + F'/k_rig and F' = k (G(0) m'(e) e' - sum h/tau)
        de = (speed + k / rig * (h / taus).sum()) / (1.0 + k / rig * series.instantaneous * rise)
        return np.concatenate(([de], weights * rise * de - h / taus))

    speed, pull_s = 50.0, 25.0 / 50.0
    start = np.concatenate(([1e-9], np.zeros(len(taus))))
    pull = solve_ivp(lambda t, y: slope(speed, y), (0.0, pull_s), start, method="LSODA", rtol=1e-9, atol=1e-10)
    hold = solve_ivp(lambda t, y: slope(0.0, y), (0.0, 5.0), pull.y[:, -1], method="LSODA", rtol=1e-9, atol=1e-10)

    def force(y: np.ndarray) -> float:
        return float(k * (series.equilibrium * law(y[0])[0] + y[1:].sum()))

    strand = Strand(params)
    for _ in range(500):
        strand.advance(pull_s / 500, speed * pull_s / 500)
    assert strand.force_n == pytest.approx(force(pull.y[:, -1]), rel=1e-4)
    for _ in range(2500):
        strand.advance(0.002, 0.0)
    assert strand.force_n == pytest.approx(force(hold.y[:, -1]), rel=1e-4)


# --- friction ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("mu", "degrees", "ratio"),
    [(0.1, 90, 1.170089), (0.15, 90, 1.265693), (0.2, 180, 1.874456), (0.3, 180, 2.566332), (0.3, 360, 6.586062)],
)
@pytest.mark.parametrize("toe_mm", [0.0, 3.0])
def test_capstan_both_ways(mu: float, degrees: int, ratio: float, toe_mm: float) -> None:
    strand = Strand(replace(ELASTIC, edge_turn=mu * math.radians(degrees), toe_mm=toe_mm))
    strand.advance(0.1, 20.0)
    inside, outside = strand.tensions_n()
    assert outside / inside == pytest.approx(ratio, rel=1e-6)
    # Easing: nothing passes until the friction has turned round, then the inside is the tighter one.
    before = inside
    for _ in range(2000):
        strand.advance(0.001, -0.01)
        inside, outside = strand.tensions_n()
        if inside < before - 1e-6:
            break
        assert 1.0 / ratio - 1e-9 <= outside / inside <= ratio + 1e-9
    assert inside / outside == pytest.approx(ratio, rel=1e-6)


def test_three_turns_multiply() -> None:
    # 0.15, three full turns: 16.902 024 (derived)
    turn = 0.15 * 2.0 * math.pi
    strand = Strand(replace(ELASTIC, inside_mm=(200.0,) * 3, crossing_turns=(turn, turn), edge_turn=turn))
    strand.advance(0.1, 20.0)
    tensions = strand.tensions_n()
    assert tensions[-1] / tensions[0] == pytest.approx(16.902024, rel=1e-6)


def test_stiffness_with_friction_pulling_and_easing() -> None:
    r = math.exp(0.3)
    strand = Strand(replace(ELASTIC, edge_turn=0.3))
    strand.advance(0.1, 10.0)
    # dx = dT (1/k_out + 1/(R k_in)) while string passes; the outer part alone while it does not.
    sliding = 1.0 / (1.0 / 20.0 + 1.0 / (r * 10.0))
    assert strand.force_n == pytest.approx(10.0 * sliding, rel=1e-9)
    assert strand.stiffness_n_per_mm() == pytest.approx(sliding, rel=1e-9)
    top = strand.force_n
    strand.advance(0.1, -0.5)
    assert strand.force_n == pytest.approx(top - 0.5 * 20.0, rel=1e-9)
    assert strand.stiffness_n_per_mm() == pytest.approx(20.0, rel=1e-9)
    assert strand.bed_tension_n() == pytest.approx(top / r, rel=1e-9)
    # A full reversal: T falls to (top/R)/R on the outer spring, then both ease with T_in = R T_out.
    turned = top / r / r
    travel = (top - turned) / 20.0
    strand.advance(0.1, -(travel - 0.5) - 1.0)
    easing = 1.0 / (1.0 / 20.0 + r / 10.0)
    assert strand.force_n == pytest.approx(turned - easing, rel=1e-9)


def test_cross_pulled_through_its_neighbour_carries_about_half() -> None:
    # Common practice, no source: a cross pulled only through the next one round the frame carries about half.
    params = presets.main(NYLON, previous_mm=330.0, slack_mm=0.0)
    strand = Strand(params)
    strand.free_previous_clamp()
    pull_to(strand, 240.0)
    previous, inside, _ = strand.tensions_n()
    assert previous / inside == pytest.approx(math.exp(-NYLON.mu_grommet * math.pi), rel=1e-6)
    assert 0.4 < previous / 240.0 < 0.6


def test_a_small_cycle_shows_the_friction_band() -> None:
    """A cycle within the band is stiff and lossless at the outer part; without friction it is soft."""
    for family in (NYLON, POLYESTER):
        strand = Strand(replace(presets.cross(family), loss_per_decade=0.0, fast_ratio=None))
        pull_to(strand, 200.0)
        full = strand.stiffness_n_per_mm()
        top = strand.force_n
        strand.advance(0.01, -0.01)
        assert (top - strand.force_n) / 0.01 > 1.5 * full
        strand.advance(0.01, 0.01)
        assert strand.force_n == pytest.approx(top, rel=1e-6)


FRICTION_CASES = [
    (maker, family, scale)
    for maker in (presets.main, presets.cross)
    for family in (GUT, NYLON, POLYESTER, ARAMID)
    for scale in (0.0, 0.5, 1.0, 1.5)
]


def with_friction(params: StrandParams, scale: float) -> StrandParams:
    return replace(
        params,
        edge_turn=params.edge_turn * scale,
        crossing_turns=tuple(t * scale for t in params.crossing_turns),
        round_turn=params.round_turn * scale,
    )


@pytest.mark.parametrize(("maker", "family", "scale"), FRICTION_CASES)
def test_upward_look_tells_an_open_clamp_from_a_closed_one(
    maker: Callable[..., StrandParams], family: StringPreset, scale: float
) -> None:
    """A look of +1 % right after take-up feels the full length if the clamp is open, the outer part if closed."""
    felt = {}
    for closed in (False, True):
        strand = Strand(with_friction(maker(family), scale))
        pull_to(strand, 240.0, 0.02)
        hold_at(strand, strand.force_n, 2.0)
        strand.close_clamp(None if closed else 0.0)
        start, travel = strand.force_n, 0.0
        while strand.force_n < 1.01 * start:
            strand.advance(0.003, 0.0002)
            travel += 0.0002
        felt[closed] = (strand.force_n - start) / travel
    assert felt[True] > 1.5 * felt[False]


def test_easing_cannot_tell_them_apart_at_first() -> None:
    """With friction at the edge the first easing moves the outer part alone, clamp or no clamp."""
    felt = []
    for slips_above_n in (None, 0.0):
        strand = Strand(replace(presets.main(NYLON), drawback_mm=0.0))
        pull_to(strand, 240.0)
        strand.close_clamp(slips_above_n)
        start, travel = strand.force_n, 0.0
        while strand.force_n > 0.95 * start:
            strand.advance(0.002, -0.001)
            travel += 0.001
        felt.append((start - strand.force_n) / travel)
    assert felt[0] == pytest.approx(felt[1], rel=0.02)


# --- presets -----------------------------------------------------------------------------------------------------
def test_presets_order_and_range() -> None:
    # Polyester is stiffer than nylon, aramid stiffer than both (Mandell et al., Fatigue and environmental resistance
    # of polyester and nylon fibers, abstract; yarn moduli of a deep-mooring rope paper, Table 1).
    assert NYLON.ea_n < POLYESTER.ea_n < ARAMID.ea_n
    stiffest = presets.main(ARAMID, 280.0, k_rig_n_per_mm=250.0)
    softest = presets.main(BADMINTON_NYLON, 450.0, previous_mm=330.0, previous_tension_n=80.0)
    felt = []
    for params in (softest, stiffest):
        strand = Strand(with_friction(params, 0.0))
        if params.previous_mm:
            strand.free_previous_clamp()
        pull_to(strand, 105.0 if params is softest else 240.0)
        felt.append(strand.stiffness_n_per_mm())
    assert felt[0] < 2.0
    assert felt[1] > 60.0


def test_perturbing_is_repeatable_and_bounded() -> None:
    params = presets.cross(NYLON, previous_mm=330.0, previous_tension_n=150.0)
    assert presets.perturbed(params, Random(3), 0.2) == presets.perturbed(params, Random(3), 0.2)
    assert presets.perturbed(params, Random(3), 0.2) != presets.perturbed(params, Random(4), 0.2)
    assert presets.perturbed(params, Random(3), 0.0) == params
    for seed in range(50):
        other = presets.perturbed(params, Random(seed), 0.2)
        for name in ("ea_n", "edge_turn", "toe_mm", "slack_mm", "k_rig_n_per_mm", "drawback_mm"):
            assert 0.8 <= getattr(other, name) / getattr(params, name) <= 1.2
        Strand(other)
