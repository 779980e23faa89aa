"""The simulated string from outside: closed forms, an independent integrator, and what must hold for any handling.

Capstan ratios exp(mu*theta): Euler-Eytelwein (numbers derived from the formula). Where a check names no source, it
is the algebra of springs in series, written out beside it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from evenbed_sim import presets
from evenbed_sim.plant import Plant
from evenbed_sim.presets import ARAMID, BADMINTON_NYLON, FAMILIES, GUT, NYLON, POLYESTER, StringPreset
from evenbed_sim.strand import Strand, StrandParams
from evenbed_sim.viscoelastic import log_law_series
from hypothesis import given, settings
from hypothesis import strategies as st
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


def let_off(strand: Strand) -> None:
    while strand.force_n > 0.0:
        strand.advance(0.002, -0.02)


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
    ramp = series.equilibrium * 0.63 - sum(w * tau * math.expm1(-0.63 / tau) for w, tau in zip(weights, taus, strict=True))
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
    maker: type[StrandParams], family: StringPreset, scale: float
) -> None:
    """A look of +1 % in 0.3 s right after take-up feels the full length if the clamp is open, the outer part if closed."""
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


# --- hands -------------------------------------------------------------------------------------------------------
def test_hand_over_shares_the_tension() -> None:
    # Elastic, no friction: T = sum(T_i/k_i) / sum(1/k_i) over everything that joins, the rig included.
    strand = Strand(replace(ELASTIC, k_rig_n_per_mm=150.0, previous_mm=400.0, previous_tension_n=200.0))
    pull_to(strand, 240.0)
    before = strand.force_n
    stiff = strand.stiffness_n_per_mm()
    assert strand.tensions_n()[0] == 200.0
    strand.free_previous_clamp()
    give = 1.0 / 10.0 + 1.0 / 20.0 + 1.0 / 150.0
    shared = (before * give + 200.0 / 10.0) / (give + 1.0 / 10.0)
    assert strand.tensions_n() == pytest.approx((shared,) * 3, rel=1e-9)
    assert strand.stiffness_n_per_mm() == pytest.approx(1.0 / (1.0 / stiff + 1.0 / 10.0), rel=1e-9)
    with pytest.raises(RuntimeError):
        strand.free_previous_clamp()
    with pytest.raises(RuntimeError):
        Strand(ELASTIC).free_previous_clamp()


def test_previous_string_relaxes_behind_its_clamp() -> None:
    strand = Strand(presets.main(POLYESTER, previous_mm=330.0, previous_tension_n=200.0))
    strand.advance(30.0, 0.0)
    # Pulled 30 s ago; another 30 s cost log10(2) decades of the one-second force, a little more than 200 N.
    lost = 200.0 - strand.tensions_n()[0]
    assert lost == pytest.approx(0.086 * math.log10(2.0) * 200.0 / (1.0 - 0.086 * math.log10(30.0)), rel=0.15)


def test_push_and_feed() -> None:
    strand = Strand(ELASTIC)
    strand.advance(0.1, 30.0)
    k = 4000.0 / 600.0
    strand.add_path(2.0, 0.2)
    strand.add_path(-3.0, 0.3)
    strand.advance(0.1, 0.0)
    assert strand.force_n == pytest.approx(31.0 * k, rel=1e-9)
    strand.advance(0.25, 0.0)
    assert strand.force_n == pytest.approx((32.0 - 1.5) * k, rel=1e-9)
    assert strand.peak_n == pytest.approx(32.0 * k, rel=1e-9)
    strand.advance(10.0, 0.0)
    assert strand.force_n == pytest.approx(29.0 * k, rel=1e-9)
    strand.reset_peak()
    assert strand.peak_n == strand.force_n


def test_feeding_relieves_the_crossings() -> None:
    strand = Strand(presets.cross(NYLON))
    pull_to(strand, 240.0)
    tight = strand.tensions_n()
    strand.add_path(1.0, 0.3)
    strand.add_path(-1.0, 0.3)
    hold_at(strand, 240.0, 1.0)
    eased = strand.tensions_n()
    assert eased[0] / eased[-2] > tight[0] / tight[-2] + 0.1
    assert eased[0] / eased[-1] < 1.0


def test_closed_clamp_keeps_the_bed_and_costs_the_drawback() -> None:
    strand = Strand(replace(ELASTIC, drawback_mm=0.6))
    strand.advance(0.1, 30.0)
    tension = strand.bed_tension_n()
    strand.close_clamp()
    strand.advance(0.1, 1.0)
    assert strand.force_n == pytest.approx(tension + 20.0, rel=1e-9)
    assert strand.bed_tension_n() == pytest.approx(tension, rel=1e-9)
    let_off(strand)
    # k_in 10 N/mm times 0.6 mm
    assert strand.bed_tension_n() == pytest.approx(tension - 6.0, rel=1e-9)
    # The head is not needed any more, and a new pull must not draw the clamp back twice.
    strand.advance(0.1, 20.0)
    let_off(strand)
    assert strand.bed_tension_n() == pytest.approx(tension - 6.0, rel=1e-9)


@pytest.mark.parametrize("slips_above_n", [5.0, 40.0, 120.0])
@pytest.mark.parametrize("edge_turn", [0.0, 0.2])
def test_slipping_clamp_holds_only_its_difference(slips_above_n: float, edge_turn: float) -> None:
    strand = Strand(replace(ELASTIC, edge_turn=edge_turn))
    strand.advance(0.1, 30.0)
    strand.close_clamp(slips_above_n)
    ratio = math.exp(edge_turn)
    while strand.force_n > 0.0:
        strand.advance(0.002, -0.05)
        inside, outside = strand.tensions_n()
        assert inside <= ratio * outside + slips_above_n + 1e-6
    assert strand.bed_tension_n() <= slips_above_n + 1e-6
    # And outwards: pulling drags string through again, above the difference.
    strand.advance(0.1, 40.0)
    inside, outside = strand.tensions_n()
    assert outside == pytest.approx(ratio * inside + slips_above_n, rel=1e-6)


def test_open_jaws_lose_the_bed() -> None:
    strand = Strand(replace(ELASTIC, edge_turn=0.2))
    strand.advance(0.1, 30.0)
    strand.close_clamp(0.0)
    let_off(strand)
    assert strand.bed_tension_n() == 0.0


def test_break() -> None:
    for closed in (False, True):
        strand = Strand(ELASTIC)
        strand.advance(0.1, 30.0)
        top = strand.force_n
        if closed:
            strand.close_clamp()
        strand.string_breaks()
        assert strand.force_n == 0.0
        assert strand.peak_n == top
        strand.advance(0.1, 50.0)
        assert strand.force_n == 0.0
        assert strand.bed_tension_n() == pytest.approx(top if closed else 0.0, rel=1e-9)


def test_gripper_slip() -> None:
    strand = Strand(ELASTIC)
    strand.advance(0.1, 30.0)
    strand.gripper_slips(3.0)
    assert strand.force_n == pytest.approx(27.0 * 4000.0 / 600.0, rel=1e-9)
    strand.gripper_slips(28.0)
    assert strand.force_n == 0.0
    assert strand.slack_mm == pytest.approx(1.0)


def test_nonsense_is_refused() -> None:
    strand = Strand(ELASTIC)
    for dt_s, dx_mm in ((0.0, 1.0), (-1.0, 0.0), (math.nan, 0.0), (0.1, math.inf)):
        with pytest.raises(ValueError, match="cannot advance"):
            strand.advance(dt_s, dx_mm)
    with pytest.raises(ValueError, match="cannot change the path"):
        strand.add_path(1.0, 0.0)
    with pytest.raises(ValueError, match="outwards"):
        strand.gripper_slips(-1.0)
    with pytest.raises(ValueError, match="negative difference"):
        strand.close_clamp(-1.0)
    with pytest.raises(ValueError, match="between the inside parts"):
        replace(ELASTIC, crossing_turns=(0.1,))
    with pytest.raises(ValueError, match="out of range"):
        replace(ELASTIC, ea_n=0.0)


# --- for any handling --------------------------------------------------------------------------------------------
@given(
    moves=st.lists(st.tuples(st.floats(1e-4, 5.0), st.floats(-20.0, 20.0)), min_size=1, max_size=8),
    family=st.sampled_from(FAMILIES),
)
def test_two_halves_equal_the_whole(moves: list[tuple[float, float]], family: StringPreset) -> None:
    """Straight line law, stiff rig, no friction: only the memory is left, and it is exact for any step."""
    params = replace(
        presets.main(family, slack_mm=2.0), k_rig_n_per_mm=1e12, toe_mm=0.0, stiffening=0.0, edge_turn=0.0
    )
    whole, halves = Strand(params), Strand(params)
    pull = 25.0 + 1.05 * sum(abs(dx) for _, dx in moves)
    for strand in (whole, halves):
        strand.advance(0.5, pull)
    for dt, dx in moves:
        whole.advance(dt, dx)
        halves.advance(dt / 2.0, dx / 2.0)
        halves.advance(dt / 2.0, dx / 2.0)
        assert whole.force_n == pytest.approx(halves.force_n, rel=1e-8, abs=1e-6)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.family)
def test_steps_of_eight_milliseconds_are_as_good_as_one(family: StringPreset) -> None:
    """Everything on, a woven cross: pull, hold, ease, straighten; 0.1 % of the pull tension between the two."""
    traces = []
    for dt in (0.001, 0.008):
        strand = Strand(presets.cross(family, slack_mm=4.3))
        trace = []
        for speed, time_s in ((40.0, 0.48), (0.0, 1.0), (-3.0, 0.32), (0.0, 0.4), (2.0, 0.8), (0.0, 0.8)):
            if time_s == 0.4:
                strand.add_path(2.0, 0.2)
                strand.add_path(-2.5, 0.2)
            for _ in range(round(time_s / dt)):
                strand.advance(dt, speed * dt)
            trace.append(strand.tensions_n())
        traces.append(np.array(trace))
    assert np.abs(traces[0] - traces[1]).max() <= 1e-3 * traces[0].max()


@settings(max_examples=60)
@given(
    family=st.sampled_from(FAMILIES),
    woven=st.booleans(),
    slack=st.floats(0.0, 3.0),
    stretch=st.floats(0.5, 30.0),
    pull_s=st.floats(0.05, 5.0),
    hold_s=st.floats(0.001, 20.0),
    return_s=st.floats(0.05, 5.0),
)
def test_a_closed_cycle_creates_no_energy(
    family: StringPreset, woven: bool, slack: float, stretch: float, pull_s: float, hold_s: float, return_s: float
) -> None:
    params = presets.cross(family, slack_mm=slack) if woven else presets.main(family, slack_mm=slack)
    strand = Strand(params)
    work = given_n = 0.0
    for way, time_s in ((1.0, pull_s), (0.0, hold_s), (-1.0, return_s)):
        for _ in range(100):
            before = strand.force_n
            dx = way * (slack + stretch) / 100
            strand.advance(time_s / 100, dx)
            piece = 0.5 * (before + strand.force_n) * dx
            work += piece
            given_n += max(piece, 0.0)
    assert work > -1e-9
    assert work >= 0.01 * given_n


def test_an_elastic_cycle_loses_nothing() -> None:
    strand = Strand(presets.steel_tether(30.0))
    work = 0.0
    for n in range(200):
        before = strand.force_n
        dx = 0.1 if n < 100 else -0.1
        strand.advance(0.01, dx)
        work += 0.5 * (before + strand.force_n) * dx
    assert work == pytest.approx(0.0, abs=1e-9)


OPERATIONS = st.one_of(
    st.tuples(st.just("move"), st.floats(1e-5, 2.0), st.floats(-15.0, 20.0)),
    st.tuples(st.just("move"), st.floats(1e-4, 0.01), st.floats(-0.5, 0.5)),
    st.tuples(st.just("path"), st.floats(0.01, 1.0), st.floats(-6.0, 6.0)),
    st.tuples(st.just("clamp"), st.sampled_from([-1.0, 0.0, 3.0, 50.0]), st.just(0.0)),
    st.tuples(st.just("slip"), st.floats(0.0, 5.0), st.just(0.0)),
    st.tuples(st.just("free"), st.just(0.0), st.just(0.0)),
    st.tuples(st.just("break"), st.just(0.0), st.just(0.0)),
)


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    family=st.sampled_from(FAMILIES),
    woven=st.booleans(),
    operations=st.lists(OPERATIONS, min_size=3, max_size=25),
)
def test_whatever_hands_do(
    seed: int, family: StringPreset, woven: bool, operations: list[tuple[str, float, float]]
) -> None:
    """No NaN, no pushing string, no tension ratio beyond the capstan's, the peak never below the force."""
    maker = presets.cross if woven else presets.main
    params = presets.perturbed(maker(family, previous_mm=330.0, previous_tension_n=150.0), Random(seed), 0.2)
    strand = Strand(params)
    turns = [params.round_turn, *params.crossing_turns, params.edge_turn]
    freed = clamped = broken = False
    holds = 0.0
    strand.advance(0.4, 25.0)
    for what, first, second in operations:
        if what == "move":
            strand.advance(first, second)
        elif what == "path":
            strand.add_path(second, first)
        elif what == "clamp":
            strand.close_clamp(None if first < 0.0 else first)
            clamped, holds = first != 0.0, first
        elif what == "slip":
            strand.gripper_slips(first)
        elif what == "free" and not freed:
            strand.free_previous_clamp()
            freed = True
        elif what == "break":
            strand.string_breaks()
            broken = True
        tensions = strand.tensions_n()
        assert all(0.0 <= t < 1e5 for t in tensions)
        assert strand.peak_n >= strand.force_n == tensions[-1]
        assert not (broken and strand.force_n > 0.0)
        assert math.isfinite(strand.stiffness_n_per_mm())
        assert strand.slack_mm >= 0.0
        for n, turn in enumerate(turns):
            if (n == 0 and not freed) or (n == len(turns) - 1 and clamped and holds < 0.0):
                continue
            spare = holds if n == len(turns) - 1 and clamped else 0.0
            low, high = sorted(tensions[n : n + 2])
            assert high <= low * math.exp(turn) * (1.0 + 1e-6) + spare + 1e-6


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
