"""On the way down the force falls; if it rises, the motor turns the wrong way and is not asked again
(hardware/protocol.md section 8, fault 14)."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.waydown import WayDown

from firmware.bench import Bench, armed, easing, frozen, holding
from firmware.small import Small, small_settings
from firmware.test_responses import backing, easing_by_pedal

DOWN = -16_000


def down(b: Bench, newtons: float, times: int) -> Bench:
    """Readings on the way down, one count alive, under a lease that is renewed."""
    b.rate = DOWN
    for _ in range(times):
        renew(b)
        b.read(newtons)
    return b


def renew(b: Bench) -> None:
    if b.core.state == safety.MOVING:
        b.go(mode=wire.EASE, end=b.at - 2000)


@pytest.mark.parametrize(
    ("make", "most_n"),
    [(easing, 30.0), (easing_by_pedal, 30.0), (backing, 4.0)],
    ids=["ease", "pedal", "back-off"],
)
def test_thirty_newtons_up_freeze_and_no_less(make: Callable[[], Bench], most_n: float) -> None:
    """In a back-off the contact force is enough."""
    thirty = make().counts(most_n)
    for above, state in ((thirty, None), (thirty + 1, safety.FROZEN)):
        b = make()
        was = b.core.state
        b.rate = DOWN
        base = b.counts(120.0) + 200
        for k in range(7):
            renew(b)
            b.raw(base + 5 * (k % 2))
        b.raw(base)  # two in a row so low
        for k in range(3):
            assert b.core.state == was
            renew(b)
            b.raw(base + above + (k % 2 if above > thirty else -(k % 2)))
        assert b.core.state == (state if state is not None else was)
        assert (b.core.fault == faults.WRONG_WAY or b.core.later >> faults.WRONG_WAY & 1) == (state is not None)


def test_the_first_six_readings_of_the_way_only_set_the_mark() -> None:
    # What was on its way up when the way down began still rises for two ages of a reading.
    b = easing(100.0)
    down(b, 100.0, 1)
    for k in range(1, 6):
        down(b, 100.0 + 10.0 * k, 1)
    assert b.core.state == safety.MOVING
    down(b, 179.0, 3)  # 29 N above the last of the six
    assert b.core.state == safety.MOVING
    down(b, 181.0, 3)
    assert b.core.state == safety.FROZEN and b.core.fault == faults.WRONG_WAY


def test_the_lowest_counts_not_the_last() -> None:
    b = easing(100.0)
    for newtons in (80.0, 80.0, 80.0, 80.0, 80.0, 80.0, 70.0, 65.0, 65.0, 75.0, 85.0, 94.0, 94.0, 94.0):
        down(b, newtons, 1)
    assert b.core.state == safety.MOVING
    down(b, 96.0, 3)
    assert b.core.state == safety.FROZEN


def test_one_low_reading_is_no_mark_and_two_high_ones_no_rise() -> None:
    b = easing(100.0)
    down(b, 100.0, 7)
    down(b, 60.0, 1)
    down(b, 100.0, 4)
    assert b.core.state == safety.MOVING
    for _ in range(3):
        down(b, 131.0, 2)
        down(b, 100.0, 1)
    assert b.core.state == safety.MOVING


def test_a_stand_begins_the_way_anew() -> None:
    b = easing(100.0)
    down(b, 60.0, 8)
    b.rate = 0
    b.read(80.0)
    assert b.go(mode=wire.EASE, end=b.at - 2000) == 0
    down(b, 95.0, 4)
    assert b.core.state == safety.MOVING


def test_an_ease_off_comes_down_from_above_the_ceiling() -> None:
    b = frozen(200.0)
    assert b.core.lower_ceiling(150_000) == 0
    assert b.go(mode=wire.EASE, end=b.at - 2000) == 0
    down(b, 199.0, 8)
    assert b.core.state == safety.MOVING and b.core.fault != faults.OVER_TENSION


def test_an_ease_off_that_rises_above_the_ceiling_freezes_and_the_motor_is_suspected() -> None:
    b = easing(200.0)
    down(b, 200.0, 1).read(240.0)
    b.raw(b.counts(250.0))
    assert b.core.state == safety.MOVING
    b.raw(b.counts(250.0) + 1)
    assert b.core.state == safety.FROZEN and b.core.fault == faults.OVER_TENSION and b.core.suspect


def test_a_hand_that_pushes_on_the_way_is_no_motor() -> None:
    b = easing(100.0)
    down(b, 100.0, 6)
    down(b, 60.0, 2)
    down(b, 100.0, 5)  # 40 N above the lowest, and no higher than where the way began
    assert b.core.state == safety.MOVING
    down(b, 101.0, 3)
    assert b.core.state == safety.FROZEN


def test_after_an_emergency_stop_the_pedal_may_try_again() -> None:
    b = tripped()
    b.estop = True
    b.tick()
    b.estop = False
    b.quiet(300)
    assert b.core.state == safety.CUT
    b.held_ms = 1_000
    b.quiet(20)
    assert b.core.state == safety.EASING and b.core.slow_down()


@pytest.mark.parametrize(("newtons", "slow"), [(98.1, True), (97.9, False), (3.9, False)])
def test_the_way_down_is_slow_until_the_force_has_fallen_by_half_the_contact_force(newtons: float, slow: bool) -> None:
    b = easing(100.0)
    assert b.core.slow_down()
    down(b, 100.0, 6)
    assert b.core.slow_down()
    down(b, newtons, 1)
    assert b.core.slow_down() is slow
    down(b, 100.0, 1)
    assert b.core.slow_down() is slow  # once seen is enough


def test_the_mark_is_the_highest_of_the_first_readings() -> None:
    b = easing(100.0)
    for newtons in (100.0, 104.0, 102.0, 102.0, 102.0, 102.0):
        down(b, newtons, 1)
    down(b, 102.1, 1)
    assert b.core.slow_down()
    down(b, 101.9, 1)
    assert not b.core.slow_down()


def test_what_still_brakes_upwards_is_not_yet_the_way_down() -> None:
    b = backing()
    b.rate = 8_000
    b.read(255.0, 8)
    down(b, 290.0, 4)  # the reading is late: it still rises
    assert b.core.state == safety.BACKING


def test_without_a_cell_to_believe_the_way_down_is_as_fast_as_ever() -> None:
    b = frozen(100.0)
    b.core.fault = faults.STUCK
    b.held_ms = 1_000
    b.quiet(20)
    assert b.core.state == safety.EASING and not b.core.slow_down()
    b = easing_by_pedal()
    assert b.core.slow_down()
    b.tick(60_000)  # no readings any more
    assert not b.core.slow_down()


def test_standing_and_drawing_are_not_the_way_down() -> None:
    b = holding(100.0)
    b.rate = DOWN  # a hold may give way
    for newtons in (90.0, 80.0, 75.0, 72.0, 71.0, 70.0, 90.0, 110.0, 130.0):
        b.read(newtons)
        b.go(mode=wire.HOLD, end=b.at, rate=9600)
    assert b.core.state == safety.HOLDING


def test_after_a_back_off_that_rose_the_pedal_may_try_and_little_is_enough() -> None:
    b = backing()
    down(b, 250.0, 7)
    down(b, 255.0, 3)
    assert b.core.state == safety.FROZEN and b.core.later >> faults.WRONG_WAY & 1 | (b.core.fault == faults.WRONG_WAY)
    b.rate = 0
    b.quiet(400)
    b.held_ms = 1_000
    b.quiet(20)
    assert b.core.state == safety.EASING
    down(b, 255.0, 7)
    down(b, 258.0, 3)
    assert b.core.state == safety.EASING
    down(b, 260.0, 3)
    assert b.core.state == safety.FROZEN and b.core.no_way_down


def tripped() -> Bench:
    b = easing(100.0)
    down(b, 100.0, 6)
    down(b, 131.0, 3)
    assert b.core.fault == faults.WRONG_WAY
    b.rate = 0
    return b.quiet(400)


def test_afterwards_neither_lease_nor_pedal_moves_it_until_it_is_cleared() -> None:
    b = tripped()
    assert b.go(mode=wire.EASE, end=b.at - 2000) == wire.WRONG_STATE
    b.held_ms = 3_000
    b.quiet(50)
    assert b.core.state == safety.FROZEN
    b.held_ms = 0
    b.read(90.0).read(60.0).read(30.0).read(0.0, 4)  # the hand knob
    assert b.clear() == 0 and b.core.state == safety.LATCHED
    assert b.arm() == 0


@pytest.mark.parametrize("fault", [faults.NO_DATA, faults.STUCK, faults.SATURATED, faults.IMPLAUSIBLE, faults.STRING_LOST])
def test_a_cell_that_has_lied_does_not_judge_the_motor(fault: int) -> None:
    for first in (True, False):
        b = frozen(100.0)
        b.core.fault = fault if first else faults.LEASE_EXPIRED
        b.core.later = 0 if first else 1 << fault
        b.held_ms = 1_000
        b.quiet(20)
        assert b.core.state == safety.EASING
        down(b, 100.0, 8)
        down(b, 140.0, 4)
        assert b.core.state == safety.EASING


@pytest.mark.parametrize("fault", [faults.LEASE_EXPIRED, faults.OVER_TENSION, faults.STRETCH])
def test_any_other_first_cause_leaves_the_judgement(fault: int) -> None:
    b = frozen(100.0)
    b.core.fault = fault
    b.held_ms = 1_000
    b.quiet(20)
    down(b, 100.0, 8)
    down(b, 131.0, 3)
    assert b.core.state == safety.FROZEN and b.core.later >> faults.WRONG_WAY & 1


def test_at_rest_and_armed_a_rise_is_no_wrong_way() -> None:
    b = armed()
    b.read(50.0, 10).read(90.0, 2)
    assert b.core.fault == 0


# --- the rule by itself, in counts -------------------------------------------------------------------------------------
CONTACT, THIRTY = 35_036, 262_770  # 4 N and 30 N x 8759 counts/N


def way(*forces: int, rate: int = DOWN) -> WayDown:
    w = WayDown(small_settings())
    for force in forces:
        assert not w.step(Small(force), Small(rate))
    return w


SIX = (900_000, 900_001, 900_000, 900_001, 900_000, 900_000)


def test_at_first_nothing_has_fallen() -> None:
    assert not way().fell
    assert not way(900_000).fell


def test_a_rise_is_told_at_its_third_reading() -> None:
    w = way(*SIX, 900_000 + THIRTY + 1, 900_000 + THIRTY + 1)
    assert w.step(Small(900_000 + THIRTY + 1), Small(DOWN))
    w = way(*SIX, 900_000 + THIRTY + 1, 900_000 + THIRTY + 1, 900_000 + THIRTY, *[900_000 + THIRTY + 1] * 2)
    assert w.step(Small(900_000 + THIRTY + 1), Small(DOWN))
    assert WayDown(small_settings()).step(Small(THIRTY * 3), Small(DOWN)) is False


@pytest.mark.parametrize("lows", [(890_000, 880_000), (880_000, 890_000), (890_000, 890_000)])
def test_the_higher_of_two_low_readings_in_a_row_is_the_lowest(lows: tuple[int, int]) -> None:
    above = 890_000 + THIRTY + 1
    w = way(*SIX, *lows, above - 1, above - 1, above - 1, above, above)
    assert w.step(Small(above), Small(DOWN))


def test_one_low_reading_changes_nothing() -> None:
    above = 900_000 + THIRTY
    w = way(*SIX, 880_000, above, above, above, 880_000, above, above)
    assert not w.step(Small(above), Small(DOWN))
    w = way(*SIX, 880_000, 900_000, above, above)
    assert not w.step(Small(above), Small(DOWN))


@pytest.mark.parametrize(("force", "fell"), [(900_001 - CONTACT // 2, False), (900_001 - CONTACT // 2 - 1, True)])
def test_it_has_fallen_by_half_a_contact_force_from_the_highest_of_the_first(force: int, fell: bool) -> None:
    assert way(*SIX, force).fell is fell
    assert way(900_001, 900_000, force).fell is fell
    assert way(900_000, 900_001, force).fell is fell
    w = way(*SIX, force)
    w.off()
    assert not w.fell


@pytest.mark.parametrize(("force", "fell"), [(CONTACT, False), (CONTACT - 1, True)])
def test_below_the_contact_force_it_is_down(force: int, fell: bool) -> None:
    assert way(force).fell is fell


def test_a_new_way_has_a_mark_of_its_own() -> None:
    w = way(*SIX)
    w.off()
    for force in (500_000, 500_001, 500_000, 500_001, 500_000, 500_000):
        assert not w.step(Small(force), Small(DOWN))
    assert not w.fell
    for _ in range(2):
        assert not w.step(Small(500_000 + THIRTY + 1), Small(DOWN))
    assert w.step(Small(500_000 + THIRTY + 1), Small(DOWN))


@pytest.mark.parametrize(("rate", "tells"), [(0, False), (1, False), (-1, True)])
def test_only_what_goes_down_sets_the_mark(rate: int, tells: bool) -> None:
    w = way(*SIX, rate=rate)
    for _ in range(2):
        assert not w.step(Small(900_000 + THIRTY + 1), Small(DOWN))
    assert w.step(Small(900_000 + THIRTY + 1), Small(DOWN)) is tells


def test_five_readings_set_no_mark() -> None:
    w = way(*SIX[:5], *[900_000 + THIRTY + 1] * 5)
    assert not w.step(Small(900_000 + THIRTY + 1), Small(DOWN))


def test_the_way_down_is_no_faster_than_the_string_could_be_drawn() -> None:
    """Slow until the force falls, then the envelope's speed at this force, in a hold's speed at least; free without a
    string, without a let-down, and where no reading can be believed."""
    b = easing(100.0)
    slow = b.s.hold_rate_steps_s
    down(b, 100.0, 6)
    assert b.core.cap_down(64_000) == slow and b.core.cap_down(1_000) == 1_000
    down(b, 90.0, 2)
    fast = int(b.core.cap_up)
    assert slow < fast < 96_000 and b.core.cap_down(96_000) == fast and b.core.cap_down(fast - 16) == fast - 16
    b.core.cap_up = 0  # above ceiling and overrun it has to come down all the same
    assert b.core.cap_down(64_000) == slow
    b.core.contact = False
    assert b.core.cap_down(64_000) == 64_000
    b.core.contact = True
    b.core.later = 1 << faults.STUCK
    assert b.core.cap_down(64_000) == 64_000
    assert armed().core.cap_down(64_000) == 64_000


@pytest.mark.parametrize(("above", "tells"), [(0, False), (1, True)])
def test_a_rise_is_one_above_where_the_way_began(above: int, tells: bool) -> None:
    """A hand that pushes on the way raises the force again, but not above that."""
    began = 1_200_000
    w = way(*[began - 1] * 5, began, 900_000, 900_000, began + above, began + above)
    assert w.step(Small(began + above), Small(DOWN)) is tells


@pytest.mark.parametrize(("rate", "slow"), [(DOWN, False), (0, True), (16_000, True)])
def test_a_hold_looks_for_the_fall_only_on_its_way_down(rate: int, slow: bool) -> None:
    b = holding(100.0)
    for newtons, times in ((100.0, 7), (97.0, 1)):
        b.rate = rate
        for _ in range(times):
            b.go(mode=wire.HOLD, end=b.at, rate=9600)
            b.read(newtons)
    assert b.core.slow_down() is slow
