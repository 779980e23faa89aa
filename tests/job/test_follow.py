"""A job's session with a head played by hand: the ceiling, pulls that are withheld, records that cannot be written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from evenbed.head import planning
from evenbed.head.types import Ask, Pull
from evenbed.job import marks
from evenbed.job.ceiling import HANDS_N
from evenbed.job.job import Job
from evenbed.job.marks import Mark
from evenbed.job.notebook import Line
from evenbed.job.plan import in_order, make_plan
from evenbed.racquet.file import examples, read
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from evenbed.rig import default_rig
from evenbed.work import jobs
from evenbed.work.session import AGAIN_S, JobSession
from evenbed_sim.scenarios.job import JobRig
from job_runs import Bench, demo_plan

MAIN_N = 22 * 9.80665  # of the demo racquet


class Head:
    """What the control process does with plans and ceilings: its own rules (``planning``), nothing of a board."""

    def __init__(self, ceiling_n: float) -> None:
        self.ended = False
        self.ceiling_n = ceiling_n
        self.limit_n = 330.0
        self.refuses = False
        self.state = "unarmed"
        self.pull: Pull | None = None
        self.asked: list[Ask] = []

    def plan(self, pull: Pull | None) -> None:
        """Raises ValueError for what the head would refuse."""
        planning.check(pull, self.ceiling_n, None)
        self.pull = pull

    def set_ceiling(self, ceiling_n: float) -> None:
        """Raises ValueError for one that is raised while armed."""
        if self.refuses:
            return
        planning.check_ceiling(ceiling_n, self.limit_n, None if self.state == "unarmed" else self.ceiling_n)
        self.ceiling_n = ceiling_n

    def ask(self, ask: Ask) -> None:
        """Disarming is done, the rest only noted."""
        self.asked.append(ask)
        if ask is Ask.DISARM:
            self.state = "unarmed"

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """None."""
        return []

    def close(self) -> None:
        """Nothing."""


class Kept:
    """A store that can be full."""

    def __init__(self) -> None:
        self.marks: list[Mark] = []
        self.full = False

    def mark(self, job: int, n: int, mark: Mark) -> str:
        """Write one; no number is left out and none comes twice."""
        if self.full:
            raise StoreError("The disk is full.")
        assert n == len(self.marks) + 1
        self.marks.append(mark)
        return ""


class At(Bench):
    """A job with its session, driven by hand."""

    def __init__(self) -> None:
        super().__init__(demo_plan())
        self.job = Job(self.plan)
        self.rig, self.kept = Head(self.job.ceiling.force_n), Kept()
        self.session = JobSession(1, self.job, self.kept, self.rig, clock=lambda: self.now_s)  # type: ignore[arg-type]
        self.said = self.session.start()
        self.status()

    def status(self) -> list[Line]:
        """What the head's status says."""
        lines: list[Line] = []
        for _ in range(3):
            message = {"kind": "status", "t_s": self.now_s, "force_n": None}
            head = {"ceiling_n": self.rig.ceiling_n, "state": self.rig.state, "limit_n": self.rig.limit_n}
            lines += self.session.hear([message | head])
        return lines

    def hear(self, message: dict[str, Any]) -> list[Line]:
        """One message of the control process."""
        if message.get("name") == "state":
            self.rig.state = message["says"]
        lines = self.session.hear([message]) + self.status()
        self.said += lines
        return lines

    def act(self, action: str, **values: Any) -> list[Line]:
        """The stringer says something."""
        return self.session.act(action, **values) + self.status()

    def tensions(self, newtons: float) -> None:
        """Another one for all that is left, N."""
        for kind in ("main", "cross"):
            self.act("tension", kind=kind, newtons=newtons)

    def arm(self) -> list[Line]:
        """With the pedal."""
        return self.head("referencing") + self.head("slack")


def test_a_tension_lowered_before_the_first_main_lowers_the_ceiling() -> None:
    at = At()
    at.tensions(150.0)
    assert at.rig.ceiling_n == pytest.approx(150.0 + HANDS_N["nylon"])


def test_a_tension_raised_before_the_first_main_is_drawn_once_armed() -> None:
    at = At()
    at.act("tension", kind="main", newtons=235.0)
    at.arm()
    while at.job.state.phase == marks.INTAKE:
        at.tap()
    assert at.rig.pull is not None and at.rig.pull.reference_n == 235.0
    assert at.rig.ceiling_n >= 1.02 * 235.0


def test_a_tension_raised_while_armed_waits_until_the_head_is_armed_again() -> None:
    at = At()
    at.to_stringing()
    at.string(2)
    at.act("tension", kind="cross", newtons=150.0)
    at.act("tension", kind="main", newtons=150.0)
    at.string(1)
    at.status()
    low_n = at.rig.ceiling_n
    assert low_n == pytest.approx(150.0 + HANDS_N["nylon"])
    said = at.act("tension", kind="main", newtons=230.0)
    assert at.rig.asked == [Ask.DISARM] and sum("raised only unarmed" in line.text for line in said) == 1
    at.status()
    assert at.rig.ceiling_n > 230.0 and at.rig.pull is not None and at.rig.pull.reference_n == 230.0
    at.arm()
    at.pull()
    assert at.job.state.done[-1].record["reference_n"] == 230.0


def test_the_string_clamped_last_can_be_taken_back_and_the_one_before_it_after_arming_anew() -> None:
    at = At()
    at.to_stringing()
    at.string(2)
    at.tensions(150.0)
    assert at.rig.ceiling_n > MAIN_N  # while the last string in the bed is one of the old tension
    at.string(2)
    assert at.rig.ceiling_n < MAIN_N
    at.act("take back")
    assert at.rig.pull is not None and at.rig.pull.reference_n == pytest.approx(0.97 * 150.0) and not at.rig.asked
    for _ in range(2):
        at.head("taking_up")
        at.record(ended="let down")
        at.head("slack")
    assert at.rig.asked == [Ask.DISARM]
    assert at.rig.pull is not None and at.rig.pull.reference_n == pytest.approx(0.97 * MAIN_N)


def test_no_ceiling_is_lowered_on_a_string_that_is_held() -> None:
    at = At()
    at.to_stringing()
    high_n = at.rig.ceiling_n
    at.head("taking_up")
    at.head("holding")
    at.tensions(150.0)
    assert at.rig.ceiling_n == high_n
    at.record()
    at.head("returning")
    assert at.rig.ceiling_n == high_n


def test_a_pull_that_is_refused_is_told() -> None:
    at = At()
    said = at.hear({"kind": "refused", "says": "This pull cannot be made: too much."})
    assert said[0] == Line("remark", "This pull cannot be made: too much.")


def test_a_whole_simulated_rig_lives_through_a_change_of_tension_and_a_refusal() -> None:
    plan = demo_plan()
    rig, kept = JobRig(plan), Kept()
    job = Job(plan)
    session = JobSession(1, job, kept, rig, clock=rig.clock)  # type: ignore[arg-type]
    session.start()

    def until(done: Any) -> None:
        for _ in range(4000):
            session.hear(rig.messages(0.05))
            assert not rig.ended
            if done():
                return
        raise AssertionError("not reached")

    until(lambda: job.head_state == "slack")
    for kind in ("main", "cross"):
        session.act("tension", kind=kind, newtons=160.0)
    until(lambda: len(job.state.done) == 1)
    assert job.state.done[0].record["ceiling_n"] == pytest.approx(160.0 + HANDS_N["nylon"], abs=0.5)
    rig.plan(Pull(300.0, label="too much"))
    heard = [m["kind"] for _ in range(100) for m in rig.messages(0.05)]
    assert "refused" in heard and not rig.ended


# --- records ---------------------------------------------------------------------------------------------------------
def test_what_could_not_be_written_is_written_later_and_nothing_is_drawn_before() -> None:
    at = At()
    at.to_stringing()
    at.string(2)
    written = len(at.kept.marks)
    at.kept.full = True
    with pytest.raises(StoreError):
        at.session.act("note", text="first")
    assert at.rig.pull is None
    at.now_s += 0.1
    assert at.status() == [] and at.rig.pull is None  # not tried again yet
    at.now_s += AGAIN_S + 0.1
    with pytest.raises(StoreError):
        at.status()
    with pytest.raises(StoreError):
        at.session.act("note", text="second")
    at.kept.full = False
    at.now_s += AGAIN_S + 0.1
    said = at.status()
    assert [m.values["text"] for m in at.kept.marks[written:]] == ["first", "second"]
    assert any("written again" in line.text for line in said) and any("first" in line.text for line in said)
    assert at.rig.pull is not None and at.rig.pull.label == "main 2 right"


# --- jobs of an earlier version --------------------------------------------------------------------------------------
# As version 0.1.0 planned the demo racquet: left before right in every pair; the last main on the right has the knot there.
EARLIER = [f"main {n} {side}" for n in (1, 2, 3) for side in ("left", "right")] + [f"cross {n}" for n in range(1, 8)]


def test_a_job_of_another_order_is_read_and_gone_on_with(tmp_path: Path) -> None:
    plan, text = jobs.racquet_plan(examples()["demo-six-by-seven"], default_rig())
    assert [p.label for p in plan.pulls] != EARLIER
    store = Store(tmp_path)
    kept = Jobs(store)
    number = kept.begin("earlier", text, {"kind": "fixed", "count": 2, "starting": True, "tail_mm": 300.0}, EARLIER, True)
    begun = jobs.go_on(kept, number)
    assert [p.label for p in begun.job.state.left] == EARLIER
    assert [p.number for p in begun.job.state.left] == list(range(1, 14))
    b = Bench(begun.job.state.plan)
    b.to_stringing()
    b.string(4)
    assert [d.pull.label for d in b.job.state.done] == EARLIER[:4]
    for n, mark in enumerate(b.written, 1):
        kept.mark(number, n, mark)
    row = kept.row(number)
    assert row is not None
    assert [d.pull.label for d in jobs.state_of(row, kept).done] == EARLIER[:4]
    assert [p.label for p in jobs.go_on(kept, number).job.state.left] == EARLIER[4:]
    store.close()


@pytest.mark.parametrize("name", sorted(examples()))
def test_a_plan_in_its_own_order_is_itself_and_other_pulls_are_none(name: str) -> None:
    plan = make_plan(read(examples()[name]))
    labels = [p.label for p in plan.pulls]
    assert in_order(plan, labels) == plan
    assert in_order(plan, labels[:-1]) is None
    assert in_order(plan, [*labels[:-1], "main 99 left"]) is None


# --- what is in the way of a pull ------------------------------------------------------------------------------------
def test_a_ceiling_that_was_refused_is_asked_for_again() -> None:
    at = At()
    at.to_stringing()
    at.string(1)
    at.tensions(150.0)
    at.string(1)
    at.status()
    at.rig.refuses = True  # the board is being armed
    at.head("unarmed")
    at.act("tension", kind="main", newtons=230.0)
    at.rig.refuses = False
    assert at.rig.pull is None or at.rig.pull.reference_n < 230.0
    at.arm()
    assert at.rig.asked[-1] is Ask.DISARM
    at.status()
    assert at.rig.ceiling_n > 230.0 and at.rig.pull is not None and at.rig.pull.reference_n == 230.0


def test_a_rig_whose_limit_is_too_low_is_named_and_not_disarmed() -> None:
    at = At()
    at.rig.limit_n = at.rig.ceiling_n = 200.0
    at.to_stringing()
    at.status()
    said = [line.text for line in at.said if "this rig, whose limit is 20.39 kgf" in line.text]
    assert said and at.rig.asked == [] and at.rig.pull is None
    at.act("tension", kind="main", newtons=170.0)
    at.act("tension", kind="cross", newtons=170.0)
    at.status()
    assert at.rig.pull is not None and at.rig.pull.reference_n == 170.0
