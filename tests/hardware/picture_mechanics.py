"""The head from the side: line of pull, what carries the force, what stops it. Not to scale."""

from __future__ import annotations

from .facts import rig, size
from .sheet import Sheet

LINE, AXIS = 150.0, 220.0


def draw() -> Sheet:
    """The whole above; below it the cell's place and the spring pack, larger."""
    s = Sheet(1160, 830, "Mechanics from the side: frame, string, gripper, cell, carriage, spring pack, screw, motor")
    _bed(s)
    _screw(s)
    _carriage(s)
    _ends(s)
    _cell(s)
    _pack(s)
    return s


def _bed(s: Sheet) -> None:
    s.rect(30, 370, 1100, 24, "grey")
    s.text(230, 387, "base: carries the pull from the bearing block back to the frame's mount", "start", 12)
    s.rect(70, 160, 18, 210, "white")
    s.rect(196, 160, 18, 210, "white")
    s.rect(48, 141, 190, 19, "white", 8)
    s.text(143, 130, "frame on its supports", "middle", 12)
    s.line([(238, LINE), (436, LINE)], "power")
    s.text(330, LINE - 10, "string: line of pull", "middle", 12, bold=True)
    s.line([(1016, 80), (1016, 182)], "power")
    s.line([(1016, 182), (1040, 182)], "power")
    s.text(1016, 70, "guard behind the gripper", "middle", 12)


def _screw(s: Sheet) -> None:
    s.rect(352, 278, 616, 14, "grey")
    s.rect(380, 266, 584, 12, "white")
    s.rect(444, 292, 14, 78, "white")
    s.rect(872, 292, 14, 78, "white")
    s.rect(336, 196, 34, 174, "white")
    s.text(328, 248, "thrust bearing,", "end", 12)
    s.text(328, 264, "takes the pull", "end", 12)
    s.rect(968, 196, 24, 174, "white")
    s.text(962, 190, "second bearing", "end", 12)
    s.rect(370, AXIS - 8, 598, 16, "white")
    x = 376.0
    while x < 964:
        s.line([(x, AXIS + 8), (x + 6, AXIS - 8)], "thin")
        x += 9
    s.rect(992, AXIS - 5, 26, 10, "grey")
    s.rect(1018, AXIS - 32, 64, 64, "grey")
    s.text(1050, AXIS + 4, "motor", "middle", 12)
    s.rect(1082, AXIS - 4, 14, 8, "white")
    s.rect(1096, AXIS - 20, 14, 40, "white", 3)
    s.text(1118, AXIS + 50, "hand knob,", "end", 12)
    s.text(1118, AXIS + 66, "slack marked", "end", 12)
    s.text(1000, AXIS + 92, "coupling", "start", 12)
    s.line([(1006, AXIS + 80), (1006, AXIS + 7)], "thin")
    s.line([(276, AXIS), (336, AXIS)], "thin")
    s.measure((290, LINE), (290, AXIS), "")
    s.text(282, 190, f"{rig().guide.offset_mm:g} mm", "end", 12)


def _carriage(s: Sheet) -> None:
    s.rect(556, 136, 168, 112, "white")
    s.rect(576, 192, 128, 50, "white")
    s.rect(576, AXIS - 8, 128, 16, "white")
    for i in range(15):
        s.line([(578 + 8.4 * i, AXIS + 8), (583 + 8.4 * i, AXIS - 8)], "thin")
    s.rect(580, 197, 8, 40, "dark")
    s.rect(589, 197, 26, 40, "grey")
    _spring(s, 616, 694, 205, 6)
    _spring(s, 616, 694, 234, 6)
    s.rect(695, 197, 8, 40, "dark")
    s.text(640, 160, "carriage", "middle", 13, bold=True)
    s.text(640, 178, "nut and spring pack", "middle", 12)
    for x in (566, 676):
        s.rect(x, 248, 38, 18, "grey")
    s.measure((585, 314), (695, 314), "", 12)
    s.text(640, 332, f"{rig().guide.spacing_mm:g} mm between the bearings", "middle", 12)
    s.rect(436, 134, 52, 32, "grey", 4)
    s.text(462, 126, "gripper", "middle", 12)
    s.line([(488, LINE), (500, LINE)], "power")
    s.rect(500, 136, 46, 28, "white")
    s.text(523, LINE + 4, "cell", "middle", 12, bold=True)
    s.line([(546, LINE), (556, LINE)], "power")
    s.path("M452 134C452 80 590 80 590 136", "earth")
    s.text(521, 82, "earth strap, slack", "middle", 12)
    s.path("M540 136C540 112 620 112 640 118L980 118", "wire")
    s.rect(616, 110, 20, 12, "grey")
    s.text(800, 108, "cell's cable: held on the carriage, then in a chain", "middle", 12)
    s.arrow([(740, LINE), (810, LINE)], "power")
    s.text(820, LINE + 4, "draw", px=12, bold=True)


def _ends(s: Sheet) -> None:
    r = rig()
    for x, lever, stop, name in ((398, 430, 378, "end_low"), (906, 896, 950, "end_high")):
        s.rect(x, 236, 22, 22, "white")
        s.line([(x + (22 if name == "end_low" else 0), 240), (lever, 236)])
        s.rect(stop, 234, 9, 32, "black")
        s.text(x + (5 if name == "end_low" else 21), 312, name, "middle", 12, bold=True)
    s.measure((430, 348), (896, 348), "")
    travel = (
        f"{r.travel.between_switches_mm:g} mm between the switches, then {r.travel.overtravel_mm:g} mm to each stop (black)"
    )
    s.text(663, 364, travel, "middle", 12)


def _spring(s: Sheet, x0: float, x1: float, y: float, half: float, turns: int = 8) -> None:
    step = (x1 - x0) / (2 * turns)
    points = [(x0 + i * step, y + (half if i % 2 else -half)) for i in range(1, 2 * turns)]
    s.line([(x0, y), *points, (x1, y)])


def _cell(s: Sheet) -> None:
    """The cell between gripper and carriage."""
    s.rect(30, 430, 530, 380, "thin")
    s.text(44, 454, "The cell carries the whole pull, and nothing else does", px=13, bold=True)
    y = 600.0
    s.line([(40, y), (120, y)], "power")
    s.text(44, y - 10, "string", px=12)
    s.rect(120, y - 34, 90, 30, "grey")
    s.rect(120, y + 4, 90, 30, "grey")
    s.text(165, y - 44, "gripper", "middle", 12)
    s.line([(210, y), (250, y)], "power")
    s.circle(230, y, 7, "white")
    s.text(230, y - 14, "joint", "middle", 12)
    s.rect(250, y - 30, 120, 60, "white")
    s.rect(284, y - 13, 52, 26, "white", 13)
    s.text(305, y - 40, "cell", "middle", 12, bold=True)
    s.text(248, y + 46, "live end", "start", 12)
    s.text(384, y + 46, "fixed end", "end", 12)
    s.line([(370, y), (400, y)], "power")
    s.rect(400, y - 90, 24, 180, "grey")
    s.text(412, y + 108, "carriage", "middle", 12)
    s.path(f"M352 {y - 30}C352 {y - 72} 420 {y - 112} 450 {y - 104}L540 {y - 104}")
    s.rect(440, y - 112, 24, 16, "grey")
    s.line([(424, y - 84), (452, y - 84), (452, y - 96)])
    s.text(474, y - 112, "clamp", px=12)
    s.text(436, y - 60, "cable leaves\nat the fixed end", px=12)
    s.path(f"M140 {y + 34}C140 {y + 150} 400 {y + 150} 406 {y + 70}", "earth")
    s.dot(140, y + 34)
    s.dot(406, y + 70)
    s.text(250, y + 142, "earth strap: fine strands, a slack loop", "middle", 12)
    s.line([(60, y), (60, y + 70)], "thin")
    s.text(44, y + 86, "through the\ncell's axis", px=12)
    s.text(44, 790, "Gripper, joint and string touch neither guide nor cover.", px=12)


def _pack(s: Sheet) -> None:
    """The spring pack between nut and carriage."""
    c = rig().coupling
    s.rect(590, 430, 540, 380, "thin")
    s.text(604, 454, "Spring pack between nut and carriage", px=13, bold=True)
    y = 590.0
    s.rect(610, y - 12, 500, 24, "white")
    for i in range(40):
        s.line([(612 + 12.5 * i, y + 12), (619 + 12.5 * i, y - 12)], "thin")
    s.rect(670, y - 76, 18, 152, "dark")
    s.rect(690, y - 60, 70, 120, "grey")
    s.text(725, y + 5, "nut", "middle", 13, bold=True)
    s.rect(930, y - 76, 18, 152, "dark")
    s.line([(670, y - 76), (948, y - 76)], "power")
    s.line([(670, y + 76), (948, y + 76)], "power")
    for dy in (-36.0, 36.0):
        _spring(s, 760, 930, y + dy, 13, 9)
    s.text(840, y - 86, "carriage", "middle", 12)
    s.text(800, y + 98, "pins keep the nut from turning, and guide it", "middle", 12)
    s.arrow([(660, y - 100), (604, y - 100)], "power")
    s.text(604, y - 112, "string pulls the carriage", px=12)
    s.arrow([(1000, y - 40), (1060, y - 40)], "power")
    s.text(1030, y - 52, "draw", "middle", 12)
    s.rect(628, y + 30, 30, 26, "white")
    s.text(643, y + 47, "S2", "middle", 12, bold=True)
    s.line([(658, y + 43), (690, y + 43)])
    s.circle(690, y + 43, 4, "black")
    holds, bounds = size("spring pack yields, earliest"), size("most that it lets through")
    words = (
        f"Pressed together beforehand: below {holds} the nut stays on the shoulder (left),",
        f"solid. Set to {c.acts_at_n:g} N, give or take {c.tolerance_percent:g} %. Above it the nut leaves the",
        f"shoulder: S2 opens, in the coil of K1 and in the sense loop; {c.room_mm:g} mm of room",
        f"at {c.rate_n_mm:g} N/mm. It lets {bounds} through at most;",
        f"parts have to take {size('what parts have to take')}.",
    )
    s.text(604, y + 128, "\n".join(words), px=12)
