"""Small pieces of SVG. What they look like is in the page's style, so that one picture looks like the other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

Point = tuple[float, float]


def num(value: float) -> str:
    """A coordinate, short."""
    return f"{value + 0.0:.1f}".removesuffix(".0")


def text(x: float, y: float, words: str, kind: str = "", turned: bool = False) -> str:
    """Words at a place; ``kind`` is a class of the style; ``turned`` reads upwards."""
    turn = f' transform="rotate(-90 {num(x)} {num(y)})"' if turned else ""
    return f'<text x="{num(x)}" y="{num(y)}" class="{kind}"{turn}>{escape(words)}</text>'


def line(a: Point, b: Point, kind: str) -> str:
    """A straight line."""
    return f'<path d="M{num(a[0])} {num(a[1])}L{num(b[0])} {num(b[1])}" class="{kind}"/>'


def lines(pairs: Sequence[tuple[Point, Point]], kind: str) -> str:
    """Many straight lines of one kind, in one element."""
    if not pairs:
        return ""
    way = "".join(f"M{num(a[0])} {num(a[1])}L{num(b[0])} {num(b[1])}" for a, b in pairs)
    return f'<path d="{way}" class="{kind}"/>'


def rect(x: float, y: float, width: float, height: float, kind: str) -> str:
    """A rectangle; negative sizes reach back."""
    x, width = (x + width, -width) if width < 0.0 else (x, width)
    y, height = (y + height, -height) if height < 0.0 else (y, height)
    return f'<rect x="{num(x)}" y="{num(y)}" width="{num(width)}" height="{num(height)}" class="{kind}"/>'


def path(points: Sequence[Point], kind: str, closed: bool = False) -> str:
    """A line through points."""
    way = "M" + "L".join(f"{num(x)} {num(y)}" for x, y in points) + "Z" * closed
    return f'<path d="{way}" class="{kind}"/>'


def mark(x: float, y: float, shape: str, kind: str, size: float = 4.0) -> str:
    """A small mark: "round", "square", "diamond", "left" or "right" (triangles)."""
    if shape == "round":
        return f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(size)}" class="{kind}"/>'
    s = size
    corners = {
        "square": [(-s, -s), (s, -s), (s, s), (-s, s)],
        "diamond": [(0.0, -1.3 * s), (1.3 * s, 0.0), (0.0, 1.3 * s), (-1.3 * s, 0.0)],
        "left": [(-s, 0.0), (s, -s), (s, s)],
        "right": [(s, 0.0), (-s, -s), (-s, s)],
    }[shape]
    return path([(x + dx, y + dy) for dx, dy in corners], kind, closed=True)


def svg(width: float, height: float, says: str, parts: Sequence[str]) -> str:
    """A picture with what it shows in words."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {num(width)} {num(height)}" role="img" '
        f'aria-label="{escape(says)}">' + "".join(p for p in parts if p) + "</svg>"
    )


def step(span: float, pieces: float = 5.0) -> float:
    """A round distance of grid lines that cuts ``span`` into about so many pieces."""
    raw = max(span, 1e-9) / pieces
    base = 10.0 ** math.floor(math.log10(raw))
    return next(base * m for m in (1.0, 2.0, 5.0, 10.0) if base * m >= raw * 0.999)
