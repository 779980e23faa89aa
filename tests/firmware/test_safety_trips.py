"""What stops a pull: each fault on both sides of its threshold, the first cause, and the record."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.settings import Settings

from firmware.bench import Bench, armed, drawing, easing, frozen, holding, latched
from firmware.small import Small

UNDER_LEASE = [drawing, holding, easing]


def slowest_us(b: Bench) -> int:
    """Period of a converter whose clock is 10 % slow."""
    return int(b.s.period_us) * 10 // 9


@pytest.mark.parametrize("make", UNDER_LEASE)
def test_over_tension_on_one_unfiltered_reading(make: Callable[[float], Bench]) -> None:
    b = make(240.0)
    b.raw(int(b.core.ceiling))
    assert (b.core.fault, b.core.state) in ((0, safety.MOVING), (0, safety.HOLDING))
    at = b.at
    b.raw(int(b.core.ceiling) + 1)
    assert b.core.fault == faults.OVER_TENSION
    if make is easing:  # what should go down backs off no further
        assert b.core.state == safety.FROZEN
        return
    assert b.core.state == safety.BACKING
    assert b.core.end == at - b.s.back_off_steps


@pytest.mark.parametrize("make", [latched, armed, frozen])
def test_over_tension_moves_nothing_without_a_lease(make: Callable[[], Bench]) -> None:
    b = make()
    state = b.core.state
    b.raw(int(b.core.raw) + 900_000).raw(int(b.core.raw) + 900_001).raw(int(b.core.raw) + 900_003)
    assert b.core.state == state and b.core.fault in (0, faults.STOPPED)


def test_back_off_begins_where_the_braking_ends() -> None:
    b = drawing(240.0)
    b.rate = 40_000
    b.raw(int(b.core.ceiling) + 1)
    # v^2/(2a) = 40000^2 / 2560000 = 625 steps, kinematics
    assert b.core.end == pytest.approx(b.at + 625 - 4800, abs=2)
    assert b.core.rate == b.s.let_down_steps_s


def test_over_tension_by_a_leap_no_string_makes_freezes_and_moves_nothing() -> None:
    b = drawing(200.0)
    jump = int(b.s.jump_counts)
    assert b.core.ceiling < int(b.core.raw) + jump
    other = drawing(200.0)
    other.raw(int(other.core.raw) + jump)
    assert other.core.state == safety.BACKING
    b.raw(int(b.core.raw) + jump + 1)
    assert (b.core.fault, b.core.state, b.core.sound) == (faults.OVER_TENSION, safety.FROZEN, False)


def test_jump_is_the_stiffest_thing_at_full_speed_for_one_period() -> None:
    s = Settings()
    # 130 N/mm * 60 mm/s * 12.5 ms * 10/9 = 108.3 N
    assert s.jump_counts / 8759 == pytest.approx(130 * 60 * 0.0125 * 10 / 9, rel=2e-3)


@pytest.mark.parametrize("make", UNDER_LEASE)
def test_missing_readings(make: Callable[[float], Bench]) -> None:
    b = make(100.0)
    limit = 2 * slowest_us(b) + slowest_us(b) // 2
    assert b.s.missing_us == limit == 34_720
    b.tick(limit)
    assert b.core.fault == 0 and b.core.sound
    b.tick(1)
    assert (b.core.fault, b.core.state, b.core.sound) == (faults.NO_DATA, safety.FROZEN, False)


@pytest.mark.parametrize("make", UNDER_LEASE)
def test_missing_readings_are_noticed_although_the_program_hung_meanwhile(make: Callable[[float], Bench]) -> None:
    """The late reading comes before the next tick: it must not hide the gap, nor make the string look slack."""
    b = make(100.0)
    b.raw(int(b.core.raw) + 3, 34_720)
    assert b.core.fault == 0
    b.raw(int(b.core.raw) + 3, 34_721)
    assert (b.core.fault, b.core.state, b.core.sound) == (faults.NO_DATA, safety.FROZEN, False)
    assert b.core.loaded()
    assert b.clear() == wire.DATA_NOT_SOUND
    b.read(100.0, 10)
    assert b.core.sound and b.clear() == wire.LOADED


def test_missing_readings_end_a_back_off() -> None:
    b = drawing(240.0)
    b.raw(int(b.core.ceiling) + 1)
    b.rate = -16_000
    assert b.core.state == safety.BACKING
    b.tick(34_721)
    assert (b.core.fault, b.core.later, b.core.state) == (faults.OVER_TENSION, 1 << faults.NO_DATA, safety.FROZEN)


@pytest.mark.parametrize("make", [latched, armed])
def test_missing_readings_at_rest_are_no_trip_but_not_sound(make: Callable[[], Bench]) -> None:
    b = make()
    b.tick(34_721)
    assert b.core.fault == 0 and not b.core.sound


@pytest.mark.parametrize("make", [*UNDER_LEASE, lambda _: armed()])
def test_stuck_at_the_seventh_equal_reading(make: Callable[[float], Bench]) -> None:
    b = make(100.0)
    value = int(b.core.raw) + 5
    for _ in range(6):
        b.raw(value)
        b.core.lease_us = Small(b.now_us)
    assert b.core.fault == 0 and b.core.sound
    b.raw(value)
    assert (b.core.fault, b.core.state, b.core.sound) == (faults.STUCK, safety.FROZEN, False)


def test_an_equal_reading_grants_nothing() -> None:
    b = drawing(100.0)
    value = int(b.core.raw) + 5
    b.raw(value)
    high = int(b.core.high)
    b.at += 500
    b.raw(value)
    assert b.core.high == high
    b.raw(value + 1)
    assert b.core.high > high


@pytest.mark.parametrize("rail", [8_388_607, -8_388_608])
@pytest.mark.parametrize("make", [*UNDER_LEASE, lambda _: armed()])
def test_saturated_at_the_second_reading(make: Callable[[float], Bench], rail: int) -> None:
    b = make(100.0)
    state, high = b.core.state, int(b.core.high)
    b.raw(rail)
    assert (b.core.fault, b.core.state, b.core.sound, b.core.high) == (0, state, False, high)
    b.raw(rail)
    assert (b.core.fault, b.core.state) == (faults.SATURATED, safety.FROZEN)


def test_one_saturated_reading_between_good_ones_trips_nothing() -> None:
    b = holding(100.0)
    good = int(b.core.raw)
    for n in range(4):
        b.raw(8_388_607).raw(good + n)
        assert not b.core.sound, "the way back from the rail is a leap, too"
        b.raw(good - n)
        assert b.core.sound
        b.core.lease_us = Small(b.now_us)
    assert b.core.fault == 0


@pytest.mark.parametrize("make", UNDER_LEASE)
def test_implausible_at_the_third_push(make: Callable[[float], Bench]) -> None:
    """A push of more than five contact forces: the cell's wires are swapped, or its reading is corrupt."""
    b = make(20.0)  # below the floor of a lost string
    push = -5 * int(b.s.contact_counts)
    if b.core.state == safety.HOLDING:
        b.core.state = safety.MOVING  # in a hold, any fall under the floor is a lost string first
    for _ in range(3):
        assert b.raw(push).core.sound
    assert b.core.fault == 0
    b.raw(push - 1).raw(push - 2)
    assert b.core.fault == 0 and not b.core.sound
    b.raw(push - 1)
    assert (b.core.fault, b.core.state) == (faults.IMPLAUSIBLE, safety.FROZEN)


@pytest.mark.parametrize(("per_jump", "extra"), [(1, 1), (-2, -1)])
def test_implausible_leaps_both_sides(per_jump: int, extra: int) -> None:
    leap = per_jump * int(Settings().jump_counts)
    start = 0 if per_jump > 0 else 7_000_000
    for size, trips in ((leap, False), (leap + extra, True)):
        b = armed()
        for value in range(0, start + 1, 700_000):
            b.raw(value)
        assert b.core.fault == 0
        for _ in range(3):
            b.raw(int(b.core.raw) + size)
        # At rest and armed, force alone is no fault: what is judged here is the leap.
        assert (b.core.fault == faults.IMPLAUSIBLE) is trips
        assert b.core.sound is not trips


def test_a_leap_grants_nothing() -> None:
    b = drawing(50.0)
    high = int(b.core.high)
    b.at += 300
    b.raw(-5 * int(b.s.contact_counts) - 1)
    assert b.core.high == high and not b.core.sound


@pytest.mark.parametrize("make", [drawing, holding, frozen])
def test_string_lost_both_sides(make: Callable[[float], Bench]) -> None:
    """More than 30 % within two readings, from above 30 N."""
    for above, trips in ((0, False), (1, True)):
        b = make(100.0)
        high = 700_000
        for n in range(4):
            b.raw(high + n % 2)
        b.raw(high).raw(high - 10)
        assert b.core.fault in (0, faults.STOPPED)
        b.raw(490_000 - above)
        assert (b.core.fault == faults.STRING_LOST) is trips
        assert b.core.state == safety.FROZEN or not trips


def test_string_lost_only_from_above_30_newtons() -> None:
    floor = int(Settings().counts(30_000))
    for from_counts, trips in ((floor, False), (floor + 1, True)):
        b = drawing(25.0)
        b.raw(floor - 9).raw(from_counts).raw(floor - 3).raw(from_counts * 7 // 10 - 1)
        assert (b.core.fault == faults.STRING_LOST) is trips


def test_string_lost_in_a_hold_under_half_the_contact_force() -> None:
    half = int(Settings().contact_counts) // 2
    b = holding(25.0)
    b.raw(100_000).raw(half)
    assert b.core.fault == 0
    b.raw(half - 1)
    assert b.core.fault == faults.STRING_LOST


@pytest.mark.parametrize("share", [0.6, 0.0], ids=["a fall", "nothing left"])
def test_in_a_hold_that_may_not_pull_above_30_newtons_no_string_is_lost(share: float) -> None:
    floor = int(Settings().counts(30_000))
    for above, trips in ((0, False), (1, True)):
        b = holding(60.0)
        zero = int(b.s.zero_counts)
        assert b.go(mode=wire.HOLD, end=b.at - 100, soft=zero + floor + above) == 0
        b.raw(500_000).raw(500_001).raw(500_000).raw(int(500_000 * share))
        assert (b.core.fault == faults.STRING_LOST) is trips
        if not trips:
            # Nothing is drawn up with it, and over-tension is over-tension.
            assert b.core.high <= b.at or b.core.force < b.core.soft
            b.raw(int(b.core.ceiling) + 1)
            assert b.core.fault == faults.OVER_TENSION


def test_what_hands_took_away_is_lost_when_a_hold_would_pull_again() -> None:
    b = holding(25.0)
    low = int(b.s.zero_counts) + 100_000
    assert b.go(mode=wire.HOLD, end=b.at, soft=low) == 0
    b.raw(100_000).raw(2_000).raw(1_999)
    assert b.core.fault == 0
    assert b.go(mode=wire.HOLD, end=b.at) == 0
    b.raw(2_000)
    assert b.core.fault == faults.STRING_LOST


def test_under_so_low_a_ceiling_of_the_session_a_hold_loses_a_string_like_any_other() -> None:
    b = holding(25.0)
    floor = int(Settings().counts(30_000))
    for ceiling_mn, trips in ((30_100, False), (29_900, True)):
        b = holding(25.0)
        assert b.core.lower_ceiling(ceiling_mn) == 0
        assert b.go(mode=wire.HOLD, end=b.at, soft=int(b.s.zero_counts) + floor) == 0
        b.raw(200_000).raw(200_001).raw(1_000)
        assert (b.core.fault == faults.STRING_LOST) is trips


def test_a_draw_that_may_not_pull_above_30_newtons_loses_a_string_like_any_other() -> None:
    b = drawing(60.0)
    assert b.go(soft=int(b.s.zero_counts) + 1_000) == 0
    b.raw(500_000).raw(500_001).raw(500_000).raw(300_000)
    assert b.core.fault == faults.STRING_LOST


def test_easing_off_is_no_lost_string_and_neither_is_what_it_leaves_behind() -> None:
    b = easing(200.0)
    b.rate = -40_000
    for force in (200.0, 150.0, 90.0, 60.0):
        b.read(force)
    b.press()
    assert (b.core.fault, b.core.state) == (faults.PRESSED, safety.FROZEN)
    # Readings are two late and the ramp still brakes: the force goes on falling.
    b.tick(1000).read(45.0).read(20.0)
    b.rate = 0
    b.read(15.0).read(14.0).read(14.0, 6)
    assert (b.core.fault, b.core.later) == (faults.PRESSED, 0)


def test_string_lost_while_frozen_is_judged_again_soon_after_easing() -> None:
    b = easing(200.0)
    b.read(150.0).press()
    b.read(150.0, 8)
    assert b.core.fault == faults.PRESSED
    b.read(60.0)
    assert b.core.fault == faults.STRING_LOST


@pytest.mark.parametrize("expiry_ms", [20, 150])
@pytest.mark.parametrize("make", UNDER_LEASE)
def test_lease_expires_exactly(make: Callable[[float], Bench], expiry_ms: int) -> None:
    b = make(100.0)
    mode = int(b.core.mode)
    assert b.go(mode=mode, end=b.at, expiry_ms=expiry_ms) == 0
    for n in range(expiry_ms // 10):
        b.raw(int(b.core.raw) + 1 - n % 2 * 2, 10_000)
    assert b.core.fault == 0
    b.tick(1)
    assert (b.core.fault, b.core.state) == (faults.LEASE_EXPIRED, safety.FROZEN)


@pytest.mark.parametrize("make", UNDER_LEASE)
def test_pedal_fault_and_stop_and_press(make: Callable[[float], Bench]) -> None:
    b = make(100.0)
    was = b.core.state, b.core.mode
    b.pedal_fault = True
    # The way down stays open: with the pedal broken it is the host's.
    easing_off = was == (safety.MOVING, wire.EASE)
    assert b.tick().core.fault == (0 if easing_off else faults.PEDAL)
    assert b.core.state == (safety.MOVING if easing_off else safety.FROZEN)
    b = make(100.0)
    assert b.core.stop(b.now_us, b.at, 0) == 0
    assert (b.core.fault, b.core.state) == (faults.STOPPED, safety.FROZEN)
    b = make(100.0)
    was = b.core.state
    b.press()
    # In a hold the pedal is left to the host.
    assert (b.core.fault, b.core.state) == ((0, was) if was == safety.HOLDING else (faults.PRESSED, safety.FROZEN))


def test_with_a_broken_pedal_the_host_lets_down() -> None:
    b = holding(100.0)
    b.pedal_fault = True
    assert b.tick().quiet(290).core.fault == faults.PEDAL
    assert b.go(mode=wire.EASE, end=b.at - 100) == wire.WRONG_STATE  # 300 ms after the fault
    b.quiet(20)
    for force in (100.0, 75.0, 55.0, 40.0, 30.0, 9.0):
        assert b.go(mode=wire.EASE, end=b.at - 100) == 0
        b.rate = -8_000
        b.read(force)
        assert (b.core.state, b.core.fault, b.core.later) == (safety.MOVING, faults.PEDAL, 0)
    b.rate, b.at = 0, b.at - 100
    b.tick()
    assert (b.core.state, b.core.fault) == (safety.FROZEN, faults.PEDAL)
    assert b.clear() == wire.FAULT_LIVE


@pytest.mark.parametrize("cause", [faults.EMERGENCY_STOP, faults.SUPPLY_LOST])
@pytest.mark.parametrize("make", [*UNDER_LEASE, lambda _: frozen(), lambda _: armed()])
def test_emergency_stop_and_supply_cut_from_everywhere(make: Callable[[float], Bench], cause: int) -> None:
    b = make(100.0)
    b.estop, b.supply = cause == faults.EMERGENCY_STOP, True
    b.tick()
    assert (b.core.fault, b.core.state, b.core.enabled) == (cause, safety.CUT, False)
    b.estop = b.supply = False
    b.tick().quiet(2000)
    assert (b.core.state, b.core.enabled) == (safety.CUT, False), "nothing comes back by itself"
    assert b.go(mode=wire.EASE, end=0) == wire.WRONG_STATE


@pytest.mark.parametrize(("newtons", "state"), [(9.0, safety.LATCHED), (11.0, safety.CUT)])
def test_emergency_stop_on_a_latched_board_is_recorded_only_with_a_string_on(newtons: float, state: int) -> None:
    b = latched().read(newtons, 5)
    b.estop = True
    assert b.tick().core.state == state and not b.core.enabled


def test_stretch_bounds_the_travel_under_load() -> None:
    b = drawing(50.0)
    # 250 N on the softest string, 1.5 N/mm: 166 whole millimetres of 1600 steps; the ceiling itself rounds down.
    allowed = 166 * 1600
    assert b.core.stretch == allowed
    b.at = int(b.core.contact_position) + allowed
    assert b.read(50.0).core.fault == 0
    b.at += 1
    assert b.read(50.0).core.fault == faults.STRETCH and b.core.state == safety.FROZEN


def test_first_cause_is_kept_with_its_record_and_later_ones_are_bits() -> None:
    b = drawing(200.0)
    b.at, b.rate = 12_345, 1_600
    b.raw(int(b.core.ceiling) + 77)
    record = (b.core.trip_us, b.core.trip_raw, b.core.trip_bound, b.core.trip_position, b.core.trip_rate)
    assert record == (b.now_us, int(b.core.ceiling) + 77, b.core.ceiling, 12_345, 1_600)
    b.tick(40_000)
    b.estop = True
    b.tick()
    assert b.core.fault == faults.OVER_TENSION
    assert b.core.later == (1 << faults.NO_DATA) | (1 << faults.EMERGENCY_STOP)
    assert record == (b.core.trip_us, b.core.trip_raw, b.core.trip_bound, b.core.trip_position, b.core.trip_rate)


@pytest.mark.parametrize("stop", [faults.PRESSED, faults.STOPPED])
def test_a_defect_replaces_a_mere_stop(stop: int) -> None:
    b = drawing(100.0)
    if stop == faults.PRESSED:
        b.press()
    else:
        b.core.stop(b.now_us, b.at, 0)
    assert b.core.fault == stop
    b.raw(8_388_607).raw(8_388_607)
    assert (b.core.fault, b.core.trip_raw) == (faults.SATURATED, 8_388_607)


def test_a_latched_board_latches_no_defect_of_the_readings() -> None:
    b = latched()
    for _ in range(8):
        b.raw(8_388_607)
    for _ in range(8):
        b.raw(17)
    assert b.core.fault == 0 and not b.core.sound


def test_bound_in_the_record_is_in_raw_counts() -> None:
    s = Settings()
    s.zero_counts = 100_000
    s.derive()
    b = Bench(s)
    b.core.greeted = True
    for n in range(30):
        b.raw(100_000 + n % 2)
    assert b.arm() == 0 and b.quiet(400).tap().go() == 0
    b.raw(700_000).raw(1_300_000).raw(1_900_000)
    b.raw(100_000 + int(b.core.ceiling))
    assert b.core.fault == 0
    b.raw(100_000 + int(b.core.ceiling) + 1)
    assert b.core.fault == faults.OVER_TENSION and b.core.trip_bound == 100_000 + b.core.ceiling
