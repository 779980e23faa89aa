"""Simulated hands for the self-proving start: pedal, emergency stop, check weight, then one pull like any other."""

from __future__ import annotations

from collections.abc import Callable

from evenbed_fw.safety import FROZEN

from evenbed_sim.rig import Rig
from evenbed_sim.stringer import Stringer

CLEAR_S = 2.4
GAP_S = 1.0
SLACK_N = 6.5  # the stringer lets go of the pedal below 6 N


class ProvingHands:
    """Acts by the clock from ``begin`` on, one thing after another; ``weight_n`` is what hangs on the hook nearby."""

    def __init__(self, rig: Rig, stringer: Stringer, weight_n: float | None) -> None:
        self._rig = rig
        self._stringer = stringer
        self._script: list[tuple[float, str, Callable[[], None]]] = []
        self._weight_n = weight_n
        self._clear_s: float | None = None
        self._next_s = 0.0
        self.log: list[tuple[float, str]] = []
        rig.watchers.append(self._watch)

    def begin(self) -> None:
        """Somebody has connected: begin."""
        rig = self._rig
        t = rig.t_us * 1e-6
        steps: list[tuple[float, str, Callable[[], None]]] = [
            (1.5, "presses the pedal", lambda: rig.press_pedal(True)),
            (0.3, "", lambda: rig.press_pedal(False)),
            (1.5, "presses the emergency stop", lambda: rig.press_estop(True)),
            (1.5, "releases it", lambda: rig.press_estop(False)),
        ]
        if self._weight_n is not None:
            steps += [
                (3.0, "hangs the weight", lambda: rig.hang(self._weight_n or 0.0)),
                (3.5, "takes it off", lambda: rig.hang(0.0)),
            ]
        steps.append((3.0, "a loop of old string into the gripper", self._pull))
        self._script = []
        for wait_s, what, deed in steps:
            t += wait_s
            self._script.append((t, what, deed))

    def _pull(self) -> None:
        self._stringer.pulls_wanted = self._stringer.done + 1
        self._stringer.begin()

    def _watch(self, t_us: float) -> None:
        t = t_us * 1e-6
        while self._script and t >= self._script[0][0]:
            _, what, deed = self._script.pop(0)
            deed()
            if what:
                self.log.append((t, what))
        # Let down after the trip, the board wants to be cleared: one more long press.
        core = self._rig.board.core
        slack = core.state == FROZEN and core.fault and not self._rig.pedal_down and self._rig.force_n < SLACK_N
        if self._clear_s is not None and t >= self._clear_s:
            self._clear_s = None
            self._next_s = t + GAP_S
            self._rig.press_pedal(False)
        elif slack and self._clear_s is None and not self._script and t >= self._next_s:
            self._clear_s = t + CLEAR_S
            self._rig.press_pedal(True)
            self.log.append((t, "holds the pedal to clear"))
