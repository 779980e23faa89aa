"""The rig of the page's own, and what a page may do at a real one."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from bench_page import wait_for
from evenbed.bench.opening import Means, choices, open_work, racquet_files
from evenbed.bench.orders import Order, read
from evenbed.bench.place import Place, may_leave
from evenbed.bench.pull import FreePull
from evenbed.bench.rigs import RigError, SimulatedRig
from evenbed.head.types import Ask
from evenbed.job import marks
from evenbed.job.marks import JobState, Mark
from evenbed.job.plan import make_plan
from evenbed.job.planned import Plan
from evenbed.racquet.file import examples
from evenbed.racquet.file import read as read_racquet
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store
from evenbed.work import jobs
from evenbed.work.jobs import JobError
from evenbed_fw.safety import F_END_LOW, F_ESTOP
from evenbed_sim.rig import Rig
from evenbed_sim.scenario import RigPlan
from evenbed_sim.scenarios.plan_strings import PlanStrings

# Stands for simrig: says its port, then what it is told, as simrig says what its hands do.
ECHO = (
    "import sys; print('Simulated rig on /dev/null', flush=True)\n"
    "for line in sys.stdin: print(f'{1.0:8.2f} s  {0.0:6.1f} N  {line.strip()}', flush=True)"
)
# A program with a simulated rig of its own.
OWNER = (
    "from evenbed.bench.rigs import SimulatedRig\n"
    "rig = SimulatedRig([], lambda line: None)\n"
    "print(rig.port, flush=True)\n"
    "input()"
)


class Hands:
    """What 'evenbed simrig' does with the lines of its foot, on a plan; ``rig`` is the page's side of it."""

    def __init__(self, plan: Plan, done: Sequence[int] = ()) -> None:
        self._under = Rig(RigPlan().plant())
        self.strings = PlanStrings(self._under, plan, done=done)
        self.rig = SimulatedRig([], lambda line: None, command=(sys.executable, "-c", ECHO))
        self.rig.tell = self.told  # type: ignore[method-assign]
        self.heard: list[str] = []
        self._thread()

    @property
    def now_s(self) -> float:
        return self._under.t_us * 1e-6

    def _thread(self) -> None:
        self.habits, _ = self.strings.thread(self.now_s)
        for _, line in self.strings.log:
            self.rig.hear(line)
        self.strings.log.clear()

    def told(self, line: str) -> None:
        self.heard.append(line)
        assert self.strings.choose(line, 0.0).endswith(", then")
        self._thread()

    def let_off(self, clamped: bool = True) -> None:
        """The head has drawn a string and let it off, or let it down."""
        strand = self.strings.bed.strand
        assert strand is not None and self.habits is not None
        strand.advance(2.0, 40.0)
        if self.habits.frees_clamp:
            strand.free_previous_clamp()
        if clamped and not self.habits.lets_down:
            strand.close_clamp()
        self.strings.let_off(self.now_s)
        self._thread()

    def follow(self, state: JobState, for_s: float = 8.0) -> None:
        """The job goes on, and some seconds pass."""
        self.rig.follow(state, self.now_s)
        until_s = self.now_s + for_s
        while self.now_s < until_s:
            self.rig.steer(self.now_s)
            self._under.hw.t_us += 0.25e6

    @property
    def gripped(self) -> tuple[str, str]:
        """What is to be done with the string in the gripper, and its label."""
        task = self.strings.bed.task
        assert task is not None
        return task.kind, task.pull.label


@pytest.fixture
def at_work() -> Iterator[tuple[JobState, Hands]]:
    plan = make_plan(read_racquet(examples()["demo-six-by-seven"]))
    hands = Hands(plan)
    yield marks.begin(plan), hands
    hands.rig.close()


def wanted(state: JobState) -> tuple[str, str]:
    """What the job wants in the gripper."""
    if state.phase == "taking back":
        assert state.newest is not None
        return "back", state.newest.pull.label
    assert state.next is not None
    return ("again" if state.again else "pull"), state.next.label


def test_the_hands_are_told_where_the_job_leaves_its_plan_and_only_there(at_work: tuple[JobState, Hands]) -> None:
    state, hands = at_work

    def mark(kind: str, **values: Any) -> None:
        marks.apply(state, Mark(kind, values))
        if kind in ("pulled", "taken back"):
            hands.let_off()
        hands.follow(state)
        assert hands.gripped == wanted(state)

    hands.follow(state)
    mark("phase", phase="stringing")
    for number in (1, 2):
        mark("pulled", number=number, record={})
    assert not hands.heard  # in the plan's order they know it
    mark("again", number=2)
    mark("pulled", number=2, record={})
    mark("order", number=5)
    mark("pulled", number=5, record={})
    mark("phase", phase="taking back")
    mark("taken back", number=5)
    mark("phase", phase="stringing")  # and the one before stays
    assert state.next is not None
    mark("pulled", number=state.next.number, record={})
    mark("phase", phase="taking back")
    mark("phase", phase="stringing")  # thought better of
    assert hands.heard.count("again") == 1 and hands.heard.count("back") == 3


def test_hands_that_have_come_apart_from_the_job_come_back_to_it(at_work: tuple[JobState, Hands]) -> None:
    state, hands = at_work
    marks.apply(state, Mark("phase", {"phase": "stringing"}))
    hands.let_off()  # a stop in the proof: to the job the string has to be drawn anew, to the hands it is clamped
    hands.follow(state)
    assert hands.gripped == wanted(state) == ("pull", "main 1 left")
    assert not hands.strings.bed.loaded
    for number in (1, 2):
        hands.let_off()
        marks.apply(state, Mark("pulled", {"number": number, "record": {}}))
        hands.follow(state)
    marks.apply(state, Mark("again", {"number": 2}))
    hands.follow(state)
    hands.let_off(clamped=False)  # a stop, and let down
    hands.follow(state)
    assert hands.gripped == wanted(state) == ("again", "main 1 right")
    hands.let_off(clamped=False)
    marks.apply(state, Mark("kept", {"number": 2}))
    hands.follow(state)
    assert hands.gripped == wanted(state) == ("pull", "main 2 right")
    # Let off for the head, and the next word comes sooner than the hands have seen it.
    strand = hands.strings.bed.strand
    assert strand is not None
    strand.advance(2.0, 40.0)
    strand.close_clamp()
    marks.apply(state, Mark("pulled", {"number": state.left[0].number, "record": {}}))
    marks.apply(state, Mark("again", {"number": state.done[-1].pull.number}))
    hands.follow(state)
    assert hands.gripped == wanted(state) == ("again", "main 2 right")


def test_hands_that_do_not_understand_are_not_told_for_ever(at_work: tuple[JobState, Hands]) -> None:
    state, hands = at_work
    heard: list[str] = []
    hands.rig.tell = heard.append  # type: ignore[method-assign]
    marks.apply(state, Mark("order", {"number": 5}))
    hands.follow(state, 60.0)
    assert heard == ["string 5"] * 3


def test_the_hands_of_a_job_gone_on_with_in_another_order_take_its_next_string() -> None:
    plan = make_plan(read_racquet(examples()["demo-six-by-seven"]))
    before = [Mark("phase", {"phase": "stringing"})]
    for number in (1, 2, 5):
        before += [Mark("order", {"number": number}), Mark("pulled", {"number": number, "record": {}})]
    state = marks.fold(plan, before)
    hands = Hands(plan, [d.pull.number for d in state.done])
    try:
        assert {d.pull.name for d in state.done} <= set(hands.strings.bed.loaded)
        hands.follow(state)
        assert hands.gripped == wanted(state)
    finally:
        hands.rig.close()


def test_the_pedal_is_told_once_for_each_change() -> None:
    heard: list[str] = []
    rig = SimulatedRig([], heard.append, command=(sys.executable, "-c", ECHO))
    try:
        assert rig.port == "/dev/null"
        for down in (False, True, True, True, False):  # a key that repeats
            rig.pedal(down)
        wait_for(lambda: "up" in heard)
        assert heard == ["down", "up"]
    finally:
        rig.close()
    rig.pedal(True)  # a rig that is gone hears nothing, and nothing breaks


def test_a_rig_that_does_not_start_says_why() -> None:
    with pytest.raises(RigError, match="no such thing"):
        SimulatedRig([], print, command=(sys.executable, "-c", "import sys; sys.exit('no such thing')"))


def test_a_rig_whose_owner_is_killed_ends(tmp_path: Path) -> None:
    command = [sys.executable, "-c", OWNER]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        port = os.open(owner.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        owner.kill()

    def gone() -> bool:
        try:
            return os.read(port, 4096) == b""
        except BlockingIOError:
            return False
        except OSError:  # the other end is closed
            return True

    with contextlib.closing(os.fdopen(port, "rb", buffering=0)):
        wait_for(gone, 60.0)


def test_a_report_is_drawn_whatever_letters_this_computer_prints(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path)) as store:
        begun = jobs.begin_free(
            Jobs(store), True, main_n=230.0, cross_n=220.0, family="nylon", sport="tennis", unit="kgf"
        )  # fmt: skip
    drawn = subprocess.run(
        [sys.executable, "-m", "evenbed.bench.drawing", str(tmp_path), "", "/report.css", str(begun.number)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert drawn.returncode == 0 and "·" in drawn.stdout.decode("utf-8"), drawn.stderr


def test_on_a_real_rig_the_page_has_no_pedal(tmp_path: Path) -> None:
    place = Place(Means(tmp_path, tmp_path), lambda message: None)
    assert place.pedal(True) == ""  # nothing is open
    place._opened = SimpleNamespace(rig=None)  # type: ignore[assignment]
    assert "only the wired pedal starts a draw" in place.pedal(True)


def test_what_is_not_there_is_not_begun(tmp_path: Path) -> None:
    means = Means(tmp_path / "records", tmp_path, port="/dev/ttyNONE")
    for racquet in ("../../etc/passwd", "nowhere", ""):
        with pytest.raises(JobError):
            open_work(Order("begin", {"what": "job", "racquet": racquet, "rig": "simulated", "twin": None}), means, print)
    for port in ("/etc/passwd", "socket://192.0.2.1:1", "/dev/ttyACM0"):
        order = read(json.dumps({"do": "begin", "what": "pull", "reference": "22kgf", "rig": port}))
        with pytest.raises(JobError, match="no port"):
            open_work(order, means, print)


def test_the_choices_name_what_is_wrong_with_a_file(tmp_path: Path) -> None:
    (tmp_path / "bad.racquet.toml").write_text("name = 7")
    found = choices(Means(tmp_path / "records", tmp_path))
    by_key = {r["key"]: r for r in found["racquets"]}
    assert "bad" in by_key and by_key["bad"]["trouble"]
    assert len(by_key) == len(examples()) + 1 == len(racquet_files(tmp_path))
    assert by_key["example: demo-six-by-seven"]["mains"] == 6
    assert found["jobs"] == [] and found["trips"] == [] and found["trouble"] == ""


@pytest.mark.parametrize(
    ("state", "force_n", "at_end", "may"),
    [
        ("slack", 0.0, True, True),
        ("holding", 0.0, True, False),
        ("drawing", 200.0, False, False),
        ("frozen", 200.0, False, False),
        ("frozen", None, False, False),
        ("frozen", 2.0, False, True),
        ("tripped", None, False, False),
        ("easing_off", 40.0, False, False),
        ("easing_off", 40.0, True, True),  # let down as far as it goes
        ("frozen", 40.0, True, True),
        ("tripped", None, True, True),
    ],
)
def test_work_is_left_once_nothing_more_can_be_let_down(state: str, force_n: float | None, at_end: bool, may: bool) -> None:
    status = {"state": state, "force_n": force_n, "flags": F_END_LOW * at_end}
    assert may_leave(status) is may and may_leave(None)


class Leaving:
    """A control process whose head is stopped and slack: let down it is slack, disarmed it is unarmed."""

    ended = False
    after = {Ask.LET_DOWN: "slack", Ask.DISARM: "unarmed"}  # noqa: RUF012

    def __init__(self) -> None:
        self.asked: list[Ask] = []

    def plan(self, pull: object) -> None:
        assert pull is None

    def ask(self, ask: Ask) -> None:
        self.asked.append(ask)

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        return [STANDS | {"state": self.after[self.asked[-1]]}]


STANDS = {"kind": "status", "t_s": 1.0, "state": "frozen", "force_n": 0.0, "flags": 0, "loss_now_n": None}


class Asked(Leaving):
    """One that is asked and says what it is told to."""

    says: list[dict[str, Any]] = []  # noqa: RUF012

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        said, self.says = self.says, []
        return said


def test_what_asks_in_vain_is_told_why(tmp_path: Path) -> None:
    published: list[dict[str, Any]] = []
    place, client = Place(Means(tmp_path, tmp_path), published.append), Asked()
    desk, work = SimpleNamespace(client=client, said=[]), FreePull(client, 216.0, "nylon", False, "kgf")
    opened = SimpleNamespace(
        rig=None, desk=desk, work=work, unit="kgf", port="", name="", number=None, cuts=[],
    )  # fmt: skip
    place._opened = opened  # type: ignore[assignment]
    place._begun_s = place._clock()

    def hear(**message: Any) -> None:
        client.says = [message]
        place._turn(opened)  # type: ignore[arg-type]

    def away() -> str:
        return next(str(m["word"]) for m in reversed(published) if m["kind"] == "away")

    hear(kind="event", name="connected", says="", values={})
    hear(**STANDS, steady=False)
    assert place.ask(Ask.LET_DOWN) == "" and away() == ""
    hear(**STANDS | {"state": "tripped", "flags": F_ESTOP})
    assert "release the emergency stop" in place.ask(Ask.LET_DOWN) and place.ask(Ask.STOP) == ""
    hear(kind="event", name="link_lost", says="", values={"silent_s": 0.3, "entry": 41, "fault": 41})
    assert "silent for 0.30 s" in place.ask(Ask.STOP) and away() == "no board"
    hear(kind="event", name="connected", says="", values={})
    assert place.ask(Ask.STOP) == "" and away() == ""
    hear(kind="event", name="board_missing", says="", values={"silent_s": 0.3, "entry": 43})
    assert "nothing was armed" in place.ask(Ask.ARM) and away() == "no board"
    hear(kind="event", name="connected", says="", values={})
    news = sum(m["kind"] == "event" for m in published)
    flaps = {"times": 3.0, "within_s": 60.0, "entry": 44, "fault": 44, "quiet": 1.0}
    hear(kind="event", name="link_lost", says="", values=flaps)
    assert away() == "no board" and sum(m["kind"] == "event" for m in published) == news  # no news, but so it is
    hear(kind="event", name="connected", says="", values={})
    trip = {"fault": 7, "entry": 7, "force_n": 200.0, "quiet": 1.0}
    hear(kind="event", name="lease_expired", says="", values=trip)
    assert next(m["event"]["name"] for m in reversed(published) if m["kind"] == "stop") == "lease_expired"
    client.ended = True
    place._turn(opened)  # type: ignore[arg-type]
    assert "control process has ended" in place.ask(Ask.STOP) and away() == "ended"
    assert client.asked.count(Ask.STOP) == 4  # what may still arrive is sent all the same


def test_a_head_that_stands_is_left_at_rest(tmp_path: Path) -> None:
    place, client = Place(Means(tmp_path, tmp_path), lambda message: None), Leaving()
    desk = SimpleNamespace(client=client)
    place._opened = SimpleNamespace(rig=None, desk=desk, close=lambda: None)  # type: ignore[assignment]
    place._status = dict(STANDS)
    place._close("")
    assert client.asked == [Ask.LET_DOWN, Ask.DISARM]
