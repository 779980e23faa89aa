"""A simulated stringer: sees and feels the rig, knows nothing of the program, and works at human speed.

Arms with a long press, taps to draw, opens the previous clamp once the head stands, straightens a cross, sets the new
clamp, taps, and waits for the string to be let off. What is seen and felt: the drive's lamp, the carriage, the force.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from evenbed_fw.safety import CUT, EASING, FROZEN

from evenbed_sim.rig import Rig

LAMP = (FROZEN, CUT, EASING)  # the board stands, or lets down by itself


@dataclass(frozen=True)
class Habits:
    """Timing in seconds, as means; every delay varies by a fifth. ``wait_s`` from the last work to the clamp."""

    reaction_s: float = 0.35
    free_clamp_s: float = 0.5
    frees_clamp: bool = True  # the first string has no previous clamp
    straighten: bool = False
    push_mm: float = 1.5
    push_s: float = 0.3
    feed_mm: float = 2.5
    feed_s: float = 0.8
    wait_s: float = 2.5
    tap_s: float = 0.18
    after_clamp_s: float = 0.6
    clamp_slips_above_n: float | None = None
    forgets_clamp: bool = False
    double_taps: bool = False
    lean_mm: float = 0.0  # path gained by a push on the bed during the hold, > 0 if there is one
    lean_s: float = 0.8
    lets_down: bool = False  # holds the pedal instead of setting a clamp: the string is taken back


class Stringer:
    """Does one pull after another for as long as pulls are handed over with ``next_pull``."""

    def __init__(self, rig: Rig, habits: Habits | None = None, seed: int = 1) -> None:
        self.rig = rig
        self.habits = habits or Habits()
        self._rng = Random(seed)
        self._doing = "look"
        self._due_s = 0.8
        self._last_mm = 0.0
        self._quiet_since_s = 0.0
        self._letting_down = False
        self._lamp_since_s = 0.0
        self.pulls_wanted = 1
        self.done = 0
        self.log: list[tuple[float, str]] = []
        rig.watchers.append(self._watch)

    def next_pull(self, habits: Habits | None = None) -> None:
        """A new string is in the gripper: do one more."""
        if habits is not None:
            self.habits = habits
        self.pulls_wanted += 1
        if self._doing == "rest":
            self._do("ready", 0.9)

    def wait(self) -> None:
        """Stand by until ``begin``."""
        self._doing = "rest"

    def begin(self) -> None:
        """Somebody is ready: look at the rig and begin."""
        if self._doing == "rest":
            self._do("look", 1.0)

    def _do(self, what: str, after_s: float) -> None:
        self._doing = what
        self._due_s = self.rig.t_us * 1e-6 + after_s * self._rng.uniform(0.8, 1.2)

    def _watch(self, t_us: float) -> None:
        t = t_us * 1e-6
        moved = abs(self.rig.carriage.mm - self._last_mm)
        self._last_mm = self.rig.carriage.mm
        if moved > 0.03:  # more than 3 mm/s is seen
            self._quiet_since_s = t
        if self._trouble(t) or t < self._due_s:
            return
        step = getattr(self, "_" + self._doing)
        step(t)

    def _trouble(self, t: float) -> bool:
        """The board's lamp says that it stands with a string on it: after a moment, hold the pedal to let it down."""
        lamp = self.rig.board.core.state in LAMP
        if not lamp or self.rig.force_n < 6.0:
            if self._letting_down:
                self._letting_down = False
                self.rig.press_pedal(False)
                self._note(t, "lets go of the pedal")
                self._let_down(t)
            self._lamp_since_s = t
            return False
        if t - self._lamp_since_s > 2.5 and not self._letting_down:
            self._letting_down = True
            self.rig.press_pedal(False)
            self._note(t, "holds the pedal to let the string down")
        elif self._letting_down and t - self._lamp_since_s > 2.8:
            self.rig.press_pedal(t - self._lamp_since_s < 10.5)
        return True

    def _let_down(self, t: float) -> None:
        """A string has come down after a stop."""
        self._doing = "rest"
        self.done = self.pulls_wanted

    def _quiet(self, t: float, for_s: float) -> bool:
        return t - self._quiet_since_s > for_s

    def _note(self, t: float, what: str) -> None:
        self.log.append((t, what))

    # each returns when there is nothing to do yet
    def _look(self, t: float) -> None:
        if self.rig.hw.enabled:
            self._do("ready", 1.2)
            return
        self.rig.press_pedal(True)
        self._note(t, "holds the pedal to arm")
        self._doing, self._due_s = "arming", t + 2.4

    def _arming(self, t: float) -> None:
        self.rig.press_pedal(False)
        self._do("armed", 1.3)

    def _armed(self, t: float) -> None:
        self._do("ready" if self.rig.hw.enabled else "look", 0.6)

    def _ready(self, t: float) -> None:
        if self.done >= self.pulls_wanted:
            self._doing = "rest"
            return
        if not self.rig.hw.enabled:
            self._do("look", 0.5)
            return
        if self.rig.force_n > 5.0 or not self._quiet(t, 0.3):
            return
        self._note(t, "taps to draw")
        self._tap("drawing")

    def _tap(self, then: str) -> None:
        self.rig.press_pedal(True)
        self._after_tap = then
        self._do("release", self.habits.tap_s)

    def _release(self, t: float) -> None:
        self.rig.press_pedal(False)
        self._do("second_tap" if self.habits.double_taps else self._after_tap, 0.3)

    def _second_tap(self, t: float) -> None:
        self._note(t, "taps a second time")
        self.rig.press_pedal(True)
        self._do("second_release", self.habits.tap_s)

    def _second_release(self, t: float) -> None:
        self.rig.press_pedal(False)
        self._do(self._after_tap, 0.3)

    def _drawing(self, t: float) -> None:
        if self.rig.force_n > 20.0 and self._quiet(t, 0.25):
            self._do("free" if self.habits.frees_clamp else "handed_over", self.habits.free_clamp_s)

    def _free(self, t: float) -> None:
        self.rig.flush()
        try:
            self.rig.plant.free_previous_clamp()
            self._note(t, "opens the previous clamp")
        except RuntimeError:
            self._note(t, "finds no previous clamp to open")
        self._do("handed_over", self.habits.reaction_s)

    def _handed_over(self, t: float) -> None:
        if not self._quiet(t, 0.4):
            return
        h = self.habits
        if h.lean_mm:
            self._note(t, "leans on the strings")
            self.rig.flush()
            self.rig.plant.add_path(h.lean_mm, 0.3)
            self.rig.plant.add_path(0.0, h.lean_s)
            self.rig.plant.add_path(-h.lean_mm, 0.3)
        if not h.straighten:
            self._do("clamp", h.wait_s + (h.lean_s + 0.6) * bool(h.lean_mm))
            return
        self._note(t, "straightens")
        self.rig.flush()
        self.rig.plant.add_path(h.push_mm, h.push_s)
        self.rig.plant.add_path(-h.feed_mm, h.feed_s)
        self._do("straightened", h.push_s + h.feed_s + 0.2 + (h.lean_s + 0.6) * bool(h.lean_mm))

    def _straightened(self, t: float) -> None:
        if self._quiet(t, 0.4):
            self._do("clamp", self.habits.wait_s)

    def _clamp(self, t: float) -> None:
        self.rig.flush()
        if self.habits.forgets_clamp:
            self._note(t, "forgets the clamp")
        else:
            self._note(t, "sets the new clamp")
            self.rig.plant.close_clamp(self.habits.clamp_slips_above_n)
        self._do("clamped", self.habits.after_clamp_s)

    def _clamped(self, t: float) -> None:
        self._note(t, "taps: clamped")
        self._tap("letting_off")

    def _letting_off(self, t: float) -> None:
        if self.rig.force_n < 1.0 and self._quiet(t, 0.5):
            self.done += 1
            self._note(t, "string let off")
            self._do("ready" if self.done < self.pulls_wanted else "rest", 0.9)

    def _rest(self, t: float) -> None:
        return
