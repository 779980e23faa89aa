"""The strings of a racquet's plan for a rig on the real clock: whoever works the pedal, the next one is in the gripper.

The rig does not know what the program at the other end of its port wants. It follows the plan, and is told where that has
gone another way: ``choose``.
"""

from __future__ import annotations

from collections.abc import Sequence

from evenbed.job.marks import Done
from evenbed.job.planned import Plan

from evenbed_sim.habits import GOOD
from evenbed_sim.rig import Rig
from evenbed_sim.scenarios.racquet_bed import Kind, RacquetBed, Task
from evenbed_sim.stringer import Habits

WAYS = "'again' (the last one once more), 'back' (take the last one back), 'string 7' (take pull 7 of the plan next)"
IN_GRIPPER = {"pull": "is in the gripper", "again": "once more: its tail is in the gripper", "back": "to be taken back"}


class PlanStrings:
    """See ``racquet_hands.Strings``. ``log`` says what is put into the gripper, with the time in s."""

    def __init__(
        self, rig: Rig, plan: Plan, seed: int = 1, habits: Sequence[str] = (GOOD,), done: Sequence[int] = ()
    ) -> None:
        """``done``: pulls of the plan, by number, that are in the bed already, in the order in which they were made. Raises
        ValueError for an unknown habit, or for a pull that the plan does not have."""
        self._of = of = {p.number: p for p in plan.pulls}
        if unknown := [n for n in done if n not in of]:
            raise ValueError(f"this racquet has {len(of)} pulls, there is no pull {unknown[0]}")
        made = [Done(of[n], {}, None, False, "") for n in done]
        self.bed = RacquetBed(plan, seed, habits, done=made)
        self.log: list[tuple[float, str]] = []
        self._rig = rig
        self._begun_s = self.bed.begins_s
        self._left = [p for p in plan.pulls if p.number not in done]
        self._done = [of[n] for n in done]
        self._kind: Kind = "pull"
        self._habits = Habits()
        self._told = 0

    @property
    def over(self) -> bool:
        """Is every string in the bed?"""
        return not self._left and self._kind == "pull"

    def thread(self, t_s: float) -> tuple[Habits | None, bool]:
        """See ``racquet_hands.Strings``."""
        if self.over:
            return None, False
        pull = self._left[0] if self._kind == "pull" else self._done[-1]
        task = Task(pull, self._kind, pull.target_n)
        if task == self.bed.task:
            return self._habits, False
        strand, self._habits = self.bed.grip(task, t_s + self._begun_s)
        self._rig.mount(strand)
        self.log.append((t_s, f"{pull.label} {IN_GRIPPER[self._kind]}"))
        self._tell_habits(t_s)
        return self._habits, True

    def _tell_habits(self, t_s: float) -> None:
        for played in self.bed.played[self._told :]:
            self.log.append((t_s, f"HABIT {played.habit} {played.detail}".rstrip()))
        self._told = len(self.bed.played)

    def let_off(self, t_s: float) -> None:
        """See ``racquet_hands.Strings``."""
        task, strand = self.bed.task, self.bed.strand
        self.bed.let_off(t_s + self._begun_s)
        if task is None or strand is None:
            return
        if task.kind == "back":
            if task.pull.name in self.bed.loaded:
                return  # its clamp was not open: still to be taken back
            self._left.insert(0, self._done.pop())
        elif not strand.clamped:
            return  # let down: the same once more
        elif task.kind == "pull":
            self._done.append(self._left.pop(0))
        self._kind = "pull"

    def choose(self, words: str, force_n: float) -> str:
        """Another string next: ``WAYS``; what was done. Only while nothing is on the head. One that is in the bed comes out
        of it first."""
        if force_n > 5.0:
            return "not now: a string is on the head"
        self.let_off(self._rig.t_us * 1e-6)  # one that is off, if hands have not seen that yet
        word, _, number = words.strip().partition(" ")
        if word in ("again", "back") and not number:
            if not self._done:
                return "no string is in the bed yet"
            self._kind = "again" if word == "again" else "back"
        elif word == "string" and number.isdigit() and int(number) in self._of:
            pull = self._of[int(number)]
            if pull in self._done:
                self.bed.take_out(pull, self._rig.t_us * 1e-6 + self._begun_s)
                self._done.remove(pull)
            else:
                self._left.remove(pull)
            self._left.insert(0, pull)
            self._kind = "pull"
        else:
            return f"not understood; there are {WAYS}"
        self.bed.task = self.bed.strand = None
        return f"{word}, then"
