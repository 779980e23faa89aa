"""Before anything else: what a soft reset has left running stands still, and no pin drives anything.

Needs nothing but the chip's own modules, so that a damaged file elsewhere cannot keep it from running.
"""

import machine
import rp2

for number in range(8):
    rp2.StateMachine(number).active(0)
for number in range(2):
    rp2.PIO(number).remove_program()
machine.mem32[0x400500A0] = 0  # all PWM slices off
for number in range(29):
    if number not in (23, 24):  # they serve the module's own supply
        machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_DOWN)
