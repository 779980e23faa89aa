"""Hands without a foot on a rig whose pedal somebody else works, and the lines that ``evenbed simrig`` takes for it."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from evenbed.cli.simhands import HandsError, Work
from evenbed.cli.simrig import Cast, SimrigRequest, planned
from evenbed.head.types import Ask, Pull
from evenbed_sim.faults import FaultPlayer
from evenbed_sim.rig import Rig
from evenbed_sim.scenarios.plan_strings import PlanStrings
from evenbed_sim.scenarios.virtual import VirtualRun

DEMO = Path("demo-six-by-seven")
LONGEST_S = 40.0


class Pedalled:
    """A rig as ``evenbed simrig`` builds it, on the virtual clock, with a head that wants one pull after another."""

    def __init__(self, request: SimrigRequest, reference_n: float = 215.75) -> None:
        plan = planned(request).rig
        self.rig = Rig(plan.plant(), plan.params(), seed=plan.seed)
        self.cast = Cast.of(request, self.rig, plan, FaultPlayer(self.rig, [], seed=plan.seed))
        self.run = VirtualRun(self.rig, 250.0)
        self.run.on_line = self._plan
        self._pull = Pull(reference_n, family="nylon")
        self.cast.connected(self.rig, plan, False)
        self.work = self.cast.work
        assert self.work is not None
        self.until(lambda: self.state == "unarmed")

    def _plan(self, now_s: float) -> None:
        head = self.run.loop.head
        if head is not None and head.pull is None and head.state in ("unarmed", "slack"):
            head.plan(self._pull)

    @property
    def state(self) -> str:
        """That of the head."""
        head = self.run.loop.head
        return head.state if head is not None else ""

    @property
    def said(self) -> list[str]:
        """What the hands have said."""
        assert self.work is not None
        return [what for _, what in sorted((entry for who in self.work.logs for entry in who.log), key=lambda e: e[0])]

    def until(self, done: Callable[[], bool]) -> None:
        """Go on until it is done."""
        assert self.run.run(self.rig.t_us * 1e-6 + LONGEST_S, done), (self.state, self.said)

    def wait(self, for_s: float) -> None:
        """Let time pass."""
        self.run.run(self.rig.t_us * 1e-6 + for_s)

    def arm(self) -> None:
        """The pedal held, by lines."""
        self.wait(1.0)
        assert self.cast.do("down") == ""
        self.wait(2.4)
        self.cast.do("up")
        self.until(lambda: self.state == "slack")
        self.wait(1.2)

    def draw(self) -> None:
        """A tap, and another one once the clamp is set."""
        before = self.said.count("the clamp is set: tap")
        self.cast.do("t")
        self.until(lambda: self.said.count("the clamp is set: tap") > before)
        self.wait(0.5)
        self.cast.do("t")
        self.until(lambda: self.state == "slack")
        self.wait(2.5)


def test_the_foot_draws_and_the_hands_do_the_rest() -> None:
    at = Pedalled(SimrigRequest(hands="pedal", racquet=DEMO, seed=3))
    strings = at.work.strings if at.work else None
    assert isinstance(strings, PlanStrings)
    at.arm()
    at.draw()
    at.draw()
    assert [p.label for p in strings.bed.peaks] == ["main 1 left", "main 1 right"]
    assert at.said.count("opens the previous clamp") == 1  # the first string has none
    assert at.said[-1] == "main 2 right is in the gripper"
    assert at.cast.do("again") == "again, then"
    at.wait(1.5)
    assert at.said[-1] == "main 1 right once more: its tail is in the gripper"
    assert at.cast.do("string 4") == "string, then"
    at.wait(1.5)
    assert at.said[-1] == "main 2 left is in the gripper"
    assert "not understood" in at.cast.do("sing") and "string 7" in at.cast.do("sing")


def test_a_string_let_down_by_the_foot_is_drawn_again() -> None:
    at = Pedalled(SimrigRequest(hands="pedal", racquet=DEMO, seed=3))
    at.arm()
    at.cast.do("t")
    at.until(lambda: at.state == "holding")
    at.wait(0.6)  # sooner the press would be meant for the draw
    at.cast.do("down")
    at.wait(1.2)
    at.cast.do("up")
    at.until(lambda: at.state == "slack")
    at.wait(4.0)
    assert at.said[-2:] == ["the string was let down", "main 1 left is in the gripper"]
    at.draw()
    assert [p.label for p in at.work.strings.bed.peaks] == ["main 1 left"]  # type: ignore[union-attr]


def stopped(at: Pedalled, at_n: float) -> None:
    """A draw, stopped as it passes a force."""
    at.cast.do("t")
    at.until(lambda: at.rig.force_n > at_n)
    at.run.loop.ask(Ask.STOP)
    at.wait(4.0)
    assert at.state == "frozen"


@pytest.mark.parametrize("woven", [False, True], ids=["main", "cross"])
@pytest.mark.parametrize("at_n", [20.0, 90.0, 180.0])
def test_hands_leave_a_string_alone_that_a_stop_has_left_on_the_head(at_n: float, woven: bool) -> None:
    at = Pedalled(SimrigRequest(hands="pedal", woven=woven, seed=3))
    at.arm()
    at.draw()
    before = len(at.said)
    stopped(at, at_n)
    assert at.said[before:] == ["stopped: hands off the string until it has been let down"]
    at.cast.do("t")
    at.until(lambda: at.state == "slack")
    at.wait(3.0)
    assert at.said[-2:] == ["the string was let down", "the next string is in the gripper"]
    at.draw()


@pytest.mark.parametrize("at_once", [False, True], ids=["later", "at once"])
def test_a_string_that_the_board_has_let_down_by_itself_comes_off(at_once: bool) -> None:
    at = Pedalled(SimrigRequest(hands="pedal", seed=3))
    at.arm()
    at.draw()
    stopped(at, 120.0)
    at.cast.do("down")  # held: the board lets down, without the host
    at.until(lambda: at.state == "slack")
    at.cast.do("up")
    if at_once:
        at.wait(1.2)
    else:
        at.wait(8.0)
        assert at.said[-1] == "the next string is in the gripper"
    at.draw()


def test_a_clamp_that_a_stop_finds_set_stays_set() -> None:
    at = Pedalled(SimrigRequest(hands="pedal", racquet=DEMO, seed=3))
    at.arm()
    at.cast.do("t")
    at.until(lambda: at.said[-1] == "the clamp is set: tap")
    at.run.loop.ask(Ask.STOP)
    at.wait(1.0)
    at.cast.do("t")
    at.until(lambda: at.state == "slack")
    at.wait(3.0)
    assert at.said[-2:] == ["string let off", "main 1 right is in the gripper"]
    assert len(at.work.strings.bed.loaded) == 1  # type: ignore[union-attr]


@pytest.mark.parametrize("stop", [False, True], ids=["held down", "stopped"])
def test_a_string_that_still_pulls_at_the_end_is_taken_out_by_hand(stop: bool) -> None:
    at = Pedalled(SimrigRequest(hands="pedal", seed=3))
    at.arm()
    at.draw()
    at.cast.do("t")
    at.until(lambda: at.said[-1] == "opens the previous clamp")
    at.rig.flush()
    if stop:
        at.run.loop.ask(Ask.STOP)
        at.wait(1.0)
        at.cast.do("t")
    else:
        at.cast.do("down")
        at.wait(1.2)
        at.cast.do("up")
    at.until(lambda: at.state == "easing_off" and at.rig.force_n < 150.0)
    at.rig.plant.add_path(20.0, 1.0)  # caught on something meanwhile: shorter now by more than the slack
    at.until(lambda: any(event.name == "end_reached" for _, event in at.run.events))
    at.until(lambda: at.state == "slack")
    at.wait(3.0)
    assert at.said[-2:] == [
        "the carriage is at its end: takes the string out of the gripper",
        "the next string is in the gripper",
    ]
    at.draw()


def test_without_a_racquet_the_same_string_comes_again() -> None:
    at = Pedalled(SimrigRequest(hands="pedal", seed=3))
    at.arm()
    first = at.rig.plant
    at.draw()
    assert at.rig.plant is not first
    assert "'down' and 'up'" in at.cast.do("string 4")


def test_a_racquet_of_which_a_part_is_done() -> None:
    rig = Rig(planned(SimrigRequest()).rig.plant())
    work = Work(rig, planned(SimrigRequest()).rig, None, "pedal", DEMO, "good", range(1, 7))  # type: ignore[arg-type]
    work.next_string()
    assert work.strings.log[-1][1] == "cross 1 is in the gripper"
    assert len(work.strings.bed.loaded) == 6  # type: ignore[union-attr]


@pytest.mark.parametrize("given", [subprocess.PIPE, subprocess.DEVNULL], ids=["then closed", "ended from the start"])
def test_the_rig_ends_with_the_lines_of_its_foot(given: int) -> None:
    command = [sys.executable, "-m", "evenbed.cli.main", "simrig", "--hands", "pedal"]
    with subprocess.Popen(command, stdin=given, stdout=subprocess.PIPE, text=True) as rig:
        assert rig.stdout is not None and "Simulated rig on" in rig.stdout.readline()
        patience = threading.Timer(60.0, rig.kill)
        patience.start()
        if rig.stdin is not None:
            rig.stdin.close()
        said = rig.stdout.read()
    patience.cancel()
    assert "The lines have ended" in said and "Largest true force" in said and rig.returncode == 0


@pytest.mark.parametrize("hands", ["auto", "keys", "prove", "weights", "gauge"])
def test_a_rig_with_other_hands_goes_on_without_lines(hands: str) -> None:
    request = SimrigRequest(hands=hands, racquet=DEMO if hands == "auto" else None)
    plan = planned(request).rig
    rig = Rig(plan.plant())
    assert not Cast.of(request, rig, plan, FaultPlayer(rig, [])).by_lines


@pytest.mark.parametrize(
    ("request_", "why"),
    [
        (SimrigRequest(racquet=Path("no-such-racquet")), "no such file"),
        (SimrigRequest(racquet=DEMO, habit="yawns"), "no habit 'yawns'"),
        (SimrigRequest(racquet=DEMO, done=(1, 14)), "13 pulls, there is no pull 14"),
        (SimrigRequest(habit="snag"), "needs a racquet"),
        (SimrigRequest(hands="pedal", habit="snag"), "needs a racquet"),
    ],
)
def test_what_cannot_be_is_said(request_: SimrigRequest, why: str) -> None:
    plan = planned(request_).rig
    rig = Rig(plan.plant())
    with pytest.raises(HandsError, match=why):
        Cast.of(request_, rig, plan, FaultPlayer(rig, []))


def test_hands_that_take_a_string_back_leave_its_clamp_open() -> None:
    at = Pedalled(SimrigRequest(hands="pedal", racquet=DEMO, seed=3))
    at.arm()
    at.draw()
    at.cast.do("back")
    at.wait(2.0)
    at.cast.do("t")
    at.until(lambda: at.said[-1].startswith("the clamp is open: hold the pedal"))
    at.wait(8.0)
    assert at.state == "holding" and at.said[-1].startswith("the clamp is open")


def test_a_rig_ends_with_whoever_reads_it() -> None:
    command = [sys.executable, "-m", "evenbed.cli.main", "simrig"]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, text=True) as rig:
        assert rig.stdout is not None and " on " in rig.stdout.readline()
        rig.stdout.close()
        assert rig.stderr is not None and rig.stderr.read() == ""  # it has ended, without a word
