"""Hands of ``evenbed simrig`` that go on: a whole racquet, or the same string again and again; with or without a foot."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from evenbed_sim.racquet_hands import PedalledHands, RacquetHands, Strings
from evenbed_sim.rig import Rig
from evenbed_sim.scenario import RigPlan
from evenbed_sim.scenarios.plan_strings import WAYS, PlanStrings
from evenbed_sim.stringer import Habits

from evenbed.racquet.file import find
from evenbed.rig import RigError, load
from evenbed.work.jobs import JobError, racquet_plan

HOLD_S = 2.3
TAP_S = 0.2
LAST_TAPS = 10  # after the last string: a knot and the closing list
FOOT = "'down' and 'up' (the pedal), 't' (a tap), 'h' (held for 2.3 s)"


class HandsError(ValueError):
    """Hands that cannot begin; the text says why."""


class Said(Protocol):
    """What says what it does, with the time in s."""

    log: list[tuple[float, str]]


class SameString:
    """See ``racquet_hands.Strings``: a new string of the same kind for each pull."""

    def __init__(self, rig: Rig, plan: RigPlan, habits: Habits) -> None:
        self._rig = rig
        self._plan = plan
        self._habits = habits
        self._threaded = True  # the rig comes with one in its gripper
        self.log: list[tuple[float, str]] = []

    def thread(self, t_s: float) -> tuple[Habits | None, bool]:
        """A string, if there is none."""
        fresh = not self._threaded
        if fresh:
            self._rig.mount(self._plan.plant())
            self.log.append((t_s, "the next string is in the gripper"))
        self._threaded = True
        return self._habits, fresh

    def let_off(self, t_s: float) -> None:
        """The gripper is empty."""
        self._threaded = False


class Foot:
    """Lines and keys for the pedal, and for what comes next into the gripper."""

    def __init__(self, rig: Rig, strings: Strings) -> None:
        self._rig = rig
        self._strings = strings
        self._release_us = 0.0
        rig.watchers.append(self._watch)

    def _watch(self, t_us: float) -> None:
        if self._release_us and t_us >= self._release_us:
            self._press(False)

    def _press(self, down: bool, for_s: float = 0.0) -> None:
        self._rig.press_pedal(down)
        self._release_us = self._rig.t_us + for_s * 1e6 if for_s else 0.0

    def do(self, line: str) -> str:
        """Do what a line (or a key) says; return what was done, "" for the pedal itself."""
        word = line.strip()
        if word in ("down", "up"):
            self._press(word == "down")
        elif word in ("t", "h"):
            self._press(True, TAP_S if word == "t" else HOLD_S)
        elif isinstance(self._strings, PlanStrings) and word:
            return self._strings.choose(word, self._rig.force_n)
        elif word:
            return f"not understood; there are {FOOT}"
        return ""


class Work:
    """Strings, hands and foot of one simulated rig. ``how`` says what may be typed."""

    def __init__(
        self, rig: Rig, plan: RigPlan, habits: Habits, hands: str, racquet: Path | None, habit: str, done: Sequence[int]
    ) -> None:
        """``hands`` is "auto", "pedal" or "keys" (then these hands only wait). Raises HandsError."""
        self.strings: PlanStrings | SameString = SameString(rig, plan, habits)
        if racquet is not None:
            try:
                made, _ = racquet_plan(find(str(racquet)), load())
                self.strings = PlanStrings(rig, made, plan.seed, (habit,), done)
            except (JobError, RigError, ValueError) as e:
                raise HandsError(str(e)) from None
        elif habit != "good":
            raise HandsError("a habit needs a racquet: --racquet FILE.")
        self._rig = rig
        by_foot = hands != "auto"
        self.stringer: RacquetHands = (PedalledHands if by_foot else RacquetHands)(rig, self.strings, plan.seed, LAST_TAPS)
        self.stringer.wait()
        self.foot = Foot(rig, self.strings)
        ways = f"{FOOT}; between two strings {WAYS}" if racquet is not None else FOOT
        if by_foot:
            self.how = f"You are the foot, the hands act by themselves. Lines: {ways}. Ctrl-C ends."
        else:
            self.how = f"The stringer acts by itself. Lines, between two strings: {WAYS}. Ctrl-C ends."

    def next_string(self) -> str:
        """Take the string in the gripper as done, and put the next one there; what was done."""
        t = self._rig.t_us * 1e-6
        if self._rig.force_n > 1.0:
            return "cannot: a string is on the head"
        self.strings.let_off(t)
        habits, _ = self.strings.thread(t)
        return "no string is left" if habits is None else "the next string is in the gripper"

    @property
    def logs(self) -> list[Said]:
        """What says what is done."""
        return [self.stringer, self.strings]
