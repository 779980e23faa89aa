"""The bed as a picture: hoop and strings, over and under, and at the ends of each string what it was given and keeps. Pure.

Seen with the butt towards you: the head is up, left is left. Bars at the head and on the left are forces; those at the
throat and on the right say how far the force at the clamp was from what was asked.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from itertools import pairwise

from evenbed.job.marks import NOT_YET, QUESTIONED, TIED
from evenbed.racquet.geometry import Superellipse
from evenbed.racquet.model import Racquet, StringName
from evenbed.report import draw
from evenbed.report.draw import Point
from evenbed.report.figures import StringFigure
from evenbed.units import show_force

WIDTH = 760.0
HOOP_W, HOOP_H = 370.0, 480.0  # the hoop fits into this
GAP, BARS, OFFS = 30.0, 112.0, 56.0  # hoop to bars, length of the longest bar, half width of the deviations
BAND = 0.005  # of the reference: what the head has to keep within
SCALES = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1)  # of the deviations: the first that holds them all
HALF_WEAVE = 3.2


def hoop_points(racquet: Racquet) -> list[Point]:
    """The inside of the hoop, right half and left half, mm; an ellipse if the file gives no outline."""
    right = list(racquet.outline)
    if len(right) < 3:
        right = list(Superellipse(racquet.head_length_mm, racquet.head_width_mm).points())
    return right + [(-x, y) for x, y in reversed(right)]


def half_width(points: Sequence[Point], y: float) -> float:
    """From the centre line to the hoop at ``y``; the widest crossing of the right half, 0 outside."""
    found = [
        x0 + (x1 - x0) * ((y - y0) / (y1 - y0) if y1 != y0 else 0.0)
        for (x0, y0), (x1, y1) in pairwise(points)
        if min(y0, y1) <= y <= max(y0, y1)
    ]
    return max(found, default=0.0)


def ends_y(points: Sequence[Point], x: float) -> tuple[float, float]:
    """Where a main at ``x`` meets head and throat."""
    found = [
        y0 + (y1 - y0) * ((x - x0) / (x1 - x0) if x1 != x0 else 0.0)
        for (x0, y0), (x1, y1) in pairwise(points)
        if min(x0, x1) <= x <= max(x0, x1)
    ]
    return (min(found), max(found)) if found else (0.0, 0.0)


def places(racquet: Racquet) -> tuple[list[float], list[float]]:
    """Where mains (right side) and crosses lie, mm; spread evenly where the racquet does not say."""
    xs = list(racquet.mains_x_mm)
    if len(xs) != racquet.per_side:
        pitch = 0.8 * racquet.head_width_mm / max(1, racquet.mains)
        xs = [(i + 0.5) * pitch for i in range(racquet.per_side)]
    ys = list(racquet.crosses_y_mm)
    if len(ys) != racquet.crosses:
        edge = 0.08 * racquet.head_length_mm
        gaps = max(1, racquet.crosses - 1)
        ys = [edge + i * (racquet.head_length_mm - 2.0 * edge) / gaps for i in range(racquet.crosses)]
    return xs, ys


def goes_over(column: int, cross: int) -> bool:
    """Does a cross pass over the main that is number ``column`` from the left? Neighbours in turn."""
    return (column + cross) % 2 == 0


class BedPicture:
    """One bed drawn. ``marks`` are those of the job's state."""

    def __init__(
        self, racquet: Racquet, figures: Sequence[StringFigure], marks: Mapping[StringName, str], unit: str
    ) -> None:
        self.racquet, self.unit, self.marks = racquet, unit, marks
        self.of = {f.name: f for f in figures}
        self.points = hoop_points(racquet)
        self.right = self.points[: len(self.points) // 2]
        length = max(y for _, y in self.points)
        width = 2.0 * max(x for x, _ in self.points)
        self.scale = min(HOOP_W / width, HOOP_H / length)
        self.top = GAP + BARS + 22.0
        self.bottom = self.top + length * self.scale
        self.height = self.bottom + GAP + 2.0 * OFFS + 62.0
        self.middle = WIDTH / 2.0
        self.left_edge = self.middle - width / 2.0 * self.scale
        self.right_edge = self.middle + width / 2.0 * self.scale
        self.xs, self.ys = places(racquet)
        forces = [f.pulled_n or f.asked_n for f in figures]
        self.top_n = 1.04 * max(forces, default=1.0)
        offs = [abs(f.off) for f in figures if f.off is not None]
        self.most = next((m for m in SCALES if m >= max(offs, default=0.0)), SCALES[-1])

    def at(self, x: float, y: float) -> Point:
        """From the racquet's millimetres to the picture."""
        return self.middle + x * self.scale, self.top + y * self.scale

    def main_x(self, name: StringName) -> float:
        """Where a main lies, from the centre line."""
        x = self.xs[name.number - 1]
        return -x if name.side == "left" else x

    def svg(self) -> str:
        """The whole picture."""
        r = self.racquet
        parts = [*self._bands(), *self._leaders(), *self._strings()]
        parts.append(draw.path([self.at(*p) for p in self.points], "hoop", closed=True))
        for name in r.names():
            parts += self._ends(name)
        parts += self._axes()
        parts += self._legend()
        says = f"String bed of {r.name}, {r.mains} mains and {r.crosses} crosses, with the forces on each string"
        return draw.svg(WIDTH, self.height, says, parts)

    # --- strings ---------------------------------------------------------------------------------------------
    def _is_in(self, name: StringName) -> bool:
        return self.marks.get(name, NOT_YET) != NOT_YET

    def _strings(self) -> list[str]:
        mains: list[tuple[Point, Point]] = []
        crosses: list[tuple[Point, Point]] = []
        still: list[tuple[Point, Point]] = []
        columns: list[tuple[float, StringName, tuple[float, float]]] = []
        for name in self.racquet.names():
            if name.kind == "main":
                x = self.main_x(name)
                y0, y1 = ends_y(self.right, abs(x))
                columns.append((x, name, (y0, y1)))
                (mains if self._is_in(name) else still).append((self.at(x, y0), self.at(x, y1)))
            else:
                y = self.ys[name.number - 1]
                half = half_width(self.right, y)
                (crosses if self._is_in(name) else still).append((self.at(-half, y), self.at(half, y)))
        under, over = self._crossings(sorted(columns))
        s, t = HALF_WEAVE, HALF_WEAVE + 1.0
        return [
            draw.lines(still, "still"),
            draw.lines(mains, "main"),
            draw.lines([((x - s, y), (x + s, y)) for x, y in over], "halo"),
            draw.lines(crosses, "cross"),
            draw.lines([((x, y - s), (x, y + s)) for x, y in under], "halo"),
            draw.lines([((x, y - t), (x, y + t)) for x, y in under], "main"),
        ]

    def _crossings(
        self, columns: Sequence[tuple[float, StringName, tuple[float, float]]]
    ) -> tuple[list[Point], list[Point]]:
        """Where crosses that are in pass under mains that are in, and where over."""
        under: list[Point] = []
        over: list[Point] = []
        for column, (x, name, (y0, y1)) in enumerate(columns):
            for cross, y in enumerate(self.ys, 1):
                if y0 < y < y1 and self._is_in(name) and self._is_in(StringName("cross", cross)):
                    (over if goes_over(column, cross) else under).append(self.at(x, y))
        return under, over

    # --- bars ------------------------------------------------------------------------------------------------
    def _both_ends(self, name: StringName) -> tuple[Point, Point]:
        """Where a string meets the hoop: head and throat, or left and right."""
        if name.kind == "main":
            x = self.main_x(name)
            y0, y1 = ends_y(self.right, abs(x))
            return self.at(x, y0), self.at(x, y1)
        y = self.ys[name.number - 1]
        half = half_width(self.right, y)
        return self.at(-half, y), self.at(half, y)

    def _leaders(self) -> list[str]:
        out = []
        for name in self.racquet.names():
            first, second = self._both_ends(name)
            if name.kind == "main":
                out += [(first, (first[0], self.top - GAP)), (second, (second[0], self.bottom + GAP))]
            else:
                out += [(first, (self.left_edge - GAP, first[1])), (second, (self.right_edge + GAP, second[1]))]
        return [draw.lines(out, "leader")]

    def _ends(self, name: StringName) -> list[str]:
        f = self.of.get(name)
        if f is None:
            return []
        main = name.kind == "main"
        first, second = self._both_ends(name)
        pitch = self.scale * min((b - a for a, b in pairwise(self.xs if main else self.ys)), default=12.0)
        thick = max(3.0, min(11.0, 0.68 * pitch))
        out = [self._number(main, first, name), *self._force_bar(main, first, thick, f)]
        return [*out, *self._off_bar(main, second, thick, f), *self._signs(main, second, name, f)]

    def _number(self, main: bool, first: Point, name: StringName) -> str:
        if main:
            return draw.text(first[0], self.top - GAP + 11.0, str(name.number), "s c on")
        return draw.text(self.left_edge - GAP + 12.0, first[1] + 3.0, str(name.number), "s c on")

    def _force_bar(self, main: bool, first: Point, thick: float, f: StringFigure) -> list[str]:
        """Pulled: open; delivered: filled, with its spread as a line. Outwards from the hoop."""
        base = self.top - GAP if main else self.left_edge - GAP

        def bar(force_n: float, kind: str, share: float) -> str:
            long, t = BARS * force_n / self.top_n, thick * share
            if main:
                return draw.rect(first[0] - t / 2.0, base, t, -long, kind)
            return draw.rect(base, first[1] - t / 2.0, -long, t, kind)

        out = []
        if f.pulled_n is not None:
            out.append(bar(f.pulled_n, "pulled", 1.0))
        if f.delivered is not None:
            e = f.delivered
            out.append(bar(max(0.0, e.mean_n), "kept", 0.62))
            low, high = (base - BARS * max(0.0, n) / self.top_n for n in (e.mean_n - e.u_n, e.mean_n + e.u_n))
            ends = ((first[0], low), (first[0], high)) if main else ((low, first[1]), (high, first[1]))
            out.append(draw.line(*ends, "spread"))
        return out

    def _off_bar(self, main: bool, second: Point, thick: float, f: StringFigure) -> list[str]:
        if f.off is None:
            return []
        zero = (self.bottom if main else self.right_edge) + GAP + OFFS
        long = OFFS * max(-1.0, min(1.0, f.off / self.most))
        kind = "off" if abs(f.off) <= BAND else "off far"
        if main:
            return [draw.rect(second[0] - thick / 2.0, zero, thick, -long or 0.8, kind)]
        return [draw.rect(zero, second[1] - thick / 2.0, long or 0.8, thick, kind)]

    def _signs(self, main: bool, second: Point, name: StringName, f: StringFigure) -> list[str]:
        """Beyond the deviations: ? asked about, 2 pulled twice, a diamond for a knot."""
        words = ""
        if self.marks.get(name) == QUESTIONED or (f.done is not None and f.done.questioned):
            words += "?"
        if f.done is not None and f.done.again:
            words += "2"
        if main:
            x, y = second[0], self.bottom + GAP + 2.0 * OFFS + 11.0
        else:
            x, y = self.right_edge + GAP + 2.0 * OFFS + 9.0, second[1] + 3.5
        out = [draw.text(x, y, words, "s c b")] if words else []
        if self.marks.get(name) == TIED:
            place = (x, y + 6.0) if main and words else (x + 8.0, y - 3.5) if words else (x, y - 3.5)
            out.append(draw.mark(*place, "diamond", "knot", 2.6))
        return out

    # --- axes ------------------------------------------------------------------------------------------------
    def _reach(self) -> tuple[float, float, float, float]:
        """From where to where the axes run: left and right of the mains, above and below the crosses."""
        half = max(self.xs, default=0.0) * self.scale + 9.0
        y0, y1 = (self.at(0.0, y)[1] for y in (min(self.ys, default=0.0), max(self.ys, default=0.0)))
        return self.middle - half, self.middle + half, y0 - 10.0, y1 + 10.0

    def _bands(self) -> list[str]:
        left, right, y0, y1 = self._reach()
        zero_y, zero_x = self.bottom + GAP + OFFS, self.right_edge + GAP + OFFS
        band = OFFS * min(1.0, BAND / self.most)
        return [
            draw.rect(left, zero_y - band, right - left, 2.0 * band, "band"),
            draw.rect(zero_x - band, y0, 2.0 * band, y1 - y0, "band"),
        ]

    def _axes(self) -> list[str]:
        left, right, y0, y1 = self._reach()
        top, base = self.top - GAP, self.left_edge - GAP
        out = [draw.line((left, top), (right, top), "axis"), draw.line((base, y0), (base, y1), "axis")]
        out.append(draw.text(left - 5.0, top + 3.0, "0", "s e"))
        out.append(draw.text(base, y0 - 5.0, "0", "s c"))
        mains = [round(f.asked_n, 3) for f in self.of.values() if f.name.kind == "main"]
        crosses = [round(f.asked_n, 3) for f in self.of.values() if f.name.kind == "cross"]
        if mains:
            usual = statistics.mode(mains)
            at = top - BARS * usual / self.top_n
            out.append(draw.line((left, at), (right, at), "ref"))
            out.append(draw.text(left - 5.0, at + 4.0, show_force(usual, self.unit), "s e"))
        if crosses:
            usual = statistics.mode(crosses)
            at = base - BARS * usual / self.top_n
            out.append(draw.line((at, y0), (at, y1), "ref"))
            out.append(draw.text(at, y0 - 5.0, show_force(usual, self.unit), "s c"))
        zero_y, zero_x = self.bottom + GAP + OFFS, self.right_edge + GAP + OFFS
        out.append(draw.line((left, zero_y), (right, zero_y), "axis"))
        out.append(draw.line((zero_x, y0), (zero_x, y1), "axis"))
        for sign, mark in ((-1.0, "−"), (1.0, "+")):
            shown = f"{mark}{100.0 * self.most:g} %"
            out.append(draw.text(left - 5.0, zero_y - sign * OFFS + 4.0, shown, "s e"))
            out.append(draw.text(zero_x + sign * OFFS, y0 - 5.0, shown, "s c"))
        out.append(draw.text(left - 5.0, zero_y + 4.0, "asked", "s e"))
        out.append(draw.text(zero_x, y0 - 5.0, "asked", "s c"))
        return out

    def _legend(self) -> list[str]:
        y = self.height - 12.0
        band = f"within {100.0 * BAND:g} % of what was asked"
        entries = (
            (draw.rect(0.0, y - 8.0, 18.0, 8.0, "pulled"), "at the clamp", 96.0),
            (draw.rect(0.0, y - 8.0, 18.0, 8.0, "kept"), "delivered", 84.0),
            (draw.line((0.0, y - 4.0), (18.0, y - 4.0), "spread"), "one standard deviation", 144.0),
            (draw.rect(0.0, y - 8.0, 18.0, 8.0, "band"), band, 184.0),
            (draw.mark(9.0, y - 4.0, "diamond", "knot", 2.6), "knot", 58.0),
            (draw.text(9.0, y, "?", "s c b"), "asked about", 92.0),
            (draw.text(9.0, y, "2", "s c b"), "pulled twice", 0.0),
        )
        out, x = [], 12.0
        for sign, words, room in entries:
            out.append(f'<g transform="translate({draw.num(x)} 0)">{sign}{draw.text(23.0, y, words, "s")}</g>')
            x += room
        return out
