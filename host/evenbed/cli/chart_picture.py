"""Pictures of the measurement as SVG: the control chart of the checks, and the creep of the cell under a dead weight."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from evenbed.calibration.cellcreep import CREEP_S, LATE_FROM_S, MEAN_S, Creep
from evenbed.calibration.chart import Chart
from evenbed.calibration.checking import BASELINE, charts
from evenbed.cli.picture import STYLE

WIDTH, LEFT, RIGHT = 900, 76, 166
PANEL, GAP, TOP = 220, 64, 60
MORE_STYLE = (
    "<style>.lim{stroke:#b5483a;stroke-dasharray:6 3;fill:none}.mid{stroke:#8fbf9b}.out{fill:#b5483a}.in{fill:#1d4f8c}"
    ".lt{fill:#b5483a}.c{text-anchor:middle;paint-order:stroke;stroke:#fff;stroke-width:3}.grid{stroke:#e4e4e4}</style>"
)
FARTHEST = 2.0  # times the limits: as far as a panel reaches
NUMBERED = 30  # points up to which each value is written


@dataclass(frozen=True)
class Point:
    """One check: the day it was made, its error relative to U, its verdict."""

    day: str
    error_u: float
    verdict: str


def _frame(title: str, height: int) -> list[str]:
    return [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}">',
        STYLE,
        MORE_STYLE,
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        f'<text x="12" y="26" class="t">{escape(title)}</text>',
    ]


def _text(x: float, y: float, text: str, kind: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}">{escape(text)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def _path(points: Sequence[tuple[float, float]], kind: str) -> str:
    return f'<polyline points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}" class="{kind}"/>'


def _grid(top: float, low: float, high: float, show: Callable[[float], str]) -> tuple[list[str], Callable[[float], float]]:
    """A frame with grid lines at round values, and the way from a value to its height."""

    def sy(value: float) -> float:
        return top + PANEL * (1.0 - (value - low) / (high - low))

    raw = (high - low) / 5.0
    base = 10.0 ** math.floor(math.log10(raw))
    step = next(base * m for m in (1.0, 2.0, 5.0, 10.0) if base * m >= raw)
    out = [f'<rect x="{LEFT}" y="{top:.1f}" width="{WIDTH - LEFT - RIGHT}" height="{PANEL}" class="frame"/>']
    for k in range(math.ceil(low / step), math.floor(high / step) + 1):
        out += [_line(LEFT, sy(k * step), WIDTH - RIGHT, sy(k * step), "grid")]
        out += [_text(LEFT - 6, sy(k * step) + 4, show(k * step + 0.0), "e")]
    return out, sy


def _panel(name: str, chart: Chart, days: Sequence[str], top: float) -> list[str]:
    n = len(chart.points)
    widest = max(bound - chart.centre for bound in chart.upper)
    # A check that is out by far would flatten all others: it stands at the edge, with its value.
    span = 1.15 * max(widest, min(FARTHEST * widest, max(abs(v - chart.centre) for v in chart.points)))
    out, sy = _grid(top, chart.centre - span, chart.centre + span, lambda v: f"{v:+.2f}" if v else "0")
    between = (WIDTH - LEFT - RIGHT) / n

    def sx(k: float) -> float:
        return LEFT + (k + 0.5) * between

    # Limits change from check to check: a step each, as wide as its check.
    for bounds in (chart.upper, chart.lower):
        edge = [(sx(k + half), sy(bound)) for k, bound in enumerate(bounds) for half in (-0.5, 0.5)]
        out.append(_path(edge, "lim"))
    out.append(_line(LEFT, sy(chart.centre), WIDTH - RIGHT, sy(chart.centre), "mid"))
    low, high = chart.centre - span, chart.centre + span
    points = [(sx(k), sy(min(max(v, low), high))) for k, v in enumerate(chart.points)]
    out.append(_path(points, "f"))
    right = WIDTH - RIGHT + 6
    out.append(_text(right, sy(chart.upper[-1]) + 4, f"limit {chart.upper[-1]:+.2f}", "lt"))
    out.append(_text(right, sy(chart.lower[-1]) + 4, f"limit {chart.lower[-1]:+.2f}", "lt"))
    out.append(_text(right, sy(chart.centre) + 4, f"middle {chart.centre + 0.0:+.2f}"))
    for k, (x, y) in enumerate(points):
        outside = k in chart.outside
        out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{5 if outside else 3}" class="{"out" if outside else "in"}"/>')
        if outside or n <= NUMBERED:
            above = -9.0 if chart.points[k] >= chart.centre else 17.0
            out.append(_text(x, y + above, f"{chart.points[k]:+.2f}", "c lt" if outside else "c m"))
    every = max(1, math.ceil(n / 8))
    for k in range(0, n, every):
        out.append(_text(sx(k), top + PANEL + 15, f"{k + 1}: {days[k]}", "c m"))
    out.append(_text(LEFT, top - 8, name, "b"))
    return out


def control_chart(points: Sequence[Point], what: str, unit: str = "U") -> str:
    """Both charts of the checks ``what``, oldest first, errors relative to U. Raises ValueError for none."""
    if not points:
        raise ValueError("A chart needs at least one check.")
    counted = [p for p in points if p.verdict != "fail"]  # a failed check has had its own consequence
    single, smooth = charts([p.error_u for p in points], [p.error_u for p in counted])
    settled = len(counted) > BASELINE
    since = f"middle and width from the first {BASELINE} checks" if settled else "middle 0, sigma half of it"
    out = _frame(f"Checks with {what}", TOP + 2 * (PANEL + GAP))
    number = "1 check" if len(points) == 1 else f"{len(points)} checks"
    out.append(_text(12, 44, f"{number}; error relative to {unit}; {since}; outside points red", "m"))
    out += _panel("single checks (Shewhart, 3 sigma)", single, [p.day for p in points], TOP + 12)
    if counted:
        name = "weighted mean of those that have not failed (EWMA 0.2, 2.7 sigma)"
        out += _panel(name, smooth, [p.day for p in counted], TOP + 12 + PANEL + GAP)
    return "\n".join([*out, "</svg>\n"])


def creep_picture(found: Creep, capacity_n: float, load_n: float) -> str:
    """The curve of a creep test with the limits of OIML R 60."""
    title = f"Creep of the cell under {load_n:.1f} N ({100.0 * load_n / capacity_n:.0f} % of its capacity)"
    height = TOP + PANEL + GAP
    out = _frame(title, height)
    limit_n, late_n = found.within.limit * capacity_n, found.late.limit * capacity_n
    curve = [(t, share * capacity_n) for t, share in found.curve]
    longest = max(curve[-1][0], 60.0)
    whole = longest >= CREEP_S - MEAN_S
    at = min(curve, key=lambda p: abs(p[0] - LATE_FROM_S))[1] if whole else 0.0
    span = 1.15 * max(limit_n, abs(at) + late_n, *(abs(f) for _, f in curve))
    grid, sy = _grid(TOP, -span, span, lambda v: f"{v:+.3f} N" if v else "0")
    out += grid

    def sx(t: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * min(1.0, t / longest)

    for sign in (1.0, -1.0):
        out.append(_line(sx(0.0), sy(sign * limit_n), sx(longest), sy(sign * limit_n), "lim"))
    away = -limit_n if at >= 0.0 else limit_n  # where the other limit's words are not
    out.append(_text(WIDTH - RIGHT + 6, sy(away) + 4, f"in 30 min ±{limit_n:.3f} N", "lt"))
    if whole:
        for sign in (1.0, -1.0):
            edge = at + sign * late_n
            out.append(_line(sx(LATE_FROM_S), sy(edge), sx(longest), sy(edge), "lim"))
        out.append(_text(WIDTH - RIGHT + 6, sy(at) + 4, f"20-30 min ±{late_n:.3f} N", "lt"))
    out.append(_line(LEFT, sy(0.0), WIDTH - RIGHT, sy(0.0), "mid"))
    out.append(_path([(sx(t), sy(f)) for t, f in curve], "f"))
    ticks = max(1, math.ceil(longest / 60.0 / 6.0))
    for minute in range(0, int(longest / 60.0) + 1, ticks):
        out.append(_text(sx(60.0 * minute), TOP + PANEL + 15, f"{minute} min", "c m"))
    if found.note:
        out.append(_text(12, 44, found.note, "m"))
    return "\n".join([*out, "</svg>\n"])
