"""The rig of the page's own, and what a page may do at a real one."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from bench_page import wait_for
from evenbed.bench.opening import Means, choices, open_work, racquet_files
from evenbed.bench.orders import Order, read
from evenbed.bench.place import Place
from evenbed.bench.rigs import RigError, SimulatedRig
from evenbed.job import marks
from evenbed.job.marks import Mark
from evenbed.job.plan import make_plan
from evenbed.racquet.file import examples
from evenbed.racquet.file import read as read_racquet
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store
from evenbed.work import jobs
from evenbed.work.jobs import JobError
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
    """What 'evenbed simrig' says that its hands do: they follow the plan, and lines that lead away from it."""

    def __init__(self, pulls: int) -> None:
        self.left, self.done, self.kind = list(range(1, pulls + 1)), [0], ""
        self.heard: list[str] = []

    def do(self, line: str) -> None:
        self.heard.append(line)
        word, _, number = line.partition(" ")
        self.kind = "" if word == "string" else word
        if word == "string":
            self.left.remove(int(number))
            self.left.insert(0, int(number))

    def let_off(self) -> None:
        if self.kind == "back":
            self.left.insert(0, self.done.pop())
        elif not self.kind:
            self.done.append(self.left.pop(0))
        self.kind = ""

    @property
    def next(self) -> tuple[str, int]:
        return (self.kind, self.done[-1] if self.kind else self.left[0])


def test_the_hands_are_told_where_the_job_leaves_its_plan_and_only_there() -> None:
    plan = make_plan(read_racquet(examples()["demo-six-by-seven"]))
    state, hands = marks.begin(plan), Hands(len(plan.pulls))
    rig = SimulatedRig([], lambda line: None, command=(sys.executable, "-c", ECHO))
    rig.tell = hands.do  # type: ignore[method-assign]

    def mark(kind: str, **values: Any) -> None:
        marks.apply(state, Mark(kind, values))
        if kind in ("pulled", "taken back"):
            hands.let_off()
        rig.follow(state)
        assert state.next is not None
        if state.phase == "taking back":
            assert state.last is not None
            assert hands.next == ("back", state.last.pull.number)
        else:
            assert hands.next == ("again" if state.again else "", state.next.number)

    try:
        rig.follow(state)
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
    finally:
        rig.close()


def test_the_hands_of_a_job_gone_on_with_in_another_order_take_its_next_string() -> None:
    plan = make_plan(read_racquet(examples()["demo-six-by-seven"]))
    before = [Mark("phase", {"phase": "stringing"})]
    for number in (1, 2, 5):
        before += [Mark("order", {"number": number}), Mark("pulled", {"number": number, "record": {}})]
    state = marks.fold(plan, before)
    strings = PlanStrings(Rig(RigPlan().plant()), plan, done=[d.pull.number for d in state.done])
    rig = SimulatedRig([], lambda line: None, command=(sys.executable, "-c", ECHO))
    rig.tell = lambda line: strings.choose(line, 0.0)  # type: ignore[assignment, method-assign, return-value]
    try:
        assert {d.pull.name for d in state.done} <= set(strings.bed.loaded)
        rig.follow(state)
        strings.thread(0.0)
        assert state.next is not None and strings.bed.task is not None
        assert strings.bed.task.pull.label == state.next.label
    finally:
        rig.close()


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
