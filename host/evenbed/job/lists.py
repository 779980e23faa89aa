"""The short lists that a job goes through: before the first main, after the last knot, when a string is taken back, when a
racquet is given up. Facts of the trade: common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Item:
    """One line of a list: what to look at, and what to do if it is not as it should be. ``asks`` names a figure that is
    worth typing in, with its unit."""

    key: str
    text: str
    otherwise: str = ""
    asks: str = ""


EYES = Item(
    "eyes",
    "Eyes covered: yours, and those of anybody near. Nobody in the line of pull, hair and sleeves tied back.",
    "Do not go on without.",
)

INTAKE: tuple[Item, ...] = (
    EYES,
    Item(
        "frame",
        "Frame looked over, cracks felt for along hoop and throat; old strings out, cut from the centre outwards.",
        "A cracked frame breaks under load: do not string it.",
    ),
    Item("grommets", "Grommets whole, none split or missing, none covered by a support.", "Replace or tube them first."),
    Item(
        "supports",
        "All supports snug without preload; the frame does not move when shaken.",
        "Set them again: an unsupported frame goes oval under the mains.",
    ),
    Item(
        "shape",
        "Measure the inside of the hoop, length × width.",
        "Write both down: the change after the job is the frame's own record.",
        "length × width in mm",
    ),
)

CLOSING: tuple[Item, ...] = (
    Item("straightened", "All strings straight and evenly spaced.", "Straighten them now, before the string sets."),
    Item("misweaves", "No misweave: look along each cross, over and under in turn.", "Now is the last moment to mend one."),
    Item("knots", "Knots tight, tails trimmed, no tail against a string."),
    Item("clamps", "Clamps off, base before jaws."),
    Item("unmount", "Side supports off first, then head and throat."),
    Item("shape", "Measure the inside of the hoop again, length × width.", "", "length × width in mm"),
)

TAKING_BACK = (
    "Taking back {label}. Eyes covered. Grip its tail again, tap: the head draws to {force}, just under the reference. "
    "Then open the clamp that holds it and set it on the string before, stand clear, and hold the pedal: the head lets it "
    "down."
)

GIVING_UP: tuple[Item, ...] = (
    EYES,
    Item("head", "The head is slack, nothing in the gripper. If not: hold the pedal until it is."),
    Item("supports", "The frame stays in its supports, all of them, until the last string is cut.", "Put them back first."),
    Item(
        "cut",
        "Cut from the centre outwards with long cutters, face aside: a main and a cross in turn; mains only: one left, one "
        "right in turn. Each cut a little string at a time; hold the bed down with a cloth.",
    ),
    Item("clamps", "Clamps off last, base before jaws."),
    Item("unmount", "Side supports off, then head and throat. Look the frame over once more before it is strung again."),
)

BROKEN: tuple[Item, ...] = (
    EYES,
    Item("still", "Hands off the bed. The head stands by itself; hold the pedal until it is slack."),
    Item(
        "look",
        "Look where it broke: at a clamp or in the gripper the rest may be saved by a longer tail; in the bed the "
        "piece is lost.",
        "Lost: go on to give the racquet up.",
    ),
)

ON_HEAD = (
    "A string is on the head: hold the pedal to let it down. Until it is off a tap is the head's, as ever; Enter goes on "
    "in this list."
)

KNOT = (
    "Tie off, {knot}: string clamped at the frame, thread, knot, take the slack out by hand, then free the clamp, then "
    "trim. Tap when it is tied."
)
