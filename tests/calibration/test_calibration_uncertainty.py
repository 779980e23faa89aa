"""A calibration in use: budget, interval, extrapolation, and whether the stated uncertainty is honest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from calibration_runs import GAIN, ZERO, run, step
from evenbed.calibration.budget import Term
from evenbed.calibration.fit import FitError
from evenbed.calibration.steps import Series
from evenbed.calibration.uncertainty import Calibration, Conditions, calibrate, show
from evenbed.calibration.weights import Load, Place, Rigging, parse_weights, stack
from hypothesis import given, settings
from hypothesis import strategies as st

HERE = Place(9.8125, 6e-4)
STACKS = ["5kg M2", "2x 5kg M2", "2x 5kg M2 + 5kg M2", "20kg M2", "20kg M2 + 5kg M2"]
FORCES = [49.0, 98.0, 147.0, 196.0, 245.0]
NONE = Conditions(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def loads(stacks: Sequence[str] = STACKS, rigging: Rigging | None = None) -> list[Load]:
    return [stack(parse_weights(text), HERE, rigging) for text in stacks]


def typical(scatter: float = 60.0, conditions: Conditions | None = None) -> Calibration:
    hung = loads()
    terms = {load.force_n: load.terms for load in hung}
    runs = [
        run([load.force_n for load in hung], scatter=scatter, seed=s, down=lambda f: 150.0, terms=lambda f: terms[f])
        for s in range(3)
    ]
    return calibrate(runs, conditions)


def test_weights_of_one_set_are_a_slope_error() -> None:
    # Fully correlated tolerances do not average out in a fit: what is left at any force is their share of it, here M2's
    # 160 ppm (5 kg) and 150 ppm (20 kg), over root 3 (OIML R 111-1 Table 1).
    for force_n in (50.0, 120.0, 245.0, 400.0):
        budget = typical(0.0, NONE).budget(force_n)
        weights = next(t for t in budget.terms if t.name.startswith("weights"))
        assert 150e-6 < abs(weights.contribution_n) * math.sqrt(3.0) / force_n < 160e-6
        gravity = next(t for t in budget.terms if t.name == "gravity")
        assert abs(gravity.contribution_n) / force_n == pytest.approx(6e-4 / 9.8125, rel=1e-6)


def test_a_common_share_stays_that_share_on_a_bent_curve() -> None:
    # All weights wrong by the same share make every force wrong by it, whatever the curve (derived).
    def share(f: float) -> list[Term]:
        return [Term("weights", 0.01 * f, "rectangular", shared="weights")]

    runs = [run(FORCES, lambda f: GAIN * f * (1.0 + 3e-4 * f), 30.0, s, terms=share) for s in range(3)]
    cal = calibrate(runs, NONE)
    assert cal.chosen.fit.degree == 2
    for force_n in (20.0, 110.0, 245.0):
        weights = next(t for t in cal.budget(force_n).terms if t.name == "weights")
        assert weights.value == pytest.approx(0.01 * force_n, rel=2e-3)


def test_one_wrong_weight_moves_the_reading_by_its_term() -> None:
    # The term of a single load, carried through the fit, is what the reading moves when that load was another force.
    def bent(f: float) -> float:
        return GAIN * f * (1.0 + 3e-4 * f)

    def made(last_n: float) -> Calibration:
        runs = []
        for s in range(3):
            one = run(FORCES, bent, 30.0, s, terms=lambda f: [Term("odd", 0.05, shared="odd")] if f == 245.0 else [])
            runs.append(Series(tuple(replace(x, force_n=last_n) if x.force_n == 245.0 else x for x in one.steps)))
        return calibrate(runs, NONE)

    right, off = made(245.0), made(245.05)
    assert right.chosen.fit.degree == off.chosen.fit.degree == 2
    for force_n in (60.0, 200.0, 240.0):
        term = next(t for t in right.budget(force_n).terms if t.name == "odd")
        moved = off.force(right.counts(force_n)) - force_n
        assert abs(term.contribution_n) == pytest.approx(abs(moved), rel=0.01)


def test_budget_names_every_source_and_adds_up() -> None:
    table = typical().budget(235.0).table()
    names = " ".join(row[0] for row in table)
    for name in (
        "weights",
        "gravity",
        "air density",
        "repeatability",
        "curve",
        "interpolation",
        "reversibility",
        "zero return",
        "resolution",
        "creep of the cell",
        "temperature",
        "guide friction",
    ):
        assert name in names
    assert sum(float(row[-1]) for row in table[:-1]) == pytest.approx(100.0, abs=1.0)


def test_reading_carries_its_uncertainty() -> None:
    cal = typical()
    reading = cal.reading(GAIN * 235.0)
    assert reading.force_n == pytest.approx(235.0, abs=0.05)
    assert 0.1 < reading.expanded.expanded_n < 1.0
    assert reading.extrapolation == ""
    assert cal.notes == ()


def test_beyond_the_top_weight() -> None:
    cal = typical()
    top = cal.top_n
    assert top == pytest.approx(25.0 * 9.8125, rel=1e-3)
    assert [cal.extrapolation(k * top) for k in (0.2, 1.0, 1.2, 1.21, 2.0, 2.01)] == ["", "", "", "warn", "warn", "refuse"]
    us = [cal.budget(k * top).expanded_n / (k * top) for k in (1.0, 1.2, 1.5, 2.0)]
    assert us == sorted(us)
    # A bend that misses by d at the ends of 0..top misses by d (2 x - 1)^2 at x times the top (derived): 9 d at twice.
    interpolation = [
        next(t for t in cal.budget(k * top).terms if t.name == "interpolation").contribution_n for k in (1.0, 2.0)
    ]
    assert interpolation[1] == pytest.approx(9.0 * interpolation[0])


def test_parabola_ends_at_the_top_weight() -> None:
    def bent(f: float) -> float:
        return GAIN * f * (1.0 + 2e-5 * f)

    cal = calibrate([run(FORCES, bent, 30.0, s, down=lambda f: 50.0) for s in range(3)])
    assert cal.chosen.fit.degree == 2
    top = cal.top_n
    straight_on = cal.counts(top) + (cal.counts(top) - cal.counts(top - 0.01)) / 0.01 * 100.0
    assert cal.counts(top + 100.0) == pytest.approx(straight_on, rel=1e-6)
    assert cal.force(cal.counts(top + 100.0)) == pytest.approx(top + 100.0, rel=1e-9)
    left = next(t for t in cal.budget(top + 100.0).terms if t.name.startswith("parabola"))
    # What the parabola would have added: GAIN 2e-5 100^2 counts over the slope at the top, GAIN (1 + 4e-5 top).
    assert left.value * abs(left.sensitivity) == pytest.approx(0.2 / (1.0 + 4e-5 * top), rel=0.2)
    us = [cal.budget(k * top).expanded_n for k in (1.0, 1.2, 1.6, 2.0)]
    assert us == sorted(us) and us[3] > 1.5 * us[0]


def test_one_weight_is_assumed_to_hide_what_it_cannot_show() -> None:
    single = calibrate([Series((step(0.0, ZERO), step(98.0, ZERO + GAIN * 98.0, 60.0)))])
    assert len(single.notes) == 4
    many = typical()
    assert single.budget(98.0).expanded_n > many.budget(98.0).expanded_n
    assert single.budget(98.0).expanded_n < 0.01 * 98.0


def test_no_step_no_calibration() -> None:
    with pytest.raises(FitError):
        calibrate([Series((step(0.0, ZERO),))])


def test_reversibility_is_taken_where_it_was_measured() -> None:
    cal = calibrate([run(FORCES, scatter=1.0, seed=s, down=lambda f: GAIN * 0.5) for s in range(3)], NONE)
    half = {
        f: next(t for t in cal.budget(f).terms if t.name == "reversibility").value for f in (0.0, 24.5, 49.0, 147.0, 170.0)
    }
    assert half[0.0] == 0.0
    assert half[24.5] == pytest.approx(0.25, abs=0.01)
    assert half[49.0] == pytest.approx(0.5, abs=0.01)
    assert half[147.0] == pytest.approx(0.5, abs=0.01)
    assert half[170.0] == pytest.approx(0.5, abs=0.01)


def test_guide_friction_and_resolution_arrive_in_the_budget() -> None:
    base = typical(conditions=NONE).budget(200.0).u_n
    with_friction = typical(conditions=replace(NONE, guide_friction_n=0.6)).budget(200.0).u_n
    assert math.sqrt(with_friction**2 - base**2) == pytest.approx(0.6 / math.sqrt(3.0), rel=1e-6)
    coarse = typical(conditions=replace(NONE, resolution_counts=GAIN * 0.2)).budget(200.0).u_n
    # r/(2 sqrt 3), twice, once for the load and once for the zero (EURAMET cg-4, from memory).
    assert math.sqrt(coarse**2 - base**2) == pytest.approx(math.sqrt(2.0) * 0.1 / math.sqrt(3.0), rel=1e-3)


def test_a_wide_tolerance_is_propagated_by_trials() -> None:
    hung = loads(["20 lb ±3%", "2x 20 lb ±3%"])
    terms = {load.force_n: load.terms for load in hung}
    cal = calibrate([run(list(terms), scatter=10.0, seed=s, terms=lambda f: terms[f]) for s in range(3)])
    reading = cal.reading(GAIN * 150.0)
    assert reading.expanded.method == "Monte Carlo"
    # A rectangle of 3 % of 150 N covers 95.45 % within 0.9545 x 4.5 N (derived); the other terms add a little.
    assert 0.9545 * 4.5 * 0.99 < reading.expanded.expanded_n < 4.6
    assert reading.expanded.expanded_n < reading.budget.expanded_n


def test_stated_uncertainty_is_honest() -> None:
    """Play calibrations with true errors drawn from the very terms, then readings: U must cover about 95 %."""
    rng = np.random.default_rng(7)
    hung = loads(["5kg ±0.5%", "10kg ±0.5%", "10kg ±0.5% + 5kg ±0.5%", "20kg ±0.5%", "20kg ±0.5% + 5kg ±0.5%"])
    inside = 0
    trials = 400
    for _ in range(trials):
        draws: dict[str, float] = {}

        def error(terms: Sequence[Term], draws: dict[str, float] = draws) -> float:
            total = 0.0
            for term in terms:
                if term.shared not in draws:
                    uniform = term.distribution == "rectangular"
                    draws[term.shared] = rng.uniform(-math.sqrt(3), math.sqrt(3)) if uniform else rng.standard_normal()
                total += term.contribution_n * draws[term.shared]
            return total

        bend = rng.uniform(-3e-6, 3e-6)
        runs = []
        for _series in range(3):
            steps = [step(0.0, ZERO)]
            for i, load in enumerate(hung):
                true_n = load.force_n + error(load.terms)
                counts = GAIN * true_n * (1.0 + bend * true_n) + 300.0 * rng.standard_normal()
                steps.append(step(load.force_n, ZERO + counts, 60.0 * (i + 1), terms=load.terms))
            runs.append(Series((*steps, step(0.0, ZERO, 400.0))))
        cal = calibrate(runs, replace(NONE, unseen_share=0.0))
        true_n = rng.uniform(60.0, 240.0)
        counts = GAIN * true_n * (1.0 + bend * true_n) + 300.0 * rng.standard_normal()
        budget = cal.budget(cal.force(counts))
        inside += abs(budget.force_n - true_n) <= budget.expanded_n
    # Binomial: 95.45 % +- 1.04 % standard deviation for 400; four of them below, and nothing is too much.
    assert inside / trials >= 0.9545 - 4.0 * 0.0104


def test_show() -> None:
    assert show(235.4321, 0.5678) == "235.43 N ± 0.57 N"
    assert show(24.0 * 9.80665, 0.0613 * 9.80665, "kgf") == "24.000 kgf ± 0.061 kgf"
    assert show(235.4, 12.3) == "235 N ± 12 N"


@settings(deadline=None, max_examples=30)
@given(st.floats(5.0, 480.0))
def test_round_trip(force_n: float) -> None:
    cal = typical()
    assert cal.force(cal.counts(force_n)) == pytest.approx(force_n, rel=1e-10)


@settings(deadline=None, max_examples=15)
@given(st.floats(0.02, 50.0))
def test_scaling_the_forces_scales_the_result(unit: float) -> None:
    def made(k: float) -> Calibration:
        runs = [run([f * k for f in FORCES], lambda f: GAIN * f / k, 60.0, s, down=lambda f: 100.0) for s in range(3)]
        return calibrate(runs)

    one, other = made(1.0), made(unit)
    assert other.force(GAIN * 200.0) == pytest.approx(unit * one.force(GAIN * 200.0), rel=1e-9)
    assert other.budget(200.0 * unit).u_n == pytest.approx(unit * one.budget(200.0).u_n, rel=1e-6)


@settings(deadline=None, max_examples=20)
@given(st.permutations(range(11)), st.permutations(range(3)))
def test_order_of_steps_and_series_does_not_matter(order: list[int], series_order: list[int]) -> None:
    runs = [run(FORCES, scatter=60.0, seed=s, down=lambda f: 100.0) for s in range(3)]
    shuffled = [Series(tuple(runs[k].steps[i] for i in order)) for k in series_order]
    assert calibrate(shuffled).budget(200.0).u_n == pytest.approx(calibrate(runs).budget(200.0).u_n, rel=1e-12)
    assert calibrate(shuffled).force(GAIN * 100.0) == calibrate(runs).force(GAIN * 100.0)
