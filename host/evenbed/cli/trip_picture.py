"""The picture of a trip as SVG: force with its ceiling, position, and the head's states over the last ten seconds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape

from evenbed_fw.safety import F_SOUND

from evenbed.cli.picture import STYLE
from evenbed.record.bundle import Bundle, sample_rows, states
from evenbed.units import parse_force, show_force

WIDTH, LEFT, RIGHT = 900, 80, 20
FORCE_TOP, FORCE_HEIGHT = 56, 260
STATES_HEIGHT = 96
POSITION_HEIGHT = 110
BOTTOM = 34
SPAN_S = 10.0
MORE_STYLE = (
    "<style>.c{stroke:#b5483a;stroke-width:1.2}.ct{fill:#b5483a}.p{fill:none;stroke:#5b7a3a;stroke-width:1.4}"
    ".stop{stroke:#b5483a;stroke-dasharray:5 3}.grid{stroke:#e4e4e4}.mid{text-anchor:middle}"
    ".unread{fill:#f3e3d3}</style>"
)
APART = 13.0  # pixels between two words of states
UNREAD_PX = 4.0
BESIDE = 7.0  # pixels from a state's line to its word


def stop_time(bundle: Bundle) -> float:
    """When the head stood: the state it stopped in, or else the moment it was told. Seconds of the host."""
    told = [t_s for t_s, name, *_ in bundle["events"] if name == bundle["name"]]
    at = told[-1] if told else bundle["t_s"]
    entered = [t_s for t_s, state in states(bundle) if state in ("tripped", "frozen") and at - 1.0 <= t_s <= at + 1.0]
    return float(entered[0] if entered else at)


def _step(span: float) -> float:
    """A round distance of grid lines."""
    raw = span / 5.0
    base = 10.0 ** math.floor(math.log10(raw))
    return next(base * m for m in (1.0, 2.0, 5.0, 10.0) if base * m >= raw)


def _curve(points: Sequence[tuple[float, float]], kind: str) -> str:
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{path}" class="{kind}"/>'


def _panel(
    top: float, height: float, low: float, high: float, name: Callable[[float], str], unit: float = 1.0
) -> tuple[list[str], Callable[[float], float]]:
    """A frame with its grid, in round numbers of ``unit``, and the way from a value to its height."""

    def sy(value: float) -> float:
        return top + height * (1.0 - (value - low) / (high - low))

    out = [f'<rect x="{LEFT}" y="{top}" width="{WIDTH - LEFT - RIGHT}" height="{height}" class="frame"/>']
    step = unit * _step((high - low) / unit)
    value = math.ceil(low / step) * step
    while value <= high + 1e-9:
        y = sy(value)
        out.append(f'<line x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}" class="grid"/>')
        out.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" class="e">{name(value)}</text>')
        value += step
    return out, sy


def svg(bundle: Bundle, number: int, unit: str) -> str:
    """Return the picture. Without readings it says so."""
    rows = sample_rows(bundle)
    height = FORCE_TOP + FORCE_HEIGHT + STATES_HEIGHT + POSITION_HEIGHT + BOTTOM
    title = f"Trip {number}: {str(bundle['name']).replace('_', ' ')}"
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}">',
        STYLE,
        MORE_STYLE,
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        f'<text x="12" y="26" class="t">{escape(title)}</text>',
    ]
    zero_s = stop_time(bundle)
    if not rows:
        return "\n".join([*out, f'<text x="{LEFT}" y="60">No readings were recorded.</text>', "</svg>\n"])
    end_s = rows[-1]["t_s"]
    rows = [r for r in rows if r["t_s"] >= end_s - SPAN_S]
    begin_s = rows[0]["t_s"]
    width = max(0.5, end_s - begin_s)

    def sx(t_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (t_s - begin_s) / width

    ceiling = bundle["ceiling_n"]
    forces = [r["force_n"] for r in rows]
    high = 1.08 * max([*forces, ceiling, 20.0])
    low = min(0.0, 1.1 * min(forces))
    frame, sy = _panel(FORCE_TOP, FORCE_HEIGHT, low, high, lambda v: show_force(v, unit), parse_force(f"1{unit}")[0])
    out += frame
    out.append(
        f'<line x1="{LEFT}" y1="{sy(ceiling):.1f}" x2="{WIDTH - RIGHT}" y2="{sy(ceiling):.1f}" class="c"/>'
        f'<text x="{LEFT + 6}" y="{sy(ceiling) - 5:.1f}" class="ct">ceiling {show_force(ceiling, unit)}</text>'
    )
    for read, run in _runs(rows):
        points = [(sx(r["t_s"]), sy(r["force_n"])) for r in run]
        if read:
            out.append(_curve(points, "f"))
        elif points[-1][0] - points[0][0] > UNREAD_PX:  # what was sent then is no force
            x0, x1 = points[0][0], points[-1][0]
            out.append(
                f'<rect x="{x0:.1f}" y="{FORCE_TOP}" width="{x1 - x0:.1f}" height="{FORCE_HEIGHT}" class="unread"/>'
                f'<text x="{x1 - 6:.1f}" y="{FORCE_TOP + 18}" class="e">no sound reading</text>'
            )
    top = FORCE_TOP + FORCE_HEIGHT + STATES_HEIGHT
    places = [r["position_mm"] for r in rows]
    middle, half = (max(places) + min(places)) / 2.0, max(1.0, 0.55 * (max(places) - min(places)))
    frame, sp = _panel(top, POSITION_HEIGHT, middle - half, middle + half, lambda v: f"{v + 0.0:g} mm")
    out += frame
    out.append(_curve([(sx(r["t_s"]), sp(r["position_mm"])) for r in rows], "p"))
    out += _marks(bundle, begin_s, end_s, sx, top + POSITION_HEIGHT)
    x = sx(zero_s)
    out.append(f'<line x1="{x:.1f}" y1="{FORCE_TOP - 8}" x2="{x:.1f}" y2="{top + POSITION_HEIGHT}" class="stop"/>')
    word = "stop" if bundle["name"] != "link_lost" else "told"
    out.append(f'<text x="{x:.1f}" y="{FORCE_TOP - 12}" class="mid ct">{word}</text>')
    step = _step(width)
    t = math.ceil((begin_s - zero_s) / step) * step
    while zero_s + t <= end_s + 1e-9:
        label = f"{t:+.3g} s" if abs(t) > 1e-9 else "0 s"
        out.append(f'<text x="{sx(zero_s + t):.1f}" y="{height - 14}" class="mid">{label}</text>')
        t += step
    out.append("</svg>\n")
    return "\n".join(out)


def _runs(rows: Sequence[dict[str, float | int]]) -> list[tuple[bool, list[dict[str, float | int]]]]:
    """The rows in stretches that the board believed, and that it did not; each begins where the last ended."""
    out: list[tuple[bool, list[dict[str, float | int]]]] = []
    for r in rows:
        read = bool(int(r["flags"]) & F_SOUND)
        if out and out[-1][0] == read:
            out[-1][1].append(r)
        else:
            out.append((read, [*([out[-1][1][-1]] if out and not read else []), r]))
    return out


def _marks(bundle: Bundle, begin_s: float, end_s: float, sx: Callable[[float], float], bottom: float) -> list[str]:
    """States as they were entered, their words side by side."""
    out = []
    last_x = -1e9
    y = FORCE_TOP + FORCE_HEIGHT + 8
    for t_s, state in states(bundle):
        if not begin_s <= t_s <= end_s:
            continue
        x = sx(t_s)
        out.append(f'<line x1="{x:.1f}" y1="{FORCE_TOP}" x2="{x:.1f}" y2="{bottom}" class="mark"/>')
        last_x = max(x + BESIDE, last_x + APART)
        out.append(
            f'<text x="{last_x:.1f}" y="{y}" class="e" transform="rotate(-90 {last_x:.1f} {y}) translate(0 4)">'
            f"{escape(state.replace('_', ' '))}</text>"
        )
    return out
