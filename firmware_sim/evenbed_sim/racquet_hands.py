"""Simulated hands for a whole racquet: one string after another, lists and knots answered with a tap, clamps set again.

They see and feel the rig alone. What a tap meant shows by what the head does: if nothing moves, something was answered.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from evenbed_fw.safety import ARMED, FROZEN, HOLDING, LATCHED

from evenbed_sim.rig import Rig
from evenbed_sim.stringer import LAMP, Habits, Stringer

ANSWER_S = 1.6  # after so long without motion a tap has drawn nothing
THREADED_S = 1.0
STANDS_CLEAR_S = 6.0  # before a string is taken back
QUESTION_S = 2.5  # a head that stands so long with the string still tight asks about the clamp
ASKED_S = 3.0
LOADED_N = 20.0
SLACK_N = 8.0
BACK_S = 1.5  # from the tap to the reference
OPEN_S = 1.5
PATIENT = 3  # times a clamp is set again before the string is let down
CLEARS_S = 2.4  # of the pedal, with no string on the head
HOLD_S = 1.3  # of the pedal, to let a string down
STUCK_S = 3.0  # a string that pulls for so long with the carriage at its end comes out of the gripper by hand


class Strings(Protocol):
    """Where the strings come from and go to. Times are those of the rig, s."""

    def thread(self, t_s: float) -> tuple[Habits | None, bool]:
        """Put the next string into the gripper, if one is wanted: how to handle it (None: a tap will draw nothing), and
        whether it has just been put there. Asked again before the draw it answers the same."""

    def let_off(self, t_s: float) -> None:
        """The gripper is empty: the string is clamped, or was let down."""


class RacquetHands(Stringer):
    """Hands that go on until they are told to ``wait``."""

    def __init__(self, rig: Rig, strings: Strings, seed: int = 1, taps_most: int | None = None) -> None:
        """With ``taps_most`` they rest after so many taps that drew nothing, until ``begin``."""
        super().__init__(rig, Habits(), seed)
        self._strings = strings
        self._taps_most = taps_most
        self._idle_taps = 0
        self._tapped_s = 0.0
        self.clamped = False  # was the new clamp set on the string in the gripper?
        self._held_n = 0.0
        self._careful = False
        self._asked = 0  # times that the head doubted this clamp

    def _let_down(self, t: float) -> None:
        self._strings.let_off(t)
        self.clamped = False
        self._do("look", 1.5)

    def _stuck(self, t: float) -> bool:
        """Has the head let down as far as it will, and the string still pulls? Then the hands take it out."""
        rig = self.rig
        if rig.force_n < 1.0 or not self._quiet(t, STUCK_S):
            return False
        if rig.carriage.end_low:
            self._note(t, "the carriage is at its end: takes the string out of the gripper")
        elif rig.force_n < SLACK_N and rig.board.core.state in (ARMED, LATCHED):
            self._note(t, "it hardly pulls any more: takes the string out of the gripper")
        else:
            return False
        rig.flush()
        rig.plant.string_breaks()  # to the rig it is the same
        self._strings.let_off(t)
        return True

    def _trouble(self, t: float) -> bool:
        return super()._trouble(t) and not (self._letting_down and self._stuck(t))

    def _ready(self, t: float) -> None:
        if not self.rig.hw.enabled:
            self._do("look", 0.5)
            return
        if self.rig.force_n > SLACK_N or not self._quiet(t, 0.3):
            self._stuck(t)
            return
        if self.rig.board.core.state == FROZEN:
            self._note(t, "holds the pedal: the stop is cleared")
            self.rig.press_pedal(True)
            self._doing, self._due_s = "arming", t + CLEARS_S
            return
        habits, fresh = self._strings.thread(t)
        if fresh:
            self._careful = False
        if habits is not None:
            self.habits = replace(habits, double_taps=False) if self._careful else habits
        self.clamped, self._asked = False, 0
        if fresh:
            self._do("ready", STANDS_CLEAR_S if self.habits.lets_down else THREADED_S)
            return
        if habits is None and self._idle_taps == self._taps_most:
            self._idle_taps = 0
            self.wait()
            return
        self._idle_taps = 0 if habits is not None else self._idle_taps + 1
        self._note(t, "taps to draw" if habits is not None else "taps: seen")
        self._tapped_s = t
        self._tap("drawing" if habits is not None else "answered")

    def _answered(self, t: float) -> None:
        """A tap that was not to draw anything."""
        if t - self._tapped_s > ANSWER_S:
            self._do("drawing" if self.rig.force_n > LOADED_N or not self._quiet(t, 0.3) else "ready", 0.1)

    def _drawing(self, t: float) -> None:
        if self.rig.force_n > LOADED_N and self._quiet(t, 0.25):
            self._do("free" if self.habits.frees_clamp else "handed_over", self.habits.free_clamp_s)
        elif t - self._tapped_s > ANSWER_S and self.rig.force_n < SLACK_N and self._quiet(t, 1.0):
            self._careful = True  # whatever it was, the next press is a single one
            self._do("ready", 0.3)

    def _handed_over(self, t: float) -> None:
        if self.habits.lets_down:
            self._do("lower", 1.0)
            return
        super()._handed_over(t)

    def _lower(self, t: float) -> None:
        self._note(t, "holds the pedal: the string is let down")
        self.rig.press_pedal(True)
        self._doing, self._due_s = "lowered", t + HOLD_S

    def _lowered(self, t: float) -> None:
        self.rig.press_pedal(False)
        self._doing, self._tapped_s = "letting_off", t

    def _clamp(self, t: float) -> None:
        self._held_n = self.rig.force_n
        super()._clamp(t)
        self.clamped = True

    def _clamped(self, t: float) -> None:
        self._tapped_s = t
        super()._clamped(t)

    def _letting_off(self, t: float) -> None:
        force_n = self.rig.force_n
        if force_n < 1.0 and self._quiet(t, 0.5):
            self.done += 1
            self._note(t, "string let off")
            self._strings.let_off(t)
            self._do("ready", 0.9)
        elif t - self._tapped_s > ASKED_S and force_n > LOADED_N and self._quiet(t, QUESTION_S):
            self._asked += 1
            if self._asked > PATIENT:
                self._lower(t)
                return
            self._note(t, "looks at the clamp, taps: back to the reference")
            self._tapped_s = t
            self._tap("set_again")

    def _set_again(self, t: float) -> None:
        if t - self._tapped_s < BACK_S:
            return
        self._open_clamp(t)

    def _open_clamp(self, t: float) -> None:
        self._note(t, "opens the clamp")
        self.rig.flush()
        self.rig.plant.close_clamp(0.0)
        self._do("shut_clamp", OPEN_S)

    def _shut_clamp(self, t: float) -> None:
        self._note(t, "sets the clamp again")
        self.rig.flush()
        self.rig.plant.close_clamp()
        self._do("clamped", self.habits.after_clamp_s)


class PedalledHands(RacquetHands):
    """The same without a foot: somebody else works the pedal, and these hands do what is to be done in between."""

    def _look(self, t: float) -> None:
        self._doing = "ready"

    def _trouble(self, t: float) -> bool:
        """A string that a stop has left on the head can only come down, and nothing is done to it before. A clamp that is
        set on it stays."""
        if self.rig.board.core.state not in LAMP or self.rig.force_n < 1.0 or self._doing == "letting_off":
            return False
        if self._doing == "clamped":
            self._doing = "letting_off"
        elif self._doing != "comes_down":
            self._note(t, "stopped: hands off the string until it has been let down")
            self._doing, self.clamped = "comes_down", False
        return False

    def _comes_down(self, t: float) -> None:
        if self.rig.force_n < 1.0 and self._quiet(t, 0.5):
            self._gone(t)
        elif self._stuck(t):
            self._do("ready", 0.9)
        elif self.rig.force_n > LOADED_N and self._quiet(t, 0.25) and self.rig.board.core.state == HOLDING:
            self._doing = "drawing"  # it has been drawn once more as it was

    def _ready(self, t: float) -> None:
        if self.rig.force_n <= SLACK_N and not self.clamped:
            habits, _ = self._strings.thread(t)
            if habits is not None:
                self.habits = habits
        self.clamped = False
        if self.rig.force_n > LOADED_N:
            self._doing = "drawing"

    def _drawing(self, t: float) -> None:
        self._tapped_s = t
        if self.rig.force_n < 1.0 and self._quiet(t, 0.5):
            self._gone(t)
            return
        super()._drawing(t)

    def _watch(self, t_us: float) -> None:
        # Whatever the hands were about to do: a string that is let down has nothing done to it.
        if self._doing in ("free", "handed_over", "straightened", "clamp") and self.rig.force_n < SLACK_N:
            self._doing = "comes_down"
        super()._watch(t_us)

    def _gone(self, t: float) -> None:
        self._note(t, "the string was let down")
        self._strings.let_off(t)
        self._do("ready", 0.9)

    def _clamped(self, t: float) -> None:
        self._note(t, "the clamp is set: tap")
        self._lowest_n = self.rig.force_n
        self._doing = "letting_off"

    _lowest_n = 0.0

    def _letting_off(self, t: float) -> None:
        force_n = self.rig.force_n
        if force_n < 1.0 and self._quiet(t, 0.5):
            self.done += 1
            self._note(t, "string let off")
            self._strings.let_off(t)
            self.clamped = False
            self._do("ready", 0.9)
            return
        if self._stuck(t):
            self._do("ready", 0.9)
            return
        self._lowest_n = min(self._lowest_n, force_n)
        if self._lowest_n < 0.97 * self._held_n < 0.99 * force_n and self._quiet(t, 0.5):
            # It was eased and came back: the head has asked about the clamp.
            self._open_clamp(t)

    def _lower(self, t: float) -> None:
        self._note(t, "the clamp is open: hold the pedal to let the string down")
        self._doing, self._held_n = "letting_off", 0.0  # no clamp is set, and none is asked about
