"""Block diagram: what goes from where to where."""

from __future__ import annotations

from .facts import board
from .sheet import Sheet


def draw() -> Sheet:
    """Inputs on the left, what moves on the right, the host below."""
    pins = board()["pins"]
    s = Sheet(1060, 640, "Signals between load cell, switches, board, drive and computer")
    bx, by, bw, bh = 430, 60, 210, 420
    s.box(bx, by, bw, bh, "board\nRP2040 module\n\ngrants steps\nowns the limits\nreads every input", "grey")

    s.box(20, 75, 120, 54, "load cell\n4 wires, shield")
    s.box(200, 75, 120, 54, "converter\n24 bits")
    s.arrow([(140, 102), (200, 102)], "power")
    s.text(170, 92, "mV", "middle", 12)
    _to_board(s, 320, 90, bx, "cell_data", pins)
    s.arrow([(bx, 116), (320, 116)])
    s.text(425, 132, f"cell_clock GP{pins['cell_clock']}", "end", 12)

    rows = (
        (175, "pedal\nchangeover, A and B", ("pedal_pressed", "pedal_rest")),
        (250, "end switch, frame side\nclosed at rest", ("end_low",)),
        (315, "end switch, far side\nclosed at rest", ("end_high",)),
        (380, "S1 and S2, second contacts\nclosed at rest, in series", ("estop",)),
        (445, "isolator behind K1\nconducts with supply", ("supply",)),
    )
    for y, words, names in rows:
        s.box(20, y - 24, 200, 48, words, px=12)
        for i, name in enumerate(names):
            _to_board(s, 220, y + (i * 26 - 13 if len(names) > 1 else 0), bx, name, pins)

    s.box(720, 75, 110, 118, "line driver\n5 V outputs,\nlow at reset")
    for i, name in enumerate(("step", "dir", "enable")):
        y = 96 + 36 * i
        s.arrow([(bx + bw, y), (720, y)])
        s.text(bx + bw + 5, y - 7, f"{name} GP{pins[name]}", "start", 12)
    s.box(910, 75, 130, 118, "drive\nstep and direction,\noff without current")
    s.arrow([(830, 96), (910, 96)])
    s.arrow([(830, 132), (910, 132)])
    s.line([(830, 168), (845, 168)])
    s.line([(845, 168), (866, 158)])
    s.arrow([(868, 168), (910, 168)])
    s.text(856, 186, "K1", "middle", 12, bold=True)
    s.box(910, 250, 130, 44, "motor\ntwo phases", px=12)
    s.arrow([(975, 193), (975, 250)], "power")
    s.box(910, 330, 130, 62, "screw, carriage\nspring pack S2,\ncell, gripper", px=12)
    s.line([(975, 294), (975, 330)], "link")

    s.box(740, 290, 130, 44, "beeper\nthrough a transistor", px=12)
    s.arrow([(bx + bw, 312), (740, 312)])
    s.text(bx + bw + 5, 304, f"beeper GP{pins['beeper']}", "start", 12)
    s.text(bx + 12, 462, f"light: GP{pins['led']}, on the module", px=12)

    s.box(720, 500, 320, 54, "K1: the drive's supply\nthrough S1, S2 and the on-button, no program")
    s.line([(1010, 500), (1010, 460)], "power")
    s.line([(1010, 460), (1050, 460)], "power")
    s.line([(1050, 460), (1050, 150)], "power")
    s.arrow([(1050, 150), (1040, 150)], "power")

    s.box(430, 560, 210, 54, "computer\nUSB, or UART instead", "grey")
    s.arrow([(535, 480), (535, 560)], "wire", both=True)
    s.text(545, 524, "lines, both ways", px=12)
    s.text(20, 544, "thin: signals; thick: power, and the millivolts\nof the cell; dashed: turned by the shaft", px=12)
    s.text(20, 592, "A broken wire reads as a stop, an end or no\npress; never as a press.", px=12, bold=True)
    return s


def _to_board(s: Sheet, x: float, y: float, bx: float, name: str, pins: dict[str, int]) -> None:
    s.arrow([(x, y), (bx, y)])
    s.text(bx - 12, y - 6, f"{name} GP{pins[name]}", "end", 12)
