"""The permit that only a tap gives, and clearing, which is all that takes a defect away."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire

from firmware.bench import Bench, armed, drawing, easing, frozen, holding, latched

# --- the permit ------------------------------------------------------------------------------------------------


def test_one_tap_one_draw() -> None:
    b = armed().tap()
    assert b.go() == 0 and not b.core.permit
    b = armed().tap()
    assert b.go(mode=wire.EASE, end=b.at) == 0
    b.tick()
    assert b.core.state == safety.ARMED


@pytest.mark.parametrize(("held_ms", "permits"), [(1, True), (699, True), (700, False), (2_500, False)])
def test_no_long_press_permits(held_ms: int, permits: bool) -> None:
    b = armed().press().quiet(held_ms)
    b.core.tap(b.now_us, held_ms)
    assert (b.go() == 0) is permits


@pytest.mark.parametrize(("gap_ms", "permits"), [(20, False), (990, False), (1_010, True), (3_000, True)])
def test_no_second_press_within_a_second_permits(gap_ms: int, permits: bool) -> None:
    for second_ms in (50, 600):
        b = armed().tap(50).quiet(gap_ms).press()
        assert not b.core.permit, "the second press voids what the first permitted"
        b.quiet(second_ms)
        b.core.tap(b.now_us, second_ms)
        assert b.core.permit is permits
        assert (b.go() == 0) is permits


def test_a_tap_long_after_the_last_permits_at_any_time_of_the_wrapping_clock() -> None:
    # 2^30 us after the last tap, the clock shows the time of that tap again.
    for gap_us in (60_000_000, wire.TIME_WRAP_US, wire.TIME_WRAP_US + 500_000):
        b = armed().tap(50)
        then_us = b.now_us
        for _ in range(gap_us // 250_000 - 2):
            b.raw(int(b.core.raw) ^ 1, 250_000)
        b.read(0.0, 20)
        b.tick((then_us + gap_us - b.now_us) % wire.TIME_WRAP_US)
        assert b.go() == wire.DATA_NOT_SOUND or not b.core.permit
        b.read(0.0, 5).tap(50)
        assert b.core.permit


def test_a_press_that_began_before_arming_permits_nothing() -> None:
    b = latched().press().quiet(100)
    assert b.arm() == 0
    b.quiet(200)
    b.core.tap(b.now_us, 300)
    assert not b.core.permit and b.go() == wire.NO_PRESS
    b.quiet(1_500).tap()
    assert b.go() == 0


@pytest.mark.parametrize(("wait_ms", "permits"), [(1_990, True), (2_020, False)])
def test_a_permit_waits_two_seconds(wait_ms: int, permits: bool) -> None:
    b = armed().tap().quiet(wait_ms)
    assert (b.go() == 0) is permits


@pytest.mark.parametrize(("wait_ms", "permits"), [(20, False), (280, False), (320, True)])
def test_a_press_in_the_lock_out_after_arming_permits_nothing(wait_ms: int, permits: bool) -> None:
    b = latched()
    assert b.arm() == 0
    b.tick().quiet(wait_ms).tap(400)
    assert (b.go() == 0) is permits


@pytest.mark.parametrize("make", [latched, drawing, holding, easing, frozen])
def test_a_tap_permits_nothing_but_from_armed(make: Callable[[], Bench]) -> None:
    b = make()
    b.core.press(b.now_us, b.at, b.rate)
    b.core.tap(b.now_us, 100)
    assert not b.core.permit


def test_presses_from_before_arming_are_void() -> None:
    b = latched().tap()
    assert b.arm() == 0
    assert b.go() == wire.NO_PRESS
    b = armed().tap()
    assert b.core.disarm() == 0 and b.arm() == 0
    assert b.go() == wire.NO_PRESS


# --- clear -----------------------------------------------------------------------------------------------------


def tripped(newtons: float) -> Bench:
    b = frozen(100.0)
    b.raw(8_388_607).raw(8_388_607)
    assert b.core.fault == faults.SATURATED
    return b.read(newtons, 10)


def test_clear_forgets_and_latches_and_moves_nothing() -> None:
    b = tripped(5.0)
    assert b.clear() == 0
    assert (b.core.fault, b.core.later, b.core.state, b.core.enabled) == (0, 0, safety.LATCHED, False)
    b.quiet(2_000)
    assert (b.core.state, b.core.enabled) == (safety.LATCHED, False)


def test_clear_is_refused() -> None:
    assert tripped(10.1).clear() == wire.LOADED
    assert tripped(9.9).clear() == 0
    for name in ("estop", "supply", "pedal_fault"):
        b = tripped(5.0)
        setattr(b, name, True)
        assert b.clear() == wire.FAULT_LIVE
    assert tripped(5.0).tick(34_721).clear() == wire.DATA_NOT_SOUND
    b = tripped(5.0)
    b.rate = -160
    assert b.tick().clear() == wire.WRONG_STATE, "still braking"
    for make in (armed, drawing, holding, easing):
        b = make()
        state = b.core.state
        assert b.clear() == wire.WRONG_STATE and b.core.state == state


def test_nothing_but_clear_takes_a_defect_away() -> None:
    b = tripped(5.0)
    b.tap().quiet(2_000)
    assert b.core.stop(b.now_us, b.at, 0) == 0
    assert b.arm() == wire.WRONG_STATE
    assert b.core.disarm() == wire.WRONG_STATE
    assert b.go(mode=wire.EASE, end=b.at - 5) == 0
    b.at -= 5
    b.tick()
    assert (b.core.state, b.core.fault) == (safety.FROZEN, faults.SATURATED)


@pytest.mark.parametrize("stop", [faults.PRESSED, faults.STOPPED])
def test_a_mere_stop_is_forgotten_once_slack(stop: int) -> None:
    b = drawing(100.0)
    if stop == faults.PRESSED:
        b.press()
    else:
        b.core.stop(b.now_us, b.at, 0)
    b.quiet(400).read(90.0, 5)
    assert b.go(mode=wire.EASE, end=b.at) == 0
    b.tick()
    assert b.core.fault == stop, "still loaded"
    for force in (60.0, 30.0, 5.0):
        b.read(force)
        assert b.go(mode=wire.EASE, end=b.at) == 0
    b.tick()
    assert (b.core.state, b.core.fault) == (safety.ARMED, 0)
