"""Light and sound: which state the board is in, for somebody who looks at the rig and not at a screen. Pure."""

from evenbed_fw import faults, safety
from evenbed_fw.pedal import since

SLOT_US = 125000
# A turn of eight slots, the first lowest: bit set, light on.
DARK, ON, SLOW, BLINK, FLICKER = 0b00000000, 0b11111111, 0b00001111, 0b00110011, 0b01010101
LIGHT = (DARK, SLOW, ON, ON, BLINK, BLINK, BLINK, FLICKER)  # by state
BEEP_US = 60000  # as a draw or a let-down begins
ALARM = 0b010101  # three beeps, slot by slot, when something has tripped
ALARM_SLOTS = 6


class Signs:
    """``step`` says what light and beeper do now."""

    def __init__(self) -> None:
        self.light = False
        self.sound = False
        self._state = safety.LATCHED
        self._fault = faults.NONE
        self._slot = 0
        self._slot_us = 0
        self._beep_us = 0
        self._beeping = False
        self._alarm = ALARM_SLOTS  # slots of it gone by

    def step(self, now_us: int, state: int, fault: int) -> None:
        """Take the board's state and its latched fault as they are now."""
        if since(now_us, self._slot_us) >= SLOT_US:
            self._slot_us = now_us
            self._slot = self._slot + 1 & 7
            if self._alarm < ALARM_SLOTS:
                self._alarm += 1
        if state != self._state:
            self._state = state
            if state == safety.MOVING or state == safety.EASING:
                self._beeping = True
                self._beep_us = now_us
        if fault != self._fault:
            self._fault = fault
            if fault not in (faults.NONE, faults.PRESSED, faults.STOPPED):
                self._alarm = 0
        if self._beeping and since(now_us, self._beep_us) >= BEEP_US:
            self._beeping = False
        self.light = LIGHT[state] >> self._slot & 1 == 1
        self.sound = self._beeping or (self._alarm < ALARM_SLOTS and ALARM >> self._alarm & 1 == 1)
