"""The whole board on its main loop: motion, hangs, floods and silences."""

from __future__ import annotations

from itertools import pairwise

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.hardware import I_END_HIGH, I_END_LOW
from evenbed_fw.settings import Settings

from firmware.mpy_rig import PRESSED, Desk
from firmware.stages import END, SLACK, K, armed, drawing, fresh, holding


@pytest.mark.parametrize("string", [0, 12_000])
def test_nothing_moves_by_itself_at_boot_or_after_a_clear(string: int) -> None:
    d = Desk(0, None)
    d.hw.k, d.hw.slack, d.hw.at = K, SLACK, string
    for line in (("hello", 1), ("limits",), ("trip",), ("clear",), ("stop",), ("go", 0, 40_000, END, 8_388_607, 150)):
        d.say(line[0], *line[1:])
        d.run(300)
        d.press(100)
    assert d.hw.at == string and not d.hw.enabled and d.board.core.state == safety.LATCHED
    d = holding()
    d.run(200)
    assert d.board.core.fault == faults.LEASE_EXPIRED
    d.press(2_500)
    d.press(2_500)  # past the place of contact, until it is slack
    d.run(300)
    d.say("clear")
    d.run(100)
    at = d.hw.at
    d.press(100)
    d.run(2_000, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.hw.at == at and not d.hw.enabled and d.board.core.state == safety.LATCHED
    # Armed again, still nothing, until a tap.
    d.say("arm", 250_000)
    d.run(1_100, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.hw.enabled and d.hw.at == at


def test_over_tension_backs_off_a_fixed_way_and_no_further() -> None:
    d = holding()
    d.hw.bias = 600_000
    d.run(1_500, (wire.HOLD, 9_600, END, 8_388_607, 150))
    core = d.board.core
    assert core.state == safety.FROZEN and core.fault == faults.OVER_TENSION
    assert d.hw.at == END - core.s.back_off_steps  # at rest when it tripped; 3 mm of 1600 steps
    d.run(3_000)
    assert d.hw.at == END - core.s.back_off_steps


def test_a_back_off_onto_the_end_switch_is_no_dead_end() -> None:
    d = holding()
    d.hw.bias = 600_000
    while d.hw.at > END - 1_000:
        d.run(5)
    d.hw.pins |= I_END_LOW
    d.run(300)
    assert d.board.core.state == safety.FROZEN and d.board.rate == 0
    assert d.hw.at > END - 1_300  # the braking way from 10 mm/s is 100 steps, and a pass


def test_a_press_freezes_on_the_board_within_the_debounce_and_the_ramp() -> None:
    d = drawing()
    at, v = d.hw.at, d.board.rate
    d.hw.pins = PRESSED
    d.run(300, (wire.DRAW, 40_000, END, 8_388_607, 150))
    core = d.board.core
    assert (core.state, core.fault, d.board.rate) == (safety.FROZEN, faults.PRESSED, 0)
    # 6 ms of debounce, a tick and v^2/(2a)
    assert d.hw.at - at <= v * 0.009 + v * v / (2 * 1_280_000) + 16


@pytest.mark.parametrize("asked", [20_000, 96_000])
def test_hold_follows_no_faster_than_its_cap(asked: int) -> None:
    d = holding()
    cap = 9_600  # hardware/protocol.md section 9: 6 mm/s at 1600 steps/mm
    assert d.board.settings.hold_rate_steps_s == cap
    at = d.hw.at
    fastest = 0
    for _ in range(50):
        d.run(10, (wire.HOLD, asked, END + 1_500, 8_388_607, 150))
        fastest = max(fastest, d.board.rate)
    assert 0.9 * cap <= fastest <= cap and d.hw.at == at + 1_500


def test_an_ease_off_that_is_shortened_in_flight_does_not_come_back_up() -> None:
    d = holding()
    d.run(80, (wire.EASE, 96_000, 0, 8_388_607, 150))
    assert d.board.rate < -16_000 and d.board.core.loaded()
    up = d.hw.moved_up
    d.run(600, (wire.EASE, 96_000, d.hw.at, 8_388_607, 150))
    assert d.board.rate == 0 and d.hw.moved_up == up and d.hw.force() > 0


@pytest.mark.parametrize("hang_ms", [50, 400])
def test_while_the_program_hangs_the_steps_run_out(hang_ms: int) -> None:
    d = armed()
    d.press(100)
    d.run(100, (wire.DRAW, 40_000, END, 8_388_607, 150))
    at, v = d.hw.at, d.board.rate
    assert v > 30_000
    for _ in range(hang_ms * 2):
        d.hw.advance(500)
    # two of the slowest periods at this rate and the braking way
    assert d.hw.at - at <= v * d.board.settings.granted_us / 1e6 + v * v / (2 * 1_280_000) + v * 0.002 + 32
    assert d.hw.left == 0
    d.run(50)
    assert d.board.core.fault == faults.NO_DATA and d.board.core.state == safety.FROZEN


def test_a_let_down_runs_out_as_well_when_the_program_hangs() -> None:
    d = holding()
    d.hw.converting = False
    d.run(100, (wire.HOLD, 9_600, END, 8_388_607, 150))
    d.hw.pins = PRESSED
    d.run(1_200)
    assert d.board.core.state == safety.EASING
    at = d.hw.at
    for _ in range(1_000):
        d.hw.advance(500)
    assert at - d.hw.at <= d.board.settings.let_down_steps_s // 20 + 150


def test_a_new_string_meets_the_envelope_of_the_stiffest_again() -> None:
    """What was learnt from a soft string must not let the carriage fly at a stiff one."""
    d = armed()
    d.hw.k = 11  # 2 N/mm
    d.press(100)
    d.run(1_500, (wire.DRAW, 96_000, SLACK + 40_000, 8_388_607, 150))
    assert 0 < d.board.core.stiff16 * 16 < 3 * 11 * 1_600
    d.run(2_000, (wire.EASE, 96_000, 0, 8_388_607, 150))
    assert d.board.core.state == safety.ARMED
    d.run(1_000)
    d.hw.k = 711  # 130 N/mm
    d.press(100)
    # (ceiling + overrun) / stiffest = 2.23 mm: 26 mm/s by the stop budget, 25.5 the next entry below
    fastest = 0
    for _ in range(15):
        d.run(10, (wire.DRAW, 96_000, SLACK + 40_000, 8_388_607, 150))
        fastest = max(fastest, d.board.rate)
    assert 24.0 <= fastest / 1_600 <= 26.5
    d.run(1_000, (wire.DRAW, 96_000, SLACK + 40_000, 8_388_607, 150))
    assert d.hw.peak <= Settings().counts(250_000 + 40_000)


def test_end_high_stops_a_draw_and_lets_it_down() -> None:
    d = drawing()
    d.hw.pins |= I_END_HIGH
    at, v = d.hw.at, d.board.rate
    d.run(300, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.board.rate == 0 and d.hw.at - at <= v * v / (2 * 1_280_000) + v * 0.003 + 16
    stood = d.hw.at
    d.run(500, (wire.EASE, 40_000, SLACK, 8_388_607, 150))
    assert d.hw.at < stood


# --- the wire --------------------------------------------------------------------------------------------------


def test_a_flood_does_not_keep_the_loop_from_its_readings() -> None:
    """Bytes without end: each pass takes a bounded number and goes on."""
    d = holding()
    taken = 0

    def endless() -> int:
        nonlocal taken
        taken += 1
        return 65

    d.board._read_byte = endless
    for _ in range(100):
        before = taken
        d.run(1)
        assert taken - before <= 2 * 2 * wire.MAX_LINE
    assert d.board.core.sound
    d.run(100)
    assert d.board.core.fault == faults.LEASE_EXPIRED


def test_a_host_that_does_not_read_costs_lines_not_passes() -> None:
    d = holding()
    sent, d.hw.room = d.hw.sent, 0
    d.run(60, (wire.HOLD, 9_600, END, 8_388_607, 150))
    assert d.hw.sent == sent and d.board.dropped > 3 and d.board.core.state == safety.HOLDING


def test_answers() -> None:
    """What goes out is a line that decode believes, with the fields of BOARD_LINES."""
    d = fresh()
    lines: list[tuple[str, list[int]]] = []
    d.hw.send = lambda buf, n: lines.append(wire.decode(bytes(buf[:n]), wire.BOARD_LINES))  # type: ignore[method-assign]
    d.say("arm", 250_000)
    d.say("hello", wire.PROTOCOL)
    d.say("limits")
    d.say("arm", 250_000)
    d.say("go", 0, 40_000, END, 1, 150)
    d.say("trip")
    d.say("arm", 1)
    d.hw.hear(wire.encode("s", [9] * 13) + wire.encode("stop", [77, 3]) + wire.encode("nonsense", [5]))
    d.run(100)
    assert [n[1] for kind, n in lines if kind == "board"] == [wire.PROTOCOL]
    kinds = [kind for kind, _ in lines if kind != "s"]
    assert kinds == ["no", "board", "limits", "ok", "no", "trip", "no", "no", "no", "no"]
    refused = [(n[1], n[2]) for kind, n in lines if kind == "no"]
    assert refused == [
        (0, wire.NOT_GREETED),
        (4, wire.NO_PRESS),
        (6, wire.WRONG_STATE),
        (9, wire.NOT_UNDERSTOOD),
        (77, wire.NOT_UNDERSTOOD),
        (5, wire.NOT_UNDERSTOOD),
    ]
    seqs = [n[0] for _, n in lines]
    assert all((b - a) % wire.SEQ_WRAP == 1 for a, b in pairwise(seqs))


def test_hello_voids_a_permit_and_another_protocol_takes_no_orders() -> None:
    d = armed()
    d.press(100)
    d.say("hello", wire.PROTOCOL)
    d.run(200, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.hw.at == 0 and d.board.core.state == safety.ARMED
    d = armed()
    d.press(100)
    d.say("hello", wire.PROTOCOL + 1)
    d.run(200, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.hw.at == 0 and not d.board.core.greeted


@pytest.mark.parametrize("hang_ms", [60, 200, 1_000, 6_000])
def test_a_program_that_hung_stands_and_goes_on_standing(hang_ms: int) -> None:
    """The granted steps run out while nothing polls; afterwards the braking way is not granted a second time."""
    d = drawing()
    assert d.board.rate > 0
    for _ in range(hang_ms * 2):
        d.hw.advance(500)
    stood = d.hw.at
    assert d.hw.rate == 0 or d.hw.left == 0
    d.run(400, (wire.DRAW, 40_000, END, 8_388_607, 150))
    assert d.hw.at <= stood + 1
    assert d.board.core.state == safety.FROZEN
