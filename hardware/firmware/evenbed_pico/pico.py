"""evenbed_fw's hardware verbs on an RP2040. Nothing waits and, once built, nothing allocates.

A pass of the loop that takes too long. Over 12.5 ms readings are skipped: the newest counts, and the motor makes no more
steps than the last one granted. Over 34.7 ms it is fault 2, no_data, whether a reading waits or not; over 50 ms those that
wait are thrown away, too. Over 250 ms the watchdog resets the chip. By tests/chip/soak.py a pass with a reading and a lease
takes about 5 ms.

The emergency stop and the end switches stop the pulses without the program. The drive's supply does not (the PIO's memory
is full): it is looked at once in each pass, so enable goes off within one pass and the beginning of the next, about 6 ms. A
dip that comes and goes between two looks is not seen.
"""

import gc
import time

import machine
import micropython
import rp2
from evenbed_fw.hardware import (
    I_END_HIGH,
    I_END_LOW,
    I_ESTOP_OK,
    I_PEDAL_A,
    I_PEDAL_B,
    I_SUPPLY_OK,
    Hardware,
)

from evenbed_pico import clock, pio_cell
from evenbed_pico.motor import Motor
from evenbed_pico.pins import BoardFile
from evenbed_pico.port import Port
from evenbed_pico.signs import Signs

MYPY = False
if MYPY:
    from collections.abc import Callable

DOG_MS = 250
CTRL_C = 3


class Pico(Hardware):
    """The verbs of one board with the pins of ``file``; ``keep`` writes settings where they outlast a reset."""

    def __init__(self, file: BoardFile, port: Port, keep: "Callable[[str], None]") -> None:
        p = file.pins
        pin = machine.Pin
        self._enable_on = file.enable_on
        self._enable = pin(p["enable"], pin.OUT, value=1 - file.enable_on)
        self._enabled = False
        self._pressed = pin(p["pedal_pressed"], pin.IN, pin.PULL_UP)
        self._rest = pin(p["pedal_rest"], pin.IN, pin.PULL_UP)
        self._end_low = pin(p["end_low"], pin.IN, pin.PULL_UP)
        self._end_high = pin(p["end_high"], pin.IN, pin.PULL_UP)
        self._estop = pin(p["estop"], pin.IN, pin.PULL_UP)
        self._supply = pin(p["supply"], pin.IN, pin.PULL_UP)
        self._led = pin(p["led"], pin.OUT, value=0)
        self._beeper = pin(p["beeper"], pin.OUT, value=0)
        self.motor = Motor(
            p["step"],
            p["dir"],
            file.dir_up,
            p["estop"],
            p["end_low"],
            p["end_high"],
            file.end_steps,
            file.settings.rate_max_steps_s,
        )
        data = pin(p["cell_data"], pin.IN, pin.PULL_UP)
        self._cell = rp2.StateMachine(
            5,
            pio_cell.cell,
            freq=clock.CELL_HZ,
            in_base=data,
            jmp_pin=data,
            sideset_base=pin(p["cell_clock"], pin.OUT, value=0),
        )
        self._cell.active(1)
        self._value = 0
        self.rejected = 0  # readings whose last bit was wrong
        self.late = 0  # readings that lay too long to be believed
        self._port = port
        # Asked for each byte: without a call in between.
        self.read_byte = port.read_byte  # type: ignore[method-assign]
        self.tx_free = port.free  # type: ignore[method-assign]
        self.send = port.send  # type: ignore[method-assign]
        self._keep = keep
        self._dog: "machine.WDT | None" = None
        self.signs = Signs()

    # --- time and cell ---------------------------------------------------------------------------------------
    def now_us(self) -> int:
        return time.ticks_us()  # type: ignore[return-value]

    def sample_ready(self) -> bool:
        """Takes the newest reading there is. One that is not sound is as if it never came."""
        cell = self._cell
        n = cell.rx_fifo()
        if n == 0:
            return False
        if n >= pio_cell.FULL:
            # The queue keeps the oldest: nobody knows how old the last of them is.
            while n > 0:
                cell.get()
                n -= 1
            self.late += 1
            return False
        word = cell.get()
        while n > 1:
            word = cell.get()
            n -= 1
        if not pio_cell.sound(word):
            self.rejected += 1
            return False
        self._value = pio_cell.counts(word)
        return True

    def read_sample(self) -> int:
        return self._value

    # --- motor -----------------------------------------------------------------------------------------------
    def position(self) -> int:
        return self.motor.position()

    def grant(self, rate: int, steps: int) -> None:
        self.motor.grant(rate if self._enabled else 0, steps)

    def enable(self, on: bool) -> None:
        """Power of the drive. From the first time on the watchdog runs; while there is power no byte interrupts."""
        if not on:
            self._enable.value(1 - self._enable_on)
            self._enabled = False
            self.motor.halt()
            micropython.kbd_intr(CTRL_C)
            return
        micropython.kbd_intr(-1)
        if self._dog is None:
            self._dog = machine.WDT(timeout=DOG_MS)
        self._enabled = True
        self._enable.value(self._enable_on)

    def inputs(self) -> int:
        bits = 0
        if self._pressed.value() == 0:
            bits |= I_PEDAL_A
        if self._rest.value() == 0:
            bits |= I_PEDAL_B
        if self._supply.value() == 0:
            bits |= I_SUPPLY_OK
        if self._end_low.value():
            bits |= I_END_LOW
        if self._end_high.value():
            bits |= I_END_HIGH
        # A stop that the hardware made is an emergency stop even if its cause has gone, unless it was the end ahead.
        stopped = self.motor.look()
        if stopped and bits & (I_END_HIGH if self.motor.up else I_END_LOW):
            stopped = False
        if self._estop.value() == 0 and not stopped:
            bits |= I_ESTOP_OK
        return bits

    # --- host ------------------------------------------------------------------------------------------------
    def store(self, text: str) -> None:
        self.feed()
        self._keep(text)
        self.feed()

    def collect(self) -> None:
        gc.collect()

    # --- each pass -------------------------------------------------------------------------------------------
    def feed(self) -> None:
        """The loop is alive."""
        if self._dog is not None:
            self._dog.feed()

    def after(self, state: int, fault: int) -> None:
        """What a pass of the loop leaves for its end: watchdog, port, light and sound."""
        self.feed()
        self._port.pump()
        signs = self.signs
        signs.step(self.now_us(), state, fault)
        self._led.value(1 if signs.light else 0)
        self._beeper.value(1 if signs.sound else 0)


class Blind(Hardware):
    """A board that does not know its pins: it drives none, sees nothing, and answers the host."""

    def __init__(self, port: Port) -> None:
        self._port = port

    def now_us(self) -> int:
        return time.ticks_us()  # type: ignore[return-value]

    def sample_ready(self) -> bool:
        return False

    def read_sample(self) -> int:
        return 0

    def position(self) -> int:
        return 0

    def grant(self, rate: int, steps: int) -> None:
        pass

    def enable(self, on: bool) -> None:
        pass

    def inputs(self) -> int:
        return 0

    def read_byte(self) -> int:
        return self._port.read_byte()

    def tx_free(self) -> int:
        return self._port.free()

    def send(self, buf: bytearray, n: int) -> None:
        self._port.send(buf, n)

    def store(self, text: str) -> None:
        pass

    def collect(self) -> None:
        gc.collect()

    def after(self, state: int, fault: int) -> None:
        """See Pico.after."""
        self._port.pump()
