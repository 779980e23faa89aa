"""``evenbed plan``: the whole job on one sheet, before it begins."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from evenbed.job import budget, forecast_strings
from evenbed.job.plan import make_plan
from evenbed.job.planned import Cut, Expected, Plan, PlanError, PlannedPull
from evenbed.racquet import rules
from evenbed.racquet.file import RacquetError, find, read
from evenbed.racquet.model import SIDES, Piece, Racquet, StringName
from evenbed.rig import RigError, load
from evenbed.units import show_force
from evenbed.work.jobs import equipment

WIDTH = 100
INDENT = 5
LEGEND = (
    "Left and right with the butt towards you; holes are counted from the centre line. Open the clamp that is named once "
    "the head stands; set the new one at the frame, where the tail leaves it."
)


def run(racquet: str, rig: Path | None = None, unit: str | None = None) -> int:
    """Print the plan for a racquet file, or an example of this name; return the exit code."""
    try:
        read_racquet = read(find(racquet))
        found = rules.check(read_racquet)
        if found.errors:
            raise RacquetError(racquet, list(found.errors))
        plan = make_plan(replace(read_racquet, unit=unit or read_racquet.unit), equipment(load(rig)))
    except (RacquetError, RigError, PlanError) as e:
        print(f"evenbed plan: {e}")
        return 2
    print(sheet(plan))
    return 0


def sheet(plan: Plan) -> str:
    """The plan as text, WIDTH columns wide, in the racquet's unit."""
    unit = plan.racquet.unit
    parts = [_head(plan, unit), _cuts(plan)]
    parts += [_list(title, said) for title, said in (("Questions", plan.questions), ("Notes", _notes(plan))) if said]
    parts += [_pulls(plan, list(pulls), unit) for _, pulls in groupby(plan.pulls, key=lambda p: p.name.kind)]
    parts += [_loads(plan, unit), _expected(plan, unit)]
    return "\n\n".join(parts)


def _notes(plan: Plan) -> list[str]:
    return [*plan.racquet.notes, *plan.warnings, *(f"Worked out, not measured: {e}." for e in plan.racquet.estimated)]


def _wrap(text: str, first: str, then: int) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=" " * then)


def _list(title: str, said: Sequence[str]) -> str:
    return "\n".join([title, *(_wrap(s, "  - ", 4) for s in said)])


def _head(plan: Plan, unit: str) -> str:
    r, e = plan.racquet, plan.equipment
    pieces = "one piece" if len(r.pieces) == 1 else "two pieces"
    strings = [f"{p.part}: {_string(p)}" if len(r.pieces) > 1 else _string(p) for p in r.pieces]
    clamps = f"{e.count} {e.kind} clamp{'' if e.count == 1 else 's'}{' and a starting clamp' if e.starting else ''}"
    return "\n".join(
        [
            f"{r.name} · {r.sport} {r.mains} × {r.crosses} · {pieces}",
            f"Mains {show_force(r.main_n, unit)}, crosses {show_force(r.cross_n, unit)} · {clamps}",
            *(s[0].upper() + s[1:] for s in strings),
            _wrap(LEGEND, "", 0),
        ]
    )


def _string(p: Piece) -> str:
    said = [p.family + (f" {p.diameter_mm:.2f} mm" if p.diameter_mm else "")]
    if p.hand_stretched:
        said.append("drawn out by hand, whole length, before mounting")
    if p.over_pull:
        where = "" if p.part != "all" or p.over_pull_crosses else " on the mains"
        said.append(f"over-pulled by {100.0 * p.over_pull:.3g} %{where}, then back to the reference")
    return ", ".join(said)


def _cuts(plan: Plan) -> str:
    out = ["Cut"]
    for cut in plan.cuts:
        part = plan.racquet.pieces[cut.piece].part
        name = "string" if part == "all" else part
        out.append(f"  {name:8} {_m(cut.total_mm)}   {_parts(cut)}")
        if cut.short_side_mm is not None:
            out.append(
                f"  {'mark':8} {_m(cut.short_side_mm)}   from the short end: it lies in the middle of the first loop"
            )
    out.append(_wrap(budget.NOTE, "  ", 2))
    return "\n".join(out)


def _m(mm: float) -> str:
    return f"{mm / 1000.0:5.2f} m"


def _parts(cut: Cut) -> str:
    parts = (
        ("inside", cut.inside_mm),
        ("between holes", cut.between_mm),
        ("weaving", cut.weave_mm),
        ("tails", cut.tails_mm),
        ("margin", cut.margin_mm),
    )
    return " + ".join(f"{name} {mm / 1000.0:.2f}" for name, mm in parts if mm > 0.0)


# --- pulls -------------------------------------------------------------------------------------------------
def _pulls(plan: Plan, pulls: list[PlannedPull], unit: str) -> str:
    crosses = pulls[0].woven
    head = ["", "draw", "tail leaves at", "to", "open", "clamp", *(["weave from"] if crosses else [])]
    rows = [_row(p, unit, crosses) for p in pulls]
    widths = [max(len(r[i]) for r in [head, *rows]) for i in range(len(head))]
    out = ["Crosses" if crosses else "Mains", _line(head, widths)]
    for pull, row in zip(pulls, rows, strict=True):
        out.append(_line(row, widths))
        out += [_wrap(s, " " * INDENT + "- ", INDENT + 2) for s in pull.says]
    if crosses and plan.notes["weave"]:
        out.append(_wrap(plan.notes["weave"], "  ", 2))
    return "\n".join(out)


def _line(row: list[str], widths: list[int]) -> str:
    cells = [row[0].rjust(max(3, widths[0])), *(c.ljust(w) for c, w in zip(row[1:], widths[1:], strict=True))]
    return "  ".join(cells).rstrip()


def _row(p: PlannedPull, unit: str, crosses: bool) -> list[str]:
    hole = f"{p.hole.end} {p.hole.number} {p.hole.side}"
    row = [str(p.number), _drawn(p), hole, show_force(p.target_n, unit), _open(p.frees), _clamp(p.clamps)]
    if crosses:
        w = p.weaving
        row.append(f"{w.name.number} {w.enters}, {w.first}" if w else "")
    return row


def _drawn(p: PlannedPull) -> str:
    also = [str(n.number) if n.kind == "cross" else str(n.side) for n in p.also]
    return " and ".join([str(p.name), *also])


def _open(place: str) -> str:
    """Which clamp to open: the one on this string, there is no other on it."""
    return _short(place).split(" at the ")[0]


def _clamp(place: str) -> str:
    """Where the new clamp goes; of a floating clamp the draw already says the side."""
    short = _short(place)
    if " to " in short or " outside" in short:
        short = re.sub(r" (left|right)( outside)? at", r"\2 at", short)
        if short.startswith("cross"):
            return short.split(" at the ")[0]
    return short.replace(" at the ", ", ")


def _short(place: str) -> str:
    short = re.sub(r"main 1 (\w+) to main 1 \w+", r"main 1 to 1", place)
    short = re.sub(r"main (\d+)( \w+) to main (\d+)\2", r"main \1 to \3\2", short).replace(" to cross ", " to ")
    return re.sub(r" outside the frame at the (\w+) \(.*\)", r" outside at the \1", short)


# --- what comes of it --------------------------------------------------------------------------------------
def _loads(plan: Plan, unit: str) -> str:
    mains = [i for i, p in enumerate(plan.pulls) if not p.woven]
    worst = max(mains, key=lambda i: abs(plan.loads[i].left_n - plan.loads[i].right_n))
    w, m, last = plan.loads[worst], plan.loads[mains[-1]], plan.loads[-1]
    return "\n".join(
        [
            "Load on the frame",
            f"  left against right, most (pull {plan.pulls[worst].number}): {show_force(abs(w.left_n - w.right_n), unit)}; "
            f"up to {show_force(w.balance_limit_n, unit)} is usual then",
            f"  mains in: {show_force(m.left_n, unit)} left, {show_force(m.right_n, unit)} right, nothing across",
            f"  all in: {show_force(last.along_n, unit)} along, {show_force(last.across_n, unit)} across",
            _wrap(plan.notes["load"], "  ", 2),
        ]
    )


def _expected(plan: Plan, unit: str) -> str:
    r = plan.racquet
    after_min = forecast_strings.AFTER_S / 60.0
    out = [f"Expected {after_min:.0f} min after the last knot, {unit}", f"  {'':9} {'left':>14} {'right':>14}"]
    for n in range(1, r.per_side + 1):
        both = [_figure(plan.expected[StringName("main", n, s)], unit) for s in SIDES]
        out.append(f"  {f'main {n}':9} {both[0]:>14} {both[1]:>14}")
    crosses = [f"{f'cross {n}':9}{_figure(plan.expected[StringName('cross', n)], unit):>14}" for n in _crosses(r)]
    rows = -(-len(crosses) // 3)
    out += ["  " + "     ".join(crosses[i::rows]) for i in range(rows)]
    out += _ledger(plan, unit)
    out.append(_wrap(plan.notes["forecast"], "  ", 2))
    return "\n".join(out)


def _crosses(r: Racquet) -> range:
    return range(1, r.crosses + 1)


def _figure(e: Expected, unit: str) -> str:
    return f"{_bare(e.mean_n, unit)} ± {_bare(e.u_n, unit)}"


def _bare(newtons: float, unit: str) -> str:
    return show_force(newtons, unit).split(" ")[0]


def _ledger(plan: Plan, unit: str) -> list[str]:
    out = []
    for kind in ("main", "cross"):
        those = {n: e for n, e in plan.expected.items() if n.kind == kind}
        start = sum(p.target_n for p in plan.pulls if p.name.kind == kind) / len(those)
        sums: dict[str, float] = {}
        for e in those.values():
            for what, lost in e.losses:
                sums[what] = sums.get(what, 0.0) + lost / len(those)
        mean = sum(e.mean_n for e in those.values()) / len(those)
        losses = ", ".join(f"{what} {_bare(-x, unit)}" for what, x in sums.items())
        share = 100.0 * (1.0 - mean / start)
        name = "mains" if kind == "main" else "crosses"
        text = f"{name}: {_bare(start, unit)} drawn, {_bare(mean, unit)} left, {share:.0f} % less on average: {losses}"
        out.append(_wrap(text, "  ", 4))
    return out
