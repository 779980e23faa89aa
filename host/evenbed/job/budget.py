"""How much string to cut for each piece. Pure. Millimetres, for string before it is stretched.

- inside the frame: the strings' own lengths;
- between holes: along the inside of the hoop from hole to hole, and twice through the frame (WALL_MM);
- weaving: from main to main, ``p`` apart, a cross goes up or down by ``h``, both diameters together, and takes
  ``sqrt(p**2 + h**2) - p`` more as long as the mains stay straight; less once they give way;
- tails: at each end what the gripper needs, or what the knot needs if that is more;
- margin: MARGIN_MM a piece.

String stretches by some per cent when it is drawn, so what is left over is more than the margin.
"""

from __future__ import annotations

import math
from itertools import pairwise

from evenbed.job import budget_frame, plan_order
from evenbed.job.planned import Cut, Equipment
from evenbed.racquet.model import Racquet, StringName

WALL_MM = 12.0  # through the frame and its grommet; from memory, weak
KNOT_MM = 150.0  # a knot and hands to pull it; common practice, no source
HAND_MM = 100.0  # to weave with
MARGIN_MM = 200.0
DIAMETER_MM = {"badminton nylon": 0.70}  # if the file does not say; common practice, no source
OTHER_DIAMETER_MM = 1.30

NOTE = (
    f"Between holes: along the inside of the hoop and twice {WALL_MM:.0f} mm through the frame, an estimate. String "
    "stretches when it is drawn, so more than the margin is left over."
)


def diameter_mm(racquet: Racquet, piece: int) -> float:
    """Diameter of a piece's string, from the file or the usual one of its family."""
    p = racquet.pieces[piece]
    return p.diameter_mm or DIAMETER_MM.get(p.family, OTHER_DIAMETER_MM)


def weave_mm(racquet: Racquet, cross: int) -> float:
    """What weaving adds to one cross."""
    n = 2 * plan_order.crossing_mains(racquet, cross)
    pitch = racquet.cross_lengths_mm[cross - 1] / (n + 1)
    height = diameter_mm(racquet, 0) + diameter_mm(racquet, len(racquet.pieces) - 1)
    return n * (math.hypot(pitch, height) - pitch)


def turn_mm(racquet: Racquet, a: StringName, b: StringName) -> float:
    """From the hole in which string ``a`` leaves the frame to that in which ``b``, the next of the piece, comes in."""
    if a.kind == "main" and b.kind == "main":
        end = racquet.main_enters(b.number)
        if a.number == 1 and b.number == 1:
            end = racquet.start
        arc = budget_frame.between_mm(
            racquet, budget_frame.main_end(racquet, a, end), budget_frame.main_end(racquet, b, end)
        )
    elif a.kind == "main":
        end = plan_order.main_pulled_at(racquet, a.number)
        to = budget_frame.cross_end(racquet, b, plan_order.crosses_begin(racquet))
        arc = budget_frame.between_mm(racquet, budget_frame.main_end(racquet, a, end), to)
    else:
        side = plan_order.cross_enters(racquet, b.number)
        arc = budget_frame.between_mm(
            racquet, budget_frame.cross_end(racquet, a, side), budget_frame.cross_end(racquet, b, side)
        )
    return arc + 2.0 * WALL_MM


def cross_mm(racquet: Racquet, cross: int) -> float:
    """String for one cross, its weaving and the turn that leads to it."""
    order = plan_order.cross_numbers(racquet)
    i = order.index(cross)
    turn = turn_mm(racquet, StringName("cross", order[i - 1]), StringName("cross", cross)) if i else 0.0
    return racquet.cross_lengths_mm[cross - 1] + weave_mm(racquet, cross) + turn


def cuts(racquet: Racquet, equipment: Equipment) -> tuple[Cut, ...]:
    """The cut of each piece."""
    short, long = plan_order.sides_in_turn(racquet)
    mains = {s: [StringName("main", n + 1, s) for n in range(racquet.per_side)] for s in (short, long)}
    crosses = [StringName("cross", n) for n in plan_order.cross_numbers(racquet)]
    path = [*reversed(mains[short]), *mains[long]]
    if len(racquet.pieces) == 1:
        half = _inside(racquet, mains[short]) + _between(racquet, mains[short])
        half += turn_mm(racquet, path[racquet.per_side - 1], path[racquet.per_side]) / 2.0
        mark = half + tail_mm(racquet, equipment, "short side") + MARGIN_MM / 2.0
        return (_cut(racquet, equipment, 0, [*path, *crosses], ("short side", "crosses end"), mark),)
    return (
        _cut(racquet, equipment, 0, path, ("mains left", "mains right"), None),
        _cut(racquet, equipment, 1, crosses, ("crosses start", "crosses end"), None),
    )


def tail_mm(racquet: Racquet, equipment: Equipment, knot: str) -> float:
    """The tail at one end: to the gripper and through it, or to the hole of the knot and a knot there."""
    last = _last_before(racquet, knot)
    hole = racquet.tie_offs.get(knot)
    run = 2.0 * WALL_MM
    if hole is not None:
        out = budget_frame.end_of(racquet, last)
        near = budget_frame.hole_point(racquet, hole)
        run += budget_frame.between_mm(racquet, out, near) if near is not None else 0.0
    return max(equipment.tail_mm, run + KNOT_MM)


def _last_before(racquet: Racquet, knot: str) -> StringName:
    order = plan_order.cross_numbers(racquet)
    if knot == "crosses start":
        return StringName("cross", order[0])
    if knot == "crosses end":
        return StringName("cross", order[-1])
    side = racquet.short_side if knot == "short side" else "left" if knot == "mains left" else "right"
    return StringName("main", racquet.per_side, side)


def _inside(racquet: Racquet, path: list[StringName]) -> float:
    return math.fsum(racquet.length_mm(n) for n in path)


def _between(racquet: Racquet, path: list[StringName]) -> float:
    return math.fsum(_turn_either_way(racquet, a, b) for a, b in pairwise(path))


def _turn_either_way(racquet: Racquet, a: StringName, b: StringName) -> float:
    """The short side is walked from its end to the loop: its turns are those of the other direction."""
    if a.kind == b.kind == "main" and a.number > b.number:
        return turn_mm(racquet, b, a)
    return turn_mm(racquet, a, b)


def _cut(
    racquet: Racquet, equipment: Equipment, piece: int, path: list[StringName], knots: tuple[str, str], mark: float | None
) -> Cut:
    return Cut(
        piece=piece,
        inside_mm=_inside(racquet, path),
        between_mm=_between(racquet, path),
        weave_mm=math.fsum(weave_mm(racquet, n.number) for n in path if n.kind == "cross"),
        tails_mm=math.fsum(tail_mm(racquet, equipment, k) for k in knots),
        margin_mm=MARGIN_MM,
        short_side_mm=mark,
    )
