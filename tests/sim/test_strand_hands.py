"""What hands do to the simulated string, and what must hold for any handling.

Where a check names no source, it is the algebra of springs in series, written out beside it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from evenbed_sim import presets
from evenbed_sim.presets import FAMILIES, NYLON, POLYESTER, StringPreset
from evenbed_sim.strand import Strand, StrandParams
from hypothesis import given, settings
from hypothesis import strategies as st

# An elastic string: 10 N/mm inside, 20 N/mm outside, nothing else.
ELASTIC = StrandParams(4000.0, 0.0, (400.0,), 200.0, k_rig_n_per_mm=1e13, drawback_mm=0.0)


def pull_to(strand: Strand, force_n: float) -> None:
    while strand.force_n < force_n:
        strand.advance(0.002, 0.05)


def hold_at(strand: Strand, force_n: float, time_s: float) -> None:
    for _ in range(round(time_s / 0.002)):
        strand.advance(0.002, (force_n - strand.force_n) / strand.stiffness_n_per_mm())


def let_off(strand: Strand) -> None:
    while strand.force_n > 0.0:
        strand.advance(0.002, -0.02)


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


@pytest.mark.parametrize("mm_s", [0.5, 2.0])
def test_what_creeps_through_the_jaws_goes_from_one_part_to_the_other(mm_s: float) -> None:
    strand = Strand(ELASTIC)
    strand.advance(0.1, 30.0)
    strand.close_clamp()
    strand.clamp_creeps(mm_s)
    strand.advance(0.1, 0.0)
    assert strand.bed_tension_n() == pytest.approx(strand.force_n)  # no difference, nothing creeps
    strand.advance(0.1, -6.0)
    set_n, inside, outside = 200.0, strand.bed_tension_n(), strand.force_n
    for _ in range(200):
        strand.advance(0.0005, 0.0)
    # d' = -(k_in + k_out) * v * d / set for the difference d, with 10 and 20 N/mm.
    shrinks = math.exp(-30.0 * mm_s / set_n * 0.1)
    assert strand.bed_tension_n() - strand.force_n == pytest.approx((inside - outside) * shrinks, rel=2e-3)
    assert 2.0 * (inside - strand.bed_tension_n()) == pytest.approx(strand.force_n - outside)
    strand.close_clamp()
    before = strand.bed_tension_n()
    strand.advance(0.1, 0.0)
    assert strand.bed_tension_n() == pytest.approx(before)  # set anew it holds
    with pytest.raises(ValueError, match="outwards only"):
        strand.clamp_creeps(-1.0)
    with pytest.raises(RuntimeError, match="no clamp on a loaded string"):
        Strand(ELASTIC).clamp_creeps(1.0)


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
@settings(deadline=None)
@given(
    moves=st.lists(st.tuples(st.floats(1e-4, 5.0), st.floats(-20.0, 20.0)), min_size=1, max_size=8),
    family=st.sampled_from(FAMILIES),
)
def test_two_halves_equal_the_whole(moves: list[tuple[float, float]], family: StringPreset) -> None:
    """Straight line law, stiff rig, no friction: only the memory is left, and it is exact for any step."""
    params = replace(presets.main(family, slack_mm=2.0), k_rig_n_per_mm=1e12, toe_mm=0.0, stiffening=0.0, edge_turn=0.0)
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
    """Everything on, a woven cross: pull, hold, ease, straighten; 20 ppm of the pull tension between the two."""
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
    assert np.abs(traces[0] - traces[1]).max() <= 2e-5 * traces[0].max()


@settings(max_examples=60, deadline=None)
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
