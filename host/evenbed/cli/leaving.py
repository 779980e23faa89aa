"""What is on the head as statuses have shown it for a while, the way out from there, and what a Ctrl-C comes to. Pure.

One reading proves nothing: garbage shows any force for a moment, and a status may come late.
"""

from __future__ import annotations

from evenbed_fw import faults
from evenbed_fw.safety import F_ENABLED, F_ESTOP, F_PEDAL_FAULT, F_SOUND, F_SUPPLY

from evenbed.catalogue import GET_DOWN
from evenbed.control.status import Status
from evenbed.head.guard import LOADED_N
from evenbed.head.proof import SLACK_N
from evenbed.units import show_force

DOWN_S = 0.7  # so long without an exception: sound, unloaded, standing
UNKNOWN_S = 0.5  # so long without a sound reading the force is not known
STANDS_S = 2.0  # a way down that was asked for and does not go on
GAP_S = 0.3  # between two statuses: nobody knows what was in between
IDLE = ("unarmed", "slack", "referencing", "booted_loaded")  # nothing moves, nothing is let down from a screen
LEAVE, LET_DOWN, STOP, STAY = "leave", "let down", "stop", "stay"
TAKE_OUT = "That is too little for the board to let down: take it out of the gripper by hand, eyes covered."
KNOB = "press the emergency stop and turn the hand knob."


class Lately:
    """The statuses of one session, the last and what has held for a while."""

    def __init__(self) -> None:
        self.last: Status | None = None
        self.force_n: float | None = None  # the last sound one, from the reference zero
        self.armed = False  # was anything ever armed, or loaded?
        self._known_s: float | None = None  # when the force was known last
        self._sound_s: float | None = None  # since when every reading has been sound
        self._down_s: float | None = None  # since when it is down
        self._moved_s: float | None = None  # when the carriage moved last

    def hear(self, s: Status) -> None:
        """Take one status."""
        force_n = s["reference_force_n"]
        sound = force_n is not None and bool(s["flags"] & F_SOUND)
        gap = self.last is None or s["t_s"] - self.last["t_s"] > GAP_S
        self.last = s
        if sound or self._known_s is None:
            self._known_s = s["t_s"]
        if sound:
            self.force_n = force_n
        if not s["standing"] or self._moved_s is None:
            self._moved_s = s["t_s"]
        self.armed = self.armed or s["state"] != "unarmed" or bool(s["flags"] & F_ENABLED)
        if not sound:
            self._sound_s = None
        elif gap or self._sound_s is None:
            self._sound_s = s["t_s"]
        if not (sound and force_n is not None and force_n <= LOADED_N and s["standing"]):
            self._down_s = None
        elif gap or self._down_s is None:
            self._down_s = s["t_s"]

    @property
    def state(self) -> str:
        """The head's state, "" before the first status."""
        return self.last["state"] if self.last is not None else ""

    @property
    def standing(self) -> bool:
        """Does the carriage stand, as the newest status says?"""
        return self.last is None or self.last["standing"]

    @property
    def stands_s(self) -> float:
        """For how long the carriage has stood, s."""
        return 0.0 if self.last is None or self._moved_s is None else self.last["t_s"] - self._moved_s

    @property
    def unknown_s(self) -> float:
        """For how long there has been no sound reading, s."""
        return 0.0 if self.last is None or self._known_s is None else self.last["t_s"] - self._known_s

    @property
    def known(self) -> bool:
        """Is the force known: has there been a sound reading, and not too long ago?"""
        return self.force_n is not None and self.unknown_s < UNKNOWN_S

    @property
    def down(self) -> bool:
        """Has the head stood without load for a while, by sound readings without an exception?"""
        return self._for_a_while(self._down_s)

    @property
    def sure(self) -> bool:
        """Has every reading been sound for a while? One that looks sound may be garbage."""
        return self._for_a_while(self._sound_s)

    def _for_a_while(self, since_s: float | None) -> bool:
        return self.last is not None and since_s is not None and self.last["t_s"] - since_s >= DOWN_S

    @property
    def by_screen(self) -> bool:
        """Will the board let down what it holds when this program asks?"""
        s = self.last
        if s is None or not self.known or s["fault"] == faults.WRONG_WAY:
            return False
        return bool(s["flags"] & F_ENABLED) and not s["flags"] & (F_ESTOP | F_SUPPLY)


def way_out(lately: Lately, running: bool) -> str:
    """How what is on the head comes down, by what the board has said last; ``running``: by who still runs this program."""
    s = lately.last
    if s is None:
        return GET_DOWN
    flags = s["flags"]
    if s["fault"] == faults.WRONG_WAY:
        return f"The motor turns the wrong way: {KNOB}"
    if flags & (F_ESTOP | F_SUPPLY):
        why, first = (
            ("The emergency stop is pressed", "release it")
            if flags & F_ESTOP
            else ("The drive has no supply", "restore it")
        )
        if flags & F_PEDAL_FAULT:
            return f"{why} and the pedal cannot help: turn the hand knob."
        return f"{why}: turn the hand knob; or {first} first, so that the drive has power again, then hold the pedal."
    if flags & F_PEDAL_FAULT:
        if not lately.by_screen:
            return f"The pedal cannot help: {KNOB}"
        how = "press Ctrl-C" if running else "run this again and press Ctrl-C"
        return f"The pedal cannot help: {how} to let the string down from the screen, or {KNOB}"
    return GET_DOWN


def left_on(lately: Lately, unit: str, gone: bool = False) -> str:
    """What the program says last of what is on the head, "" for nothing; ``gone``: the board is not heard any more."""
    if not lately.armed and (lately.force_n is None or lately.force_n <= LOADED_N):
        return ""  # no more than there was before
    if gone and lately.force_n is not None and lately.force_n > SLACK_N:
        way = GET_DOWN if lately.force_n > LOADED_N or not lately.sure else TAKE_OUT
        return f"When it was last heard {show_force(lately.force_n, unit)} were on the string. {way}"
    if gone or not lately.known or lately.force_n is None:
        return f"The force is not known: look at the string. {GET_DOWN if gone else way_out(lately, False)}"
    if not lately.sure and lately.state not in IDLE:
        return (
            f"The readings are not sound, {show_force(lately.force_n, unit)} was one of them: look at the string. "
            f"{way_out(lately, False)}"
        )
    if lately.force_n > LOADED_N:
        return f"{show_force(lately.force_n, unit)} still on the string. {way_out(lately, False)}"
    if lately.force_n > SLACK_N:
        return f"{show_force(lately.force_n, unit)} are left on the string. {TAKE_OUT}"
    return ""


class Leaving:
    """What each Ctrl-C of one session comes to: let down, freeze, leave; where nothing can be let down from here it says
    what can be done, and the next one leaves."""

    def __init__(self) -> None:
        self.count = 0
        self._patience = 2
        self._asked_s: float | None = None  # when the way down was asked for

    def interrupted(self, lately: Lately) -> tuple[str, str]:
        """One more. Returns what is to be done, and what is to be said of it."""
        self.count += 1
        state = lately.state
        if state in ("", *IDLE) or lately.down or self.count > self._patience:
            return LEAVE, ""
        if state in ("tripped", "frozen") and not lately.by_screen and not (self.count > 1 and not lately.standing):
            self._patience = self.count
            why = "" if lately.known else " The force is not known: there are no sound readings."
            return STAY, (
                f"Ctrl-C: nothing can be let down from here.{why} {way_out(lately, True)} Ctrl-C once more leaves the "
                "program."
            )
        again = state in ("tripped", "frozen") and lately.standing
        if self.count == 1 or again:
            self._asked_s = lately.last["t_s"] if lately.last is not None else None
            nxt = "Once more freezes the head." if self.count == 1 else "Ctrl-C once more leaves the program."
            return LET_DOWN, f"Ctrl-C: letting the string down. {nxt}"
        self._asked_s = None
        how = way_out(lately, True) if state == "tripped" else "Tap the pedal to let down."
        return STOP, f"Ctrl-C again: frozen. {how} Ctrl-C once more leaves the program."

    def stands(self, lately: Lately, unit: str) -> str:
        """What to say, once, where the way down that was asked for has ended and the string is still on, else ""."""
        s = lately.last
        if self._asked_s is None or s is None or s["state"] not in ("tripped", "frozen") or lately.down:
            return ""
        if s["t_s"] - self._asked_s < STANDS_S or lately.stands_s < STANDS_S:
            return ""
        self._asked_s = None
        force = show_force(lately.force_n, unit) if lately.known and lately.force_n is not None else "an unknown force"
        return f"It stands, with {force} on the string. {way_out(lately, True)} Ctrl-C asks for the way down again."
