"""A racquet strung to match an earlier one: each pull against the same pull of the earlier job. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from evenbed.job.job import Job
from evenbed.job.marks import Done, JobState
from evenbed.job.planned import Plan
from evenbed.job.tone import held_s
from evenbed.racquet.model import StringName
from evenbed.units import show_force

# Up to here a figure counts as that of the first: about what two strings of one kind scatter when one and the same stringer
# draws both, three standard deviations on the simulated rig. The share is of the first's figure, the floor in its unit.
FORCE, FORCE_N = 0.005, 0.5
DRAW, DRAW_MM = 0.12, 2.0
HELD, HELD_S = 0.3, 4.0
TAKE_UP, TAKE_UP_MM = 0.5, 1.5
FRICTION = 0.12
LENGTH = 0.02  # by how much a string's length may differ before it is another racquet's
NAMED = 3  # strings that the line at the end names


class TwinError(ValueError):
    """Two jobs that cannot be compared; the text says why."""


@dataclass(frozen=True)
class Difference:
    """One figure that differs. ``by``: this one less the first's, in the figure's own unit."""

    figure: str
    by: float
    says: str


def differs(first: Plan, now: Plan) -> str:
    """Why two plans are not of the same racquet, "" if they are: another pattern, other pieces, another size."""
    a, b = first.racquet, now.racquet
    if a.mains + a.crosses == 0 or b.mains + b.crosses == 0:
        return "free work names no strings, so there is nothing to match string by string."
    if (a.mains, a.crosses) != (b.mains, b.crosses):
        return f"{b.name} has {b.mains} mains and {b.crosses} crosses, {a.name} had {a.mains} and {a.crosses}."
    if len(a.pieces) != len(b.pieces):
        pieces = {1: "one piece", 2: "two pieces"}
        return f"{b.name} is strung in {pieces[len(b.pieces)]}, {a.name} was in {pieces[len(a.pieces)]}."
    for name in a.names():
        one, other = a.length_mm(name), b.length_mm(name)
        if abs(other - one) > LENGTH * one:
            return f"{name} is {other:.0f} mm long in {b.name}, it was {one:.0f} mm in {a.name}: another frame."
    return ""


def find(state: JobState, name: StringName) -> Done | None:
    """The pull of a string that counts: the last one that is still in the bed."""
    return next((d for d in reversed(state.done) if d.pull.name == name), None)


def compare(first: Done, now: Done, unit: str = "N") -> list[Difference]:
    """Figures of a pull that are not those of the first one, the reference first."""
    a, b = first.record, now.record

    def force(newtons: float) -> str:
        return show_force(newtons, unit)

    asked_n, held, took = first.pull.target_n, held_s(a), a.get("take_up_mm")
    most_n = max(FORCE_N, FORCE * asked_n)
    reference = _off("reference", now.pull.target_n, asked_n, most_n, force, "asked {} more", "asked {} less")
    if a.get("calibration") != b.get("calibration"):
        most_n += math.hypot(a.get("expanded_n") or 0.0, b.get("expanded_n") or 0.0)
    x, y = a.get("force_at_clamp_n"), b.get("force_at_clamp_n")
    if reference is None or x is None or y is None:
        at_clamp = _off("force", y, x, most_n, force, "{} more at the clamp", "{} less at the clamp")
    else:  # each against what was asked of it
        off = (y - now.pull.target_n, x - asked_n)
        at_clamp = _off("force", *off, most_n, force, "{} more over what was asked", "{} less over what was asked")
    draw = None
    if not (first.again or now.again):  # what was drawn before is stretched already
        x, y = a.get("draw_length_mm"), b.get("draw_length_mm")
        draw = _off("draw length", y, x, max(DRAW_MM, DRAW * (x or 0.0)), _mm, "draw {} longer", "draw {} shorter")
    most_s, most_mm = max(HELD_S, HELD * (held or 0.0)), max(TAKE_UP_MM, TAKE_UP * abs(took or 0.0))
    found = (
        reference,
        at_clamp,
        draw,
        _off("hold time", held_s(b), held, most_s, _seconds, "held {} longer", "held {} shorter"),
        _off("take-up", b.get("take_up_mm"), took, most_mm, _mm, "take-up {} more", "take-up {} less"),
        _off("friction", now.friction, first.friction, FRICTION, _per_cent, "friction {} more", "friction {} less"),
    )
    return [d for d in found if d is not None]


def _off(
    figure: str, now: float | None, first: float | None, most: float, show: Callable[[float], str], more: str, less: str
) -> Difference | None:
    """The difference, if it is more than may be."""
    if now is None or first is None or abs(now - first) <= most:
        return None
    word = (more if now > first else less).format(show(abs(now - first)))
    return Difference(figure, now - first, f"{word} ({show(now)}, first {show(first)})")


def _mm(value: float) -> str:
    return f"{value:.1f} mm"


def _seconds(value: float) -> str:
    return f"{value:.1f} s"


def _per_cent(share: float) -> str:
    return f"{100.0 * share + 0.0:.0f} %"


class Twin:
    """An earlier job that another one is to match."""

    def __init__(self, earlier: JobState) -> None:
        self.earlier = earlier

    def fits(self, state: JobState) -> None:
        """Raise TwinError if that job cannot match this one: another pattern or frame, or nothing was pulled in it."""
        if not self.earlier.done:
            raise TwinError("The earlier job has no pull that could be matched.")
        why = differs(self.earlier.plan, state.plan)
        if why:
            raise TwinError(f"These two cannot be twins: {why}")

    def asked_otherwise(self, plan: Plan, unit: str) -> str:
        """Which strings the earlier job was asked for at another reference than this plan has; "" if none."""
        off: list[str] = []
        for name in plan.racquet.names():
            first, n = find(self.earlier, name), plan.racquet.reference_n(name)
            if first is not None and abs(first.pull.reference_n - n) > FORCE_N:
                off.append(f"{name} {show_force(first.pull.reference_n, unit)}, here {show_force(n, unit)}")
        if not off:
            return ""
        more = f"; {len(off) - NAMED} more" if len(off) > NAMED else ""
        return f"The first was drawn to other references: {'; '.join(off[:NAMED])}{more}. 'tension' follows it."

    def judge(self, job: Job) -> str:
        """What to say of the pull just made; "" if the earlier job has none of this string."""
        now = job.state.last
        first = find(self.earlier, now.pull.name) if now is not None else None
        if now is None or first is None:
            return ""
        found = compare(first, now, job.unit)
        if not found:
            return f"{now.pull.label}: as the first."
        return f"{now.pull.label}, unlike the first: {'; '.join(d.says for d in found)}."


def summary(a: JobState, b: JobState, unit: str = "N") -> str:
    """One line on a job ``b`` that was to match ``a``."""
    why = differs(a.plan, b.plan)
    if why:
        return f"No twins: {why}"
    pairs = [(find(a, d.pull.name), d) for d in b.done]
    both = [(x, y) for x, y in pairs if x is not None]
    if not both:
        return "Nothing to compare yet: no string was pulled in both jobs."
    unlike = [(y, compare(x, y, unit)) for x, y in both]
    unlike = [(y, found) for y, found in unlike if found]
    parts = [f"{len(both) - len(unlike)} of {len(both)} pulls as the first"]
    parts += _means(both)
    if other := _strings(a, b):
        parts.append(other)
    named = [f"{y.pull.label} ({found[0].says})" for y, found in unlike[:NAMED]]
    if len(unlike) > NAMED:
        named.append(f"{len(unlike) - NAMED} more")
    if named:
        parts.append("unlike: " + ", ".join(named))
    if b.left:
        parts.append(f"{len(b.left)} pulls still to come")
    return "Twin: " + "; ".join(parts) + "."


def _means(both: Sequence[tuple[Done, Done]]) -> list[str]:
    forces = [
        y.record["force_at_clamp_n"] / x.record["force_at_clamp_n"] - 1.0
        for x, y in both
        if x.record.get("force_at_clamp_n") and y.record.get("force_at_clamp_n")
    ]
    draws = [
        y.record["draw_length_mm"] / x.record["draw_length_mm"] - 1.0
        for x, y in both
        if x.record.get("draw_length_mm") and y.record.get("draw_length_mm") and not (x.again or y.again)
    ]
    times = [(held_s(x.record), held_s(y.record)) for x, y in both]
    helds = [y - x for x, y in times if x is not None and y is not None]
    out = []
    if forces:
        out.append(f"force at the clamp {round(100 * statistics.fmean(forces), 2) + 0.0:+.2f} % in the mean")
    if draws:
        out.append(f"draw {round(100 * statistics.fmean(draws), 1) + 0.0:+.1f} %")
    if helds:
        out.append(f"held {round(statistics.fmean(helds), 1) + 0.0:+.1f} s")
    return out


def _strings(a: JobState, b: JobState) -> str:
    """What is another string than the first's, "" if none is."""
    for i, (p, q) in enumerate(zip(a.plan.racquet.pieces, b.plan.racquet.pieces, strict=True)):
        if (p.family, p.diameter_mm) != (q.family, q.diameter_mm):
            which = "the string" if len(a.plan.racquet.pieces) == 1 else ("the mains", "the crosses")[i]
            return f"{which}: {q.family} {q.diameter_mm:g} mm, first {p.family} {p.diameter_mm:g} mm"
    return ""
