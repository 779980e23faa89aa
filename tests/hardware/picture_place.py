"""The place from above: where the line of pull runs, where to stand, where the screen goes."""

from __future__ import annotations

import math

from .sheet import Sheet

LINE = 280.0


def draw() -> Sheet:
    """The frame on the left, the head on the right, the stringer below."""
    s = Sheet(1040, 660, "Where to stand: beside the line of pull, with pedal, emergency stop and screen on the same side")
    _line(s)
    _rig(s)
    _people(s)
    return s


def _line(s: Sheet) -> None:
    s.line([(10, LINE - 62), (1030, LINE - 62), (1030, LINE + 62), (10, LINE + 62)], "grey", closed=True)
    for x in range(16, 1000, 24):
        s.line([(x, LINE + 62), (x + 30, LINE - 62)], "thin")
    for x in (60, 985):
        s.circle(x, LINE, 34, "white")
        s.line([(x - 16, LINE - 16), (x + 16, LINE + 16)], "power")
        s.line([(x - 16, LINE + 16), (x + 16, LINE - 16)], "power")
    s.text(486, LINE - 74, "grey: the line of pull, both ways. Nobody in it, nobody walks through it", px=12, bold=True)


def _rig(s: Sheet) -> None:
    s.ellipse(300, LINE, 165, 122, "white")
    for i in range(-5, 6):
        h = 122 * math.sqrt(1 - (i / 6) ** 2)
        s.line([(300 + 27 * i, LINE - h + 8), (300 + 27 * i, LINE + h - 8)], "thin")
    for i in range(-4, 5):
        w = 165 * math.sqrt(1 - (i / 5) ** 2)
        s.line([(300 - w + 8, LINE + 24 * i), (300 + w - 8, LINE + 24 * i)], "thin")
    s.text(300, LINE - 134, "frame: it turns, the line of pull stays", "middle", 12)
    s.rect(610, LINE - 46, 300, 92, "white", 4)
    s.line([(465, LINE), (640, LINE)], "power")
    s.rect(640, LINE - 14, 40, 28, "grey")
    s.text(660, LINE - 22, "gripper", "middle", 12)
    s.rect(700, LINE - 26, 80, 52, "white")
    s.text(740, LINE + 4, "carriage", "middle", 12)
    s.line([(884, LINE - 46), (884, LINE + 46)], "power")
    s.text(838, LINE + 4, "guard", "middle", 12)
    s.rect(910, LINE - 14, 22, 28, "grey", 3)
    s.line([(921, LINE + 16), (921, LINE + 82)], "thin")
    s.text(921, LINE + 98, "hand knob: behind the guard,", "middle", 12)
    s.text(921, LINE + 114, "reached from this side", "middle", 12)


def _people(s: Sheet) -> None:
    s.ellipse(470, 500, 56, 24, "white")
    s.circle(470, 494, 20, "grey")
    s.text(536, 540, "you: beside the line, goggles on, face out of the", px=12)
    s.text(536, 556, "bed's plane, hands off the gripper from the tap on", px=12)
    s.rect(404, 556, 52, 30, "grey", 5)
    s.text(430, 604, "pedal, on the floor", "middle", 12)
    s.circle(600, 420, 17, "dark")
    s.circle(600, 420, 9, "white")
    s.text(624, 416, "emergency stop:", px=12, bold=True)
    s.text(624, 432, "one arm's length, never across the line", px=12)
    s.line([(505, 484), (582, 430)], "link")
    s.line([(110, 470), (210, 452)], "power")
    s.line([(110, 470), (114, 486)], "wire")
    s.line([(210, 452), (214, 468)], "wire")
    s.line([(114, 486), (214, 468)], "wire")
    s.text(162, 512, "screen and computer: on your side,", "middle", 12)
    s.text(162, 528, "beside the frame, at the height of the eyes;", "middle", 12)
    s.text(162, 544, "its cable crosses no walkway and no line", "middle", 12)
    s.line([(432, 488), (226, 466)], "link")
    s.rect(700, 90, 270, 62, "white", 4)
    s.text(835, 116, "others: outside the grey, goggles on;", "middle", 12)
    s.text(835, 134, "children and pets: not in the room", "middle", 12)
    s.text(
        20,
        640,
        "Starting clamps can jump off along their own string: keep out of that line too. See SAFETY.md, section 1.",
        px=12,
    )
