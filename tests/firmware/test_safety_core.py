"""Exact cases of the safety core. Where no other source is named it is hardware/protocol.md, sections 5 to 8."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.safety import Core
from evenbed_fw.settings import Settings

from firmware.bench import Bench, armed, drawing, easing, frozen, holding, latched
from firmware.small import Small

FAR = 1 << 28  # a way without end, in steps: beyond any position (section 4)


def state_of(b: Bench) -> tuple[int, int, bool]:
    return b.core.state, b.core.fault, b.core.enabled


def lowering() -> Bench:
    """Frozen with 100 N, let down by the held pedal, under way."""
    b = frozen()
    b.held_ms = 1_000
    b.tick()
    assert b.core.state == safety.EASING
    b.rate = -16_000
    return b


def backing() -> Bench:
    b = holding(200.0).read(240.0)
    b.raw(int(b.core.ceiling) + 1)
    assert b.core.state == safety.BACKING
    return b


def cut() -> Bench:
    b = holding()
    b.estop = True
    b.tick()
    b.estop = False
    return b.quiet(100)


# --- the let-down by the pedal (sections 5 and 7) -----------------------------------------------------------------------
def test_a_let_down_begins_after_1000_ms_at_rest() -> None:
    b = frozen()
    b.held_ms = 999
    assert b.tick().core.state == safety.FROZEN
    b.held_ms, b.rate = 1_000, -16
    assert b.tick().core.state == safety.FROZEN
    b.rate = 16
    assert b.tick().core.state == safety.FROZEN
    b.rate = 0
    assert b.tick().core.state == safety.EASING
    assert (b.core.end, b.core.rate, b.core.enabled) == (b.at - FAR, b.s.let_down_steps_s, True)


def unsound() -> Bench:
    return latched().tick(34_721)


def loaded(make: Callable[[], Bench]) -> Callable[[], Bench]:
    return lambda: make().read(10.1, 3)


@pytest.mark.parametrize(
    ("make", "unpowered", "knows_contact"),
    [
        (frozen, False, True),
        (cut, True, False),
        (loaded(latched), True, False),
        (unsound, True, False),
        (loaded(armed), False, False),
    ],
)
def test_from_where_the_pedal_lets_down(make: Callable[[], Bench], unpowered: bool, knows_contact: bool) -> None:
    b = make()
    b.at = 5_000
    contact = int(b.core.contact_position)
    b.held_ms = 1_000
    b.tick()
    assert (b.core.state, b.core.enabled) == (safety.EASING, True)
    assert b.core.contact_position == (contact if knows_contact else 5_000 - FAR)
    assert b.core.eased_unpowered is unpowered


@pytest.mark.parametrize("make", [latched, armed, drawing, holding, easing, backing])
def test_from_where_it_does_not(make: Callable[[], Bench]) -> None:
    b = make()
    if b.core.state == safety.BACKING:
        b.at += 1  # still on its way
    state = b.core.state
    b.held_ms = 5_000
    assert b.tick().core.state == state


@pytest.mark.parametrize(("rate", "way"), [(-16_000, 101), (0, 0), (16_000, 0)])
def test_releasing_freezes_and_brakes(rate: int, way: int) -> None:
    # v^2 / 2a = 16000^2 / 2560000 = 100 steps, kinematics; rounded up
    b = lowering()
    b.rate, b.held_ms = rate, 0
    b.tick()
    assert (b.core.state, b.core.end) == (safety.FROZEN, b.at - way)
    assert not b.core.arriving and not b.core.eased_to


def test_a_let_down_stands_once_when_contact_is_gone_and_a_new_press_goes_on() -> None:
    b = lowering()
    b.read(30.0, 3).read(2.0)
    assert b.core.contact and b.core.state == safety.EASING
    b.read(1.9)
    assert not b.core.contact
    assert (b.core.state, b.core.end) == (safety.FROZEN, b.at)
    b.held_ms = 4_000
    b.tick().quiet(50)
    assert b.core.state == safety.FROZEN, "still braking, the press still held"
    # A string that still pulls where it stood: frozen, and only a new press goes on.
    b.read(11.0, 3)
    b.rate = 0
    b.tick().quiet(200)
    assert b.core.state == safety.FROZEN
    b.held_ms = 0
    b.tick()
    b.held_ms = 1_000
    assert b.tick().core.state == safety.EASING
    b.rate = -16_000
    b.read(1.0, 6)
    assert b.core.state == safety.EASING, "past the place where it stood, for as long as it is held"


@pytest.mark.parametrize(("past", "state"), [(1, safety.EASING), (0, safety.FROZEN), (-1, safety.FROZEN)])
def test_without_readings_it_stands_at_the_place_of_contact(past: int, state: int) -> None:
    b = lowering()
    b.tick(40_000)
    b.at = int(b.core.contact_position) + past
    assert b.tick().core.state == state


def test_with_readings_the_place_of_contact_does_not_stop_it() -> None:
    b = lowering()
    b.at = int(b.core.contact_position) - 5
    b.read(60.0)
    assert b.core.contact and b.core.state == safety.EASING


@pytest.mark.parametrize(
    ("newtons", "fault", "after"),
    [
        (1.0, faults.STOPPED, (safety.ARMED, 0, True)),
        (1.0, faults.PRESSED, (safety.ARMED, 0, True)),
        (1.0, faults.NO_DATA, (safety.FROZEN, faults.NO_DATA, True)),
        (1.0, faults.STRETCH, (safety.FROZEN, faults.STRETCH, True)),
        (10.1, faults.STOPPED, (safety.FROZEN, faults.STOPPED, True)),
    ],
)
def test_standing_slack_forgets_a_mere_stop(newtons: float, fault: int, after: tuple[int, int, bool]) -> None:
    b = lowering()
    b.core.fault, b.core.later = fault, 1 << faults.NO_DATA
    b.read(30.0, 3).read(1.0)
    assert b.core.state == safety.FROZEN and b.core.arriving
    b.read(newtons)
    b.rate = 0
    b.tick()
    assert state_of(b) == after
    assert (b.core.later == 0) is (after[1] == 0)
    assert b.core.contact is (newtons > 10.0)
    assert b.core.eased_to is (after[0] == safety.FROZEN)
    assert not b.core.arriving


@pytest.mark.parametrize("make", [loaded(latched), cut])
def test_a_let_down_that_began_without_power_ends_without(make: Callable[[], Bench]) -> None:
    b = make()
    cause = b.core.fault
    b.read(60.0, 3)
    b.held_ms = 1_000
    b.tick()
    assert b.core.state == safety.EASING
    b.rate = -16_000
    b.read(1.0, 3)
    b.rate = 0
    b.tick()
    assert state_of(b) == (safety.FROZEN if cause else safety.LATCHED, cause, False)
    assert not b.core.eased_unpowered


def test_steps_for_a_let_down() -> None:
    # 50 ms of 16000 steps/s, and v^2/2a
    core = lowering().core
    assert core.let_down_grant(Small(-16_000)) == 800 + 101
    assert core.let_down_grant(Small(0)) == 800
    assert core.let_down_grant(Small(16_000)) == 800


@pytest.mark.parametrize("make", [easing, backing])
def test_the_slack_side_switch_ends_what_goes_down(make: Callable[[], Bench]) -> None:
    b = make()
    end = int(b.core.end) + 7
    b.core.stand_at(end)
    assert b.core.end == end
    b.core.stand_at(end - 3)
    assert b.core.end == end


@pytest.mark.parametrize("make", [drawing, holding, lowering])
def test_the_slack_side_switch_ends_nothing_else(make: Callable[[], Bench]) -> None:
    b = make()
    end = int(b.core.end)
    b.core.stand_at(end + 7)
    assert b.core.end == end


# --- an ease-off arrives (section 5) ------------------------------------------------------------------------------------
def test_an_ease_off_arrives_at_rest_at_its_end_and_slack() -> None:
    b = easing(25.0).read(5.0, 3)
    b.at = int(b.core.end) + 1
    assert b.tick().core.state == safety.MOVING
    b.at -= 1
    b.rate = -16
    assert b.tick().core.state == safety.MOVING
    b.rate = 0
    assert b.tick().core.state == safety.ARMED
    assert not b.core.contact and not b.core.eased_to


def test_a_draw_and_a_hold_arrive_nowhere() -> None:
    for make in (drawing, holding):
        b = make(25.0)
        b.read(5.0)
        b.core.fault = 0
        b.at = int(b.core.end)
        state = b.core.state
        assert b.tick().core.state == state


def test_a_back_off_ends_at_rest_and_at_its_end() -> None:
    b = backing()
    b.at = int(b.core.end)
    b.rate = -16
    assert b.tick().core.state == safety.BACKING
    b.rate, b.at = 0, b.at + 1
    assert b.tick().core.state == safety.BACKING
    b.at -= 1
    assert b.tick().core.state == safety.FROZEN


# --- loaded (section 5: above 2.5 contact forces) -----------------------------------------------------------------------
def test_loaded_is_above_ten_newtons() -> None:
    b = latched()
    ten = 5 * int(b.s.contact_counts) // 2  # 2.5 x 35036 counts
    assert not b.raw(ten).core.loaded()
    assert b.raw(ten + 1).core.loaded()


# --- time (sections 2, 4, 6, 7) ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(("after_us", "answer"), [(300_000, wire.WRONG_STATE), (300_001, 0)])
def test_what_was_on_its_way_is_not_taken_for_300_ms(after_us: int, answer: int) -> None:
    b = holding()
    b.core.stop(b.now_us, b.at, 0)
    stop_us = b.now_us
    b.quiet(290)
    b.tick(stop_us + after_us - b.now_us)
    assert b.go(mode=wire.EASE, end=b.at) == answer


def test_a_second_stop_begins_the_300_ms_anew() -> None:
    b = frozen()
    assert not b.core.fresh_stop
    b.raw(8_388_607).raw(8_388_607)
    assert b.core.fault == faults.SATURATED and b.core.fresh_stop


@pytest.mark.parametrize(("after_us", "permits"), [(2_000_000, True), (2_000_001, False)])
def test_a_permit_ends_after_two_seconds_to_the_microsecond(after_us: int, permits: bool) -> None:
    b = armed().tap()
    began_us = b.now_us
    b.quiet(1_990)
    b.tick(began_us + after_us - b.now_us)
    assert b.core.permit is permits


@pytest.mark.parametrize(("gap_us", "permits"), [(1_006_000, False), (1_006_001, True)])
def test_no_second_press_within_a_second_to_the_microsecond(gap_us: int, permits: bool) -> None:
    """A press is told 6 ms after it began (section 7), so a second later is 1006 ms."""
    b = armed().tap()
    ended_us = b.now_us
    b.quiet(1_000)
    b.tick(ended_us + gap_us - b.now_us)
    b.press().quiet(100)
    b.core.tap(b.now_us, 100)
    assert b.core.permit is permits


@pytest.mark.parametrize(("after_us", "locked"), [(300_000, True), (300_001, False)])
def test_the_lock_out_lasts_300_ms(after_us: int, locked: bool) -> None:
    b = latched()
    assert b.arm() == 0
    b.tick()  # the change of state is seen here
    seen_us = b.now_us
    b.quiet(290)
    b.tick(seen_us + after_us - b.now_us)
    b.press()
    assert b.core.locked is locked


@pytest.mark.parametrize(("after_us", "sound"), [(34_720, True), (34_721, False)])
def test_readings_are_missing_after_two_and_a_half_slowest_periods(after_us: int, sound: bool) -> None:
    # 12500 us x 10/9 = 13888 us; 2.5 of them
    b = armed()
    b.tick(after_us)
    assert b.core.sound is sound


# --- readings (section 5, "settle"; section 8) -------------------------------------------------------------------------
def test_four_readings_settle_the_fifth_is_believed() -> None:
    b = Bench()
    for n in range(4):
        b.raw(1_000 + n)
        assert not b.core.sound and b.core.force == 0
    b.raw(1_004)
    assert b.core.sound and b.core.force == 1_004


def test_after_a_gap_the_converter_settles_anew() -> None:
    b = armed()
    b.raw(50, 34_721)
    assert b.core.seen == 1 and not b.core.sound
    for n in range(3):
        b.raw(51 + n)
        assert not b.core.sound
    b.raw(60)
    assert b.core.sound and b.core.force == 60


def test_no_gap_is_no_gap() -> None:
    b = armed()
    b.raw(50, 34_720)
    assert b.core.seen > 20 and b.core.sound


def test_a_gap_in_a_backing_off_freezes_it() -> None:
    b = backing()
    b.at += 1
    b.tick(34_721)
    assert b.core.state == safety.FROZEN and b.core.later == 1 << faults.NO_DATA


@pytest.mark.parametrize("end", [8_388_607, -8_388_608])
def test_two_saturated_in_a_row(end: int) -> None:
    b = armed()
    b.raw(end)
    assert b.core.fault == 0 and not b.core.sound and b.core.raw == end
    b.raw(1)
    assert b.core.saturated == 0 and b.core.fault == 0
    b.raw(end)
    assert b.core.fault == 0
    b.raw(end)
    assert (b.core.fault, b.core.state) == (faults.SATURATED, safety.FROZEN)


def test_the_last_before_the_end_of_the_range_is_no_saturation() -> None:
    for raw in (8_388_606, -8_388_607):
        b = armed()
        b.raw(raw)
        assert b.core.saturated == 0 and b.core.force == raw


def test_seven_equal_readings_stick_and_six_do_not() -> None:
    b = armed()
    b.raw(77)
    for _ in range(5):
        b.raw(77)
        assert b.core.sound and b.core.fault == 0
    b.raw(77)
    assert (b.core.fault, b.core.sound) == (faults.STUCK, False)
    b.raw(77)
    assert b.core.same == 6 and not b.core.sound
    b.raw(78)
    assert b.core.same == 0 and b.core.sound


def test_an_equal_reading_grants_nothing() -> None:
    b = drawing(50.0)
    raw = int(b.core.raw)
    b.raw(raw + 1)
    high = int(b.core.high)
    b.at += 100
    b.raw(raw + 1)
    assert b.core.high == high and b.core.sound
    b.raw(raw + 2)
    assert b.core.high > high


def test_the_first_reading_after_a_gap_that_equals_the_last_is_not_equal() -> None:
    b = latched()
    b.raw(int(b.core.raw), 40_000)
    assert b.core.same == 0


# --- what each answer leaves behind -------------------------------------------------------------------------------------
def test_a_draw_begins_without_contact_and_uses_its_permit() -> None:
    b = armed().read(5.0, 5)
    b.tap()
    assert b.core.contact and b.core.permit
    assert b.go() == 0
    assert not b.core.contact and not b.core.permit


def test_clear_takes_contact_and_the_standing_place_away() -> None:
    b = frozen().read(9.0, 10)
    b.core.eased_to = True
    assert b.core.contact and b.clear() == 0
    assert not b.core.contact and not b.core.eased_to and b.core.later == 0


@pytest.mark.parametrize("rate", [16, -16])
def test_clear_waits_for_rest(rate: int) -> None:
    b = frozen().read(9.0, 10)
    b.rate = rate
    assert b.tick().clear() == wire.WRONG_STATE
    b.rate = 0
    assert b.tick().clear() == 0


@pytest.mark.parametrize("make", [cut, latched])
def test_clear_from_cut_and_latched(make: Callable[[], Bench]) -> None:
    b = make().read(9.0, 10)
    assert b.clear() == 0 and state_of(b) == (safety.LATCHED, 0, False)


def test_an_emergency_stop_takes_home_and_the_standing_place_away() -> None:
    b = frozen()
    b.core.homed = b.core.eased_to = True
    b.estop = True
    b.tick()
    assert not b.core.homed and not b.core.eased_to and not b.core.enabled


def test_supply_and_emergency_stop_are_told_apart() -> None:
    for estop, supply, fault in ((True, False, 9), (False, True, 10), (True, True, 9)):
        b = armed()
        b.estop, b.supply = estop, supply
        assert b.tick().core.fault == fault


def test_a_defect_of_an_armed_board_freezes_it_and_a_press_does_not() -> None:
    b = armed()
    b.core.trip(b.now_us, faults.PRESSED, 0, 0, 0)
    assert b.core.state == safety.ARMED
    b.core.trip(b.now_us, faults.STUCK, 0, 0, 0)
    assert b.core.state == safety.FROZEN


def test_the_same_fault_again_is_no_later_one() -> None:
    b = armed()
    b.core.trip(b.now_us, faults.STUCK, 1, 2, 3)
    b.core.trip(b.now_us, faults.STUCK, 4, 5, 6)
    assert (b.core.later, b.core.trip_raw, b.core.trip_position, b.core.trip_rate) == (0, 1, 2, 3)
    b.core.trip(b.now_us, faults.SATURATED, 4, 5, 6)
    b.core.trip(b.now_us, faults.NO_DATA, 4, 5, 6)
    assert b.core.later == (1 << faults.SATURATED) | (1 << faults.NO_DATA)


def test_over_tension_while_backing_off_changes_nothing() -> None:
    b = backing()
    end = int(b.core.end)
    b.core.trip(b.now_us, faults.OVER_TENSION, 0, b.at, 0)
    assert (b.core.state, b.core.end) == (safety.BACKING, end)


def test_a_hold_is_capped_from_where_it_began() -> None:
    b = drawing()
    entry = b.at
    most = entry + int(b.s.hold_travel_steps)
    assert b.go(mode=wire.HOLD, end=most) == 0 and b.core.end == most
    b.at += 10
    assert b.go(mode=wire.HOLD, end=most + 1) == 0 and b.core.end == most
    assert b.core.hold_entry == entry


def test_a_lease_is_cut_to_what_the_board_allows() -> None:
    b = drawing()
    top = int(b.s.rate_max_steps_s)
    for rate, taken in ((top - 1, top - 1), (top, top), (top + 1, top)):
        assert b.go(rate=rate) == 0 and b.core.rate == taken
    ceiling = int(b.core.ceiling)
    for soft, used in ((ceiling - 1, ceiling - 1), (ceiling, ceiling), (ceiling + 1, ceiling)):
        assert b.go(soft=soft) == 0 and b.core.soft == used
    assert b.go(soft=-8_388_609) == 0 and b.core.soft == -8_388_608
    assert b.go(soft=-8_388_607) == 0 and b.core.soft == -8_388_607
    assert b.go(expiry_ms=20) == 0 and b.core.expiry_us == 20_000 and b.core.lease_us == b.now_us
    assert b.core.go_seq == b.seq


def test_counts_of_a_lease_are_raw() -> None:
    b = drawing()
    b.s.zero_counts = Small(21_000)
    assert b.go(soft=500_000) == 0 and b.core.soft == 479_000


def test_lowering_the_ceiling_lowers_the_lease() -> None:
    b = drawing(50.0)
    assert b.go() == 0
    assert b.core.lower_ceiling(150_000) == 0
    # 150 N on the softest string, 1.5 N/mm: 100 mm of 1600 steps
    assert (b.core.soft, b.core.stretch) == (b.counts(150.0), 100 * 1_600)
    assert b.go(soft=100) == 0 and b.core.lower_ceiling(149_000) == 0 and b.core.soft == 100


def test_arming_takes_the_ceiling() -> None:
    b = latched()
    assert b.arm(150_000) == 0
    assert b.core.ceiling == b.core.soft == b.counts(150.0) and b.core.stretch == 100 * 1_600


def test_an_armed_board_after_a_let_down_without_power_is_armed() -> None:
    b = latched()
    b.core.eased_unpowered = True
    assert b.arm() == 0 and not b.core.eased_unpowered


# --- a string that is lost (section 8, fault 6) ----------------------------------------------------------------------
def test_while_a_let_down_still_brakes_its_falling_force_is_no_lost_string() -> None:
    b = easing(200.0)
    b.rate = -40_000
    b.read(200.0)
    b.press()
    for rate in (-40_000, -16, -1):
        b.rate = rate
        b.read(190.0)
        assert b.core.since_eased == 0
    b.rate = 0
    for n in range(1, 4):
        b.read(190.0)
        assert b.core.since_eased == n
    b.read(190.0, 3)
    assert b.core.since_eased == 4


@pytest.mark.parametrize(("make", "since"), [(frozen, 4), (holding, 1), (drawing, 1)])
def test_going_down_but_not_let_down_is_judged(make: Callable[[], Bench], since: int) -> None:
    b = make()
    b.rate = -1_600
    b.core.since_eased = since
    b.tick()
    assert b.core.since_eased == since


def test_an_armed_board_that_eased_before_has_not_just_eased() -> None:
    b = easing(25.0).read(5.0, 3)
    b.at = int(b.core.end)
    b.tick()
    assert b.core.state == safety.ARMED and b.core.mode == wire.EASE
    b.read(5.0, 6)
    assert b.core.since_eased == 4


def test_the_first_reading_that_is_believed_may_already_be_a_leap() -> None:
    b = Bench()
    for n in range(4):
        b.raw(n)
    b.raw(2_000_000)
    assert b.core.implausible == 1 and not b.core.sound
    b = Bench()
    for n in (0, 2_000_000, 0, 2_000_000):
        b.raw(n)
    assert b.core.implausible == 0, "while it settles it may leap"


# --- the way down (section 8, fault 14) ---------------------------------------------------------------------------------
THIRTY = 262_770  # 30 N x 8759 counts/N


def going_down(make: Callable[[], Bench], readings: int) -> Bench:
    """On the way down, with so many readings of it, the lowest 700000 counts."""
    b = make()
    b.at -= 1_000 * (b.core.state == safety.EASING)
    b.core.end = b.at - 50_000
    for n in range(readings):
        b.rate = -16_000
        b.core.lease_us = Small(b.now_us)
        b.raw(700_000 + max(0, 5 - n))
    return b


def rise(b: Bench, counts: int) -> Bench:
    """Up by so much, in a step that a string can make, and there for three readings."""
    start = int(b.core.raw)
    for up in (counts // 2, counts, counts, counts):
        b.core.lease_us = Small(b.now_us)
        b.raw(start + up)
    return b


@pytest.mark.parametrize("make", [easing, lowering])
@pytest.mark.parametrize(("over", "trips"), [(0, False), (1, True)])
def test_a_force_that_rises_by_30_newtons_on_the_way_down_stops_it(
    make: Callable[[], Bench], over: int, trips: bool
) -> None:
    b = going_down(make, 8)
    b.core.fault = b.core.later = 0
    state = b.core.state
    rise(b, THIRTY + over)
    assert (b.core.fault == faults.WRONG_WAY) is trips and b.core.no_way_down is trips
    assert b.core.state == (safety.FROZEN if trips else state)


@pytest.mark.parametrize("make", [drawing, holding, frozen])
def test_what_is_not_let_down_may_rise(make: Callable[[], Bench]) -> None:
    b = make()
    for n in range(10):
        b.rate = -1_600
        b.core.lease_us = Small(b.now_us)
        b.raw(800_000 + n)
    rise(b, THIRTY + 5)
    assert b.core.fault in (0, faults.STOPPED)
    assert b.core.slow_down() is (make is holding)  # a hold is slow on its way down too, but judges nothing


@pytest.mark.parametrize("make", [easing, lowering, backing])
def test_the_way_down_is_slow_until_the_force_is_seen_to_fall(make: Callable[[], Bench]) -> None:
    b = going_down(make, 6)
    b.core.fault = b.core.later = 0
    assert b.core.slow_down()
    b.tick(34_721)
    assert not b.core.sound and not b.core.slow_down(), "without readings nobody waits for them"
    b = going_down(make, 6)
    b.core.fault = b.core.later = 0
    b.core.lease_us = Small(b.now_us)
    b.raw(500_000)
    assert not b.core.slow_down()


CELL = [faults.NO_DATA, faults.STUCK, faults.SATURATED, faults.IMPLAUSIBLE, faults.STRING_LOST]


@pytest.mark.parametrize("fault", [f for f in range(1, len(faults.NAMES)) if f != faults.WRONG_WAY])
@pytest.mark.parametrize("later", [False, True])
def test_a_cell_that_has_lied_does_not_judge_the_motor(fault: int, later: bool) -> None:
    b = lowering()
    b.core.fault = faults.PEDAL if later else fault
    b.core.later = 1 << fault if later else 0
    going_down(lambda: b, 8)
    before = b.core.later
    rise(b, THIRTY + 1)
    assert b.core.no_way_down is (fault not in CELL)
    assert b.core.later == before if fault in CELL else b.core.later & 1 << faults.WRONG_WAY or b.core.fault == 14


def test_once_the_motor_went_the_wrong_way_nothing_lets_down_until_it_is_cleared() -> None:
    b = frozen()
    b.core.no_way_down = True
    assert b.go(mode=wire.EASE, end=b.at) == wire.WRONG_STATE
    b.held_ms = 2_000
    assert b.tick().core.state == safety.FROZEN
    b.held_ms = 0
    b.read(60.0).read(30.0).read(9.0, 10)
    b.core.fault = 0
    assert b.clear() == 0 and not b.core.no_way_down


def test_a_press_meant_for_a_calibration_lets_nothing_down() -> None:
    b = frozen()
    b.core.offered = True
    b.held_ms = 2_000
    assert b.tick().core.state == safety.FROZEN
    b.core.offered = False
    assert b.tick().core.state == safety.EASING


def test_new_settings_forget_what_readings_have_shown() -> None:
    b = latched().read(5.0, 3)
    b.core.stiff16, b.core.offered = Small(77), True
    assert b.core.contact and b.core.sound
    b.core.renew()
    assert (b.core.seen, b.core.force, b.core.stiff16) == (0, 0, 0)
    assert not b.core.sound and not b.core.contact and not b.core.offered and b.core.release_first


# --- at boot (section 10) ---------------------------------------------------------------------------------------------
def test_at_boot_nothing_has_happened_yet() -> None:
    core = Core(Settings())
    ints = {name: value for name, value in vars(core).items() if isinstance(value, int)}
    other = {"go_seq": -1, "line_seq": -1, "since_eased": 4}
    assert {name for name, value in ints.items() if value} == set(other)
    assert {name: ints[name] for name in other} == other


def test_travel_under_load_counts_from_the_place_of_contact() -> None:
    b = drawing(50.0)
    b.core.contact_position = Small(5_000)
    b.at = 5_000 + int(b.core.stretch)
    assert b.read(50.0).core.fault == 0
    b.at += 1
    assert b.read(50.0).core.fault == faults.STRETCH


def test_a_hold_that_gives_way_is_watched_for_the_way_down_that_may_follow() -> None:
    b = holding()
    for force in (700_000, 700_001, 700_000, 700_001, 700_000, 700_001, 600_000):
        b.rate = -1
        b.core.lease_us = Small(b.now_us)
        b.raw(force)
    assert b.core.way.fell
    b.rate = 0
    b.core.lease_us = Small(b.now_us)
    b.raw(600_001)
    assert not b.core.way.fell


def test_missing_readings_are_no_longer_sound_in_an_emergency_stop_either() -> None:
    b = armed()
    b.estop = True
    b.tick(34_721)
    assert not b.core.sound and b.core.state == safety.CUT


def test_a_trip_under_a_lease_voids_the_permit() -> None:
    b = armed().tap()
    assert b.go(mode=wire.EASE, end=b.at - 5_000) == 0 and b.core.permit
    b.core.trip(b.now_us, faults.STUCK, 0, 0, 0)
    assert b.core.state == safety.FROZEN and not b.core.permit


@pytest.mark.parametrize("fault", [*CELL, faults.LEASE_EXPIRED, faults.STRETCH])
def test_a_fault_does_not_stop_a_let_down(fault: int) -> None:
    b = lowering()
    b.core.trip(b.now_us, fault, 0, 0, 0)
    assert b.core.state == safety.EASING and b.core.fault == fault


@pytest.mark.parametrize(("estop", "fault"), [(True, faults.EMERGENCY_STOP), (False, faults.SUPPLY_LOST)])
def test_a_cut_of_a_loaded_latched_board_is_latched_too(estop: bool, fault: int) -> None:
    b = latched().read(10.1, 3)
    b.estop, b.supply = estop, not estop
    b.tick()
    assert state_of(b) == (safety.CUT, fault, False)


@pytest.mark.parametrize("fault", range(1, len(faults.NAMES)))
def test_the_way_down_waits_for_the_force_unless_the_cell_has_lied(fault: int) -> None:
    for first, later in ((fault, 0), (faults.PEDAL, 1 << fault)):
        b = lowering()
        b.core.fault, b.core.later = first, later
        assert b.core.slow_down() is (fault not in CELL)


def test_over_tension_while_going_down_backs_off_from_where_it_is() -> None:
    b = holding(240.0)
    b.rate = -1_600
    b.raw(int(b.core.ceiling) + 1)
    assert (b.core.state, b.core.end) == (safety.BACKING, b.at - b.s.back_off_steps)


@pytest.mark.parametrize(("ceiling_mn", "answer"), [(0, wire.ABOVE_LIMIT), (1, 0)])
def test_a_ceiling_is_one_count_at_least(ceiling_mn: int, answer: int) -> None:
    b = armed()
    b.s.gain_mcounts_n = 1_000_000  # a count a millinewton
    assert b.core.lower_ceiling(ceiling_mn) == answer


@pytest.mark.parametrize("seq", [0, 1, 5_000, 9_999])
def test_the_first_line_is_newer_whatever_its_number(seq: int) -> None:
    assert Core(Settings()).newer(seq)
