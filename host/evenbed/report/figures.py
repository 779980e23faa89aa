"""The figures of a job: what each string was asked for, got and keeps; where the rest is lost; string used. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from evenbed.head.record import NOT_PROVED
from evenbed.job import forecast
from evenbed.job import forecast_strings as strings
from evenbed.job.asked import OUTER_MM
from evenbed.job.marks import Done, JobState
from evenbed.job.planned import Expected
from evenbed.job.tone import Relaxing, held_s, relaxing
from evenbed.racquet.model import SIDES, Kind, Side, StringName

LOSSES = ("friction", "clamp", "bed", "relaxation", "knot")
NOTED = 0.002  # of the reference: a force at the clamp that is worth a look
SAYS = {
    "friction": "friction at the frame and along the weave",
    "clamp": "what the clamp gives",
    "bed": "the frame gives under the other strings",
    "relaxation": "relaxation until a quarter of an hour after the last knot",
    "knot": "the knot, where there is one",
}


@dataclass(frozen=True)
class StringFigure:
    """One string. ``done`` is the pull that counts, None if it was not pulled itself; ``delivered`` what it is expected to
    keep, None while there is nothing on it."""

    name: StringName
    asked_n: float
    done: Done | None
    delivered: Expected | None

    @property
    def pulled_n(self) -> float | None:
        """Force when its clamp was set, N."""
        return None if self.done is None else self.done.record.get("force_at_clamp_n")

    @property
    def off(self) -> float | None:
        """How far that is from what was asked, as a share."""
        pulled = self.pulled_n
        return None if pulled is None or self.done is None else pulled / self.done.pull.target_n - 1.0


@dataclass(frozen=True)
class LedgerLine:
    """One loss of a kind of strings, N: mean over the strings, standard uncertainty, least and most."""

    loss: str
    mean_n: float
    u_n: float
    least_n: float
    most_n: float


@dataclass(frozen=True)
class Ledger:
    """From what was asked to what is delivered, means over all strings of a kind, N. ``seen_n`` and ``u_seen_n``:
    relaxation if only the creep at the clamps is asked, None if too few pulls tell."""

    kind: Kind
    count: int
    asked_n: float
    pulled_n: float
    u_pulled_n: float
    lines: tuple[LedgerLine, ...]
    delivered_n: float
    u_delivered_n: float
    spread_n: float  # standard deviation from string to string
    seen_n: float | None = None
    u_seen_n: float | None = None
    pulls_seen: int = 0


@dataclass(frozen=True)
class Used:
    """String of one piece, mm: cut as planned, and its parts; what stretching has drawn out of the bed, so that it is left
    over; the share of the strings that is in."""

    piece: int
    cut_mm: float
    parts: tuple[tuple[str, float], ...]
    stretched_mm: float
    share: float

    @property
    def over_mm(self) -> float:
        """What should be left over at the end, apart from the tails."""
        return dict(self.parts)["margin"] + self.stretched_mm


def delivered(state: JobState) -> dict[StringName, Expected]:
    """What each string in the bed is expected to keep: the plan's forecast from the forces that were really there when the
    clamps were set, with the relaxation that the creep at the clamps has moved, and the uncertainty of the force."""
    if state.plan.free:
        return {}
    pulls, u = [], {}
    for d in state.done:
        force = d.record.get("force_at_clamp_n") or d.pull.target_n
        pulls.append(replace(d.pull, reference_n=force / (1.0 + d.pull.above)))
        for name in (d.pull.name, *d.pull.also):
            u[name] = (d.record.get("expanded_n") or 0.0) / 2.0
    racquet = state.plan.racquet
    pieces = {p: relaxing(state.done, p) for p in range(len(racquet.pieces))}
    found = forecast.expected(racquet, pulls, state.plan.equipment)
    return {n: _relaxed(e, pieces[racquet.piece_of(n)], u[n]) for n, e in found.items()}


def _relaxed(e: Expected, r: Relaxing, u_force_n: float) -> Expected:
    """The forecast with another figure for relaxation."""
    lost = dict(e.losses)
    usual = lost.get("relaxation", 0.0)
    now = usual * r.decade / r.usual
    others = max(0.0, e.u_n**2 - (usual * r.u_usual / r.usual) ** 2)
    u = math.sqrt(others + (now * r.u / r.decade) ** 2 + u_force_n**2)
    return Expected(e.mean_n + usual - now, u, tuple((k, now if k == "relaxation" else n) for k, n in e.losses))


def string_figures(state: JobState, left: Mapping[StringName, Expected]) -> list[StringFigure]:
    """All strings of the racquet, mains from the centre outwards, crosses from head to throat; as pulled in free work."""
    own = {d.pull.name: d for d in state.done}
    racquet = state.plan.racquet
    if state.plan.free:
        return [StringFigure(n, d.pull.target_n, d, None) for n, d in own.items()]
    planned = {p.name: p.reference_n for p in (*state.plan.pulls, *state.left)}
    return [
        StringFigure(
            n,
            own[n].pull.target_n if n in own else planned.get(n, racquet.reference_n(n)),
            own.get(n),
            left.get(n),
        )
        for n in racquet.names()
    ]


def sides(figures: Sequence[StringFigure]) -> dict[Side, float]:
    """Sum of what the mains of each side keep, N, of those whose other one is in too."""
    there = {f.name: f.delivered.mean_n for f in figures if f.name.kind == "main" and f.delivered is not None}
    numbers = {n.number for n in there if all(StringName("main", n.number, side) in there for side in SIDES)}
    return {side: sum(v for n, v in there.items() if n.side == side and n.number in numbers) for side in SIDES}


def ledger(state: JobState, figures: Sequence[StringFigure], kind: Kind) -> Ledger | None:
    """The ledger of the mains or of the crosses that were pulled; None if there are none."""
    found = [
        (f, f.done, f.delivered) for f in figures if f.name.kind == kind and f.done is not None and f.delivered is not None
    ]
    if not found:
        return None
    racquet = state.plan.racquet
    lines = []
    for loss in LOSSES:
        each = [dict(e.losses).get(loss, 0.0) for _, _, e in found]
        if not any(each):
            continue
        u = statistics.fmean(_u(loss, f, e, state) for f, _, e in found)
        lines.append(LedgerLine(loss, statistics.fmean(each), u, min(each), max(each)))
    r = relaxing(state.done, racquet.piece_of(found[0][0].name))
    relaxed = next((line.mean_n for line in lines if line.loss == "relaxation"), 0.0)
    seen = None if r.seen is None else relaxed * r.seen / r.decade
    means = [e.mean_n for _, _, e in found]
    return Ledger(
        kind,
        len(found),
        statistics.fmean(d.pull.target_n for _, d, _ in found),
        statistics.fmean(d.record.get("force_at_clamp_n") or d.pull.target_n for _, d, _ in found),
        statistics.fmean((d.record.get("expanded_n") or 0.0) / 2.0 for _, d, _ in found),
        tuple(lines),
        statistics.fmean(means),
        statistics.fmean(e.u_n for _, _, e in found),
        statistics.stdev(means) if len(means) > 1 else 0.0,
        seen,
        None if seen is None or r.u_seen is None or not r.seen else seen * r.u_seen / r.seen,
        r.pulls,
    )


def _u(loss: str, f: StringFigure, e: Expected, state: JobState) -> float:
    """Standard uncertainty of one loss: relative ones of the forecast's figures."""
    n = abs(dict(e.losses).get(loss, 0.0))
    floating = state.plan.equipment.kind == "floating"
    if loss == "friction" and f.done is not None:
        family = strings.family(f.done.pull.family)
        edge = min(n, f.done.pull.target_n * -math.expm1(-family.mu_grommet * strings.EDGE_RAD))
        return math.hypot(
            edge * strings.U_MU, (n - edge) * math.hypot(strings.U_STRAIGHTENED / strings.STRAIGHTENED, strings.U_MU)
        )
    if loss == "clamp":
        back = strings.FLOATING_DRAWBACK_MM if floating else strings.DRAWBACK_MM
        u_back = strings.U_FLOATING_DRAWBACK_MM if floating else strings.U_DRAWBACK_MM
        return n * math.hypot(u_back / back, strings.U_EA)
    if loss == "bed":
        return n * math.hypot(strings.U_FRAME, strings.U_EA)
    if loss == "relaxation":
        r = relaxing(state.done, state.plan.racquet.piece_of(f.name))
        return n * r.u / r.decade
    return n * strings.U_KNOT / strings.KNOT


def used(state: JobState) -> list[Used]:
    """String used of each piece, against what the plan says to cut."""
    out = []
    for cut in state.plan.cuts:
        own = [d for d in state.done if d.pull.piece == cut.piece]
        inside = sum(d.pull.length_mm for d in own)
        stretched = sum(
            (d.record.get("draw_length_mm") or 0.0) * d.pull.length_mm / (d.pull.length_mm + OUTER_MM)
            for d in own
            if not d.again
        )
        parts = (
            ("inside the frame", cut.inside_mm),
            ("between holes", cut.between_mm),
            ("weaving", cut.weave_mm),
            ("tails", cut.tails_mm),
            ("margin", cut.margin_mm),
        )
        share = min(1.0, inside / cut.inside_mm) if cut.inside_mm > 0.0 else 0.0
        out.append(Used(cut.piece, cut.total_mm, parts, stretched, share))
    return out


def hold_times(state: JobState) -> list[tuple[Done, float]]:
    """Every pull that counts with the time it was held, in order."""
    return [(d, held) for d in state.done if (held := held_s(d.record)) is not None]


def outliers(
    state: JobState, traces: Mapping[int, Any], asked_about: Collection[int] = (), most: int = 6
) -> list[tuple[Done, str]]:
    """Pulls whose trace is worth a look, and why: those ``asked_about``, those whose clamp was not proved, then those whose
    force or hold time is farthest from the others."""
    found: dict[int, tuple[Done, str]] = {}
    for d in state.done:
        if d.pull.number not in traces:
            continue
        if d.questioned or d.pull.number in asked_about:
            found[d.pull.number] = (d, "asked about")
        elif d.record.get("proof") in NOT_PROVED:
            found[d.pull.number] = (d, f"clamp: {d.record['proof']}")
        elif d.again:
            found[d.pull.number] = (d, "pulled twice")
    forces = [
        (d, d.record["force_at_clamp_n"] / d.pull.target_n - 1.0) for d in state.done if d.record.get("force_at_clamp_n")
    ]
    held = hold_times(state)
    middle = statistics.median(h for _, h in held) if held else 0.0
    by_force = [
        (d, f"{100 * off + 0.0:+.2f} % at the clamp".replace("-", "−"))
        for d, off in sorted(forces, key=lambda p: -abs(p[1]))[:2]
    ]
    by_time = [(d, f"held {h:.1f} s") for d, h in sorted(held, key=lambda p: -abs(p[1] - middle))[:2]]
    # A force that is as good as what was asked is the last to be shown.
    far = bool(forces) and max(abs(off) for _, off in forces) > NOTED
    for d, why in (*by_force, *by_time) if far else (*by_time, *by_force):
        if len(found) < most and d.pull.number in traces:
            found.setdefault(d.pull.number, (d, why))
    return sorted(list(found.values())[:most], key=lambda p: p[0].pull.number)
