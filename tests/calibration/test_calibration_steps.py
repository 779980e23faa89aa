"""One step at a time: what is believed, what is refused and with which words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from calibration_runs import CELL, GAIN, ZERO, run, step
from evenbed.calibration.steps import (
    CONVERTER,
    Series,
    judge_sensitivity,
    judge_step,
    levels,
    ratiometric,
    step_from_samples,
    zero_corrected,
)
from hypothesis import given, settings
from hypothesis import strategies as st

LB = 0.45359237
ZERO_STEP = step(0.0, ZERO)


def loaded(force_n: float, counts: float | None = None, **more: float) -> str:
    one = step(force_n, ZERO + (GAIN * force_n if counts is None else counts), 60.0)
    return judge_step(replace(one, **more), [ZERO_STEP], CELL)


def test_rated_sensitivity() -> None:
    # 2 mV/V, gain 128, 24 bits: 4 294 967.296 counts at capacity; 1 mV/V 2 147 483.648 (from its range).
    assert ratiometric(128.0) == 2147483.648
    assert CELL.rated_counts_n * CELL.capacity_n == pytest.approx(4294967.296)
    assert replace(CELL, inverted=True).rated_counts_n == -CELL.rated_counts_n


def test_good_steps_pass() -> None:
    assert judge_step(ZERO_STEP, [], CELL) == ""
    for force_n in (5.0, 49.0, 98.0, 245.0, 490.0):
        assert loaded(force_n) == ""
        assert loaded(force_n, 1.15 * GAIN * force_n) == ""


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ({"saturated": 3}, "3 of 80 samples stood at the end"),
        ({"n": 5}, "Only 5 samples"),
        ({"sd_counts": 400.0}, "noisy: 400 counts standard deviation, where 40 is usual and 200 the limit"),
        ({"moved_counts": -900.0}, "moved by -900 counts"),
    ],
)
def test_bad_samples_are_refused(fault: dict[str, float], says: str) -> None:
    assert says in loaded(98.0, **fault)


def test_overload_and_missing_zero() -> None:
    assert "more than the cell's 490 N" in loaded(500.0)
    assert "no zero yet" in judge_step(step(98.0, ZERO + GAIN * 98.0), [], CELL)


def test_weights_that_do_not_arrive() -> None:
    assert "98.0 N were added, but the counts changed only by +3 " in loaded(98.0, 3.0)
    assert "changed only by +5000 " in loaded(98.0, 5000.0)  # 0.6 % of the 858 395 expected
    before = [ZERO_STEP, step(98.0, ZERO + GAIN * 98.0, 60.0)]
    same = step(147.0, ZERO + GAIN * 98.0 + 10.0, 120.0)
    assert "49.0 N were added" in judge_step(same, before, CELL)
    off = step(49.0, ZERO + GAIN * 98.0, 120.0, "down")
    assert "49.0 N were taken off" in judge_step(off, before, CELL)


def test_wrong_way_round() -> None:
    assert "went down by" in loaded(98.0, -GAIN * 98.0)
    inverted = replace(CELL, inverted=True)
    assert judge_step(step(98.0, ZERO - GAIN * 98.0, 60.0), [ZERO_STEP], inverted) == ""
    assert "went up by" in judge_step(step(98.0, ZERO + GAIN * 98.0, 60.0), [ZERO_STEP], inverted)


def test_too_light() -> None:
    # Ten times 40 counts of noise over 8759 counts/N: 0.046 N.
    assert "0.04 N is too light: it gives about 350 counts, and the noise is 40. Use at least 0.0" in loaded(0.04)
    assert loaded(0.06) == ""


def test_kilograms_typed_as_pounds_and_back() -> None:
    # 20 kg hang there; typed "20 lb" the force is 2.2046 times too small, so the sensitivity that much too large.
    true_n = 20.0 * 9.81
    assert "kilograms, typed as pounds" in loaded(true_n * LB, GAIN * true_n)
    assert "pounds, typed as kilograms" in loaded(true_n, GAIN * true_n * LB)
    # A cell up to 4 % off its rating does not hide it.
    assert "kilograms, typed as pounds" in loaded(true_n * LB, 1.04 * GAIN * true_n)


def test_sensitivity_off_the_rating() -> None:
    assert "twice" in judge_sensitivity(2.0 * GAIN, CELL)
    assert "half" in judge_sensitivity(0.5 * GAIN, CELL)
    said = judge_sensitivity(1.3 * GAIN, CELL)
    assert "1.300 times" in said and "correct it on purpose" in said
    assert judge_sensitivity(1.2 * GAIN, CELL) == "" == judge_sensitivity(0.8 * GAIN, CELL)
    assert judge_sensitivity(1.201 * GAIN, CELL) and judge_sensitivity(0.799 * GAIN, CELL)
    corrected = replace(CELL, rating_corrected=True)
    assert judge_step(step(98.0, ZERO + 1.3 * GAIN * 98.0, 60.0), [ZERO_STEP], corrected) == ""


def test_step_from_samples() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(400) / 80.0
    counts = np.rint(1000.0 + 20.0 * t + 30.0 * rng.standard_normal(400)).astype(int).tolist()
    one = step_from_samples(98.0, (), "up", t.tolist(), counts)
    assert one.mean_counts == pytest.approx(np.mean(counts))
    assert one.sd_counts == pytest.approx(30.0, rel=0.1)
    assert one.moved_counts == pytest.approx(20.0 * t[-1], abs=15.0)
    assert one.n == 400 and one.saturated == 0
    assert step_from_samples(98.0, (), "up", [0.0, 1.0, 2.0], [CONVERTER[1], 5, CONVERTER[0]]).saturated == 2
    with pytest.raises(ValueError, match="at least 3"):
        step_from_samples(98.0, (), "up", [0.0, 1.0], [1, 2])


def test_zero_is_interpolated_in_time() -> None:
    series = Series((step(0.0, 100.0, 0.0), step(10.0, 1105.0, 50.0), step(0.0, 110.0, 100.0), step(20.0, 2110.0, 150.0)))
    assert [(s.force_n, counts) for s, counts in zero_corrected(series)] == [(10.0, 1000.0), (20.0, 2000.0)]
    with pytest.raises(ValueError, match="without a zero"):
        zero_corrected(Series((step(10.0, 1.0),)))


def test_levels_join_the_same_weights() -> None:
    grouped = levels([run([49.0, 98.0]), run([49.001, 98.5])])
    assert [len(group) for group in grouped.values()] == [2, 1, 1]


@settings(deadline=None)
@given(st.permutations(range(6)))
def test_order_of_steps_does_not_matter(order: list[int]) -> None:
    steps = run([49.0, 98.0, 147.0, 196.0], scatter=50.0).steps
    assert levels([Series(tuple(steps[i] for i in order))]) == levels([Series(steps)])
