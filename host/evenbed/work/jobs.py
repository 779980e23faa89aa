"""Beginning a job and going on with one: racquet file or free work, the records, the plan made again."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from evenbed.job.free import free_plan
from evenbed.job.job import Job
from evenbed.job.marks import JobState, fold
from evenbed.job.plan import in_order, make_plan
from evenbed.job.planned import Equipment, Plan, PlanError
from evenbed.racquet.file import RacquetError, parse, read
from evenbed.record.jobs import JobRow, Jobs
from evenbed.rig import Rig


class JobError(Exception):
    """A job that cannot begin or go on; the text says why and what to do."""


@dataclass(frozen=True)
class Begun:
    """A job with its number in the records; ``resumed`` if it had begun before."""

    number: int
    job: Job
    resumed: bool = False


def equipment(rig: Rig) -> Equipment:
    """What holds the string, as rig.toml says."""
    kind: Literal["fixed", "floating"] = "floating" if rig.clamps.kind == "floating" else "fixed"
    return Equipment(kind, rig.clamps.count, rig.clamps.starting, rig.gripper_tail_mm)


def plan_of(row: JobRow) -> Plan:
    """The plan of a job, made again from what it began with. Raises JobError if it comes out otherwise now."""
    try:
        if row.racquet:
            plan = make_plan(parse(row.racquet, row.name), Equipment(**row.equipment))
        else:
            plan = free_plan(**row.equipment)
    except (RacquetError, PlanError, ValueError, TypeError) as e:
        raise JobError(f"Job {row.number} cannot be read again: {e}") from None
    if tuple(p.label for p in plan.pulls) == row.labels:
        return plan
    earlier = in_order(plan, row.labels)
    if earlier is None:
        raise JobError(
            f"Job {row.number} was begun with evenbed {row.program}, which planned other pulls: go on with that version, "
            "or begin a new job."
        )
    return earlier


def racquet_plan(path: Path, rig: Rig, unit: str | None = None) -> tuple[Plan, str]:
    """The plan for a racquet file on this rig, told in ``unit`` (None: that of the file), and the text of the file. Raises
    JobError."""
    try:
        racquet = read(path)
        racquet = replace(racquet, unit=unit or racquet.unit)
        return make_plan(racquet, equipment(rig)), path.read_text("utf-8-sig")
    except (RacquetError, PlanError) as e:
        raise JobError(str(e)) from None


def begin(kept: Jobs, plan: Plan, text: str, unit: str | None, simulated: bool, twin_of: int | None = None) -> Begun:
    """A new job for a racquet file. May raise StoreError."""
    labels = [p.label for p in plan.pulls]
    number = kept.begin(plan.racquet.name, text, asdict(plan.equipment), labels, simulated, twin_of)
    return Begun(number, Job(plan, (), unit))


def begin_free(kept: Jobs, simulated: bool, **wanted: Any) -> Begun:
    """A new job without a racquet file; ``wanted`` as in ``free_plan``. May raise StoreError."""
    plan = free_plan(**wanted)
    number = kept.begin("free work", "", wanted, [p.label for p in plan.pulls], simulated)
    return Begun(number, Job(plan))


def go_on(kept: Jobs, number: int | None, unit: str | None = None) -> Begun:
    """Go on with a job: the one of this number, or the one that is not finished. Raises JobError; may raise StoreError."""
    if number is None:
        unfinished = kept.open()
        if not unfinished:
            raise JobError("No job waits to be finished. Begin one: evenbed job start RACQUET.")
        if len(unfinished) > 1:
            those = ", ".join(f"{r.number} ({r.name})" for r in unfinished)
            raise JobError(f"{len(unfinished)} jobs wait to be finished: {those}. Say which: evenbed job resume NUMBER.")
        row: JobRow | None = unfinished[0]
    else:
        row = kept.row(number)
    if row is None:
        raise JobError(f"There is no job {number}. 'evenbed jobs' lists those there are.")
    try:
        job = Job(plan_of(row), kept.marks(row.number), unit)
    except (KeyError, ValueError, StopIteration) as e:
        raise JobError(f"The marks of job {row.number} do not fit its plan ({e}).") from None
    if job.over:
        raise JobError(f"Job {row.number} ({row.name}) is {job.state.phase}. Its report: evenbed report {row.number}.")
    return Begun(row.number, job, resumed=True)


def state_of(row: JobRow, kept: Jobs) -> JobState:
    """Where a job stands, by its marks. Raises JobError; may raise StoreError."""
    try:
        return fold(plan_of(row), kept.marks(row.number))
    except (KeyError, ValueError, StopIteration) as e:
        raise JobError(f"The marks of job {row.number} do not fit its plan ({e}).") from None
