"""The module's 40 pins and what lies on them."""

from __future__ import annotations

from .facts import GOES_TO, MODULE, board, roles
from .sheet import Sheet

PITCH, TOP = 28.0, 96.0
LEFT, RIGHT = 460.0, 680.0
OTHERS = {
    "VBUS": "5 V: line driver, converter's analogue side, beeper",
    "VSYS": "5 V of its own supply, if the port is the UART",
    "3V3": "3.3 V: pull-ups of the inputs, converter's logic",
    "GND": "ground",
}
GROUNDS = {3: "ground: line driver", 8: "ground: line driver", 13: "ground: converter", 18: "ground: pedal, end switches"}
GROUNDS |= {23: "ground: beeper, isolator", 38: "ground: one wire to the star point"}


def draw() -> Sheet:
    """From above, the USB plug at the top."""
    s = Sheet(1100, 730, "Pin map of the board: which wire lies on which pin of the module")
    s.rect(LEFT, 60, RIGHT - LEFT, 620, "grey", 8)
    s.box(535, 44, 70, 36, "USB", "white")
    s.text((LEFT + RIGHT) / 2, 652, "RP2040 module, from above", "middle", 12, bold=True)
    s.text((LEFT + RIGHT) / 2, 670, f"GP{board()['pins']['led']}: led, on the module", "middle", 12)
    at = {int(board()["pins"][name]): (name, resistor) for name, _, resistor, _ in roles()}
    for i, what in enumerate(MODULE):
        left = i < 20
        y = TOP + PITCH * (i if left else 39 - i)
        _pin(s, i + 1, what, left, y, at)
    s.text(20, 712, "Bold: used. (R): with a resistor of 10 kΩ from this wire to ground, where it ends.", px=12)
    return s


def _pin(s: Sheet, number: int, what: int | str, left: bool, y: float, at: dict[int, tuple[str, str]]) -> None:
    edge, way, anchor = (LEFT, -1.0, "end") if left else (RIGHT, 1.0, "start")
    inner = "start" if left else "end"
    used = what in at if isinstance(what, int) else what in OTHERS and (what != "GND" or number in GROUNDS)
    s.circle(edge, y, 5, "black" if used else "white")
    s.text(edge - way * 10, y + 4, str(number), inner, 12)
    s.text(edge - way * 34, y + 4, f"GP{what}" if isinstance(what, int) else what, inner, 12, bold=used)
    if not used:
        return
    if isinstance(what, int):
        name, resistor = at[what]
        words = f"{name}{' (R)' if resistor.startswith('external') else ''}: {GOES_TO[name]}"
    else:
        words = GROUNDS.get(number, OTHERS[what])
    s.line([(edge, y), (edge + way * 30, y)])
    s.text(edge + way * 38, y + 4, words, anchor, 12)
