"""What the repository's own files say of the reference rig: the board's file, rig.toml, and what evenbed size prints."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from evenbed.cli.main import main
from evenbed.rig import Rig, read
from evenbed_fw import safety
from evenbed_pico.pins import ROLES, UART_ROLES
from evenbed_pico.signs import BLINK, DARK, FLICKER, LIGHT, ON, SLOW

ROOT = Path(__file__).resolve().parents[2]
HARDWARE = ROOT / "hardware"
BOARD = HARDWARE / "firmware" / "evenbed_board.json"
RIG = HARDWARE / "rig.toml"

# The module's 40 pins as printed in its data sheet: chip's pin, or what else it is.
MODULE: tuple[int | str, ...] = (
    *(0, 1, "GND", 2, 3, 4, 5, "GND", 6, 7, 8, 9, "GND", 10, 11, 12, 13, "GND", 14, 15),
    *(16, 17, "GND", 18, 19, 20, 21, "GND", 22, "RUN", 26, 27, "AGND", 28, "ADC_VREF", "3V3", "3V3_EN"),
    *("GND", "VSYS", "VBUS"),
)
GOES_TO = {
    "uart_tx": "the host's receiver, if it is the port",
    "uart_rx": "the host's transmitter, if it is the port",
    "step": "line driver, then the drive's step input",
    "dir": "line driver, then the drive's direction input",
    "enable": "line driver, K1 23–24, the drive's enable",
    "cell_data": "converter, data",
    "cell_clock": "converter, clock",
    "pedal_pressed": "pedal, contact A",
    "pedal_rest": "pedal, contact B",
    "end_low": "end switch towards the frame",
    "end_high": "end switch away from the frame",
    "estop": "S1 21–22, S2 21–22, ground",
    "supply": "isolator behind K1",
    "beeper": "transistor, beeper",
    "led": "on the module itself",
}


@cache
def board() -> dict[str, Any]:
    """The reference board's file."""
    data: dict[str, Any] = json.loads(BOARD.read_text(encoding="utf-8"))
    return data


@cache
def rig() -> Rig:
    """The reference rig."""
    return read(RIG)


@cache
def sizes() -> dict[str, tuple[str, str]]:
    """What ``evenbed size hardware/rig.toml`` prints: value and limit by name."""
    done = CliRunner().invoke(main, ["size", str(RIG)])
    if done.exit_code != 0:
        raise RuntimeError(done.output)
    rows = [re.split(r"\s{2,}", line.strip()) for line in done.output.splitlines() if line.startswith("  ")]
    return {row[0]: (row[1], row[2]) for row in rows if len(row) == 5}


def size(what: str) -> str:
    """A value of ``evenbed size``, with its unit."""
    return sizes()[what][0]


def module_pin(chip_pin: int) -> int | None:
    """The module's pin that the chip's pin lies on, None where it lies on none."""
    return MODULE.index(chip_pin) + 1 if chip_pin in MODULE else None


def roles() -> list[tuple[str, str, str, str]]:
    """Name, direction, resistor and meaning of every wire, as the firmware has them, in the order of the chip's pins."""
    pins = board()["pins"]
    return sorted((*ROLES, *UART_ROLES), key=lambda role: int(pins[role[0]]))


def pin_table() -> list[str]:
    """The pin map for the notes."""
    rows = ["| chip | module's pin | name | way | resistor | what it is | goes to |", "|---|---|---|---|---|---|---|"]
    for name, way, resistor, what in roles():
        number = board()["pins"][name]
        place = module_pin(number) or "–"
        rows.append(f"| GP{number} | {place} | `{name}` | {way} | {resistor} | {what} | {GOES_TO[name]} |")
    return rows


def light_table() -> list[str]:
    """What the status light says, for the notes."""
    looks = {
        DARK: "dark",
        ON: "on",
        SLOW: "half a second on, half off",
        BLINK: "a quarter of a second on, a quarter off",
        FLICKER: "flickers, four times a second",
    }
    says: dict[int, list[str]] = {}
    names = {
        safety.LATCHED: "off (latched)",
        safety.ARMED: "armed",
        safety.MOVING: "moving",
        safety.HOLDING: "holding",
        safety.FROZEN: "stopped under load (frozen)",
        safety.EASING: "letting down",
        safety.BACKING: "backing off",
        safety.CUT: "drive's power taken (cut)",
    }
    for state, pattern in enumerate(LIGHT):
        says.setdefault(pattern, []).append(names[state])
    return ["| light | board |", "|---|---|", *(f"| {looks[p]} | {', '.join(s)} |" for p, s in says.items())]
