"""What the board does about each fault in each state, against the host's table of responses.

Each fault is brought about by its own cause: readings, inputs, time. The table is the one that SAFETY.md prints.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed import responses
from evenbed_fw import faults, safety, wire

from firmware.bench import CEILING_MN, Bench, armed, drawing, easing, frozen, holding, latched


def easing_by_pedal() -> Bench:
    b = frozen()
    b.held_ms = 1_000
    b.quiet(20)
    assert b.core.state == safety.EASING
    return b


def backing() -> Bench:
    b = holding()
    over_tension(b)
    assert b.core.state == safety.BACKING
    b.rate = -8_000  # under way
    b.core.fault = 0  # as if it were the first: only the answer is asked for here
    return b


def cut() -> Bench:
    b = holding()
    b.estop = True
    b.tick()
    b.estop = False
    b.core.fault = 0
    return b.quiet(400)


STATES: dict[int, Callable[[], Bench]] = {
    safety.LATCHED: latched,
    safety.ARMED: armed,
    safety.MOVING: drawing,
    safety.HOLDING: holding,
    safety.FROZEN: frozen,
    safety.EASING: easing_by_pedal,
    safety.BACKING: backing,
    safety.CUT: cut,
}


def over_tension(b: Bench) -> None:
    if b.core.loaded():
        b.read(180.0).read(240.0)  # a rise that a string can make
    b.read(CEILING_MN / 1000 + 5)


def no_data(b: Bench) -> None:
    b.tick(40_000)


def stuck(b: Bench) -> None:
    raw = int(b.core.raw)
    for _ in range(8):
        b.raw(raw)


def saturated(b: Bench) -> None:
    b.raw(8_388_607)
    b.raw(8_388_607)


def implausible(b: Bench) -> None:
    for _ in range(3):
        b.raw(b.counts(-25.0))


def string_lost(b: Bench) -> None:
    b.read(20.0, 2)


def lease_expired(b: Bench) -> None:
    for _ in range(16):
        b.read(100.0) if b.core.loaded() else b.read(0.0)


def pedal(b: Bench) -> None:
    b.pedal_fault = True
    b.tick()


def emergency_stop(b: Bench) -> None:
    b.estop = True
    b.tick()


def supply_lost(b: Bench) -> None:
    b.supply = True
    b.tick()


def pressed(b: Bench) -> None:
    b.press().tick()


def stopped(b: Bench) -> None:
    b.core.stop(b.now_us, b.at, b.rate)
    b.tick()


def stretch(b: Bench) -> None:
    b.at += 400_000
    b.read(100.0)


def wrong_way(b: Bench) -> None:
    b.rate = -16_000
    b.read(100.0, 6)
    for newtons in (110.0, 120.0, 131.0, 132.0, 133.0):
        b.read(newtons)


CAUSES: dict[int, Callable[[Bench], None]] = {
    faults.OVER_TENSION: over_tension,
    faults.NO_DATA: no_data,
    faults.STUCK: stuck,
    faults.SATURATED: saturated,
    faults.IMPLAUSIBLE: implausible,
    faults.STRING_LOST: string_lost,
    faults.LEASE_EXPIRED: lease_expired,
    faults.PEDAL: pedal,
    faults.EMERGENCY_STOP: emergency_stop,
    faults.SUPPLY_LOST: supply_lost,
    faults.PRESSED: pressed,
    faults.STOPPED: stopped,
    faults.STRETCH: stretch,
    faults.WRONG_WAY: wrong_way,
}


def test_every_fault_has_its_cause_here() -> None:
    assert set(CAUSES) == set(range(1, len(faults.NAMES))) == set(responses.RESPONSES)


@pytest.mark.parametrize("state", sorted(STATES), ids=safety.STATES)
@pytest.mark.parametrize("fault", sorted(CAUSES), ids=lambda n: faults.NAMES[n])
def test_the_board_responds_as_the_table_says(fault: int, state: int) -> None:
    b = easing() if fault == faults.WRONG_WAY and state == safety.MOVING else STATES[state]()
    assert b.core.state == state
    CAUSES[fault](b)
    # A back-off that has ended, or a pedal that was let go, is not the answer to this fault.
    assert b.core.state == responses.RESPONSES[fault].get(state, state)
    if state in responses.RESPONSES[fault] and state != safety.BACKING:
        assert b.core.fault == fault or b.core.later >> fault & 1


def test_an_ease_off_is_no_lost_string_and_goes_on_with_a_broken_pedal() -> None:
    b = drawing()
    assert b.go(mode=wire.EASE, end=b.at - 20_000) == 0
    string_lost(b)
    pedal(b)
    assert b.core.state == safety.MOVING and b.core.fault == 0
