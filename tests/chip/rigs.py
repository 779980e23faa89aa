"""What the tests of the chip share: the programs on an emulated chip, and the numbers they are judged by."""

from __future__ import annotations

import importlib
import itertools
from types import ModuleType
from typing import Any

from chip.chip import CLOCK, Chip, Pin, on_chip

# Pins of evenbed_board.json.
STEP, DIR, ENABLE, DATA, CLOCK_PIN = 2, 3, 4, 6, 7
PRESSED, REST, END_LOW, END_HIGH, ESTOP, SUPPLY = 10, 11, 12, 13, 14, 15
BEEPER, LED = 16, 25


def load(chip: Chip, name: str) -> ModuleType:
    """A module of evenbed_pico, imported on this chip."""
    with on_chip(chip):
        return importlib.import_module(f"evenbed_pico.{name}")


def quiet(chip: Chip) -> None:
    """Wire everything as at rest: normally closed contacts closed, pedal up."""
    for number in (REST, END_LOW, END_HIGH, ESTOP, SUPPLY):
        chip.drive(number, False)
    chip.drive(PRESSED, True)


class Bench:
    """The pulse generator and its companions without the program around them."""

    def __init__(self, end_steps: int = 100, up: int = 1, cost: int = 0) -> None:
        self.chip = Chip()
        quiet(self.chip)
        self.pio = load(self.chip, "pio_steps")
        self.divider = CLOCK // self.pio.STEP_HZ
        module = load(self.chip, "motor")
        self.motor: Any = module.Motor(STEP, DIR, up, ESTOP, END_LOW, END_HIGH, end_steps, 96000)
        self.chip.cost = cost
        self.chip.run_us(50)

    def rises(self) -> list[int]:
        return self.chip.rises(STEP)

    def gaps(self) -> list[int]:
        rises = self.rises()
        return [b - a for a, b in itertools.pairwise(rises)]

    def period(self, rate: int) -> int:
        """From pulse to pulse, in cycles of the system clock."""
        return int(self.pio.FIXED_CYCLES + self.pio.LOOP_CYCLES * self.pio.loops(rate)) * self.divider


__all__ = ["Bench", "Pin", "load", "quiet"]
