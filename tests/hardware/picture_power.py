"""The hard-wired chain: emergency stop, spring pack, drive's supply."""

from __future__ import annotations

from .facts import board, rig
from .sheet import Sheet

TOP, BOTTOM = 90.0, 650.0
A, LOOP, B = 250.0, 400.0, 560.0  # columns: coil, sense loop, power


def draw() -> Sheet:
    """The supply on the left, its two rails above and below, the drive on the right."""
    s = Sheet(1130, 780, "Hard-wired emergency stop and drive supply, with the sense loop to the board")
    _supply(s)
    _coil(s)
    _loop(s)
    _power(s)
    _drive(s)
    s.text(
        20,
        740,
        "Drawn at rest: no power, button released, spring pack not yielded. No program and no computer is in",
        px=12,
    )
    s.text(
        20,
        758,
        "the thick path or in that of the coil. Contacts of S1 and of S2 open together (dashed) and by force.",
        px=12,
    )
    return s


def _supply(s: Sheet) -> None:
    volts, amps = rig().supply.volts, rig().supply.amps
    s.box(20, 300, 130, 110, f"supply\nlisted, mains by\nits own plug\n{volts:g} V, {amps:g} A")
    s.line([(50, 300), (50, TOP), (A + 310, TOP)], "power")
    s.text(58, 292, "+", px=16, bold=True)
    s.line([(120, 410), (120, BOTTOM), (940, BOTTOM)], "power")
    s.text(128, 635, "0 V", px=13, bold=True)
    s.rect(85, TOP - 6, 30, 12, "white")
    s.line([(85, TOP), (115, TOP)])
    s.text(100, TOP - 14, "F1", "middle", 13, bold=True)
    s.rect(146, TOP - 12, 32, 24, "none")
    s.line([(146, TOP), (150, TOP), (175, TOP - 13)], "power")
    s.text(162, TOP - 20, "S0", "middle", 13, bold=True)
    s.text(100, TOP + 26, "fuse", "middle", 12)
    s.text(165, TOP + 26, "its switch", "middle", 12)
    s.dot(A, TOP)
    s.line([(120, BOTTOM), (50, BOTTOM), (50, 675)], "earth")
    s.line([(50, 410), (50, BOTTOM)], "earth")
    s.text(56, 432, "PE", px=12)
    s.dot(120, BOTTOM)
    s.dot(50, BOTTOM)
    s.earth(50, 675)
    s.text(
        76, 684, "star point, protective earth; a wire of its own from base, guide, motor, guard, gripper (strap),", px=12
    )
    s.text(76, 700, "cell's shield, drive's case and the board's ground", px=12)


def _coil(s: Sheet) -> None:
    x = A
    s.line([(x, TOP), (x, 110)])
    s.fuse(x, 105)
    s.text(x - 16, 129, "F2", "end", 13, bold=True)
    s.line([(x, 145), (x, 165)])
    s.closed_contact(x, 165)
    s.text(x - 18, 180, "S1", "end", 13, bold=True)
    s.text(x - 18, 196, "emergency", "end", 12)
    s.text(x - 18, 211, "stop", "end", 12)
    s.text(x + 16, 168, "11", px=12)
    s.text(x + 16, 206, "12", px=12)
    s.line([(x, 205), (x, 245)])
    s.closed_contact(x, 245)
    s.text(x - 18, 264, "S2", "end", 13, bold=True)
    s.text(x - 18, 280, "spring pack", "end", 12)
    s.text(x + 16, 248, "11", px=12)
    s.text(x + 16, 286, "12", px=12)
    s.line([(x, 285), (x, 330)])
    s.dot(x, 315)
    s.open_contact(x, 330)
    s.text(x - 20, 348, "S3", "end", 13, bold=True)
    s.text(x - 20, 364, "on-button", "end", 12)
    s.line([(x, 315), (x + 55, 315), (x + 55, 330)])
    s.open_contact(x + 55, 330)
    s.text(x + 64, 348, "K1", px=13, bold=True)
    s.text(x + 64, 334, "13", px=12)
    s.text(x + 64, 372, "14", px=12)
    s.line([(x + 55, 370), (x + 55, 390), (x, 390)])
    s.dot(x, 390)
    s.line([(x, 370), (x, 440)])
    s.dot(x, 425)
    s.coil(x, 440)
    s.text(x - 28, 465, "K1", "end", 13, bold=True)
    s.line([(x, 480), (x, BOTTOM)])
    s.dot(x, 560)
    s.dot(x, BOTTOM)
    s.line([(x, 425), (x + 70, 425), (x + 70, 440)])
    s.diode(x + 70, 440, up=True)
    s.line([(x + 70, 480), (x + 70, 500)])
    s.diode(x + 70, 500)
    s.line([(x + 61, 528), (x + 58, 522)])
    s.line([(x + 79, 528), (x + 82, 534)])
    s.line([(x + 70, 540), (x + 70, 560), (x, 560)])
    s.text(x + 88, 486, "V2", px=13, bold=True)
    s.text(x + 88, 502, "diode and", px=12)
    s.text(x + 88, 517, "zener", px=12)


def _loop(s: Sheet) -> None:
    x = LOOP
    pin = board()["pins"]["estop"]
    s.tag(x, 140, f"board, estop GP{pin}", "above")
    s.line([(x, 144), (x, 165)])
    s.closed_contact(x, 165)
    s.text(x + 16, 168, "21", px=12)
    s.text(x + 16, 206, "22", px=12)
    s.line([(x, 205), (x, 245)])
    s.closed_contact(x, 245)
    s.text(x + 16, 248, "21", px=12)
    s.text(x + 16, 286, "22", px=12)
    s.line([(x, 285), (x, 306)])
    s.tag(x, 310, "board, ground", "below")
    for y in (182, 262):
        s.line([(A + 8, y), (x + 4, y)], "link")
    s.line([(A + 110, 174), (A + 110, 190)])
    s.path(f"M{A + 98} 174a12 12 0 0 1 24 0z", "grey")


def _power(s: Sheet) -> None:
    x = B
    s.line([(x, TOP), (x, 110)], "power")
    for y, upper, lower in ((110, "1", "2"), (175, "3", "4")):
        s.open_contact(x, y, "power")
        s.text(x + 10, y + 6, upper, px=12)
        s.text(x + 10, y + 38, lower, px=12)
        s.text(x - 20, y + 26, "K1", "end", 13, bold=True)
        s.line([(x, y + 40), (x, y + 65)], "power")
    s.dot(x, 240)
    s.diode(x, 255, "power")
    s.line([(x, 240), (x, 255)], "power")
    s.text(x - 18, 280, "V1", "end", 13, bold=True)
    s.line([(x, 295), (x, 315)], "power")
    s.resistor(x, 315, "power")
    s.text(x - 18, 332, "R1", "end", 13, bold=True)
    s.text(x - 18, 348, "inrush", "end", 12)
    s.line([(x, 355), (x, 400), (985, 400), (985, 470)], "power")
    # What the board is told of it.
    pin = board()["pins"]["supply"]
    s.line([(x, 240), (690, 240), (690, 250)])
    s.box(650, 250, 160, 84, "", "white")
    s.text(658, 268, "U1 isolator", px=12, bold=True)
    s.text(658, 286, "R3, zener V3", px=12)
    s.diode(690, 292)
    s.line([(690, 332), (690, BOTTOM)])
    s.dot(690, BOTTOM)
    s.line([(712, 306), (730, 306)], "thin")
    s.line([(712, 316), (730, 316)], "thin")
    s.line([(752, 298), (752, 324)], "power")
    s.line([(752, 306), (775, 290), (830, 290)])
    s.line([(752, 316), (775, 328), (830, 328)])
    s.tag(834, 290, f"board, supply GP{pin}")
    s.tag(834, 328, "board, ground")


def _drive(s: Sheet) -> None:
    pins = board()["pins"]
    for x, name, words in ((750, "C1", "store"), (835, "R2", "bleeder")):
        s.dot(x, 400)
        s.line([(x, 400), (x, 490)])
        if name == "C1":
            s.capacitor(x, 490)
        else:
            s.resistor(x, 490)
        s.line([(x, 530), (x, BOTTOM)])
        s.dot(x, BOTTOM)
        s.text(x + 18, 508, name, px=13, bold=True)
        s.text(x + 18, 524, words, px=12)
    s.dot(940, BOTTOM)
    s.box(915, 470, 180, 120, "drive", "grey")
    s.text(985, 488, "+", "middle", 15, bold=True)
    s.line([(940, 590), (940, BOTTOM)], "power")
    s.text(932, 608, "0 V", "end", 12)
    # Enable, hard-wired through K1 as well.
    s.line([(1030, 470), (1030, 380)])
    s.open_contact(1030, 340)
    s.line([(1030, 340), (1030, 232)])
    s.line([(1075, 470), (1075, 302)])
    s.text(1038, 346, "23", px=12)
    s.text(1038, 378, "24", px=12)
    s.text(1010, 364, "K1", "end", 13, bold=True)
    s.text(1030, 486, "EN+", "middle", 12)
    s.text(1075, 486, "EN-", "middle", 12)
    s.tag(1030, 228, f"line driver,\nenable GP{pins['enable']}", "above")
    s.tag(1075, 298, "board,\nground", "above")
    s.circle(1020, 690, 28, "white")
    s.text(1020, 694, "motor", "middle", 12)
    for i in range(4):
        x = 1008 + 8 * i
        s.line([(x, 590), (x, 665)])
