"""Wiring and building mistakes of a first start, seeded into a simulated rig that is otherwise as it should be."""

from __future__ import annotations

from dataclasses import replace

from evenbed_fw.hardware import I_END_HIGH, I_END_LOW, I_PEDAL_A

from evenbed_sim.rig import Rig

MISTAKES: dict[str, str] = {
    "cell-wires": "the cell's two signal wires are swapped",
    "cell-gain": "the converter's gain is half of what the board is set to",
    "motor-reversed": "one phase of the motor is reversed",
    "pedal-dead": "the wire to the pedal's contact A is broken",
    "rate-pin": "the converter's rate pin is wired for its slow rate",
    "switch-plugs": "the plugs of the two end switches are exchanged at the board",
    "switch-side": "the two end switches are mounted on each other's side",
    "turns-back": "the screw does not hold without power",
    "microsteps": "the driver makes steps twice as long as the board reckons with",
}
SLOW = 8.0  # 80 readings a second become 10
LONG = 2.0


class Wiring:
    """What is wired how on one rig. ``fingers`` are end switches (I_ bits) that a finger presses by their label."""

    def __init__(self, rig: Rig, mistake: str | None = None) -> None:
        """Raises ValueError for a mistake that nobody knows."""
        if mistake is not None and mistake not in MISTAKES:
            raise ValueError(f"no mistake {mistake!r}; there are {', '.join(MISTAKES)}")
        self.mistake = mistake
        self.fingers = 0
        self._rig = rig
        self._carriage = rig.carriage.p
        rig.bend_reading = self._reading
        rig.motor_scale = self._motor
        rig.pedal_wires = self._pins
        self._mount()

    def put_right(self) -> str:
        """Take the mistake out; says what it was."""
        was, self.mistake = self.mistake, None
        self._mount()
        return MISTAKES[was] if was is not None else ""

    def _mount(self) -> None:
        turns_back = self.mistake == "turns-back"
        self._rig.flush()
        self._rig.carriage.p = replace(
            self._carriage, holds_without_power=self._carriage.holds_without_power and not turns_back
        )
        self._rig.period_scale = SLOW if self.mistake == "rate-pin" else 1.0

    def _reading(self, code: int) -> int | None:
        # The bridge's own offset is left out: what stands for it is in the converter.
        zero = round(self._rig.params.cell.zero_counts)
        return zero + round((code - zero) * {"cell-wires": -1.0, "cell-gain": 0.5}.get(self.mistake or "", 1.0))

    def _motor(self) -> float:
        return {"motor-reversed": -1.0, "microsteps": LONG}.get(self.mistake or "", 1.0)

    def _pins(self, pins: int) -> int:
        if self.mistake == "switch-side":
            pins = _exchanged(pins)
        pins |= self.fingers
        if self.mistake == "switch-plugs":
            pins = _exchanged(pins)
        if self.mistake == "pedal-dead":
            pins &= ~I_PEDAL_A
        return pins


def _exchanged(pins: int) -> int:
    """The two end switches for each other."""
    low, high = pins & I_END_LOW, pins & I_END_HIGH
    return pins & ~(I_END_LOW | I_END_HIGH) | (I_END_HIGH if low else 0) | (I_END_LOW if high else 0)
