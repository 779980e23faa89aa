"""What the carriage does with nothing in the gripper: direction, end switches, travel per step."""

from __future__ import annotations

import re
from fractions import Fraction

from evenbed_fw import safety

from evenbed.commission.moments import ENDS, Act, Failed, Script
from evenbed.commission.moving import ARM_AND_TAP, FREE_MM_S, Moving, turned
from evenbed.head import states as st
from evenbed.head.types import Ask

DIRECTION_MM = 12.0
NEAR_MM, RUN_ON_MM = 10.0, 40.0  # by the knob before the end switch; how far it may look for it
RULE_MOST_MM, RULE_LEAST_MM = 150.0, 50.0  # both ends of it are read off to a quarter of a millimetre
RULE_SHARE = 0.01  # steps per millimetre, against what the board is set to
BEYOND_MM = 20.0  # of the travel stated: so far it looks for the far switch
TRAVEL_MM_S = 30.0
LIKELY = 0.03  # a ratio nearer than this to a simple one is named


class Direction(Moving):
    """The motor turns the right way."""

    name, title = "direction", "motor direction"
    flags = ("direction",)

    def script(self) -> Script[str]:
        yield from self.to_middle("Nothing in the gripper. Turn the carriage with the hand knob to about the middle.")
        yield from self.connect()
        text = (
            f"Watch the carriage. {ARM_AND_TAP}: it goes {DIRECTION_MM:.0f} mm at no more than {FREE_MM_S:.0f} mm/s and "
            "comes back. Any press stops it."
        )
        run = yield from self.free_run(text, DIRECTION_MM)
        if run.pressed:
            raise Failed("the pedal has stopped it on its way: let it go there and back once")
        way = yield from self.ask(
            "Which way did it go first: away from the frame, or towards it? Type away, towards, or still if it did not.",
            "say direction",
            _way,
        )
        if way == "towards":
            raise Failed(
                "the motor turns the wrong way. Switch the drive off and change over the two wires of one of its phases "
                "(or its direction in the board's settings)"
            )
        if way == "still":
            raise Failed(
                "the motor does not turn: check the driver's step and enable wires, its current, and that its supply is on"
            )
        self.found["measured.direction"] = True
        return f"a draw goes away from the frame ({run.far_mm - run.start_mm:.1f} mm by the board's count), and back"


class Switches(Moving):
    """Each end switch sits where the board believes it to be, and the one on the pulling side stops the motor.

    The head has no motion that goes further towards slack than where a draw began, so the one on the slack side is
    reached by the hand knob alone.
    """

    name, title = "switches", "end switches"
    flags = ("end_switches",)
    needs = (*Moving.needs, "direction")

    def script(self) -> Script[str]:
        yield from self.connect()
        yield from self.to_middle("Turn the carriage with the hand knob to about the middle.")
        self.say("Turn it towards the frame, until its end switch clicks.", "knob low")
        m = yield from self.until(turned(ENDS), "no end switch answers at the slack side: does the carriage reach it?")
        if m.has(safety.F_END_HIGH):
            raise Failed(
                "at the slack side the end switch of the pulling side answers: it is mounted on the wrong side. Change the "
                "two switches over (or their plugs at the board)"
            )
        self.say("Turn it the other way, away from the frame, until the end switch there clicks.", "knob high")
        late = "no end switch answers at the pulling side: does the carriage reach it?"
        yield from self.until(turned(safety.F_END_HIGH), late)
        self.say(f"Turn it back by about {NEAR_MM:.0f} mm, until the switch is free.", "knob back")
        yield from self.until(lambda m: not m.has(ENDS), "the end switch stays operated: turn the carriage away from it")
        text = (
            f"{ARM_AND_TAP}: the carriage goes away from the frame until its end switch stops it, and comes back. Does it "
            "not stop there, press the pedal."
        )
        why = "the switch on the slack side answered while the carriage went to the pulling side: change the two over"
        run = yield from self.free_run(text, RUN_ON_MM, wrong=safety.F_END_LOW, why=why)
        if run.pressed:
            raise Failed("the pedal has stopped it: if the end switch did not, look at how the carriage reaches it")
        met = run.met.get(safety.F_END_HIGH)
        went = run.far_mm - run.start_mm
        if met is None:
            raise Failed(
                f"it went {went:.0f} mm and no end switch answered: does the carriage reach it? If it hardly moved, go to "
                "the travel per step: evenbed commission --from travel"
            )
        on = run.far_mm - met
        room = self.setup.rig.travel.overtravel_mm
        if on > room:
            raise Failed(
                f"it went on for {on:.1f} mm behind the end switch, {room:.1f} mm are free there (travel.overtravel_mm): "
                "move the switch inwards"
            )
        self.found["measured.end_switches"] = True
        return f"both sit on their sides; the one on the pulling side stops the motor {on:.1f} mm behind it"


class Travel(Moving):
    """Steps a millimetre by a rule, then the travel between the end switches."""

    name, title = "travel", "travel per step"
    numbers = ("steps_mm", "travel_mm")
    needs = (*Moving.needs, "direction", "switches")

    def script(self) -> Script[str]:
        yield from self.connect()
        steps_mm = yield from self._by_rule()
        self.acts.append(Act("ask", ask=Ask.DISARM))
        yield from self.rest()
        travel_mm = yield from self._between()
        self.found = {"measured.steps_mm": round(steps_mm, 1), "measured.travel_mm": round(travel_mm, 1)}
        return f"{steps_mm:.0f} steps a millimetre by the rule, {travel_mm:.1f} mm between the end switches"

    def _by_rule(self) -> Script[float]:
        yield from self.to_middle(
            "Turn the carriage with the hand knob to about the middle. Lay a rule beside it and note where it stands."
        )
        text = (
            f"{ARM_AND_TAP}: it goes slowly away from the frame. Press the pedal to stop it after six to ten centimetres."
        )
        run = yield from self.free_run(text, RULE_MOST_MM, deed="stop it")
        if not run.pressed:
            raise Failed("it came back by itself: press the pedal while it moves, so that the rule can be read")
        m = yield from self.alive()
        while m.position_mm is None or m.position_mm > run.far_mm:
            run.take(m)
            m = yield from self.alive()
        went = run.far_mm - run.start_mm
        seen = yield from self.ask("How far has it gone by the rule? Type such as 83.5mm or 8.35cm.", "read rule", _length)
        if seen < RULE_LEAST_MM:
            raise Failed(f"{seen:g} mm are too few to be read off a rule: let it go for more than {RULE_LEAST_MM:.0f} mm")
        self._judge(went, seen)
        self.say("Tap the pedal: it goes back to where it was.", "send back")
        yield from self.until(lambda m: m.state == st.SLACK, "it was not sent back")
        return self.setup.known.steps_per_mm * went / seen

    def _judge(self, went_mm: float, seen_mm: float) -> None:
        set_to = self.setup.known.steps_per_mm
        found = set_to * went_mm / seen_mm
        off = found / set_to - 1.0
        if abs(off) <= RULE_SHARE:
            return
        times = Fraction(seen_mm / went_mm).limit_denominator(10)
        simple = abs(float(times) * went_mm / seen_mm - 1.0) < LIKELY and times != 1
        hint = (
            f" It goes {times} times as far: look at the driver's microstep switches and the screw's lead."
            if simple
            else ""
        )
        raise Failed(
            f"the board counted {went_mm:.1f} mm, the rule shows {seen_mm:.1f} mm: {found:.0f} steps a millimetre instead "
            f"of {set_to:.0f}.{hint} Put the microsteps right, or steps_mm in the board's settings and [screw], [motor] in "
            "rig.toml"
        )

    def _between(self) -> Script[float]:
        self.say("Now the whole way. Turn the carriage towards the frame until its end switch clicks.", "knob low")
        yield from self.until(turned(safety.F_END_LOW), "the end switch on the slack side does not answer")
        most = self.setup.rig.travel.between_switches_mm + BEYOND_MM
        text = f"{ARM_AND_TAP}: it goes slowly to the other end switch and comes back. Any press stops it."
        run = yield from self.free_run(text, min(most, 1000.0), TRAVEL_MM_S)
        if run.pressed:
            raise Failed("the pedal has stopped it on its way")
        if safety.F_END_HIGH not in run.met:
            raise Failed(
                f"{run.far_mm - run.start_mm:.0f} mm were made and the far end switch was not reached: correct "
                "travel.between_switches_mm in rig.toml if it is further, else the motor has lost steps"
            )
        m = yield from self.until(lambda m: m.state == st.SLACK, "it did not come back")
        if not m.has(safety.F_END_LOW):
            raise Failed(
                "it came back by its count, but not to the end switch it started from: the motor loses steps. Check its "
                "current, and that the carriage runs freely"
            )
        return run.met[safety.F_END_HIGH] - run.start_mm


def _way(text: str) -> str:
    word = text.lower()
    if word not in ("away", "towards", "still"):
        raise ValueError(f"{text!r}: type away, towards, or still.")
    return word


def _length(text: str) -> float:
    """Millimetres from ``83.5mm`` or ``8.35cm``. Raises ValueError."""
    m = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(mm|cm)", text.lower())
    value = float(m[1].replace(",", ".")) * (10.0 if m[2] == "cm" else 1.0) if m else 0.0
    if not 0.0 < value < 2000.0:
        raise ValueError(f"{text!r} is no length: type it with its unit, such as 83.5mm.")
    return value
