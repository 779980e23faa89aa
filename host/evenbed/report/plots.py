"""The other pictures of a report: left against right, the ledger, holding times, phases, traces. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import groupby

from evenbed.job.marks import Done
from evenbed.report import draw
from evenbed.report.figures import Ledger, StringFigure
from evenbed.report.times import SAYS as PHASE_SAYS
from evenbed.report.times import Phase, show_time
from evenbed.units import show_force

SIDE_BAND = 0.01  # left and right within this of each other
SIDE_MOST = 0.04  # what is farther apart, by a knot on one side, stands at the edge with its value
FAR = 1.5  # times the median: a hold time worth a name
NAMED = 8
SHORT = {
    "friction": "friction",
    "clamp": "clamp",
    "bed": "frame gives",
    "relaxation": "relaxation",
    "knot": "knots",
}


def left_right(figures: Sequence[StringFigure]) -> str:
    """Each pair of mains: how much more the left one keeps than the right one, per cent of both."""
    left = {f.name.number: f for f in figures if f.name.side == "left" and f.delivered is not None}
    right = {f.name.number: f for f in figures if f.name.side == "right" and f.delivered is not None}
    pairs = []
    for n in sorted(left.keys() & right.keys()):
        a, b = left[n].delivered, right[n].delivered
        if a is not None and b is not None and a.mean_n + b.mean_n > 0.0:
            pairs.append((n, 2.0 * (a.mean_n - b.mean_n) / (a.mean_n + b.mean_n)))
    if not pairs:
        return ""
    width, height, x0, top, low = 360.0, 190.0, 52.0, 20.0, 34.0
    most = max(0.02, min(SIDE_MOST, 1.1 * max(abs(v) for _, v in pairs)))
    middle, half = (top + height - low) / 2.0, (height - low - top) / 2.0
    gap = (width - x0 - 10.0) / len(pairs)
    band = half * SIDE_BAND / most
    out = [draw.rect(x0, middle - band, width - x0 - 10.0, 2.0 * band, "band")]
    grid = draw.step(2.0 * most, 4.0)
    for k in range(-math.floor(most / grid), math.floor(most / grid) + 1):
        y = middle - half * k * grid / most
        out.append(draw.line((x0, y), (width - 10.0, y), "axis" if k == 0 else "grid"))
        out.append(draw.text(x0 - 5.0, y + 4.0, f"{'+' if k > 0 else '−'}{100.0 * abs(k) * grid:g} %" if k else "0", "s e"))
    for i, (n, share) in enumerate(pairs):
        x = x0 + (i + 0.5) * gap
        long = half * max(-1.0, min(1.0, share / most))
        out.append(draw.line((x, middle), (x, middle - long), "stem"))
        out.append(draw.mark(x, middle - long, "left" if share > 0.0 else "right", "left" if share > 0.0 else "right"))
        if abs(share) > most:
            shown = f"{'+' if share > 0.0 else '−'}{100.0 * abs(share):.0f} %"
            out.append(draw.text(x - 7.0, middle - long + 4.0, shown, "s e on"))
        out.append(draw.text(x, height - low + 14.0, str(n), "s c"))
    out.append(draw.text(width - 10.0, height - 5.0, "main, from the centre outwards", "s e m"))
    out.append(draw.text(width - 10.0, top - 8.0, "above: left keeps more · below: right", "s e m"))
    return draw.svg(width, height, "Difference between left and right, main by main", out)


def waterfall(ledger: Ledger, unit: str) -> str:
    """From what was asked down to what is expected to stay, loss by loss, with the uncertainty of each."""
    name = "mains" if ledger.kind == "main" else "crosses"
    rows: list[tuple[str, float, float, float, str]] = [
        ("asked", 0.0, ledger.asked_n, 0.0, "pulled"),
        ("at the clamp", 0.0, ledger.pulled_n, ledger.u_pulled_n, "pulled"),
    ]
    level = ledger.pulled_n
    for entry in ledger.lines:
        rows.append((SHORT[entry.loss], level, level - entry.mean_n, entry.u_n, "loss" if entry.mean_n > 0 else "gain"))
        level -= entry.mean_n
    rows.append(("delivered", 0.0, ledger.delivered_n, ledger.u_delivered_n, "kept"))
    width, x0, right, row, top = 360.0, 84.0, 92.0, 21.0, 24.0
    height = top + row * len(rows) + 8.0
    lowest = 0.9 * min(
        ledger.delivered_n - ledger.u_delivered_n, *(min(a, b) for _, a, b, _, k in rows if k == "loss"), 1e9
    )
    lowest = max(0.0, min(lowest, 0.7 * ledger.asked_n))
    highest = 1.02 * max(ledger.asked_n, ledger.pulled_n)

    def x(force_n: float) -> float:
        return x0 + (width - x0 - right) * (max(force_n, lowest) - lowest) / (highest - lowest)

    out = [draw.text(0.0, 12.0, f"{ledger.count} {name}, means", "b")]
    out.append(draw.text(width, 12.0, f"bars begin at {show_force(lowest, unit)}" if lowest else "", "s e m"))
    for i, (words, a, b, u, kind) in enumerate(rows):
        y = top + i * row
        out.append(draw.text(x0 - 6.0, y + 12.0, words, "s e"))
        out.append(draw.rect(x(a), y + 3.0, x(b) - x(a), 12.0, kind))
        if u:
            out.append(draw.line((x(b - u), y + 9.0), (x(b + u), y + 9.0), "spread"))
        change = b - a if kind in ("loss", "gain") else b
        sign = "+" if kind == "gain" else "−" if kind == "loss" else ""
        shown = show_force(abs(change), unit)
        spread = f" ± {_number(u, unit)}" if u else ""
        out.append(draw.text(width, y + 12.0, f"{sign}{shown.rsplit(' ', 1)[0]}{spread} {unit}", "s e"))
        if i + 1 < len(rows) and kind != "pulled":
            out.append(draw.line((x(b), y + 15.0), (x(b), y + row + 3.0), "mark"))
    return draw.svg(width, height, f"Ledger of losses of the {name}", out)


def _number(force_n: float, unit: str) -> str:
    return show_force(force_n, unit).rsplit(" ", 1)[0]


def holds(found: Sequence[tuple[Done, float]]) -> str:
    """Hold time of every pull in the order in which they were made; round: mains, square: crosses."""
    if not found:
        return ""
    width, height, x0, top, low = 740.0, 190.0, 44.0, 20.0, 34.0
    middle = statistics.median(h for _, h in found)
    most = 1.12 * max(h for _, h in found)
    gap = (width - x0 - 10.0) / len(found)

    def y(seconds: float) -> float:
        return top + (height - low - top) * (1.0 - seconds / most)

    grid = draw.step(most, 4.0)
    out = []
    for k in range(math.floor(most / grid) + 1):
        out.append(draw.line((x0, y(k * grid)), (width - 10.0, y(k * grid)), "axis" if k == 0 else "grid"))
        out.append(draw.text(x0 - 5.0, y(k * grid) + 4.0, f"{k * grid:g} s", "s e"))
    out.append(draw.line((x0, y(middle)), (width - 10.0, y(middle)), "ref"))
    out.append(draw.text(width - 10.0, 9.0, f"median {middle:.1f} s", "s e m"))
    far = sorted((i for i, (_, h) in enumerate(found) if h > FAR * middle or h < middle / FAR), key=lambda i: -found[i][1])
    named: list[int] = []
    for i in far[:NAMED]:  # a name that would cover another is left out
        if all(abs(i - j) * gap > 80.0 or abs(y(found[i][1]) - y(found[j][1])) > 12.0 for j in named):
            named.append(i)
    every = max(1, math.ceil(len(found) / 24))
    for i, (d, held) in enumerate(found):
        x = x0 + (i + 0.5) * gap
        kind = "dot far" if i in far else "dot"
        out.append(draw.mark(x, y(held), "square" if d.pull.woven else "round", kind, 3.4))
        if i in named:
            out.append(draw.text(x, y(held) + (-7.0 if held > middle else 14.0), d.pull.label, "s c on"))
        if i % every == 0:
            out.append(draw.text(x, height - low + 14.0, str(i + 1), "s c"))
    out.append(draw.text(width - 10.0, height - 5.0, "pull, in the order in which they were made", "s e m"))
    return draw.svg(width, height, "Hold time of every pull", out)


def phases(found: Sequence[Phase]) -> str:
    """How long each phase took in all, with the median of mains and crosses."""
    total = sum(p.total_s for p in found)
    if total <= 0.0:
        return ""
    width, x0, right, row = 740.0, 210.0, 260.0, 24.0
    height = row * len(found) + 22.0
    most = max(p.total_s for p in found)
    out = [
        draw.text(x0, 11.0, "in all", "s m"),
        draw.text(width - 120.0, 11.0, "a main, median", "s e m"),
        draw.text(width, 11.0, "a cross, median", "s e m"),
    ]
    for i, p in enumerate(found):
        y = 18.0 + i * row
        long = (width - x0 - right) * p.total_s / most
        out.append(draw.text(x0 - 8.0, y + 14.0, PHASE_SAYS[p.name], "s e"))
        out.append(
            draw.rect(x0, y + 3.0, max(long, 0.8), 14.0, "phase hands" if p.name in ("between", "holding") else "phase")
        )
        out.append(draw.text(x0 + long + 6.0, y + 14.0, f"{show_time(p.total_s)} ({100.0 * p.total_s / total:.0f} %)", "s"))
        for at, seconds in ((width - 120.0, p.main_s), (width, p.cross_s)):
            out.append(draw.text(at, y + 14.0, show_time(seconds) if seconds is not None else "–", "s e"))
    return draw.svg(width, height, "Time by phase", out)


TRACE_W, TRACE_H, TRACE_X0, TRACE_TOP, TRACE_LOW = 360.0, 172.0, 52.0, 22.0, 58.0
STRIP, SPAN = 30.0, 0.03  # height of the hold enlarged, and its half height as a share of the reference


def trace(done: Done, points: Sequence[tuple[float, float]], why: str, unit: str) -> str:
    """One pull: force over time since the press, with its marks, and the hold enlarged."""
    right, target = TRACE_W - 8.0, done.pull.target_n
    end_s = max(1.0, points[-1][0])
    top_n = 1.12 * max(target, max(n for _, n in points))

    def x(t: float) -> float:
        return TRACE_X0 + (right - TRACE_X0) * min(max(t, 0.0), end_s) / end_s

    def y(force_n: float) -> float:
        return TRACE_TOP + (TRACE_H - TRACE_TOP - TRACE_LOW) * (1.0 - max(0.0, force_n) / top_n)

    out = [
        draw.text(TRACE_X0, 13.0, done.pull.label, "b"),
        draw.text(right, 13.0, why, "s e"),
        draw.line((TRACE_X0, y(target)), (right, y(target)), "ref"),
        draw.line((TRACE_X0, y(0.0)), (right, y(0.0)), "axis"),
        draw.text(TRACE_X0 - 4.0, y(target) + 4.0, show_force(target, unit), "s e"),
        draw.text(TRACE_X0 - 4.0, y(0.0) + 4.0, "0", "s e"),
        draw.text(right, TRACE_H - 4.0, f"{end_s:.1f} s", "s e"),
    ]
    for what, words in (("reached_s", "reached"), ("steady_s", "steady"), ("clamped_s", "clamped")):
        at = done.record.get(what)
        if at is not None:
            out.append(draw.line((x(at), TRACE_TOP), (x(at), y(0.0)), "mark"))
            beside = -3.0 if what == "steady_s" else 10.0
            out.append(draw.text(x(at) + beside, y(0.0) - 4.0, words, "s m", turned=True))
    out.append(draw.path([(x(t), y(n)) for t, n in points], "force"))
    # The hold enlarged, only where the force stays within: a line through what lies outside would say something untrue.
    y0 = TRACE_H - STRIP - 16.0
    band = STRIP * 0.005 / SPAN
    out.append(draw.rect(TRACE_X0, y0 + STRIP / 2.0 - band / 2.0, right - TRACE_X0, band, "band"))
    out.append(draw.rect(TRACE_X0, y0, right - TRACE_X0, STRIP, "box"))
    out.append(draw.text(TRACE_X0 - 4.0, y0 + STRIP / 2.0 + 4.0, f"±{100.0 * SPAN:g} %", "s e"))
    off = [(x(t), n / target - 1.0) for t, n in points]
    for near, run in groupby(off, lambda p: abs(p[1]) < SPAN):
        if near:
            out.append(draw.path([(px, y0 + STRIP / 2.0 * (1.0 - o / SPAN)) for px, o in run], "force"))
    return draw.svg(TRACE_W, TRACE_H, f"Force over time, {done.pull.label}", out)
