"""The chip's clock, and with it every time that a PIO program keeps. Set once, before anything else is set up.

RP2040 at 200 MHz: its maker allows that since 2025 with at least 1.15 V at the core (from memory; before: 133 MHz, 1.10 V).
At 125 MHz a pass with a reading and a lease would take most of the 12.5 ms between two readings.

What depends on the clock: Python, and the PIO, whose dividers below are whole numbers, so that no edge jitters. What does
not: USB and UART (48 MHz of their own PLL), ticks_us and watchdog (1 MHz from the crystal). The flash is read at half the
clock, 100 MHz; the usual ones bear 133 MHz (from memory). All that holds for a module with a 12 MHz crystal.
"""

import time

import machine

CLOCK_HZ = 200000000
STEP_HZ = CLOCK_HZ // 4  # pulses and their count: 20 ns
GATE_HZ = CLOCK_HZ // 200  # emergency stop: 1 us
GUARD_HZ = CLOCK_HZ // 200  # end switches: 1 us, sees both halves of every pulse more than once
CELL_HZ = CLOCK_HZ // 200  # converter: 1 us

REGULATOR = 0x40064000  # VREG
ON = 0x01
VOLTAGE = 0xF0
V_1_15 = 0xC0
SETTLE_MS = 2


def set_up() -> str:
    """Raise the core's voltage, then the clock. Returns why that failed, empty if it did not.

    A board without its clock does not arm. Slower it would still stop whatever has to be stopped, but it would skip
    readings and trip in the middle of pulls; and a chip that refuses its clock is not one to trust with a string.
    """
    word = machine.mem32[REGULATOR]
    if not word & ON:
        return "core voltage unknown: the chip's own regulator is off"
    if word & VOLTAGE < V_1_15:
        machine.mem32[REGULATOR] = word & ~VOLTAGE | V_1_15
        time.sleep_ms(SETTLE_MS)
        if machine.mem32[REGULATOR] & VOLTAGE != V_1_15:
            return "core voltage stays below 1.15 V"
    try:
        machine.freq(CLOCK_HZ)
    except ValueError as error:
        return "clock of %d MHz: %s" % (CLOCK_HZ // 1000000, error)
    if machine.freq() != CLOCK_HZ:
        return "clock is %d Hz, not %d" % (machine.freq(), CLOCK_HZ)
    return ""
