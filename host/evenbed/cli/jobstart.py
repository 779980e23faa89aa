"""How ``evenbed job`` begins: a racquet file, a job that was left, or free work; a port, or a simulated rig."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from evenbed.cli.job import Manner, work
from evenbed.control.port import in_use
from evenbed.job import free, marks
from evenbed.job.ceiling import CeilingError
from evenbed.job.twin import Twin, TwinError
from evenbed.racquet.file import find
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError, folder
from evenbed.rig import Rig, RigError, load
from evenbed.units import show_force
from evenbed.work import jobs
from evenbed.work.desk import Desk, DeskError
from evenbed.work.jobs import Begun, JobError
from evenbed.work.mechanics import mechanics
from evenbed.work.session import JobSession

PACE = {"real": 1.0, "short": 3.0, "none": 0.0}


@dataclass(frozen=True)
class Where:
    """Where the job is strung, and how the window behaves. ``port`` None: the simulated rig, at ``pace``."""

    port: str | None
    rig: Path | None = None
    records: Path | None = None
    unit: str | None = None
    despite_check: bool = False
    pace: str = "short"
    seed: int = 1
    habit: str = "good"
    sounds: bool = True
    speak: bool = False


def start(path: Path, at: Where, twin_of: int | None) -> int:
    """Begin a job for a racquet file; returns the exit code."""

    def begin(kept: Jobs, rig: Rig, twin: Twin | None) -> Begun:
        plan, text = jobs.racquet_plan(find(str(path)), rig, at.unit)
        for said in (*plan.warnings, *plan.questions):
            print(f"* {said}")
        if twin is not None:
            twin.fits(marks.begin(plan))
        return jobs.begin(kept, plan, text, at.unit, at.port is None, twin_of)

    return _run(at, begin, twin_of)


def resume(number: int | None, at: Where) -> int:
    """Go on with a job; returns the exit code."""
    return _run(at, lambda kept, *_: jobs.go_on(kept, number, at.unit), None)


def free_work(at: Where, main_n: float, cross_n: float, family: str, sport: str, most_n: float | None) -> int:
    """Begin free work; returns the exit code."""

    def begin(kept: Jobs, *_: object) -> Begun:
        wanted = {"main_n": main_n, "cross_n": cross_n, "family": family, "sport": sport, "most_n": most_n}
        return jobs.begin_free(kept, at.port is None, unit=at.unit or "kgf", **wanted)

    return _run(at, begin, None)


def learn(number: int, path: Path, name: str, records: Path | None) -> int:
    """Write the racquet that was strung in free work as a file to be completed; returns the exit code."""
    try:
        store = Store(folder(records), make=False)
    except (FileNotFoundError, StoreError) as e:
        return _refuse("learn", "there are no records yet." if isinstance(e, FileNotFoundError) else str(e))
    with contextlib.closing(store):
        kept = Jobs(store)
        row = kept.row(number)
        if row is None:
            return _refuse("learn", f"there is no job {number}. 'evenbed jobs' lists those there are.")
        if path.exists():
            return _refuse("learn", f"{path} exists already: choose another name.")
        try:
            plan = jobs.plan_of(row)
            text = free.learnt(name, plan, jobs.state_of(row, kept).done)
            path.write_text(text, "utf-8")
        except (JobError, ValueError, OSError) as e:
            return _refuse("learn", str(e))
    print(f"{path}: complete it, then 'evenbed racquet check {path}'.")
    return 0


def _refuse(command: str, why: str) -> int:
    print(f"evenbed job {command}: {why}", file=sys.stderr)
    return 2


def _run(at: Where, begin: Callable[[Jobs, Rig, Twin | None], Begun], twin_of: int | None) -> int:
    where = folder(at.records)
    with contextlib.ExitStack() as stack:
        try:
            rig = load(at.rig)
            store = Store(where)
            stack.callback(store.close)
            kept = Jobs(store)
            twin = _twin(kept, twin_of)
            begun = begin(kept, rig, twin)
            if begun.resumed and twin is None:
                row = kept.row(begun.number)
                twin = _twin(kept, row.twin_of if row is not None else None)
            state = begun.job.state
            top = begun.job.ceiling
            unit = begun.job.unit
            count = "pull after pull" if state.plan.free else f"{len(state.left)} pulls to make"
            print(
                f"Job {begun.number}: {state.plan.racquet.name}, {count}. Ceiling "
                f"{show_force(top.force_n, unit)} ({top.why}). 'help' and Enter say what can be typed."
            )
            manner = Manner(unit, at.sounds, at.speak)
            if at.port is None:
                return _simulated(begun, top.force_n, kept, twin, manner, at)
            if used := in_use(at.port):
                raise DeskError(used)
            desk = stack.enter_context(
                Desk(at.port, top.force_n, where, unit, despite_check=at.despite_check, mechanics=mechanics(rig))
            )
            for said in desk.said:
                print(f"! {said}")
            code = work(JobSession(begun.number, begun.job, kept, desk.client, twin), desk.client, manner)
        except (JobError, RigError, CeilingError, StoreError, DeskError, TwinError) as e:
            print(f"evenbed job: {e}", file=sys.stderr)
            return 2
    return code


def _twin(kept: Jobs, number: int | None) -> Twin | None:
    if number is None:
        return None
    row = kept.row(number)
    if row is None:
        raise JobError(f"There is no job {number} to match. 'evenbed jobs' lists those there are.")
    return Twin(jobs.state_of(row, kept))


def _simulated(begun: Begun, top_n: float, kept: Jobs, twin: Twin | None, manner: Manner, at: Where) -> int:
    from evenbed_sim.scenarios.job import JobRig

    pace = PACE[at.pace]
    state = begun.job.state
    try:
        rig = JobRig(state.plan, at.seed, (at.habit,), state.in_bed, pace, top_n)
    except ValueError as e:
        raise JobError(f"{e}") from None
    quick = {"real": "", "none": " Time runs as fast as it can."}.get(at.pace, f" Time runs {pace:g} times as fast.")
    print(f"A simulated rig with a simulated stringer who presses the pedal.{quick}")
    session = JobSession(begun.number, begun.job, kept, rig, twin, rig.clock)
    return work(session, rig, manner, rig.clock)
