"""The pedal as the head hears it: taps and holds, from counts and times that the board keeps.

Counted on the board, so a lost or repeated line is harmless; presses from before this listener began are void.
"""

from __future__ import annotations

from evenbed_fw.pedal import STAND_US
from evenbed_fw.safety import F_PEDAL, F_PEDAL_FAULT, TAP_MS

from evenbed.head import states as st
from evenbed.link.messages import Sample

LOCK_OUT_S = 0.3  # after a change of state a press is still meant for what was
DOUBLE_S = 1.0  # a second press this soon never raises the force
HOLD_MS = 1000
LONG_HOLD_MS = 2000
KEPT_S = 5.0
KEPT_DOWN = (
    f"For {KEPT_S:.0f} s the pedal has been down, or its two contacts disagree: nothing starts meanwhile. Take the foot "
    "off; if none is on it, something lies on it, or a contact or its cable is stuck or broken."
)

NO_USE = (
    f"For {KEPT_S:.0f} s the pedal has counted neither as up nor as down: its contacts disagree, come to no rest, or were "
    "closed from the start. Take off what lies on it, or pull its plug and look at its cable. Without it the string comes "
    "down from the screen (Ctrl-C in a terminal), or where the drive is off by the hand knob."
)
HINTS = {  # what is said, and in which states
    "kept down": (KEPT_DOWN, (st.UNARMED, st.SLACK)),
    "no use": (NO_USE, (st.PRE_STRETCHING, st.HOLDING, st.PROVING_CLAMP, st.FROZEN, st.BOOTED_LOADED, st.TRIPPED)),
}


class PedalListener:
    """Turns samples into ``"tap"``, ``"hold"`` (1 s), ``"long hold"`` (2 s, after its hold) and, when that is let go of,
    ``"long hold over"``; ``"kept down"`` once it is down, or its contacts disagree, for 5 s of one state, and ``"no use"``
    if in these it was no hold either."""

    def __init__(self) -> None:
        self._presses: int | None = None
        self._live = False  # the present press began while we listened
        self._told_ms = 0
        self._locked_until = 0.0
        self._down = False
        # Since when it is not up, and since when of no use; have these been told?
        self._kept_s: float | None = None
        self._useless_s: float | None = None
        self._kept_told = self._useless_told = False
        self._up_s = -10.0  # when the last press ended, whatever it was
        self.double = False  # the last tap began within DOUBLE_S of the end of the press before

    def lock(self, now_s: float) -> None:
        """The state has changed: what is down now, or goes down in the next moment, was meant for the old one."""
        self._locked_until = now_s + LOCK_OUT_S
        self._live = False

    def hear(self, now_s: float, sample: Sample) -> list[str]:
        """Return what the pedal said since the last sample."""
        said: list[str] = []
        down = sample.has(F_PEDAL)
        new = self._presses is not None and sample.presses != self._presses
        self._presses = sample.presses
        if new:
            self._live = now_s >= self._locked_until
            self._told_ms = 0
            began_s = now_s - (sample.held_ms if down else sample.last_ms) / 1000.0
            self.double = began_s - self._up_s < DOUBLE_S  # as the board counts it
        if not down and (new or self._down):
            self._up_s = now_s - STAND_US * 1e-6  # for so long the release has stood
        self._down = down
        kept = down or sample.has(F_PEDAL_FAULT)
        a_hold = down and sample.held_ms >= HOLD_MS
        self._kept_s, self._kept_told, due = self._lasts(now_s, kept, self._kept_s, self._kept_told)
        if due:
            said.append("kept down")
        self._useless_s, self._useless_told, due = self._lasts(
            now_s, kept and not a_hold, self._useless_s, self._useless_told
        )
        if due:
            said.append("no use")
        if not self._live:
            return said
        if down:
            if sample.held_ms >= HOLD_MS > self._told_ms:
                said.append("hold")
            if sample.held_ms >= LONG_HOLD_MS > self._told_ms:
                said.append("long hold")
            self._told_ms = max(self._told_ms, sample.held_ms)
        else:
            self._live = False
            if self._told_ms < HOLD_MS and sample.last_ms < TAP_MS:
                said.append("tap")
            elif self._told_ms >= LONG_HOLD_MS:
                said.append("long hold over")
        return said

    def _lasts(self, now_s: float, so: bool, from_s: float | None, told: bool) -> tuple[float | None, bool, bool]:
        """Since when it is so, has that been told, and is it to be told now?"""
        if not so:
            return None, False, False
        from_s = now_s if from_s is None else from_s
        due = not told and now_s > max(from_s, self._locked_until) + KEPT_S
        return from_s, told or due, due
