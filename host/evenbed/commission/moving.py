"""Steps in which the motor moves: under a low ceiling, each draw on a tap of the pedal, and at rest before and after."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import ClassVar

from evenbed_fw import faults, safety

from evenbed.commission.moments import PATIENCE_S, Act, Failed, Moment, Script, Step
from evenbed.head import states as st
from evenbed.head.types import Ask, Pull

LOADED_N = 10.0  # the board calls a string loaded from here
CONNECT_S = 10.0
AGAIN_S = 20.0  # what is asked is said once more after this long
ASK_S = 1.0
RUN_S = 300.0
FREE_CEILING_N = 40.0  # nothing is in the gripper
FREE_REFERENCE_N = 20.0  # never reached without a string
FREE_MM_S = 10.0
UPWARDS = (st.TAKING_UP, st.DRAWING, st.PRE_STRETCHING)
GOING = (st.EASING_OFF, st.RETURNING, st.REFERENCING)
UNDER_LOAD = (st.DRAWING, st.PRE_STRETCHING, st.HOLDING, st.PROVING_CLAMP)
STOPPED = (st.TRIPPED, st.FROZEN, st.BOOTED_LOADED)
ARM_AND_TAP = "Hold the pedal for two seconds to arm, let go, and tap it a second later"


@dataclass
class Run:
    """One run with nothing in the gripper. Positions in mm as the board counts; ``met`` says where a flag was first seen,
    ``left`` which of those set at the start were seen to go."""

    start_mm: float
    far_mm: float
    met: dict[int, float] = field(default_factory=dict)
    left: set[int] = field(default_factory=set)
    pressed: bool = False

    def take(self, m: Moment) -> None:
        """Take one moment of it."""
        if m.position_mm is None:
            return
        self.far_mm = max(self.far_mm, m.position_mm)
        for flag in (safety.F_END_LOW, safety.F_END_HIGH):
            if m.has(flag):
                self.met.setdefault(flag, m.position_mm)
            elif flag in self.met:
                self.left.add(flag)


class Moving(Step):
    """A step that moves."""

    ceiling_n: ClassVar[float] = FREE_CEILING_N
    needs: ClassVar[tuple[str, ...]] = ("port", "inputs", "reading", "rate")
    expects: ClassVar[tuple[str, ...]] = ("no_string", "zero_not_home", "pressed", "stopped")

    # --- at rest -----------------------------------------------------------------------------------------------
    def connect(self) -> Script[None]:
        """Connect for motion, with this step's ceiling; returns with the drive off and nothing on the head."""
        self.acts.append(Act("connect", self.ceiling_n))
        yield from self.until(lambda m: m.state != "", "the control process has not connected to the board", CONNECT_S)
        yield from self.rest()

    def leave(self) -> Script[str]:
        yield from self.rest()
        self.acts.append(Act("listen"))
        return ""

    def rest(self) -> Script[None]:
        """Wait until the drive is off and nothing on the head; says what to do for it."""
        asked_s = told_s = -1e9
        told = ""
        while True:
            m = yield from self.alive()
            if m.state == "" or (m.state == st.UNARMED and not _loaded(m)):
                return
            if m.state == st.SLACK or m.state in UPWARDS:
                if m.t_s - asked_s > ASK_S:
                    asked_s = m.t_s
                    self.acts.append(Act("ask", ask=Ask.DISARM if m.state == st.SLACK else Ask.STOP))
                continue
            text, deed = _way_out(m)
            if text and (text != told or m.t_s - told_s > AGAIN_S):
                told, told_s = text, m.t_s
                self.say(text, deed)

    # --- draws -------------------------------------------------------------------------------------------------
    def begin_draw(self, pull: Pull, text: str, deed: str = "draw") -> Script[Moment]:
        """Plan a pull and wait for the tap that draws it."""
        self.acts.append(Act("plan", pull=pull))
        self.say(text, deed)
        late = f"nothing was drawn within {PATIENCE_S:.0f} s. {ARM_AND_TAP}"
        told_s: float | None = None

        def drawn(m: Moment) -> bool:
            nonlocal told_s
            told_s = m.t_s if told_s is None else told_s
            if m.t_s - told_s > AGAIN_S:
                told_s = m.t_s
                self.say("Still armed: tap the pedal." if m.state == st.SLACK else f"Not armed yet. {ARM_AND_TAP}.")
            return m.state in (st.TAKING_UP, *UNDER_LOAD)

        return (yield from self.until(drawn, late))

    def free_run(
        self,
        text: str,
        most_mm: float,
        mm_s: float = FREE_MM_S,
        wrong: int = 0,
        why: str = "",
        deed: str = "draw",
    ) -> Script[Run]:
        """Draw with nothing in the gripper, as far as it goes and back; returns at rest, or where a press has stopped it.

        A flag of ``wrong`` on the way stops it. Raises Failed, with ``why`` in that case.
        """
        pull = Pull(FREE_REFERENCE_N, speed_mm_s=mm_s, slack_max_mm=most_mm, label=self.title)
        m = yield from self.begin_draw(pull, text, deed)
        run = Run(m.position_mm or 0.0, m.position_mm or 0.0)
        begun_s = m.t_s
        while True:
            run.take(m)
            if m.state in UNDER_LOAD:
                raise Failed(
                    f"a force of {m.force_n or 0.0:.1f} N was met with nothing in the gripper: see that it is empty, that "
                    "the guide runs freely and the cell's cable does not pull"
                )
            if m.state == st.TAKING_UP and m.has(wrong):
                self.acts.append(Act("ask", ask=Ask.STOP))
                raise Failed(why)
            if m.state == st.FROZEN and m.fault == faults.PRESSED:
                run.pressed = True
                return run
            stopped(m)
            if m.state == st.SLACK:
                return run
            if m.state == st.UNARMED or m.t_s - begun_s > RUN_S:
                raise Failed("the run was broken off: see what the program says above, then do it once more")
            m = yield from self.alive()

    def held(self, pull: Pull, text: str) -> Script[Moment]:
        """Draw something in the gripper; returns as the head holds."""
        m = yield from self.begin_draw(pull, text)
        while m.state != st.HOLDING:
            stopped(m)
            if m.state in (st.RETURNING, st.SLACK, st.UNARMED, st.EASING_OFF):
                raise Failed(
                    f"{pull.reference_n:.0f} N was not reached within {pull.slack_max_mm:.0f} mm of slack: is it in the "
                    "gripper, and made fast at the frame's place?"
                )
            m = yield from self.alive()
        return m

    def let_down(self) -> Script[tuple[Moment, ...]]:
        """Have it let down with the pedal; returns the moments until then."""
        self.say("Hold the pedal until it is slack.", "let down")
        seen: list[Moment] = []

        def slack(m: Moment) -> bool:
            seen.append(m)
            stopped(m)
            return m.state == st.SLACK

        yield from self.until(slack, f"it was not let down within {PATIENCE_S:.0f} s")
        return tuple(seen)

    def watch(self, seconds: float, in_state: str) -> Script[list[Moment]]:
        """Moments of so many seconds in one state, those without a force left out. Raises Failed if it is left."""
        seen: list[Moment] = []
        begun_s: float | None = None
        while True:
            m = yield from self.alive()
            stopped(m)
            if m.state != in_state:
                raise Failed(f"the hold ended ({m.state.replace('_', ' ')}): leave pedal and string alone until asked")
            begun_s = m.t_s if begun_s is None else begun_s
            if m.force_n is not None and m.position_mm is not None:
                seen.append(m)
            if m.t_s - begun_s >= seconds and seen:
                return seen


def stopped(m: Moment) -> None:
    """Raises Failed where the head stands after a stop that nobody wanted."""
    if m.state in (st.TRIPPED, st.FROZEN):
        why = faults.NAMES[m.fault].replace("_", " ") if m.fault else "stop"
        raise Failed(f"it was stopped: {why}")


def turned(flag: int) -> Callable[[Moment], bool]:
    """Has a hand brought the carriage to an end switch, the right one or the other?"""
    return lambda m: m.has(flag) and m.state in ("", st.UNARMED)


def _loaded(m: Moment) -> bool:
    return m.force_n is not None and m.force_n > LOADED_N


def _way_out(m: Moment) -> tuple[str, str]:
    """What brings the head to rest from here, and the deed."""
    if m.has(safety.F_ESTOP | safety.F_SUPPLY):
        return "Release the emergency stop, and see that the drive has its supply.", "release estop"
    if m.state in GOING:
        return "", ""
    if m.state in UNDER_LOAD or m.state == st.FROZEN or _loaded(m):
        return "Hold the pedal until it is slack.", "let down"
    if m.state in STOPPED:
        return "Hold the pedal for two seconds and let go: that clears the stop.", "clear"
    return "", ""
