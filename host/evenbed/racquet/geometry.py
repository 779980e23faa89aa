"""Lengths of strings inside the frame: chords of the inside of the hoop. Millimetres.

The hoop is symmetric about the centre line. ``x`` is measured from the centre line, ``y`` from the inside of the head.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from evenbed.racquet.model import Racquet

POINTS = 61  # of an outline drawn from its formula
EDGE_GAPS = 2.0  # from the outermost string to the frame, in gaps: common practice, no source


class Hoop(Protocol):
    """The inside of a hoop."""

    @property
    def length_mm(self) -> float:
        """From head to throat."""
        ...

    @property
    def width_mm(self) -> float:
        """At the widest."""
        ...

    def half_width_mm(self, y: float) -> float:
        """From the centre line to the frame at ``y``; 0 outside the hoop."""
        ...

    def main_mm(self, x: float) -> float:
        """Length of a main at ``x``; 0 outside the hoop."""
        ...

    def area_mm2(self) -> float:
        """Area inside."""
        ...

    def points(self) -> tuple[tuple[float, float], ...]:
        """The right half from head to throat."""
        ...


@dataclass(frozen=True)
class Superellipse:
    """``|x/a|**n + |y/b|**n = 1`` about the middle of the hoop; an exponent of 2 is the ellipse."""

    length_mm: float
    width_mm: float
    exponent: float = 2.0

    def half_width_mm(self, y: float) -> float:
        """``a (1 - |y/b|**n)**(1/n)``, ``y`` from the middle."""
        return self.width_mm / 2.0 * self._other(y / (self.length_mm / 2.0) - 1.0)

    def main_mm(self, x: float) -> float:
        """``2 b (1 - |x/a|**n)**(1/n)``."""
        return self.length_mm * self._other(x / (self.width_mm / 2.0))

    def _other(self, share: float) -> float:
        return max(0.0, 1.0 - abs(share) ** self.exponent) ** (1.0 / self.exponent) if abs(share) < 1.0 else 0.0

    def area_mm2(self) -> float:
        """``4 a b G(1 + 1/n)**2 / G(1 + 2/n)`` with the gamma function (Dirichlet's integral)."""
        n = self.exponent
        return self.length_mm * self.width_mm * math.gamma(1.0 + 1.0 / n) ** 2 / math.gamma(1.0 + 2.0 / n)

    def points(self) -> tuple[tuple[float, float], ...]:
        """Points of the right half, closer to each other at head and throat, where it bends."""
        ys = [self.length_mm / 2.0 * (1.0 - math.cos(math.pi * i / (POINTS - 1))) for i in range(POINTS)]
        inner = [(self.half_width_mm(y), y) for y in ys[1:-1]]
        return ((0.0, 0.0), *inner, (0.0, self.length_mm))


@dataclass(frozen=True)
class Polygon:
    """The right half as measured points from head to throat, joined by straight lines. ``y`` must not go back.

    The lines lie inside the true curve: with a point every 15 mm round a bend of 100 mm by 0.3 mm at most.
    """

    right: tuple[tuple[float, float], ...]

    @property
    def length_mm(self) -> float:
        """From the first point to the last."""
        return self.right[-1][1] - self.right[0][1]

    @property
    def width_mm(self) -> float:
        """Twice the farthest point."""
        return 2.0 * max(x for x, _ in self.right)

    def half_width_mm(self, y: float) -> float:
        """Interpolated between the points."""
        found = [
            max(x0, x1) if y1 == y0 else x0 + (x1 - x0) * (y - y0) / (y1 - y0)
            for (x0, y0), (x1, y1) in pairwise(self.right)
            if y0 <= y <= y1
        ]
        return max(found, default=0.0)

    def main_mm(self, x: float) -> float:
        """From the first to the last point at ``x``."""
        ys = [
            y0 if x1 == x0 else y0 + (y1 - y0) * (x - x0) / (x1 - x0)
            for (x0, y0), (x1, y1) in pairwise(self.right)
            if min(x0, x1) <= x <= max(x0, x1)
        ]
        return max(ys) - min(ys) if ys else 0.0

    def area_mm2(self) -> float:
        """Trapezes, both halves."""
        pairs = pairwise(self.right)
        return sum((x0 + x1) * (y1 - y0) for (x0, y0), (x1, y1) in pairs)

    def points(self) -> tuple[tuple[float, float], ...]:
        """As measured."""
        return self.right


def hoop_of(racquet: Racquet) -> Hoop:
    """The inside of a racquet's hoop."""
    if racquet.exponent is None:
        return Polygon(racquet.outline)
    return Superellipse(racquet.head_length_mm, racquet.head_width_mm, racquet.exponent)


def main_lengths_mm(hoop: Hoop, xs: Sequence[float]) -> tuple[float, ...]:
    """Lengths of mains at ``xs``."""
    return tuple(hoop.main_mm(x) for x in xs)


def cross_lengths_mm(hoop: Hoop, ys: Sequence[float]) -> tuple[float, ...]:
    """Lengths of crosses at ``ys``."""
    return tuple(2.0 * hoop.half_width_mm(y) for y in ys)


def spread_mains_mm(width_mm: float, per_side: int, opening: float) -> tuple[float, ...]:
    """Estimated places of the mains of one side: half a gap from the centre line, then gaps that grow outwards to
    ``opening`` times the first, and EDGE_GAPS gaps to the frame."""
    gaps = [0.5, *(1.0 + (opening - 1.0) * k / max(1, per_side - 1) for k in range(1, per_side))]
    scale = width_mm / 2.0 / (sum(gaps) + EDGE_GAPS)
    return tuple(scale * sum(gaps[: i + 1]) for i in range(per_side))


def spread_crosses_mm(length_mm: float, crosses: int, opening: float) -> tuple[float, ...]:
    """Estimated places of the crosses: gaps that grow from the middle to both ends, and EDGE_GAPS gaps to the frame."""
    middle = (crosses - 2) / 2.0
    gaps = [1.0 + (opening - 1.0) * abs(k - middle) / max(1.0, middle) for k in range(crosses - 1)]
    scale = length_mm / (sum(gaps) + 2.0 * EDGE_GAPS)
    return tuple(scale * (EDGE_GAPS + sum(gaps[:i])) for i in range(crosses))
