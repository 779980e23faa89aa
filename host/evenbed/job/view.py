"""What there is to see of a job, as plain values for any screen. Newtons and millimetres; None where there is nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypedDict

from evenbed.job import lists, marks
from evenbed.job.job import ITEMS, Job
from evenbed.job.load import after_pulls
from evenbed.job.marks import JobState
from evenbed.job.order import mains_on
from evenbed.job.planned import PlannedPull, Weaving


class OnHead(TypedDict):
    """The pull that a tap begins, or that is under way."""

    number: int
    label: str
    strings: list[str]
    reference_n: float
    pulled_at: str
    hole: str
    sets: str
    frees: str
    clamps: str
    opens: str
    woven: bool
    says: list[str]


class JobView(TypedDict):
    """One moment of a job. ``phase`` is one of intake, stringing, closing, finished, taking back, giving up, given up,
    broken string. ``total`` is 0 in free work. ``list``: {"title", "item", "total", "text", "asks"}; ``question``:
    {"key", "text", "answers", "waits"}, answers as [key, meaning]; ``weaving``: {"label", "enters", "first"};
    ``strings``: {"name", "kind", "number", "side", "mark", "reference_n", "force_n" (at the clamp)}; ``load``:
    {"left_n", "right_n", "balance_limit_n", "along_n", "across_n"} after the last pull; ``ahead``: mains that the left
    side is ahead; ``string_left_mm``: by piece, what the plan still needs; ``peer``: what the twin says of the last
    pull; ``actions``: those that apply now."""

    name: str
    unit: str
    phase: str
    done: int
    total: int
    on_head: OnHead | None
    weaving: dict[str, str] | None
    list: dict[str, Any] | None
    knot: str
    question: dict[str, Any] | None
    paused: bool
    strings: list[dict[str, Any]]
    load: dict[str, float] | None
    ahead: int
    string_left_mm: list[float]
    peer: str
    actions: list[str]


def view(job: Job) -> JobView:
    """Return what there is to see of ``job`` now."""
    s = job.state
    waits = s.question is not None and s.question.waits
    pull = s.next if s.phase == marks.STRINGING and not waits else None
    on = mains_on(s)
    return JobView(
        name=s.plan.racquet.name,
        unit=job.unit,
        phase=s.phase,
        done=len(s.done),
        total=0 if s.plan.free else len(s.done) + len(s.left),
        on_head=_on_head(job, pull),
        weaving=_weaving(pull.weaving) if pull is not None and pull.weaving is not None else None,
        list=_list(s),
        knot=lists.KNOT.format(knot=s.knot) if s.knot else "",
        question=None
        if s.question is None
        else {
            "key": s.question.key,
            "text": s.question.text,
            "answers": [list(a) for a in s.question.answers],
            "waits": s.question.waits,
        },
        paused=s.paused,
        strings=_strings(s),
        load=_load(s),
        ahead=on["left"] - on["right"],
        string_left_mm=[sum(p.length_mm for p in s.left if p.piece == i) for i in range(len(s.plan.racquet.pieces))],
        peer=job.peer,
        actions=_actions(s),
    )


def _on_head(job: Job, p: PlannedPull | None) -> OnHead | None:
    wanted = job.wanted
    if p is None and wanted is not None and job.state.last is not None:  # it is taken back
        last = job.state.last.pull
        p = replace(last, sets="", frees=last.clamps, clamps="", opens="", says=())
    elif p is not None and job.state.again is not None:  # once more: it is its own clamp that is opened
        p = replace(p, sets="", frees=p.clamps, opens="")
    if p is None:
        return None
    return OnHead(
        number=p.number,
        label=wanted.label if wanted is not None else p.label,
        strings=[str(n) for n in (p.name, *p.also)],
        reference_n=wanted.reference_n if wanted is not None else p.target_n,
        pulled_at=p.pulled_at,
        hole="" if job.state.plan.free else str(p.hole),
        sets=p.sets,
        frees=p.frees,
        clamps=p.clamps,
        opens=p.opens,
        woven=p.woven,
        says=list(p.says),
    )


def _weaving(w: Weaving) -> dict[str, str]:
    return {"label": str(w.name), "enters": w.enters, "first": w.first}


def _list(s: JobState) -> dict[str, Any] | None:
    items = ITEMS.get(s.phase)
    if items is None or s.item >= len(items):
        return None
    item = items[s.item]
    return {"title": s.phase, "item": s.item + 1, "total": len(items), "text": item.text, "asks": item.asks}


def _strings(s: JobState) -> list[dict[str, Any]]:
    force = {name: d.record.get("force_at_clamp_n") for d in s.in_bed for name in (d.pull.name, *d.pull.also)}
    racquet = s.plan.racquet
    return [
        {
            "name": str(n),
            "kind": n.kind,
            "number": n.number,
            "side": n.side,
            "mark": mark,
            "reference_n": racquet.reference_n(n),
            "force_n": force.get(n),
        }
        for n, mark in s.of.items()
    ]


def _load(s: JobState) -> dict[str, float] | None:
    if not s.done:
        return None
    index = len(s.done) - 1
    if s.own_order:
        load = after_pulls(s.plan.racquet, [d.pull for d in s.done])[-1]
    elif index < len(s.plan.loads):
        load = s.plan.loads[index]
    else:
        return None
    return {
        "left_n": load.left_n,
        "right_n": load.right_n,
        "balance_limit_n": load.balance_limit_n,
        "along_n": load.along_n,
        "across_n": load.across_n,
    }


def _actions(s: JobState) -> list[str]:
    """Those that make sense now, the likeliest first; "note" always does."""
    if s.phase in ITEMS:
        out = ["go on", "not fine", "figure"]
        return [*out, "string on", "note"] if s.phase in (marks.GIVING_UP, marks.BROKEN) else [*out, "note"]
    if s.phase == marks.TAKING_BACK:
        return ["string on", "give up", "note"]
    if s.phase != marks.STRINGING:
        return ["note"]
    out = ["go on"] if s.question or s.knot or s.paused else []
    if s.newest is not None:
        out += ["again", "take back", "finish"]
    return [*out, "break", "choose", "tension", "broken", "give up", "note"]
