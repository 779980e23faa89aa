"""Simulated hands for a first start: they do what is asked by the name of the deed, and answer what they see.

What they see is the true carriage, the drive's lamp and the force; what they type comes out of ``typed``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from evenbed_fw.hardware import I_END_HIGH, I_END_LOW
from evenbed_fw.safety import HOLDING, MOVING

from evenbed_sim import presets
from evenbed_sim.mistakes import Wiring
from evenbed_sim.rig import Rig
from evenbed_sim.strand import Strand

REACT_S = 0.8
TAP_S, SHORT_S, ARM_S, CLEAR_S = 0.2, 0.5, 2.3, 2.3
ANSWER_S = 1.5  # from letting go of the pedal until the lamp must be on, and the zero taken
LIGHT_N = 0.5  # slack, to the hand
LONGEST_HOLD_S = 8.0
KNOB_MM_S = 40.0
FINE_MM_S = 8.0  # the last millimetres before a switch
PULL_N = 30.0
MASS_KG, GRAVITY_M_S2 = 5.0, 9.80665
RULE_MM = 0.5  # a rule is read to
EMPTY_MM = 1e4  # of slack: nothing in the gripper
TETHER_N_MM, LOOP_N_MM, SLACK_MM = 100.0, 6.0, 5.0
KEEP, AGAIN = "", "again"
PUT_RIGHT = "put right"

Until = float | Callable[[], bool]  # seconds, or what is waited for
Deed = Iterator[Until]


class BuilderHands:
    """Somebody at a rig of their own making. ``puts_right``: a mistake that was found is mended and the step repeated,
    else the start is given up there."""

    def __init__(self, rig: Rig, wiring: Wiring, puts_right: bool = True, stop_after_mm: float = 60.0) -> None:
        self._rig = rig
        self._wiring = wiring
        self._puts_right = puts_right
        self._stop_after_mm = stop_after_mm
        self._waiting: list[str] = []
        self._deed: Deed | None = None
        self._until: Until = 0.0
        self._since_s = 0.0
        self._from_mm = self._low_mm = self._high_mm = 0.0
        self.typed: list[str] = []
        self.log: list[tuple[float, str]] = []
        rig.mount(_empty())
        rig.watchers.append(self._watch)

    def asked(self, deed: str) -> None:
        """What a person has just been asked to do. Raises ValueError for a deed that these hands do not know."""
        if deed and not hasattr(self, _method(deed)):
            raise ValueError(f"no hands for {deed!r}")
        if deed == PUT_RIGHT:
            self._waiting.clear()  # what was asked before is void
        if deed:
            self._waiting.append(deed)

    def _watch(self, t_us: float) -> None:
        t = t_us * 1e-6
        self._low_mm = min(self._low_mm, self._rig.carriage.mm)
        self._high_mm = max(self._high_mm, self._rig.carriage.mm)
        while True:
            if self._deed is None:
                if not self._waiting:
                    return
                self._deed = getattr(self, _method(self._waiting.pop(0)))()
                self._until, self._since_s = REACT_S, t
            ready = self._until() if callable(self._until) else t - self._since_s >= self._until
            if not ready:
                return
            try:
                self._until, self._since_s = next(self._deed), t
            except StopIteration:
                self._deed = None

    def _note(self, what: str) -> None:
        self.log.append((self._rig.t_us * 1e-6, what))

    # --- pedal, stop, supply ---------------------------------------------------------------------------------
    def _press(self, seconds: float) -> Deed:
        self._rig.press_pedal(True)
        yield seconds
        self._rig.press_pedal(False)

    def _do_press_pedal(self) -> Deed:
        self._note("presses the pedal")
        yield from self._press(SHORT_S)

    def _do_press_estop(self) -> Deed:
        self._note("presses the emergency stop")
        self._rig.press_estop(True)
        yield 0.0

    def _do_release_estop(self) -> Deed:
        self._note("releases the emergency stop")
        self._rig.press_estop(False)
        self._rig.switch_supply(True)
        yield 0.0

    def _do_supply_off(self) -> Deed:
        self._note("switches the drive's supply off")
        self._rig.switch_supply(False)
        yield 0.0

    def _do_supply_on(self) -> Deed:
        self._note("switches it on")
        self._rig.switch_supply(True)
        yield 0.0

    def _do_draw(self) -> Deed:
        while not self._rig.hw.enabled:
            self._note("holds the pedal to arm")
            yield from self._press(ARM_S)
            yield ANSWER_S
        self._note("taps to draw")
        self._from_mm = self._low_mm = self._high_mm = self._rig.carriage.mm
        yield from self._press(TAP_S)

    def _do_let_down(self) -> Deed:
        self._note("holds the pedal to let down")
        begun_us = self._rig.t_us
        self._rig.press_pedal(True)
        yield 1.2
        yield lambda: self._rig.force_n < LIGHT_N or self._rig.t_us - begun_us > LONGEST_HOLD_S * 1e6
        self._rig.press_pedal(False)
        yield 0.5

    def _do_clear(self) -> Deed:
        yield 0.5
        self._note("holds the pedal to clear the stop")
        yield from self._press(CLEAR_S)

    def _do_send_back(self) -> Deed:
        self._note("taps to send it back")
        yield from self._press(TAP_S)

    # --- knob, fingers, gripper --------------------------------------------------------------------------------
    def _turn(self, mm_s: float, there: Callable[[], bool]) -> Deed:
        yield lambda: not self._rig.hw.enabled
        self._rig.turn_knob(mm_s)
        yield there
        self._rig.turn_knob(0.0)

    def _to(self, mm: float) -> Deed:
        carriage = self._rig.carriage
        if carriage.mm < mm:
            yield from self._turn(KNOB_MM_S, lambda: carriage.mm >= mm)
        else:
            yield from self._turn(-KNOB_MM_S, lambda: carriage.mm <= mm)

    def _do_knob_middle(self) -> Deed:
        self._note("turns the carriage to the middle")
        yield from self._to(0.5 * self._rig.carriage.p.travel_mm)

    def _do_knob_low(self) -> Deed:
        self._note("turns the carriage to the slack side")
        yield from self._to(5.0)
        yield from self._turn(-FINE_MM_S, lambda: self._rig.carriage.end_low)

    def _do_knob_high(self) -> Deed:
        self._note("turns the carriage to the pulling side")
        yield from self._to(self._rig.carriage.p.travel_mm - 5.0)
        yield from self._turn(FINE_MM_S, lambda: self._rig.carriage.end_high)

    def _do_knob_back(self) -> Deed:
        yield from self._to(self._rig.carriage.p.travel_mm - 10.0)

    def _finger(self, switch: int, side: str) -> Deed:
        self._note(f"presses the end switch on the {side} side")
        self._wiring.fingers = switch
        yield SHORT_S
        self._wiring.fingers = 0

    def _do_finger_low(self) -> Deed:
        return self._finger(I_END_LOW, "slack")

    def _do_finger_high(self) -> Deed:
        return self._finger(I_END_HIGH, "pulling")

    def _do_hands_off(self) -> Deed:
        self._rig.hang(0.0)
        yield 0.0

    def _do_pull_gripper(self) -> Deed:
        self._note("pulls the gripper by hand")
        self._rig.hang(PULL_N)
        yield 1.0

    def _do_hang_weight(self) -> Deed:
        self._note(f"hangs {MASS_KG:g} kg on the gripper")
        self._rig.hang(MASS_KG * GRAVITY_M_S2)
        yield 1.0
        self._type(f"{MASS_KG:g}kg")

    def _do_let_go(self) -> Deed:
        self._rig.hang(0.0)
        yield 0.0

    def _do_tether(self) -> Deed:
        self._note("puts the steel tether in")
        self._rig.mount(Strand(presets.steel_tether(TETHER_N_MM, SLACK_MM)))
        yield 0.5

    def _do_loop(self) -> Deed:
        self._note("puts the loop of old string in")
        self._rig.mount(Strand(presets.steel_tether(LOOP_N_MM, SLACK_MM)))
        yield 0.5

    # --- what they see, and type -----------------------------------------------------------------------------
    def _type(self, text: str) -> None:
        self._note(f"types {text!r}")
        self.typed.append(text)

    def _do_stop_it(self) -> Deed:
        yield from self._do_draw()
        yield 1.0
        yield lambda: self._high_mm - self._from_mm > self._stop_after_mm or not self._moves()
        if self._moves():
            self._note("presses the pedal: it stands")
            yield from self._press(TAP_S)

    def _moves(self) -> bool:
        return self._rig.board.core.state in (MOVING, HOLDING)

    def _do_say_direction(self) -> Deed:
        up, down = self._high_mm - self._from_mm, self._from_mm - self._low_mm
        self._type("still" if max(up, down) < 1.0 else "away" if up > down else "towards")
        yield 0.0

    def _do_read_rule(self) -> Deed:
        mm = abs(self._rig.carriage.mm - self._from_mm)
        self._type(f"{RULE_MM * round(mm / RULE_MM):.1f}mm")
        yield 0.0

    def _do_keep(self) -> Deed:
        self._type(KEEP)
        yield 0.0

    def _do_put_right(self) -> Deed:
        self._rig.hang(0.0)
        if self._puts_right and self._wiring.mistake is not None:
            self._note(f"mends it: {self._wiring.put_right()}")
            yield 1.0
            self._type(AGAIN)
        else:
            self._type("stop")
        yield 0.0


def _method(deed: str) -> str:
    return "_do_" + deed.replace(" ", "_")


def _empty() -> Strand:
    return Strand(presets.steel_tether(LOOP_N_MM, EMPTY_MM))
