"""Whole jobs with a simulated stringer: ``python -m tests.benchmarks.jobs --help``; what is counted: README.md.

Job after job on the virtual clock, with the board's own firmware and wire, on the example racquets of three sports.
Everything about job N follows from N. What hands are like is common practice, no source.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path
from statistics import fmean, median
from typing import Any

from evenbed.head.types import Pull
from evenbed.job.job import Job
from evenbed.job.marks import Mark
from evenbed.job.notebook import Line
from evenbed.job.plan import make_plan
from evenbed.job.planned import Plan
from evenbed.racquet.file import examples, read
from evenbed.work.session import JobSession
from evenbed_sim.habits import BAD, GOOD
from evenbed_sim.scenarios.job import JobRig

RACQUETS = ("tennis-one-piece-16x18", "squash-14x18", "badminton-22x21", "tennis-two-piece-18x20")
LONGEST_S = 14400.0  # of virtual time: a job that is not over by then is stuck
LET_OFF_SLICES = 60
LATE_PULLS = 3  # later questions are about something else


class Marks:
    """Keeps marks as the store does, in memory."""

    def __init__(self, before: Sequence[Mark] = ()) -> None:
        self.marks = list(before)

    def mark(self, job: int, n: int, mark: Mark) -> str:
        """Take one mark."""
        assert n == len(self.marks) + 1
        self.marks.append(mark)
        return ""


@dataclass
class Asked:
    """A question or remark about a pull: when, after how many pulls, its key, the pull's label."""

    at_s: float
    pulls: int
    key: str
    label: str


@dataclass
class Played:
    """A bad habit on a pull: after how many pulls; what of ``Asked`` has found it, how many pulls later."""

    habit: str
    label: str
    detail: str
    pulls: int
    found: str = ""
    late: int = 0


@dataclass
class Strung:
    """One job."""

    number: int
    racquet: str
    habit: str
    phase: str = ""
    pulls: int = 0
    draws: int = 0
    asked: list[Asked] = field(default_factory=list)
    told: list[Asked] = field(default_factory=list)  # disturbances and hints of the head
    played: list[Played] = field(default_factory=list)
    job_s: float = 0.0
    rig_s: float = 0.0
    bare_s: float = 0.0
    sides_all: float = 0.0  # left over right less one: means of the mains' tensions a quarter of an hour later
    sides: float = 0.0  # without the pairs of which one was tied
    over_n: float = 0.0  # highest true force over the reference
    records: list[dict[str, Any]] = field(default_factory=list)
    cpu_s: float = 0.0


def plan_of(number: int) -> tuple[str, Plan]:
    """The racquet of a job."""
    name = RACQUETS[number % len(RACQUETS)]
    return name, make_plan(read(examples()[name]))


def string(number: int, habit: str = GOOD, chance: float | None = None) -> Strung:
    """String one racquet with one habit, whose chance may be set."""
    begun = time.thread_time()
    name, plan = plan_of(number)
    out = Strung(number, name, habit)
    rig = JobRig(plan, number, (habit,), chances=None if chance is None else {habit: chance})
    job, kept = Job(plan), Marks()
    session = JobSession(1, job, kept, rig, clock=rig.clock)  # type: ignore[arg-type]
    _lines(out, job, rig.clock(), session.start())
    seen = 0
    while not (job.over or rig.ended) and rig.clock() < LONGEST_S:
        messages = rig.messages(0.05)
        for message in messages:
            _message(out, job, message)
        _lines(out, job, rig.clock(), session.hear(messages))
        for mark in kept.marks[seen:]:
            _mark(out, job, rig.clock(), mark)
        seen = len(kept.marks)
    out.phase, out.pulls = job.state.phase, len(job.state.done)
    out.job_s, out.rig_s = rig.clock(), rig.rig.t_us * 1e-6
    _truth(out, plan, rig)
    _judge(out, plan, rig)
    out.cpu_s = time.thread_time() - begun
    return out


def bare(number: int) -> float:
    """How long the same pulls take with nobody who asks anything, s: threading, weaving and knots included."""
    _, plan = plan_of(number)
    rig = JobRig(plan, number)
    for p in plan.pulls:
        rig.plan(Pull(p.target_n, p.family, p.speed_mm_s, over_pull=p.over_pull, label=p.label, woven=p.woven))
        done = False
        while not done and rig.clock() < LONGEST_S:
            done = any(m["kind"] == "record" and m["record"]["ended"] == "let off" for m in rig.messages(0.05))
    for _ in range(LET_OFF_SLICES):  # until the hands have seen it
        rig.messages(0.05)
    return rig.clock() + rig.bed.tie_s


# --- what is heard -----------------------------------------------------------------------------------------------------
def _message(out: Strung, job: Job, m: dict[str, Any]) -> None:
    if m["kind"] == "record":
        out.records.append(m["record"])
    if m["kind"] != "event":
        return
    label = job.wanted.label if job.wanted is not None else ""
    if m["name"] == "state" and m["says"] == "taking_up":
        out.draws += 1
    elif m["name"] == "proof_failed":
        out.asked.append(Asked(m["t_s"], len(job.state.done), "clamp in question", label))
    elif m["name"] in ("disturbance", "hint"):
        out.told.append(Asked(m["t_s"], len(job.state.done), f"{m['name']}: {m['says']}", label))


def _mark(out: Strung, job: Job, now_s: float, mark: Mark) -> None:
    if mark.kind == "questioned":
        label = job.state.done[-1].pull.label if job.state.done else ""
        out.asked.append(Asked(now_s, len(job.state.done), str(mark.values["key"]), label))


def _lines(out: Strung, job: Job, now_s: float, lines: Sequence[Line]) -> None:
    """Remarks that doubt a pull; those of the plan are no doubts."""
    for line in lines:
        if line.kind == "remark" and any(w in line.text for w in ("not proved", "was held")):
            label = job.state.done[-1].pull.label if job.state.done else ""
            out.asked.append(Asked(now_s, len(job.state.done), "remark", label))


def _truth(out: Strung, plan: Plan, rig: JobRig) -> None:
    truth = rig.truth()
    mains = {n: v for n, v in truth.later_n.items() if n.kind == "main"}
    tied = {p.name.number for p in plan.pulls if p.ties and p.name.kind == "main"}

    def sides(numbers: set[int]) -> float:
        left, right = ([v for n, v in mains.items() if n.side == s and n.number in numbers] for s in ("left", "right"))
        return fmean(left) / fmean(right) - 1.0 if left and right else 0.0

    every = {n.number for n in mains}
    out.sides_all, out.sides = sides(every), sides(every - tied)
    top = {p.label: p.target_n * (1.0 + p.over_pull) for p in plan.pulls}
    out.over_n = max((p.peak_n - top[p.label] for p in truth.peaks), default=0.0)


def _judge(out: Strung, plan: Plan, rig: JobRig) -> None:
    """Which of what was played has been found: by a question or remark about that pull, or about one whose string comes
    next after it; of a wrong string by any about its piece."""
    labels = {p.label: p for p in plan.pulls}
    order = {d: i for i, d in enumerate(dict.fromkeys(r["label"] for r in out.records if r["ended"] == "let off"))}
    for p in rig.truth().played:
        pull = labels[p.label]
        at = order.get(p.label, 0)
        out.played.append(Played(p.habit, p.label, p.detail, at))
        near = {p.label}
        for other in plan.pulls:
            if rig.bed.before(other.name) in (pull.name, *pull.also):
                near.add(other.label)
        if p.habit == "wrong string":
            near = {q.label for q in plan.pulls if q.piece == pull.piece}
        if p.habit == "walks away":
            near = set(labels)
        for asked in out.asked:
            late = asked.pulls - at - (asked.key != "clamp in question")
            far = LATE_PULLS if p.habit != "wrong string" else len(plan.pulls)
            right = (asked.key == "gap") == (p.habit == "walks away")
            if right and asked.label in near and asked.at_s >= p.at_s and late <= far:
                out.played[-1].found, out.played[-1].late = asked.key, max(0, late)
                break


# --- tables ------------------------------------------------------------------------------------------------------------
def good_report(done: Sequence[Strung]) -> str:
    """What a good stringer was asked, and what it cost."""
    rows = ["| racquet | jobs | finished | pulls | questions of the job | of the clamp | false a racquet | job over bare % "
            "| of the rig's time % | left/right % worst | with tied | peak over N |", "|" + "---|" * 12]  # fmt: skip
    names = [("all", list(done))] + [(r, [d for d in done if d.racquet == r]) for r in RACQUETS]
    for name, jobs in names:
        if not jobs:
            continue
        clamp = sum(len({a.label for a in d.asked if a.key == "clamp in question"}) for d in jobs)
        own = sum(sum(a.key not in ("clamp in question", "remark") for a in d.asked) for d in jobs)
        timed = [d for d in jobs if d.bare_s]
        longer = fmean((d.job_s - d.bare_s) / d.bare_s for d in timed) if timed else 0.0
        rig = fmean((d.job_s - d.bare_s) / (d.rig_s - (d.job_s - d.bare_s)) for d in timed) if timed else 0.0
        rows.append(
            f"| {name} | {len(jobs)} | {sum(d.phase == 'finished' for d in jobs)} | {sum(d.pulls for d in jobs)} | {own} | "
            f"{clamp} | {(own + clamp) / len(jobs):.2f} | {100.0 * longer:.1f} | {100.0 * rig:.1f} | "
            f"{100.0 * max(abs(d.sides) for d in jobs):.2f} | {100.0 * max(abs(d.sides_all) for d in jobs):.2f} | "
            f"{max(d.over_n for d in jobs):.1f} |"
        )
    asked = Counter((a.key, d.racquet) for d in done for a in d.asked)
    rows += ["", "Asked: " + (", ".join(f"{key} ({r}) {n}" for (key, r), n in asked.most_common()) or "nothing")]
    return "\n".join(rows)


def bad_report(done: Sequence[Strung]) -> str:
    """What was found of each bad habit."""
    rows = ["| habit | jobs | finished | played | caught | % | pulls later: median, most | by | asked about others | "
            "draws more than pulls |", "|" + "---|" * 10]  # fmt: skip
    for habit in dict.fromkeys(d.habit for d in done):
        jobs = [d for d in done if d.habit == habit]
        played = [p for d in jobs for p in d.played if p.habit == habit]
        found = [p for p in played if p.found]
        late = [p.late for p in found]
        by = Counter(p.found for p in found)
        others = sum(len(d.asked) for d in jobs) - len(found)
        rows.append(
            f"| {habit} | {len(jobs)} | {sum(d.phase == 'finished' for d in jobs)} | {len(played)} | {len(found)} | "
            f"{100.0 * len(found) / max(1, len(played)):.0f} | {f'{median(late):.0f}, {max(late)}' if late else ''} | "
            f"{', '.join(f'{k} {n}' for k, n in by.most_common())} | {others} | {sum(d.draws - d.pulls for d in jobs)} |"
        )
    return "\n".join(rows)


def work(job: tuple[int, str, bool]) -> Strung:
    """String one racquet in a worker."""
    number, habit, timed = job
    out = string(number, habit)
    if timed:
        out.bare_s = bare(number)
    return out


def main(args: list[str]) -> None:
    """Run the jobs and print the table."""
    parser = argparse.ArgumentParser(description="String racquets with a simulated stringer, and count what was asked.")
    parser.add_argument("--jobs", type=int, default=10, help="racquets (of each habit)")
    parser.add_argument("--first", type=int, default=0, help="number of the first one")
    parser.add_argument("--habit", default=GOOD, help=f"'all' bad ones, or one of: {', '.join((GOOD, *BAD))}")
    parser.add_argument("--bare", type=int, default=4, help="so many jobs are made without a job too, to compare times")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="write all records there, as JSON lines")
    parser.add_argument("--each", action="store_true", help="tell each question and each habit")
    chosen = parser.parse_args(args)
    habits = list(BAD) if chosen.habit == "all" else [chosen.habit]
    numbers = range(chosen.first, chosen.first + chosen.jobs)
    jobs = [(n, h, h == GOOD and n - chosen.first < chosen.bare) for h in habits for n in numbers]
    done: list[Strung] = []
    with get_context("fork").Pool(chosen.processes) as pool:
        for strung in pool.imap(work, jobs):
            done.append(strung)
            if chosen.each:
                print(strung.number, strung.racquet, strung.habit, strung.phase, f"{strung.cpu_s:.1f} s")
                for line in (*strung.asked, *strung.played):
                    print("   ", line, flush=True)
            if chosen.keep:
                with chosen.keep.open("a") as f:
                    f.write(json.dumps(asdict(strung)) + "\n")
    print(good_report(done) if chosen.habit == GOOD else bad_report(done))


if __name__ == "__main__":
    main(sys.argv[1:])
