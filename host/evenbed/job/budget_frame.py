"""Places on the hoop and ways along it. Pure. Points are arc lengths along the inside of the hoop, mm, from the middle of
the head: to the right positive, to the left negative; half the circumference is the middle of the throat."""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import lru_cache
from itertools import pairwise

from evenbed.job import plan_order
from evenbed.racquet.model import End, Hole, Racquet, Side, StringName

_POINTS = 181


@lru_cache(maxsize=8)
def _walk(outline: tuple[tuple[float, float], ...]) -> tuple[float, ...]:
    """Arc length at each point of the outline."""
    out = [0.0]
    for (x0, y0), (x1, y1) in pairwise(outline):
        out.append(out[-1] + math.hypot(x1 - x0, y1 - y0))
    return tuple(out)


@lru_cache(maxsize=8)
def _ellipse(length_mm: float, width_mm: float) -> tuple[tuple[float, float], ...]:
    angles = [math.pi * i / (_POINTS - 1) for i in range(_POINTS)]
    return tuple((width_mm / 2.0 * math.sin(a), length_mm / 2.0 * (1.0 - math.cos(a))) for a in angles)


def outline(racquet: Racquet) -> tuple[tuple[float, float], ...]:
    """The right half of the hoop from head to throat; an ellipse of its length and width if the file gives none."""
    if len(racquet.outline) >= 3:
        return racquet.outline
    return _ellipse(racquet.head_length_mm, racquet.head_width_mm)


def half_mm(racquet: Racquet) -> float:
    """Half the circumference."""
    return _walk(outline(racquet))[-1]


def _at_x(racquet: Racquet, x: float, end: End) -> float:
    """Arc length where a main at ``x`` meets the head or the throat; the widest place if it lies beyond."""
    points, walk = outline(racquet), _walk(outline(racquet))
    widest = max(range(len(points)), key=lambda i: points[i][0])
    indices = range(widest) if end == "head" else range(len(points) - 2, widest - 1, -1)
    for i in indices:
        (x0, _), (x1, _) = points[i], points[i + 1]
        if min(x0, x1) <= x <= max(x0, x1):
            return walk[i] + (walk[i + 1] - walk[i]) * ((x - x0) / (x1 - x0) if x1 != x0 else 0.0)
    return walk[widest]


def _at_y(racquet: Racquet, y: float) -> float:
    points, walk = outline(racquet), _walk(outline(racquet))
    i = min(max(bisect_right([p[1] for p in points], y) - 1, 0), len(points) - 2)
    y0, y1 = points[i][1], points[i + 1][1]
    return walk[i] + (walk[i + 1] - walk[i]) * (min(max((y - y0) / (y1 - y0), 0.0), 1.0) if y1 != y0 else 0.0)


def main_end(racquet: Racquet, name: StringName, end: End) -> float:
    """Where a main meets the frame."""
    s = _at_x(racquet, racquet.mains_x_mm[name.number - 1], end)
    return s if name.side == "right" else -s


def cross_end(racquet: Racquet, name: StringName, side: Side) -> float:
    """Where a cross meets the frame."""
    s = _at_y(racquet, racquet.crosses_y_mm[name.number - 1])
    return s if side == "right" else -s


def end_of(racquet: Racquet, name: StringName) -> float:
    """Where the tail of a string leaves the frame."""
    if name.kind == "main":
        return main_end(racquet, name, plan_order.main_pulled_at(racquet, name.number))
    return cross_end(racquet, name, plan_order.cross_pulled_at(racquet, name.number))


def hole_point(racquet: Racquet, hole: Hole) -> float | None:
    """Where a hole is: where a string that goes through it, or through the nearest hole counted with it, meets the frame.
    None if no string is counted with it."""
    known: dict[int, float] = {}
    for i, number in enumerate(racquet.main_holes.get(hole.end, ())):
        known[number] = main_end(racquet, StringName("main", i + 1, hole.side), hole.end)
    for i, (end, number) in enumerate(racquet.cross_holes):
        if end == hole.end:
            known.setdefault(number, cross_end(racquet, StringName("cross", i + 1), hole.side))
    if not known:
        return None
    return known[min(known, key=lambda n: (abs(n - hole.number), n))]


def between_mm(racquet: Racquet, a: float, b: float) -> float:
    """The shorter way along the hoop between two places."""
    around = 2.0 * half_mm(racquet)
    way = abs(a - b) % around
    return min(way, around - way)
