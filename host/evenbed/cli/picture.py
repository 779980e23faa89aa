"""Pictures of pulls as SVG: force over time, what happened when, and the hold enlarged with its band of +-0.5 %."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape

from evenbed.units import show_force

WIDTH, HEIGHT = 340, 216
LEFT, RIGHT, TOP, BOTTOM = 66, 12, 26, 76
STRIP, STRIP_SPAN = 34, 0.015  # height of the enlarged strip, and its half width as a share of the reference
COLUMNS = 3
STYLE = (
    "<style>text{font:11px sans-serif;fill:#222}.b{font-weight:bold}.e{text-anchor:end}.m{font-size:9px;fill:#666}"
    ".t{font:bold 15px sans-serif}.band{fill:#bcd9c4}.axis{stroke:#888}.ref{stroke:#8fbf9b}"
    ".frame{fill:none;stroke:#ccc}.mark{stroke:#bbb;stroke-dasharray:2 3}"
    ".f{fill:none;stroke:#1d4f8c;stroke-width:1.4}</style>"
)


@dataclass
class Trace:
    """One pull to draw: (s since the press, N) points and marks (s, what)."""

    label: str
    reference_n: float
    points: list[tuple[float, float]] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    note: str = ""


def _panel(trace: Trace, x0: float, y0: float, unit: str) -> list[str]:
    points = trace.points or [(0.0, 0.0)]
    t1 = max(1.0, points[-1][0])
    top = trace.reference_n * 1.12
    w, h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def sx(t: float) -> float:
        return x0 + LEFT + w * t / t1

    def sy(f: float) -> float:
        return y0 + TOP + h * (1.0 - max(0.0, f) / top)

    ref = trace.reference_n
    out = [
        f'<text x="{x0 + LEFT:.0f}" y="{y0 + 16:.0f}" class="b">{escape(trace.label)}</text>',
        f'<text x="{x0 + WIDTH - RIGHT:.0f}" y="{y0 + 16:.0f}" class="e">{escape(trace.note)}</text>',
        f'<line x1="{sx(0):.1f}" y1="{sy(ref):.1f}" x2="{sx(t1):.1f}" y2="{sy(ref):.1f}" class="ref"/>',
        f'<line x1="{sx(0):.1f}" y1="{sy(0):.1f}" x2="{sx(t1):.1f}" y2="{sy(0):.1f}" class="axis"/>',
        f'<text x="{x0 + LEFT - 4:.0f}" y="{sy(ref) + 4:.1f}" class="e">{show_force(ref, unit)}</text>',
        f'<text x="{x0 + LEFT - 4:.0f}" y="{sy(0) + 4:.1f}" class="e">0</text>',
        f'<text x="{sx(t1):.1f}" y="{y0 + HEIGHT - 18:.0f}" class="e">{t1:.1f} s</text>',
    ]
    for t, what in trace.marks:
        out.append(f'<line x1="{sx(t):.1f}" y1="{sy(top):.1f}" x2="{sx(t):.1f}" y2="{sy(0):.1f}" class="mark"/>')
        out.append(
            f'<text x="{sx(t) + 3:.1f}" y="{sy(0) - 5:.1f}" class="m" transform="rotate(-90 {sx(t) + 3:.1f} '
            f'{sy(0) - 5:.1f})">{escape(what)}</text>'
        )
    path = " ".join(f"{sx(t):.1f},{sy(f):.1f}" for t, f in points)
    out.append(f'<polyline points="{path}" class="f"/>')
    return out + _strip(trace, sx, y0 + HEIGHT - BOTTOM + 8, w)


def _strip(trace: Trace, sx: Callable[[float], float], y0: float, width: float) -> list[str]:
    """The hold enlarged: deviation from the reference, +-STRIP_SPAN."""
    ref = trace.reference_n

    def sy(f: float) -> float:
        off = min(max(f / ref - 1.0, -STRIP_SPAN), STRIP_SPAN)
        return y0 + STRIP / 2 * (1.0 - off / STRIP_SPAN)

    band = STRIP * 0.005 / STRIP_SPAN
    near = [(t, f) for t, f in trace.points if abs(f / ref - 1.0) < STRIP_SPAN]
    path = " ".join(f"{sx(t):.1f},{sy(f):.1f}" for t, f in near)
    return [
        f'<rect x="{sx(0):.1f}" y="{y0:.1f}" width="{width}" height="{STRIP}" class="frame"/>',
        f'<rect x="{sx(0):.1f}" y="{y0 + STRIP / 2 - band / 2:.1f}" width="{width}" height="{band:.1f}" class="band"/>',
        f'<text x="{sx(0) - 4:.1f}" y="{y0 + STRIP / 2 + 4:.1f}" class="e">±{100 * STRIP_SPAN:g} %</text>',
        f'<polyline points="{path}" class="f"/>',
    ]


def svg(traces: Sequence[Trace], unit: str, title: str) -> str:
    """Return the picture of ``traces``, three a row, as one SVG text."""
    columns = min(COLUMNS, max(1, len(traces)))
    rows = (len(traces) + columns - 1) // columns
    width, height = columns * WIDTH + 10, rows * HEIGHT + 50
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}">',
        STYLE,
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="12" y="26" class="t">{escape(title)}</text>',
    ]
    for i, trace in enumerate(traces):
        parts += _panel(trace, (i % columns) * WIDTH, 40 + (i // columns) * HEIGHT, unit)
    parts.append("</svg>\n")
    return "\n".join(parts)
