"""A job at its records: every mark under its own number, however often the program has ended."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from evenbed.job import marks
from evenbed.job.marks import Mark
from evenbed.job.notebook import Line
from evenbed.racquet.file import examples
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from evenbed.rig import default_rig
from evenbed.work import jobs
from evenbed.work.session import JobSession
from job_runs import Bench

DEMO = examples()["demo-six-by-seven"]


class NoHead:
    """A control process that nobody hears."""

    def plan(self, pull: Any) -> None:
        """Nothing."""

    def set_ceiling(self, force_n: float) -> None:
        """Nothing."""


def whole() -> list[Mark]:
    """All marks of a job up to the list after the last knot, one line of it done."""
    b = Bench()
    b.to_stringing()
    b.string(13)
    b.tap()
    assert b.job.state.phase == marks.CLOSING
    b.tap()
    return b.written


@pytest.mark.parametrize("share", [0.3, 0.6, 1.0])
def test_a_job_that_ends_again_and_again_goes_on_each_time(tmp_path: Path, share: float) -> None:
    made = whole()
    with closing(Store(tmp_path)) as store:
        kept = Jobs(store)
        plan, text = jobs.racquet_plan(DEMO, default_rig())
        number = jobs.begin(kept, plan, text, None, simulated=True).number
        for n, mark in enumerate(made[: round(share * len(made))], 1):
            kept.mark(number, n, mark)
        for _ in range(3):
            begun = jobs.go_on(kept, number)
            session = JobSession(number, begun.job, kept, NoHead())  # type: ignore[arg-type]
            session.start()
            session.act("note", text="gone on with")
        numbers = [n for (n,) in store.read("SELECT n FROM job_mark WHERE job = ? ORDER BY n", number)]
        assert numbers == list(range(1, len(numbers) + 1))
        assert begun.job.state.notes == ["gone on with"] * 3


class Strung(Bench):
    """A job gone on with out of its records, driven by hand; every mark goes where it came from."""

    def __init__(self, kept: Jobs, number: int) -> None:
        begun = jobs.go_on(kept, number)
        self.unwritten = begun.job.unwritten
        self.session = JobSession(number, begun.job, kept, NoHead())  # type: ignore[arg-type]
        self.plan, self.job, self.now_s = begun.job.state.plan, begun.job, 0.0
        self.said = self.session.start()

    def take(self) -> list[Line]:
        """Let the session write what there is to write; return what is said."""
        lines = self.session.hear([])
        self.said += lines
        return lines


def test_a_job_killed_in_mid_bed_and_again_in_the_closing_list_is_ended(tmp_path: Path) -> None:
    def numbers() -> list[int]:
        return [n for (n,) in store.read("SELECT n FROM job_mark WHERE job = ? ORDER BY n", number)]

    with closing(Store(tmp_path)) as store:
        kept = Jobs(store)
        plan, text = jobs.racquet_plan(DEMO, default_rig())
        number = jobs.begin(kept, plan, text, None, simulated=True).number
        first = Strung(kept, number)
        first.to_stringing()
        first.string(6)
        before = len(numbers())

        second = Strung(kept, number)  # it asks about the last clamp: a mark that the state has counted and nobody written
        assert second.unwritten == 1 and numbers() == list(range(1, before + 2))
        second.head("slack")
        second.tap()
        second.string(len(second.job.state.left))
        second.tap()
        assert second.job.state.phase == marks.CLOSING
        second.tap()
        assert second.job.state.item == 1

        third = Strung(kept, number)
        assert (third.job.state.phase, third.job.state.item, third.unwritten) == (marks.CLOSING, 1, 0)
        third.head("slack")
        while not third.job.over:
            third.tap()
        assert numbers() == list(range(1, len(numbers()) + 1))
        again = marks.fold(plan, kept.marks(number))
        assert again.phase == marks.FINISHED and again.seen == len(numbers()) and again.of == third.job.state.of
        assert [d.pull.number for d in again.done] == [p.number for p in plan.pulls]


def test_two_programs_at_one_job_are_told(tmp_path: Path) -> None:
    with closing(Store(tmp_path)) as store:
        kept = Jobs(store)
        plan, text = jobs.racquet_plan(DEMO, default_rig())
        number = jobs.begin(kept, plan, text, None, simulated=True).number
        one, other = (JobSession(number, jobs.go_on(kept, number).job, kept, NoHead()) for _ in range(2))  # type: ignore[arg-type]
        one.act("note", text="first")
        with pytest.raises(StoreError, match="another program"):
            other.act("note", text="second")
