"""Pulses in an emulated PIO: how many, how far apart, and what stops them."""

from __future__ import annotations

import itertools
import random

import pytest

from chip.chip import CLOCK, US, StateMachine
from chip.rigs import DIR, END_HIGH, END_LOW, ESTOP, STEP, Bench

# A drive takes pulses from 1 us, high and low, common practice, no source.
PULSE_US = 1.0


def grant(bench: Bench, rate: int, steps: int) -> None:
    """Grant until it is taken: the call that finds a grant the other way only makes that void."""
    for _ in range(3):
        bench.motor.grant(rate, steps)
        bench.chip.run_us(3)
        if bench.motor.up == (rate > 0):
            return


@pytest.mark.parametrize("steps", [1, 2, 3, 255])
def test_exactly_the_granted_steps_are_made(steps: int) -> None:
    bench = Bench()
    bench.motor.grant(96000, steps)
    bench.chip.run_us(steps * 10.5 + 100)
    assert len(bench.rises()) == steps
    assert bench.motor.position() == steps
    bench.chip.run_us(1000)
    assert len(bench.rises()) == steps


@pytest.mark.parametrize("rate", [96000, 95999, 48000, 9600, 1008])
def test_every_period_is_the_same_and_never_short(rate: int) -> None:
    bench = Bench()
    steps = 8 if rate > 1008 else 2
    bench.motor.grant(rate, steps)
    bench.chip.run_us(steps * 1e6 / rate + 50)
    assert set(bench.gaps()) == {bench.period(rate)}
    asked = CLOCK / rate
    assert asked <= bench.period(rate) < asked + bench.pio.LOOP_CYCLES * bench.divider


def test_slowest_rate_of_the_ramp() -> None:
    """16 steps/s, 62.5 ms: the fewest the ramp asks for (hardware/protocol.md: rates go in steps of 16)."""
    bench = Bench()
    assert bench.period(16) == pytest.approx(CLOCK / 16, abs=12)


def test_pulses_are_long_enough() -> None:
    bench = Bench()
    bench.motor.grant(96000, 100)
    bench.chip.run_us(1200)
    edges = bench.chip.edges[STEP]
    spans = [b[0] - a[0] for a, b in itertools.pairwise(edges)]
    assert min(spans) >= PULSE_US * US
    assert {b[0] - a[0] for a, b in itertools.pairwise(edges) if a[1]} == {bench.pio.HIGH_CYCLES * bench.divider}


def test_a_grant_that_is_not_renewed_runs_out() -> None:
    """What is granted of 96000 steps/s for half a reading, and nobody comes back."""
    bench = Bench()
    bench.motor.grant(96000, 667)
    bench.chip.run_us(12_000)
    assert len(bench.rises()) == 667
    took_ms = (bench.rises()[-1] - bench.rises()[0]) / US / 1000
    assert 6.93 < took_ms < 6.97  # 666 periods of 10.43 us


def test_renewed_grants_are_one_even_row() -> None:
    bench = Bench()
    for _ in range(6):
        bench.motor.grant(96000, 2000)
        bench.chip.run_us(2000)
    longest = max(bench.gaps())
    assert min(bench.gaps()) >= bench.period(96000)
    assert longest - bench.period(96000) <= 10 * bench.divider  # taking a grant over costs up to ten cycles, 200 ns


def test_a_new_grant_replaces_the_rest_of_the_old() -> None:
    bench = Bench()
    bench.motor.grant(96000, 1000)
    bench.chip.run_us(1000)
    before = len(bench.rises())
    bench.motor.grant(96000, 5)
    bench.chip.run_us(5000)
    assert len(bench.rises()) - before in (5, 6)  # one may have been under way as it came
    assert bench.motor.position() == len(bench.rises())


def test_half_a_grant_is_none() -> None:
    """The program hangs between the two words: the old grant goes on to its end, then it stands."""
    bench = Bench()
    bench.motor.grant(48000, 30)
    bench.chip.run_us(100)
    bench.motor._pulses.put(5000 << 1)
    bench.chip.run_us(20_000)
    assert len(bench.rises()) == 30
    bench.motor._pulses.put(bench.pio.loops(48000))
    bench.chip.run_us(1000)
    assert len(bench.rises()) > 30


@pytest.mark.parametrize("seed", range(3))
def test_changing_rates_make_no_gap_shorter_than_both(seed: int) -> None:
    """Any rates at any moment: a gap is never shorter than the faster of the two periods it lies between."""
    rng = random.Random(seed)
    bench = Bench()
    rates = []
    starts = []
    for _ in range(25):
        rate = rng.choice([rng.randrange(16, 96001, 16), 96000, 16, 400, 48000])
        rates.append(rate)
        starts.append(bench.chip.cycle)
        bench.motor.grant(rate, rng.choice([0, 1, 3, 5000]))
        bench.chip.run(rng.randrange(50, 100_000))
    rises = bench.rises()
    assert len(rises) > 10
    for earlier, later in itertools.pairwise(rises):
        # The grants that were in force at some moment between the two pulses.
        in_force = [
            rate
            for rate, start, end in zip(rates, starts, [*starts[1:], bench.chip.cycle], strict=True)
            if end > earlier - 300 and start < later
        ]
        assert later - earlier >= min(bench.period(rate) for rate in in_force)
    assert bench.motor.position() == len(rises)


def test_from_a_crawl_to_full_speed_without_waiting_for_the_crawl() -> None:
    bench = Bench()
    bench.motor.grant(16, 100)
    bench.chip.run_us(1000)
    assert len(bench.rises()) == 1
    bench.motor.grant(4800, 100)
    bench.chip.run_us(1000)
    assert len(bench.rises()) > 3


def test_a_grant_of_nothing_stops_before_the_next_pulse() -> None:
    bench = Bench()
    bench.motor.grant(96000, 5000)
    bench.chip.run_us(777)
    before = len(bench.rises())
    bench.motor.grant(0, 0)
    bench.chip.run_us(5000)
    assert len(bench.rises()) - before <= 1
    assert bench.motor.position() == len(bench.rises())


# --- what stops without Python --------------------------------------------------------------------------------
def test_emergency_stop_at_any_moment() -> None:
    """From the loop's opening to the last pulse that begins: 20 to 24 us of filter, and one look of the generator."""
    latest = 0.0
    for at in range(0, 1304, 326):
        bench = Bench()
        bench.motor.grant(96000, 5000)
        bench.chip.run(20_000 + at)
        bench.chip.drive(ESTOP, True)
        opened = bench.chip.cycle
        bench.chip.run_us(3000)
        after = (bench.rises()[-1] - opened) / US
        latest = max(latest, after)
        assert bench.motor.position() == len(bench.rises())
        assert bench.motor.look()
    assert latest <= 24.0


def test_a_stop_lasts_until_the_program_has_seen_it_and_stands() -> None:
    bench = Bench()
    motor = bench.motor
    motor.grant(96000, 5000)
    bench.chip.run_us(500)
    bench.chip.drive(ESTOP, True)
    bench.chip.run_us(100)
    bench.chip.drive(ESTOP, False)
    made = len(bench.rises())
    for _ in range(3):
        motor.grant(96000, 5000)  # nobody has looked
        bench.chip.run_us(2000)
    assert len(bench.rises()) == made
    motor.grant(0, 0)  # standing does not take away what nobody has seen
    assert motor.look()
    motor.grant(96000, 5000)  # seen, but still wanting the same
    bench.chip.run_us(2000)
    assert len(bench.rises()) == made
    motor.grant(0, 0)
    bench.chip.run_us(2000)
    assert len(bench.rises()) == made and not motor.look()
    motor.grant(1600, 3)
    bench.chip.run_us(5000)
    assert len(bench.rises()) == made + 3 == motor.position()


def test_nothing_moves_while_the_loop_is_open() -> None:
    bench = Bench()
    bench.chip.drive(ESTOP, True)
    bench.chip.run_us(100)
    for _ in range(5):
        bench.motor.look()
        bench.motor.grant(0, 0)
        bench.motor.grant(96000, 100)
        bench.chip.run_us(2000)
    assert not bench.rises()


@pytest.mark.parametrize(("length_us", "stops"), [(1, False), (15, False), (25, True)])
def test_noise_on_the_emergency_stop(length_us: int, stops: bool) -> None:
    bench = Bench()
    bench.motor.grant(96000, 2000)
    bench.chip.run_us(500)
    bench.chip.drive(ESTOP, True)
    bench.chip.run_us(length_us)
    bench.chip.drive(ESTOP, False)
    bench.chip.run_us(2000)
    assert bench.motor.look() is stops
    assert (len(bench.rises()) < 100) is stops


@pytest.mark.parametrize(("sign", "end"), [(1, END_HIGH), (-1, END_LOW)])
def test_the_end_ahead_leaves_the_ramp_its_way_and_no_more(sign: int, end: int) -> None:
    bench = Bench(end_steps=100)
    grant(bench, sign * 96000, 5000)
    bench.chip.run_us(700)
    bench.chip.drive(end, True)
    made = len(bench.rises())
    bench.chip.run_us(5000)
    assert len(bench.rises()) - made in (100, 101)  # one may have been high as the switch opened
    assert bench.motor.position() == sign * len(bench.rises())
    # Away from it is free, once the program has seen the stop.
    assert bench.motor.look()
    grant(bench, -sign * 96000, 500)
    bench.chip.run_us(6000)
    assert len(bench.rises()) - made in (600, 601)


def test_the_end_behind_stops_nothing() -> None:
    bench = Bench(end_steps=10)
    bench.chip.drive(END_LOW, True)
    bench.motor.grant(96000, 500)
    bench.chip.run_us(6000)
    assert len(bench.rises()) == 500


def test_an_end_switch_that_bounces_counts_anew() -> None:
    bench = Bench(end_steps=100)
    bench.motor.grant(96000, 5000)
    bench.chip.run_us(500)
    bench.chip.drive(END_HIGH, True)
    bench.chip.run_us(400)
    bench.chip.drive(END_HIGH, False)
    bench.chip.run_us(400)
    made = len(bench.rises())
    bench.chip.drive(END_HIGH, True)
    bench.chip.run_us(5000)
    assert len(bench.rises()) - made in (100, 101)


# --- the count -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("up", [0, 1])
def test_the_count_goes_both_ways_with_either_wiring(up: int) -> None:
    """And over the ends of the counter's 15 bits."""
    bench = Bench(up=up, cost=200)
    expected = 0
    for sign in (1, -1, 1, 1, -1, -1, -1):
        for _ in range(2):
            grant(bench, sign * 96000, 60)
            bench.chip.run_us(700)
        expected += sign * 120
        assert bench.motor.position() == expected
    assert len(bench.rises()) == 7 * 120


def test_the_count_wraps() -> None:
    bench = Bench()
    counter: StateMachine = bench.motor._counter
    counter.machine.x = 5  # a few steps before the counter's end
    word = bench.motor._count()
    bench.motor._high = word >> 15
    for _ in range(4):
        bench.motor.grant(96000, 4)
        bench.chip.run_us(100)
    assert bench.motor.position() == 16


def test_the_direction_never_changes_under_a_pulse() -> None:
    """It stands for 5 us before and after the rising edge that steps: the slowest drives; common practice, no source."""
    bench = Bench(cost=250)  # 1.25 us a call: faster than any bytecode of the chip
    rng = random.Random(3)
    for _ in range(40):
        sign = rng.choice([1, -1])
        bench.motor.grant(sign * rng.choice([96000, 48000]), 200)
        bench.chip.run_us(rng.randrange(20, 700))
    edges = bench.chip.edges[STEP]
    turns = [cycle for cycle, _ in bench.chip.edges[DIR] if cycle]
    assert len(turns) > 10
    for cycle in turns:
        assert all(abs(cycle - edge) > 5 * US for edge, level in edges if level)
        assert all(abs(cycle - edge) > 1 * US for edge, level in edges if not level)
    assert len(bench.rises()) > 700
