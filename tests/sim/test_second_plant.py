"""The second plant against closed forms, so that a gap to the first one means something."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import numpy as np
import pytest
from evenbed_sim.plant import Plant

# The benchmarks' models live beside the tests, in no installed package; plain pytest does not look there.
sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.second_plant import (
    FAMILIES,
    Fibre,
    Rubbing,
    SecondPlant,
    Setup,
    Stretch,
    second_plant,
)

# Mechanics, derived: E 4 GPa (textbook nylon, from memory) and d 1.30 mm give EA = 5309.29 N.
EA_N = 5309.29
FREE_MM = 600.0
LINEAR = Fibre(EA_N, 0.0, 0.0, 0.03, 0.0, 1.0, 0.0, 5.0, 1e-6)
SMOOTH = Rubbing(0.0)
RIGID_N_PER_MM = 1e5  # a frame that gives 1e-4 of what the string does


def bench(fibre: Fibre = LINEAR, **changes: object) -> Setup:
    """A plain set-up: straight string without friction, an elastic frame that does not creep."""
    half = Stretch(fibre, 150.0)
    setup = Setup((Stretch(fibre, 300.0), half, half, Stretch(fibre, 330.0)), (SMOOTH, SMOOTH, SMOOTH))
    return replace(setup, frame_creep_share=0.0, frame_damping_ratio=0.2, **changes)  # type: ignore[arg-type]


def rigid(fibre: Fibre) -> SecondPlant:
    return SecondPlant(bench(fibre, frame_n_per_mm=RIGID_N_PER_MM, frame_kg=15.0), 0.0)


def series(*k_n_per_mm: float) -> float:
    return 1.0 / sum(1.0 / k for k in k_n_per_mm)


def pull(plant: Plant, mm: float, mm_s: float, calls: int = 50) -> None:
    for _ in range(calls):
        plant.advance(mm / mm_s / calls, mm / calls)


def settle(plant: Plant, seconds: float = 0.5) -> None:
    plant.advance(seconds, 0.0)


def test_static_stiffness_is_string_and_frame_in_series() -> None:
    # Mechanics: k = EA/L = 8848.8 N/m for L 0.6 m; springs in series.
    k = series(8.8488, 150.0)
    plant = SecondPlant(bench(), 0.0)
    pull(plant, 20.0, 20.0)
    settle(plant)
    assert plant.force_n == pytest.approx(20.0 * k, rel=1e-4)
    assert plant.stiffness_n_per_mm() == pytest.approx(k, rel=1e-5)
    assert plant.bed_tension_n() == pytest.approx(plant.force_n, rel=1e-4)


def test_toe_and_hardening_have_the_slope_they_are_given() -> None:
    # Derived: dg/dε is the derivative of g; the inverse undoes it. Central difference, step 1e-3 mm.
    stretch = Stretch(replace(LINEAR, hardening_per_strain=8.0), 300.0, toe_mm=4.0, toe_start=0.2)
    for mm in (-2.0, 0.5, 3.0, 3.9, 4.1, 10.0, 30.0):
        slope = (stretch.hardened(mm + 1e-3)[0] - stretch.hardened(mm - 1e-3)[0]) / (2e-3 / 300.0)
        assert stretch.hardened(mm)[1] == pytest.approx(slope, rel=1e-6)
    straight = replace(stretch, toe_mm=0.0)
    assert straight.elongation_mm(straight.hardened(17.0)[0]) == pytest.approx(17.0, rel=1e-12)


def test_friction_keeps_the_ratio_between_the_capstan_values_in_both_directions() -> None:
    # Euler-Eytelwein, T2/T1 = exp(mu theta): mu 0.2, 180 deg: 1.874456. Easing reverses it.
    ratio = 1.874456
    setup = bench(rubbing=(Rubbing(0.2 * math.pi), SMOOTH, SMOOTH), point_n_s_per_mm=0.002)
    plant = SecondPlant(setup, 0.0)
    seen = []
    for mm in (15.0, -10.0):
        for _ in range(150):
            plant.advance(mm / 10.0 / 150 * (1 if mm > 0 else -1), mm / 150)
            if plant.force_n > 5.0:
                seen.append(plant.force_n / plant.bed_tension_n())
        assert seen[-1] == pytest.approx(ratio if mm > 0 else 1.0 / ratio, rel=5e-3)
    assert max(seen) < ratio * 1.005
    assert min(seen) > 1.0 / ratio / 1.005


def test_tangent_agrees_with_a_small_pull_while_the_bristles_turn_round() -> None:
    # Derived: the tangent is the slope of the force in a slow pull; hardening, three rubbing points, hand-over.
    rubbing = (Rubbing(0.1), Rubbing(0.2), Rubbing(0.15))
    fibre = replace(LINEAR, hardening_per_strain=8.0)
    plant = SecondPlant(bench(fibre, rubbing=rubbing), 0.0)
    pull(plant, 15.0, 20.0)
    plant.free_previous_clamp()
    settle(plant)
    pull(plant, -0.5, -5.0)
    settle(plant)
    sticking = plant.stiffness_n_per_mm()
    before_n = plant.force_n
    pull(plant, 0.01, 0.05, calls=5)
    assert (plant.force_n - before_n) / 0.01 == pytest.approx(sticking, rel=0.02)
    pull(plant, 4.0, 5.0)
    before_n, sliding = plant.force_n, plant.stiffness_n_per_mm()
    pull(plant, 0.1, 5.0, calls=5)
    assert (plant.force_n - before_n) / 0.1 == pytest.approx(sliding, rel=0.03)
    assert sticking > 1.1 * sliding


@pytest.mark.parametrize("mm_s", [5.0, 20.0, 60.0])
def test_a_ramp_follows_the_standard_linear_solid(mm_s: float) -> None:
    # Standard linear solid at constant strain rate, derived: s = r [E0 t + E1 tau (1 - exp(-t/tau))].
    plant = rigid(replace(LINEAR, fast_share=0.7, fast_s=0.4))
    pull(plant, 12.0, mm_s)
    rate, t = mm_s / FREE_MM, 12.0 / mm_s
    expected_n = rate * EA_N * (t + 0.7 * 0.4 * (1.0 - math.exp(-t / 0.4)))
    assert plant.force_n == pytest.approx(expected_n, rel=2e-3)


def test_the_flowing_arm_relaxes_by_guiu_and_pratt() -> None:
    # From memory: dF/dt = -a sinh(F/F0) at fixed length integrates to tanh(F/2F0) ~ exp(-a t/F0).
    share, flow_n, flow_per_s = 0.6, 6.0, 1e-6
    plant = rigid(replace(LINEAR, flow_share=share, flow_n=flow_n, flow_per_s=flow_per_s))
    pull(plant, 15.0, 60.0)
    settle(plant, 0.2)
    static_n = EA_N * 15.0 / FREE_MM
    start = math.tanh((plant.force_n - static_n) / (2.0 * flow_n))
    elapsed_s, forces_n = 0.0, []
    for wait_s in (0.3, 0.7, 2.0, 7.0):
        settle(plant, wait_s)
        elapsed_s += wait_s
        left = start * math.exp(-EA_N * share * flow_per_s * elapsed_s / flow_n)
        assert plant.force_n == pytest.approx(static_n + 2.0 * flow_n * math.atanh(left), rel=5e-4)
        forces_n.append(plant.force_n)
    # ... which is F0·ln 10 for a decade of time (here nearly: from 1 s to 10 s after 0.2 s)
    assert forces_n[1] - forces_n[3] == pytest.approx(flow_n * math.log(10.0), rel=0.15)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_family_is_stiffer_the_faster_and_the_tighter(family: str) -> None:
    # Lynch-Aird & Woodhouse, Materials 10 (2017) 497, abstract: modulus depends on rate and stress (nylon);
    # 11 (2018) 2160: gut nearly linear, yet each modulus rises with stress.
    reference_n = FAMILIES[family].reference_n
    travel_mm = []
    for mm_s in (6.0, 60.0):
        plant = second_plant(family, Random(7), 0.0, woven=False)
        stiffness: list[float] = []
        steps = 0
        while plant.force_n < reference_n:
            plant.advance(0.1 / mm_s, 0.1)
            steps += 1
            if plant.force_n > reference_n * (0.4, 0.7, 0.98, 9.0)[len(stiffness)]:
                stiffness.append(plant.stiffness_n_per_mm())
        travel_mm.append(steps * 0.1)
        assert stiffness == sorted(stiffness)
    assert all(slower > faster for slower, faster in pairwise(travel_mm))


def test_ringing_has_the_frequency_of_the_frame_on_its_spring_and_the_string() -> None:
    # Mechanics: f = sqrt(k/m)/2π, frame's spring and string in parallel on the frame's mass.
    setup = replace(bench(point_n_s_per_mm=0.005), frame_damping_ratio=0.0)
    plant = SecondPlant(setup, 0.0)
    pull(plant, 15.0, 60.0)
    settle(plant, 0.1)
    sampled = []
    for _ in range(1000):
        plant.advance(5e-4, 0.0)
        sampled.append(plant.force_n)
    wave = np.array(sampled) - np.mean(sampled)
    up = np.flatnonzero((wave[:-1] < 0.0) & (wave[1:] >= 0.0))
    crossings = up - wave[up] / (wave[up + 1] - wave[up])
    hertz = (len(crossings) - 1) / ((crossings[-1] - crossings[0]) * 5e-4)
    string_n_per_mm = EA_N / FREE_MM
    expected = math.sqrt((150.0 + string_n_per_mm) * 1000.0 / setup.frame_kg) / (2.0 * math.pi)
    assert len(crossings) > 20
    assert hertz == pytest.approx(expected, rel=5e-3)


def test_contact_is_at_the_slack_wherever_the_calls_fall() -> None:
    # Derived: up to the slack nothing happens, past it the plant is one that began without slack.
    early = second_plant("aramid", Random(3), 8.0, woven=True)
    early.advance(7.999 / 60.0, 7.999)
    assert early.force_n == early.peak_n == early.stiffness_n_per_mm() == 0.0
    early.advance(1.001 / 60.0, 1.001)
    begun = second_plant("aramid", Random(3), 0.0, woven=True)
    begun.advance(1.0 / 60.0, 1.0)
    assert early.force_n > 1.0
    assert early.force_n == pytest.approx(begun.force_n, rel=1e-5)


def test_the_peak_between_calls_is_seen() -> None:
    # Derived: many short calls sample what one long call must have passed.
    long, fine = (second_plant("aramid", Random(11), 0.0, woven=False) for _ in range(2))
    for plant in (long, fine):
        pull(plant, 5.0, 60.0)
        plant.reset_peak()
    long.advance(0.05, 0.0)
    sampled = []
    for _ in range(500):
        fine.advance(1e-4, 0.0)
        sampled.append(fine.force_n)
    assert max(sampled) > sampled[0] and max(sampled) > long.force_n + 0.05
    assert long.peak_n == pytest.approx(max(sampled), abs=1e-3)


def test_straightening_lengthens_like_a_pull_and_calls_queue() -> None:
    # Mechanics: without friction the gripper cannot tell a longer path from its own travel.
    k = series(EA_N / FREE_MM, 150.0)
    plant = SecondPlant(bench(), 0.0)
    pull(plant, 20.0, 20.0)
    settle(plant)
    plant.add_path(3.0, 0.5)
    plant.add_path(-5.0, 1.0)
    for wait_s, path_mm in ((0.25, 1.5), (0.25, 3.0), (0.5, 0.5), (0.5, -2.0), (1.0, -2.0)):
        settle(plant, wait_s)
        assert plant.force_n == pytest.approx((20.0 + path_mm) * k, rel=3e-3)


def test_hand_over_shares_out_the_two_tensions() -> None:
    # Mechanics: the elongations of both strings and the frame add up before and after.
    k_free, k_previous, k_frame = EA_N / FREE_MM, EA_N / 330.0, 150.0
    plant = SecondPlant(bench(previous_share=0.7), 0.0)
    pull(plant, 20.0, 20.0)
    settle(plant)
    before_n = plant.force_n
    plant.free_previous_clamp()
    assert plant.force_n == before_n
    settle(plant, 1.0)
    expected_n = before_n * (1 / k_free + 1 / k_frame + 0.7 / k_previous) * series(k_free, k_frame, k_previous)
    assert plant.force_n == pytest.approx(expected_n, rel=1e-4)
    assert plant.stiffness_n_per_mm() == pytest.approx(series(k_free, k_frame, k_previous), rel=1e-5)


def test_hand_over_passes_nothing_round_a_loop_that_sticks() -> None:
    # Mechanics: the frame still carries the whole force, now by friction at the loop and by the anchor.
    stuck = Rubbing(20.0, bristle_mm=0.05, bristle_damping_s=1e-5)
    plant = SecondPlant(bench(rubbing=(SMOOTH, SMOOTH, stuck), previous_share=0.7), 0.0)
    pull(plant, 20.0, 20.0)
    settle(plant)
    before_n = plant.force_n
    plant.free_previous_clamp()
    settle(plant, 0.2)
    assert plant.force_n == pytest.approx(before_n, rel=2e-3)


def test_a_clamp_holds_with_its_drawback_and_slips_at_its_level() -> None:
    # Mechanics: a held bed loses T/(1 + k_clamp/k_bed) when the head lets off; a slip level bounds the difference.
    def drawn(slips_above_n: float | None) -> SecondPlant:
        plant = SecondPlant(bench(point_n_s_per_mm=0.01), 0.0)
        pull(plant, 20.0, 20.0)
        settle(plant)
        plant.close_clamp(slips_above_n)
        return plant

    held = drawn(None)
    before_n = held.bed_tension_n()
    assert held.stiffness_n_per_mm() > 1.5 * drawn(0.0).stiffness_n_per_mm()
    pull(held, -25.0, -20.0)
    settle(held)
    k_bed = EA_N / 300.0
    assert held.force_n == 0.0
    assert held.bed_tension_n() == pytest.approx(before_n / (1.0 + k_bed / 400.0), rel=1e-3)

    slipping = drawn(50.0)
    pull(slipping, -1.5, -20.0)
    settle(slipping)
    assert 20.0 < slipping.bed_tension_n() - slipping.force_n < 30.0
    pull(slipping, 1.5, 20.0)
    settle(slipping)
    assert slipping.bed_tension_n() == pytest.approx(before_n, rel=1e-3)
    differences_n = []
    for _ in range(100):
        pull(slipping, -0.15, -20.0, calls=1)
        differences_n.append(slipping.bed_tension_n() - slipping.force_n)
    assert 49.0 < max(differences_n) < 51.0
    assert slipping.bed_tension_n() < before_n - 50.0


@pytest.mark.parametrize("family", FAMILIES)
def test_rough_handling_gives_no_negative_force_and_no_false_peak(family: str) -> None:
    # Mechanics: a string cannot push. Hands are common practice, no source.
    reference_n = FAMILIES[family].reference_n
    rng = Random(f"rough {family}")
    for woven in (False, True):
        plant = second_plant(family, rng, 3.0, woven)

        def rough(seconds: float, mm_s: float, plant: Plant = plant) -> None:
            for _ in range(math.ceil(seconds / 0.004)):
                plant.advance(0.004, 0.004 * mm_s)
                assert 0.0 <= plant.force_n <= plant.peak_n < 2.5 * reference_n
                assert 0.0 <= plant.bed_tension_n() < 2.5 * reference_n

        while plant.force_n < reference_n:
            rough(0.004, 40.0)
        plant.free_previous_clamp()
        rough(0.1, 0.0)
        plant.add_path(2.0, 0.1)
        plant.add_path(-4.0, 0.2)
        rough(0.4, 1.0)
        before_n = plant.force_n
        plant.gripper_slips(2.0)
        assert plant.force_n < before_n
        rough(0.1, 10.0)
        plant.close_clamp(20.0)
        rough(0.1, -30.0)
        rough(0.1, 30.0)
        plant.string_breaks()
        assert plant.force_n == 0.0
        plant.reset_peak()
        rough(0.2, 20.0)
        assert plant.force_n == plant.peak_n == 0.0


def test_the_same_seed_gives_the_same_plant() -> None:
    first, again, other = (second_plant("nylon", Random(seed), 1.0, True) for seed in (5, 5, 6))
    for plant in (first, again, other):
        pull(plant, 12.0, 60.0, calls=5)
    assert first.force_n == again.force_n != other.force_n
