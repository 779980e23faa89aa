"""The board's whole program with the chip's own verbs: emulated PIO and pads, a converter, a string, a host."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import evenbed_fw
import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.board import Board
from evenbed_fw.hardware import I_END_HIGH, I_END_LOW, I_ESTOP_OK, I_PEDAL_A, I_PEDAL_B, I_SUPPLY_OK

from chip.chip import US, Chip, Stream
from chip.converter import Converter
from chip.rigs import (
    BEEPER,
    CLOCK_PIN,
    DATA,
    DIR,
    ENABLE,
    END_HIGH,
    END_LOW,
    ESTOP,
    LED,
    PRESSED,
    REST,
    STEP,
    SUPPLY,
    load,
    quiet,
)

ROOT = Path(evenbed_fw.__file__).parents[1]
# Readings as fast as the settings allow nearly, so that arming and drawing take little of the emulator's time.
PERIOD_US = 2000
PASS_US = 1500  # while nothing moves; in motion 400


def board_file(**changes: Any) -> str:
    """evenbed_board.json, changed."""
    data = json.loads((ROOT / "evenbed_board.json").read_text())
    data["settings"].update(changes.pop("settings", {}))
    data.update(changes)
    return json.dumps(data)


class Rig:
    """A board on a string that begins at 150 steps; 40 counts a step are 7.3 N/mm."""

    def __init__(self, period_us: int = PERIOD_US, **changes: Any) -> None:
        self.chip = chip = Chip()
        quiet(chip)
        chip.cut(ENABLE)
        self.converter = Converter(chip, DATA, CLOCK_PIN, period_us)
        pins = load(chip, "pins")
        self.file = pins.BoardFile(board_file(**({"settings": {"period_us": period_us}} | changes)))
        assert self.file.wrong == ""
        self.stream = Stream()
        self.port = load(chip, "port").Port(self.stream, self.stream, self.stream, self.stream)
        self.kept: list[str] = []
        self.hw: Any = load(chip, "pico").Pico(self.file, self.port, self.kept.append)
        self.board = Board(self.hw, self.file.settings, 1)
        chip.cost = 250  # 1.25 us for each call of the chip's modules
        self.seq = 0
        self.passes = 0

    def one_pass(self) -> None:
        self.passes += 1
        stretched = self.hw.motor._position - 150
        self.converter.value = 20000 + (40 * stretched if stretched > 0 else 0) + self.passes * 7 % 11
        self.board.poll()
        self.hw.after(self.board.core.state, self.board.core.fault)
        self.chip.run_us(400 if self.board.rate else PASS_US)

    def run(self, ms: float, go: tuple[int, ...] | None = None) -> None:
        """So many milliseconds; ``go`` is a lease renewed every 20 ms."""
        start = self.chip.cycle
        said = start - 20_000 * US
        while self.chip.cycle - start < ms * 1000 * US:
            if go is not None and self.chip.cycle - said >= 20_000 * US:
                said = self.chip.cycle
                self.say("go", *go)
            self.one_pass()

    def say(self, kind: str, *numbers: int) -> None:
        self.stream.came += wire.encode(kind, [self.seq, *numbers])
        self.seq += 1

    def lines(self) -> list[list[str]]:
        """What the board has said since the last time."""
        text = self.stream.taken.decode()
        del self.stream.taken[:]
        return [line.split() for line in text.splitlines() if line]

    def armed(self) -> Rig:
        self.file.settings.zero_counts = 20000
        self.say("hello", wire.PROTOCOL)
        self.run(110 if self.file.settings.period_us == PERIOD_US else 300)
        self.say("arm", 200000)
        self.run(5)
        assert self.state == safety.ARMED, self.lines()[-5:]
        return self

    def permitted(self) -> Rig:
        """Armed, and a tap as if it had been."""
        self.armed().board.core.permit = True
        self.board.core.permit_us = self.hw.now_us()
        return self

    def tapped(self) -> Rig:
        """Armed, and a tap."""
        self.armed().run(310)
        self.chip.drive(PRESSED, False)
        self.chip.drive(REST, True)
        self.run(70)
        self.chip.drive(PRESSED, True)
        self.chip.drive(REST, False)
        self.run(25)
        return self

    @property
    def state(self) -> int:
        return self.board.core.state

    @property
    def made(self) -> int:
        return len(self.chip.rises(STEP))


def test_a_draw_from_tap_to_standing_then_a_hang() -> None:
    rig = Rig(settings={"period_us": PERIOD_US, "rate_max_steps_s": 24000}).tapped()
    assert rig.made == 0 and rig.chip.level(ENABLE) and rig.chip.dog_ms == 250
    rig.run(10, (wire.DRAW, 24000, 300, 8000000, 100))
    assert rig.chip.level(BEEPER) and rig.chip.level(LED)
    rig.run(55, (wire.DRAW, 24000, 300, 8000000, 100))
    assert not rig.chip.level(BEEPER)
    assert rig.hw.position() == 300 == rig.made
    assert rig.state == safety.MOVING and rig.chip.level(DIR)
    lines = rig.lines()
    assert {line[0] for line in lines} >= {"board", "ok", "s"} and "no" not in {line[0] for line in lines}
    # On, at full tilt, and the program hangs: what is granted runs out by itself.
    rig.run(15, (wire.DRAW, 24000, 5000, 8000000, 100))
    position, granted = rig.hw.position(), rig.board.ramp.steps
    assert rig.board.rate > 5000 and granted > 0
    rig.chip.run_us(20_000)
    ran_on = rig.hw.position() - position
    assert 0 < ran_on <= granted
    assert rig.hw.position() == rig.made
    rig.chip.run_us(10_000)
    assert rig.hw.position() - position == ran_on
    # It goes on after that: what it missed is a fault, and nothing that ran out is granted again.
    rig.run(4)
    assert (rig.state, rig.board.core.fault) == (safety.FROZEN, faults.NO_DATA)
    assert rig.hw.position() - position == ran_on


def test_a_spike_on_the_emergency_stop_is_one_even_between_two_passes() -> None:
    rig = Rig().permitted()
    rig.run(12, (wire.DRAW, 24000, 2000, 8000000, 100))
    assert rig.board.rate > 0
    rig.chip.drive(ESTOP, True)
    rig.chip.run_us(40)
    rig.chip.drive(ESTOP, False)
    rig.chip.run_us(300)
    made = rig.made
    rig.run(3)
    assert rig.made == made
    assert (rig.state, rig.board.core.fault) == (safety.CUT, faults.EMERGENCY_STOP)
    assert not rig.chip.level(ENABLE)
    rig.run(3)
    assert rig.hw.inputs() & I_ESTOP_OK  # and it is over


@pytest.mark.parametrize(("pass_ms", "fault"), [(30, faults.NONE), (40, faults.NO_DATA), (60, faults.NO_DATA)])
def test_a_pass_that_is_too_long_is_a_missing_reading(pass_ms: int, fault: int) -> None:
    """80 readings a second. hardware/protocol.md, fault 2: no reading for 34.7 ms. After 60 ms what waits is too old."""
    rig = Rig(12500).permitted()
    rig.run(20, (wire.DRAW, 24000, 40, 8000000, 150))
    assert rig.hw.position() == 40 and rig.state == safety.MOVING
    conversions = rig.board.conversion
    rig.chip.run_us(1000 * pass_ms)
    rig.one_pass()
    rig.one_pass()
    assert rig.board.conversion - conversions == (1 if pass_ms < 60 else 0)  # the newest; the others are skipped
    assert rig.hw.late == (0 if pass_ms < 60 else 1)
    assert rig.board.core.fault == fault
    assert rig.state == (safety.FROZEN if fault else safety.MOVING)


def test_the_drives_supply_is_looked_at_once_a_pass() -> None:
    rig = Rig().armed()
    rig.chip.drive(SUPPLY, True)
    assert rig.chip.level(ENABLE)  # no state machine cuts it
    rig.board.poll()
    assert (rig.state, rig.board.core.fault) == (safety.CUT, faults.SUPPLY_LOST)
    assert not rig.chip.level(ENABLE)


def test_before_arming_nothing_is_driven_and_no_watchdog_runs() -> None:
    rig = Rig()
    rig.run(5)
    assert not rig.chip.level(ENABLE) and rig.chip.dog_ms == 0 and rig.made == 0
    rig.hw.grant(5000, 100)
    rig.chip.run_us(2000)
    assert rig.made == 0


@pytest.mark.parametrize("on", [0, 1])
def test_the_enable_pin_knows_both_levels(on: int) -> None:
    rig = Rig(enable_on=on)
    assert rig.chip.level(ENABLE) is not bool(on)
    rig.hw.enable(True)
    assert rig.chip.level(ENABLE) is bool(on)
    rig.hw.enable(False)
    assert rig.chip.level(ENABLE) is not bool(on)


def test_every_broken_wire_is_on_the_safe_side() -> None:
    """Normally closed, pull-up: ISO 13850 and common practice; the pedal by its changeover contact."""
    rig = Rig()
    at_rest = I_PEDAL_B | I_ESTOP_OK | I_SUPPLY_OK
    assert rig.hw.inputs() == at_rest
    for pin, without, more in (
        (ESTOP, I_ESTOP_OK, 0),
        (SUPPLY, I_SUPPLY_OK, 0),
        (END_LOW, 0, I_END_LOW),
        (END_HIGH, 0, I_END_HIGH),
        (REST, I_PEDAL_B, 0),  # neither contact: a contradiction
        (PRESSED, 0, 0),  # not seen before it is pressed
    ):
        rig.chip.cut(pin)
        assert rig.hw.inputs() == at_rest & ~without | more, pin
        quiet(rig.chip)
    rig.chip.cut(PRESSED)
    rig.chip.drive(REST, True)
    assert rig.hw.inputs() & (I_PEDAL_A | I_PEDAL_B) == 0  # pressed with a broken wire: neither, never a press
    quiet(rig.chip)
    rig.chip.drive(PRESSED, False)  # shorted to ground: both
    assert rig.hw.inputs() & (I_PEDAL_A | I_PEDAL_B) == I_PEDAL_A | I_PEDAL_B


def test_readings_that_lay_too_long_are_thrown_away() -> None:
    rig = Rig()
    rig.chip.run_us(3.2 * PERIOD_US)
    rig.converter.value = 777
    rig.chip.run_us(0.5 * PERIOD_US)
    assert rig.hw.sample_ready()  # several are there: the newest counts
    assert rig.hw.late == 0 and not rig.hw.sample_ready()
    rig.chip.run_us(10 * PERIOD_US)
    assert not rig.hw.sample_ready() and rig.hw.late == 1
    rig.chip.run_us(1.2 * PERIOD_US)
    assert rig.hw.sample_ready() and rig.hw.read_sample() == 777


def test_a_reading_with_a_low_last_bit_never_came() -> None:
    rig = Rig()
    rig.converter.trailing = False
    rig.chip.run_us(1.2 * PERIOD_US)
    assert not rig.hw.sample_ready() and rig.hw.rejected == 1


def test_settings_are_handed_on_to_be_kept() -> None:
    rig = Rig()
    rig.hw.store("1 2 3")
    assert rig.kept == ["1 2 3"]
