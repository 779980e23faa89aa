"""The guided run: waits for stillness, takes good steps, refuses each mistake with its reason and keeps what it has."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest
from evenbed.calibration.guided import Guided, wrong_rate
from evenbed.calibration.steps import Series
from guided_runs import CELL, GAIN, QUICK, RATE_HZ, ZERO, Bench, load

KG_N = 9.81 * (1.0 - 1.2 / 8000.0)  # force of a kilogram in air (OIML D 28), N
POUND_KG = 0.45359237  # NIST SP 811


def started(**how: Any) -> Bench:
    bench = Bench(**how)
    assert bench.zero().kind == "taken"
    return bench


# --- what goes well ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_still_weight_is_taken_by_itself(sign: float) -> None:
    bench = Bench()
    if sign < 0.0:
        bench = Bench(cell=replace(CELL, inverted=True), gain=-GAIN)
    bench.zero()
    said = bench.hang("5kg M1")
    assert said.kind == "taken" and "Step 2: 49.04 N (loading)" in said.text
    zero, step = bench.guided.steps
    # Mean of 80 samples of 30 counts: 3.4 counts, four of them.
    assert step.mean_counts - zero.mean_counts == pytest.approx(sign * GAIN * 5.0 * KG_N, abs=4 * 3.4 * math.sqrt(2))
    assert step.n == pytest.approx(QUICK.take_s * RATE_HZ, abs=2)
    assert bench.guided.texts == ["", "5kg M1"]


def test_it_waits_until_a_swinging_weight_is_still_and_says_so() -> None:
    bench = started(timing=replace(QUICK, patience_s=20.0))
    begun = bench.t_s

    def swinging(t: float) -> float:
        return 5.0 * KG_N * (1.0 + 0.05 * math.exp(-(t - begun)) * math.cos(3.0 * (t - begun)))

    said = bench.hang("5kg M1", swinging)
    assert said.kind == "taken"
    waited = [s.text for s in bench.told if s.kind == "waiting"]
    assert any("still moves" in text and "N a second" in text for text in waited)
    step = bench.guided.steps[-1]
    assert abs(step.mean_counts - ZERO - GAIN * 5.0 * KG_N) < 0.001 * GAIN * 5.0 * KG_N


def test_who_types_before_hanging_is_waited_for() -> None:
    bench = started()
    hung_s = bench.t_s + 2.5
    said = bench.hang("5kg M1", lambda t: 5.0 * KG_N if t > hung_s else 0.0)
    assert said.kind == "taken"
    assert any("hang 5kg M1 on" in s.text for s in bench.told if s.kind == "waiting")
    off_s = bench.t_s + 2.5
    assert bench.zero(lambda t: 0.0 if t > off_s else 5.0 * KG_N).kind == "taken"
    assert any("take everything off" in s.text for s in bench.told)


def test_a_lighter_weight_is_unloading_only_if_it_was_not_reached_from_below() -> None:
    bench = started()
    bench.hang("10kg M1")
    assert bench.hang("5kg M1").step.direction == "down"  # type: ignore[union-attr]
    bench = started()
    bench.hang("10kg M1")
    bench.force_n = 0.0
    bench.run(0.5)  # everything off, then the lighter one on
    assert bench.hang("5kg M1").step.direction == "up"  # type: ignore[union-attr]


# --- what is refused, and the other side of each threshold ---------------------------------------------------------------
def refused(bench: Bench, said: object, *parts: str, kept: int = 1) -> None:
    text = getattr(said, "text", "")
    assert getattr(said, "kind", "") == "refused", text
    for part in parts:
        assert part in text, text
    assert len(bench.guided.steps) == kept
    # Nothing is lost: the right weight is taken straight away.
    assert bench.hang("20kg M1").kind == "taken"


@pytest.mark.parametrize("counts", [2.0**23 / GAIN, -(2.0**23) / GAIN - 1.0])
def test_saturated(counts: float) -> None:
    bench = started()
    bench.force_n = counts * 1.01
    bench.guided.load(bench.t_s, load("5kg M1"))
    refused(bench, bench.settle(), "end of the converter's range")


def test_noisy() -> None:
    bench = started()
    bench.noise = 260.0  # limit: five times the usual 40 counts
    said = bench.hang("5kg M1")
    bench.noise = 30.0
    refused(bench, said, "noisy", "200 the limit", "Hands off")
    bench.noise = 150.0
    assert bench.hang("5kg M1").kind == "taken"


def test_a_hand_on_the_gripper_at_the_zero_trembles() -> None:
    bench = Bench()
    said = bench.zero(lambda t: 3.0 + 0.15 * math.sin(2.0 * math.pi * 6.0 * t))
    assert said.kind == "refused" and "Hands off" in said.text and not bench.guided.steps


@pytest.mark.parametrize("n_min", [3.0, -3.0])
def test_drifting(n_min: float) -> None:
    bench = Bench()
    begun = bench.t_s
    said = bench.zero(lambda t: n_min * (t - begun) / 60.0)
    assert said.kind == "refused" and "did not stand still" in said.text
    told = re.search(r"drifts by ([+-][\d.]+) N a minute", said.text)
    # Slope of 80 samples of 0.0034 N over 1 s: 0.0013 N/s, 0.08 N/min, four of them.
    assert told is not None and float(told[1]) == pytest.approx(n_min, abs=0.32)
    assert bench.zero(lambda t: 0.1 * n_min * (t - begun) / 60.0).kind == "taken"


def test_unchanged_is_refused_after_patience() -> None:
    bench = started()
    said = bench.hang("5kg M1", 0.0)
    refused(bench, said, "49.0 N were added", "hang freely")


def test_wrong_way_round() -> None:
    bench = started()
    refused(bench, bench.hang("5kg M1", -5.0 * KG_N), "the wrong way", "swap its two signal wires")


def test_too_light() -> None:
    bench = started()
    # Ten times 40 counts over 8759 counts/N: 0.046 N, which is 4.7 g.
    assert bench.hang("10g M3").kind == "taken"
    bench = started(noise=100.0)
    bench.guided.cell = bench.guided.cell.__class__(490.3325, 2.0, CELL.counts_per_mv_v, noise_counts=100.0)
    said = bench.hang("10g M3")
    bench.noise = 30.0
    refused(bench, said, "too light")


def test_heavier_than_the_cell() -> None:
    bench = started()
    refused(bench, bench.hang("50kg M1 + 1kg M1"), "more than the cell's 490 N")


@pytest.mark.parametrize(
    ("typed", "true_kg", "part"),
    [
        ("20lb ±1%", 20.0, "kilograms, typed as pounds"),
        ("20kg M1", 20.0 * POUND_KG, "pounds, typed as kilograms"),
        ("10kg M1", 20.0, "twice"),
        ("10kg M1", 5.0, "half"),
        ("10kg M1", 12.5, "1.250 times"),
    ],
)
def test_more_than_a_fifth_off_the_rating(typed: str, true_kg: float, part: str) -> None:
    bench = started()
    refused(bench, bench.hang(typed, true_kg * KG_N), part)


def test_a_fifth_off_the_rating_is_believed_until_a_second_weight_contradicts() -> None:
    bench = started()
    assert bench.hang("5kg M1", 5.9 * KG_N).kind == "taken"
    said = bench.hang("10kg M1")
    assert said.kind == "refused" and "does not fit the others" in said.text and "8.47 kg" in said.text  # 10 / 1.18


@pytest.mark.parametrize(("true_kg", "fits"), [(9.0, "9.00 kg"), (10.2, "10.20 kg")])
def test_a_swapped_weight_is_named(true_kg: float, fits: str) -> None:
    bench = started()
    bench.hang("5kg M1")
    refused(bench, bench.hang("10kg M1", true_kg * KG_N), "10kg M1, 98.09 N", fits, "another weight than typed", kept=2)


def test_half_a_percent_and_the_tolerances_are_allowed() -> None:
    bench = started()
    bench.hang("5kg M1")
    assert bench.hang("10kg M1", 10.04 * KG_N).kind == "taken"
    bench = started()
    bench.hang("10lb ±2%")
    assert bench.hang("20lb ±2%", 20.0 * 1.04 * POUND_KG * KG_N).kind == "taken"  # 0.5 + 2 + 2 %
    bench = started()
    bench.hang("10lb ±2%")
    assert bench.hang("20lb ±2%", 20.0 * 1.05 * POUND_KG * KG_N).kind == "refused"


@pytest.mark.parametrize(("at_zero_n", "part"), [(3.0, "3.0 N on the gripper at the zero"), (-3.0, "3.0 N that held")])
def test_what_was_on_the_gripper_at_the_zero_shows_at_the_second_weight(at_zero_n: float, part: str) -> None:
    bench = Bench()
    bench.zero(at_zero_n)
    assert bench.hang("5kg M1", 5.0 * KG_N).kind == "taken"  # 6 % off: within the rating's fifth
    said = bench.hang("20kg M1")
    assert said.kind == "refused" and part in said.text and "take a zero again" in said.text


def test_zeros_that_differ_make_no_calibration_until_one_is_dropped() -> None:
    bench = Bench()
    bench.zero(3.0)
    bench.hang("5kg M1", 5.0 * KG_N)
    bench.zero()
    text = bench.guided.trouble()
    assert "-3.00 N from step 1 to step 3" in text and "drop 1" in text and "0.30 N" in text
    bench.guided.drop(1)
    assert bench.guided.trouble() == ""
    near = Bench()
    near.zero(0.25)
    near.hang("5kg M1")
    near.zero()
    assert near.guided.trouble() == ""


def test_a_frozen_reading() -> None:
    bench = Bench(noise=0.0)
    said = bench.zero()
    assert said.kind == "refused" and "frozen" in said.text


@pytest.mark.parametrize(("rate_hz", "ok"), [(10.0, False), (69.0, False), (72.0, True), (88.0, True), (92.0, False)])
def test_a_converter_of_another_rate(rate_hz: float, ok: bool) -> None:
    bench = Bench(rate_hz=rate_hz)
    said = bench.zero()
    assert (said.kind == "taken") is ok, said.text
    if not ok:
        assert f"{rate_hz:.1f} readings a second, the board expects 80" in said.text and "period_us" in said.text


def test_lost_readings_are_not_a_slow_converter() -> None:
    times = [i / 80.0 for i in range(80) if i % 4]
    assert wrong_rate(times, 80.0) == ""


def test_what_never_stands_still_is_given_up() -> None:
    bench = Bench()
    said = bench.zero(lambda t: 0.3 * t)
    assert said.kind == "refused" and "Given up after 8 s" in said.text and "still moves" in said.text
    pauses = [s for s in bench.told if s.kind == "waiting"]
    assert 2 <= len(pauses) <= 4  # at 1, 2, 4 s: less and less often
    assert not bench.guided.busy


# --- dropping, again, resuming -------------------------------------------------------------------------------------------
def test_again_replaces_a_step_only_once_it_is_good() -> None:
    bench = started()
    bench.hang("5kg M1")
    bench.hang("10kg M1")
    old = bench.guided.steps[1]
    bench.force_n = 4.5 * KG_N
    bench.guided.again(bench.t_s, 2)
    assert bench.settle().kind == "refused" and bench.guided.steps[1] is old
    bench.force_n = 0.0
    bench.run(0.3)
    bench.force_n = 5.0 * KG_N
    bench.guided.again(bench.t_s, 2)
    assert bench.settle().kind == "taken"
    assert bench.guided.texts == ["", "10kg M1", "5kg M1"] and old not in bench.guided.steps
    assert bench.guided.steps[-1].direction == "up" and bench.guided.steps[-1].terms == old.terms


def test_a_step_that_is_not_there_cannot_be_dropped() -> None:
    bench = Bench()
    with pytest.raises(ValueError, match="no step yet"):
        bench.guided.drop(1)
    bench.zero()
    for number in (0, 2):
        with pytest.raises(ValueError, match=f"no step {number}: 1 to 1"):
            bench.guided.drop(number)


def test_the_steps_of_an_earlier_sitting_lie_before_those_of_this_one() -> None:
    bench = started()
    bench.hang("5kg M1")
    later = Bench(t_s=3.0)
    later.guided = Guided(CELL, bench.guided.steps, RATE_HZ, QUICK, bench.guided.texts)
    later.zero()
    later.hang("10kg M1")
    times = [s.t_s for s in later.guided.steps]
    assert times == sorted(times) and len(later.guided.texts) == 4
    assert [s.force_n for s in Series(tuple(later.guided.steps)).loaded] == [
        load("5kg M1").force_n,
        load("10kg M1").force_n,
    ]


def test_a_board_that_starts_anew_in_the_middle_loses_nothing() -> None:
    bench = started()
    bench.force_n = 5.0 * KG_N
    bench.guided.load(bench.t_s, load("5kg M1"))
    bench.run(0.8)
    bench.t_s = 0.0
    assert bench.settle().kind == "taken"
    zero, step = bench.guided.steps
    assert step.t_s > zero.t_s and step.n == pytest.approx(QUICK.take_s * RATE_HZ, abs=2)


def test_a_rating_given_anew_is_still_a_rating() -> None:
    bench = Bench(cell=replace(CELL, rating_corrected=True))
    bench.zero()
    assert "kilograms, typed as pounds" in bench.hang("20lb ±1%", 20.0 * KG_N).text
