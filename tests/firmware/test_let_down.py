"""The way out of every loaded stop: the pedal alone, with or without readings, never a host."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.hardware import I_ESTOP_OK, I_PEDAL_A, I_PEDAL_B, I_SUPPLY_OK

from firmware.mpy_rig import AT_REST, PRESSED, Desk
from firmware.stages import END, SLACK, K, armed, drawing, holding

# --- ways into a loaded stop; each leaves host and readings dead ------------------------------------------------


def by_silence() -> Desk:
    d = holding()
    d.hw.converting = False
    d.run(100, (wire.HOLD, 9_600, END, 8_388_607, 150))
    return d


def by_sticking() -> Desk:
    d = holding()
    d.hw.constant = True
    d.run(120, (wire.HOLD, 9_600, END, 8_388_607, 150))
    return d


def by_reading(value: int, ms: int = 60) -> Callable[[], Desk]:
    def make() -> Desk:
        d = holding()
        d.hw.bias = value
        d.run(ms, (wire.HOLD, 9_600, END, 8_388_607, 150))
        return d

    return make


def by_over_tension() -> Desk:
    d = holding()
    d.hw.bias = 600_000
    d.run(1_000)
    return d


def by_lease() -> Desk:
    d = holding()
    d.run(200)
    return d


def by_stop() -> Desk:
    d = drawing()
    d.say("stop")
    d.run(100)
    return d


def by_press() -> Desk:
    d = drawing()
    d.hw.pins = PRESSED
    d.run(50)
    d.hw.pins = AT_REST
    d.run(200)
    return d


def by_stretch() -> Desk:
    d = drawing()
    d.board.core.stretch = 3_000  # a shorter bound than any sensible setting, to reach it here
    d.run(200, (wire.DRAW, 40_000, END, 8_388_607, 150))
    return d


def by_implausible() -> Desk:
    d = armed()
    d.press(100)
    end = SLACK + 1_100  # 20 N: too little to count as a lost string
    d.run(700, (wire.DRAW, 40_000, end, 8_388_607, 150))
    d.hw.bias = -600_000
    d.run(60, (wire.DRAW, 40_000, end, 8_388_607, 150))
    return d


def by_pedal_wire() -> Desk:
    d = holding()
    d.hw.pins &= ~I_PEDAL_B
    d.run(300, (wire.HOLD, 9_600, END, 8_388_607, 150))
    d.hw.pins = AT_REST
    d.run(300)
    return d


def by_pin(pin: int) -> Callable[[], Desk]:
    def make() -> Desk:
        d = holding()
        d.hw.pins &= ~pin
        d.run(100)
        d.hw.pins |= pin
        d.run(100)
        return d

    return make


STOPS = [
    (by_over_tension, faults.OVER_TENSION),
    (by_silence, faults.NO_DATA),
    (by_sticking, faults.STUCK),
    (by_reading(10_000_000), faults.SATURATED),
    (by_implausible, faults.IMPLAUSIBLE),
    (by_reading(-1_000_000), faults.STRING_LOST),
    (by_lease, faults.LEASE_EXPIRED),
    (by_pedal_wire, faults.PEDAL),
    (by_pin(I_ESTOP_OK), faults.EMERGENCY_STOP),
    (by_pin(I_SUPPLY_OK), faults.SUPPLY_LOST),
    (by_press, faults.PRESSED),
    (by_stop, faults.STOPPED),
    (by_stretch, faults.STRETCH),
]


@pytest.mark.parametrize(("make", "fault"), STOPS, ids=[faults.NAMES[fault] for _, fault in STOPS])
@pytest.mark.parametrize("readings", [False, True], ids=["dead cell", "good cell"])
def test_every_loaded_stop_is_let_down_by_the_pedal_alone(make: Callable[[], Desk], fault: int, readings: bool) -> None:
    d = make()
    hw, core = d.hw, d.board.core
    assert core.fault == fault
    assert core.state in (safety.FROZEN, safety.CUT) and d.board.rate == 0
    hw.bias, hw.constant, hw.converting = 0, False, readings
    d.run(400)  # and not a line from the host
    stood, force, up = hw.at, hw.force(), hw.moved_up
    assert force > 2.5 * core.s.contact_counts
    # Not before the foot has been down for a second.
    hw.pins = hw.pins & ~I_PEDAL_B | I_PEDAL_A
    d.run(990)
    assert hw.at == stood
    d.run(30)
    assert core.state == safety.EASING
    # At a bounded rate.
    before = hw.at
    d.run(100)
    assert 0 < before - hw.at <= 0.1 * core.s.let_down_steps_s + 20
    # It stops with the foot, and goes on with the next long press, past the place of contact if need be.
    hw.pins = AT_REST
    d.run(150)
    at = hw.at
    d.run(500)
    assert hw.at == at and core.state == safety.FROZEN
    for _ in range(3):
        d.press(3_000)
        if hw.force() <= 2 * core.s.contact_counts:
            break
    assert hw.force() <= 2 * core.s.contact_counts, "the string is slack"
    assert hw.moved_up == up
    # What latched it is still latched, but for a mere stop that has seen the string go slack.
    assert core.fault == fault or (readings and fault in (faults.PRESSED, faults.STOPPED) and core.fault == 0)


def test_a_string_on_at_power_up_is_let_down_by_the_pedal_without_a_host() -> None:
    d = Desk(0, None)
    d.hw.k, d.hw.slack, d.hw.at = K, SLACK, 12_000
    d.run(400)
    core = d.board.core
    assert core.state == safety.LATCHED and core.loaded() and not d.hw.enabled
    d.press(3_000)
    assert not core.loaded() and d.hw.moved_up == 0
    assert core.state == safety.LATCHED and not d.hw.enabled


def test_at_the_place_of_contact_it_stands_until_a_new_press() -> None:
    """Without readings the board cannot know that the string is slack: the foot, kept down, goes no farther."""
    d = by_silence()
    contact = d.board.core.contact_position
    d.hw.pins = PRESSED
    d.run(2_500)
    assert d.board.core.state == safety.FROZEN and d.board.rate == 0
    stood = d.hw.at
    assert contact - 150 <= stood <= contact  # the braking way from 10 mm/s is 100 steps, and a pass
    d.run(3_000)
    assert d.hw.at == stood
    d.hw.pins = AT_REST
    d.run(200)
    d.press(1_500)
    assert d.hw.at < stood - 1_000


def stood_unseen() -> Desk:
    """Stopped by a press, and let down without readings to where it stood by itself."""
    d = by_press()
    d.hw.converting = False
    d.run(400)
    d.press(3_000)
    assert d.board.core.eased_to and d.board.core.state == safety.FROZEN
    return d


def test_slack_that_nobody_could_see_is_taken_for_it_when_a_later_press_ends() -> None:
    d = stood_unseen()
    core = d.board.core
    d.press(1_500)
    assert core.state == safety.FROZEN and core.fault == faults.PRESSED  # nobody sees it still
    d.hw.converting = True
    d.run(400)
    assert core.sound and not core.loaded() and core.state == safety.FROZEN
    d.press(1_500)
    assert core.state == safety.ARMED and core.fault == faults.NONE


def test_a_press_that_ends_with_the_string_still_loaded_is_no_slack() -> None:
    d = stood_unseen()
    core = d.board.core
    d.hw.slack -= 2_500  # a string that had been long stretched: it has drawn itself short
    d.hw.converting = True
    d.run(400)
    assert core.loaded()
    d.press(1_100)
    assert core.loaded() and core.state == safety.FROZEN and core.fault == faults.PRESSED
    d.press(2_000)
    assert not core.loaded() and core.state == safety.ARMED and core.fault == faults.NONE


def test_where_it_has_not_stood_yet_the_end_of_a_press_is_no_arrival() -> None:
    d = by_press()
    core = d.board.core
    core.s.let_down_steps_s = 1_600  # a millimetre a second: the foot is in time
    d.hw.pins = PRESSED
    while d.hw.force() > 8 * 8_759:  # too little to count as loaded, and more than half of contact
        d.run(1)
    d.hw.pins = AT_REST
    d.run(300)
    assert core.sound and core.contact and not core.loaded() and not core.eased_to
    assert core.state == safety.FROZEN and core.fault == faults.PRESSED


def test_without_readings_an_old_one_shows_no_slack() -> None:
    d = stood_unseen()
    core = d.board.core
    core.force = 0  # the last that was heard
    d.press(1_500)
    assert not core.sound and core.state == safety.FROZEN and core.fault == faults.PRESSED


def test_an_emergency_stop_in_the_braking_of_an_arrival_stays_one() -> None:
    d = by_press()
    core = d.board.core
    d.hw.pins = PRESSED
    for _ in range(4_000):
        d.run(1)
        if core.arriving:
            break
    assert core.arriving
    d.hw.pins &= ~I_ESTOP_OK
    d.run(100)
    assert core.state == safety.CUT
    d.hw.pins = AT_REST
    d.run(500)
    assert core.state == safety.CUT and core.fault == faults.EMERGENCY_STOP and not d.hw.enabled
