"""The plan of a job: from a racquet and what holds its strings to the pulls, in order. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from evenbed.job import budget, forecast, load, plan_check, plan_order, plan_says, plan_weave
from evenbed.job.plan_clamps import Clamps
from evenbed.job.plan_order import Draw
from evenbed.job.planned import Equipment, Plan, PlannedPull
from evenbed.racquet.model import Racquet, StringName


def make_plan(racquet: Racquet, equipment: Equipment | None = None) -> Plan:
    """Return the plan for a racquet and what holds its strings (two fixed clamps and a starting clamp if not given).

    Raises PlanError if the clamps cannot hold both sides of the bed.
    """
    equipment = equipment or Equipment()
    cuts = budget.cuts(racquet, equipment)
    reach = plan_weave.reach(racquet, equipment, cuts)
    pulls = _pulls(racquet, equipment, (), reach)
    warnings, questions = plan_check.check(racquet, equipment)
    return Plan(
        racquet=racquet,
        pulls=tuple(pulls),
        cuts=cuts,
        loads=load.after_pulls(racquet, pulls),
        expected=forecast.expected(racquet, pulls, equipment),
        warnings=warnings,
        questions=questions,
        weave_ahead_to=reach,
        notes={
            "weave": plan_weave.note(racquet, reach),
            "budget": budget.NOTE,
            "forecast": forecast.NOTE,
            "load": load.NOTE,
        },
        equipment=equipment,
    )


def in_order(plan: Plan, labels: Sequence[str]) -> Plan | None:
    """Return the plan with its pulls in the order of ``labels``, as an earlier version planned them; None if that order
    makes other pulls."""
    names = {p.label: p.name for p in plan.pulls}
    if set(labels) != set(names) or len(labels) != len(names):
        return None
    racquet, equipment = plan.racquet, plan.equipment
    draws = plan_order.made(racquet, equipment, [names[label] for label in labels])
    pulls = _planned(racquet, draws, 1, Clamps(racquet, equipment), None, plan.weave_ahead_to)
    if tuple(p.label for p in pulls) != tuple(labels):
        return None
    pulls = _said(racquet, pulls, None, plan.weave_ahead_to)
    return replace(plan, pulls=tuple(pulls), loads=load.after_pulls(racquet, pulls))


def after(plan: Plan, done: Sequence[StringName], last_n: float | None = None) -> list[PlannedPull]:
    """Return the pulls that are left once the stringer has drawn ``done``, in whatever order it was.

    ``done`` are the strings whose tail was in the gripper, in the order in which they were drawn; those that only came with
    them round a turn are not named. ``last_n``: reference at which the last of them was drawn, N, where that is no longer
    the plan's. A string keeps the number it had in the plan. The first pull carries one remark if the string drawn last
    went further ahead on one side than the racquet allows, or was a cross before the mains are even. Nothing is refused.
    """
    racquet = plan.racquet
    pulls = _pulls(racquet, plan.equipment, done, plan.weave_ahead_to, last_n)
    numbers = {p.name: p.number for p in plan.pulls}
    pulls = [replace(p, number=numbers.get(p.name, p.number)) for p in pulls]
    remark = plan_says.about_order(racquet, done)
    if pulls and remark:
        pulls[0] = replace(pulls[0], says=(remark, *pulls[0].says))
    return pulls


def as_next(plan: Plan, done: Sequence[StringName], chosen: PlannedPull) -> PlannedPull:
    """Return the pull as it is when it comes next, after ``done``: its clamps, knots and remarks of that moment."""
    racquet, equipment = plan.racquet, plan.equipment
    *before, draw = plan_order.made(racquet, equipment, [*done, chosen.name])
    clamps = Clamps(racquet, equipment)
    for earlier in before:
        clamps.take(earlier)
    pull = _pull(racquet, draw, chosen.number, clamps, None, plan.weave_ahead_to)
    return pull if pull.label == chosen.label else replace(chosen, frees="", clamps="at the frame", says=())


def _pulls(
    racquet: Racquet,
    equipment: Equipment,
    done: Sequence[StringName],
    reach: StringName | None,
    last_n: float | None = None,
) -> list[PlannedPull]:
    """The pulls after ``done``."""
    before = plan_order.made(racquet, equipment, done)
    ahead = plan_order.draws(racquet, equipment, done)
    clamps = Clamps(racquet, equipment)
    for draw in before:
        clamps.take(draw)
    drawn = before[-1].name if before else None
    last = last_n or (racquet.reference_n(drawn) if drawn is not None else None)
    return _said(racquet, _planned(racquet, ahead, len(before) + 1, clamps, last, reach), drawn, reach)


def _planned(
    racquet: Racquet, draws: Sequence[Draw], first: int, clamps: Clamps, last_n: float | None, reach: StringName | None
) -> list[PlannedPull]:
    pulls = []
    for number, draw in enumerate(draws, first):
        pull = _pull(racquet, draw, number, clamps, last_n, reach)
        last_n = pull.reference_n
        pulls.append(pull)
    return pulls


def _said(
    racquet: Racquet, pulls: Sequence[PlannedPull], drawn: StringName | None, reach: StringName | None
) -> list[PlannedPull]:
    woven = plan_weave.weaving(racquet, drawn, reach) if drawn is not None else None
    says = plan_says.remarks(racquet, pulls, drawn, woven.name if woven else None)
    return [replace(p, says=tuple(s)) for p, s in zip(pulls, says, strict=True)]


def _pull(
    racquet: Racquet, draw: Draw, number: int, clamps: Clamps, last_n: float | None, reach: StringName | None
) -> PlannedPull:
    handling = clamps.take(draw)
    name, strings = draw.name, (draw.name, *draw.also)
    index = racquet.piece_of(name)
    piece = racquet.pieces[index]
    reference = racquet.reference_n(name)
    over_pulled = name.kind == "main" or piece.over_pull_crosses
    return PlannedPull(
        number=number,
        name=name,
        also=draw.also,
        piece=index,
        reference_n=reference,
        above=racquet.tie_off_above if handling.ties else 0.0,
        over_pull=piece.over_pull if over_pulled else 0.0,
        family=piece.family,
        speed_mm_s=piece.speed_mm_s,
        pulled_at=plan_order.pulled_at(racquet, name),
        hole=plan_order.pulled_hole(racquet, name),
        length_mm=sum(racquet.length_mm(s) for s in strings),
        crossings=sum(plan_order.crossings(racquet, s) for s in strings),
        frees=handling.frees,
        clamps=handling.clamps,
        weaving=plan_weave.weaving(racquet, name, reach),
        ties=handling.ties,
        new_reference=last_n is None or reference != last_n,
        sets=handling.sets,
        ties_before=handling.ties_before,
        opens=handling.opens,
    )
