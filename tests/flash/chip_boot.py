"""What the chip is to the firmware, on MicroPython's unix port: machine and rp2 without wires, then boot.py and main.py.

The folder it runs in is the board's file system. ../chip is the rest of the world: `counts` holds the reading of the cell
(empty: no converter), `scratch` outlasts a reset, `dog` is fed, `up` is there while a program runs, `ctrl_c` once somebody
has pressed it. (This port's own Ctrl-C strikes anywhere, even while memory is being given out; the chip's waits for the
next line of the program.) Runs on MicroPython alone.
"""

# ruff: noqa: PTH107, PTH116, PTH123, SIM115
import os
import sys
import time

import micropython

PERIOD_US = 12500


class Names:
    """A module made of attributes."""


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, number, mode=0, pull=-1, value=0):
        self._value = value if mode else (1 if number == 10 else 0)  # contacts closed, but the pressed one of the pedal

    def value(self, value=-1):
        if value >= 0:
            self._value = value
        return self._value


class Words:
    """machine.mem32: of all registers only the core's voltage and the one that outlasts a reset."""

    def __getitem__(self, address):
        if address != 0x4005800C:
            return 0xC1 if address == 0x40064000 else 0  # on, 1.15 V
        try:
            with open("../chip/scratch") as f:
                return int(f.read())
        except OSError:
            return 0

    def __setitem__(self, address, value):
        if address == 0x4005800C:
            with open("../chip/scratch", "w") as f:
                f.write(str(value))


class Dog:
    """Its bytes go to whoever ends this process when they stay away."""

    def __init__(self, timeout):
        self._file = open("../chip/dog", "wb")
        self._fed = 0
        self.feed()

    def feed(self):
        now = time.ticks_ms()
        if now - self._fed > 20:
            self._fed = now
            self._file.write(b".")


class Interrupt:
    """micropython.kbd_intr, looked at in each pass of the program."""

    def __init__(self):
        self.code = 3

    def __call__(self, code):
        self.code = code

    def look(self):
        try:
            os.stat("../chip/ctrl_c")
        except OSError:
            return
        os.remove("../chip/ctrl_c")
        if self.code == 3:
            raise KeyboardInterrupt


class StateMachine:
    def __init__(self, number, program=None, **how):
        self.number = number
        self._next = time.ticks_us()
        self._turn = 0

    def active(self, on=1):
        pass

    def restart(self):
        pass

    def exec(self, word):
        pass

    def put(self, word):
        pass

    def tx_fifo(self):
        return 0

    def rx_fifo(self):
        if time.ticks_us() - self._next < PERIOD_US:
            return 0
        self._next = time.ticks_us()
        with open("../chip/counts") as f:
            text = f.read()
        if not text:
            return 0
        self._turn = self._turn * 5 + 3 & 7
        self._counts = int(text) + self._turn
        return 1

    def get(self):
        return (self._counts & 0xFFFFFF) << 1 | 1 if self.number == 5 else 0


class Pio:
    OUT_LOW = 2
    SHIFT_LEFT = 0
    SHIFT_RIGHT = 1

    def __init__(self, number):
        pass

    def remove_program(self):
        pass


class Implementation(tuple):
    _machine = "A module with RP2040"


def end():
    raise SystemExit


def freq(*hz):
    machine.clock_hz = hz[0] if hz else machine.clock_hz
    return machine.clock_hz


machine = Names()
machine.clock_hz = 125000000
machine.Pin = Pin
machine.mem32 = Words()
machine.WDT = Dog
machine.WDT_RESET = 3
machine.reset_cause = lambda: 1
machine.reset = end
machine.freq = freq
rp2 = Names()
rp2.PIO = Pio
rp2.StateMachine = StateMachine
rp2.asm_pio = lambda **how: lambda program: program


def copied(module):
    names = Names()
    for name in dir(module):
        setattr(names, name, getattr(module, name))
    return names


def ticks_us():
    """Asked in each pass of a program: leaves the processor to others. Wraps as on the chip."""
    interrupt.look()
    time.sleep_us(80)
    return time.ticks_us() & 0x3FFFFFFF


interrupt = Interrupt()
quiet = copied(micropython)
quiet.kbd_intr = interrupt
clock = copied(time)
clock.ticks_us = ticks_us
names = copied(sys)
names.implementation = Implementation(tuple(sys.implementation))
for name, module in (("machine", machine), ("rp2", rp2), ("time", clock), ("sys", names), ("micropython", quiet)):
    sys.modules[name] = module
sys.path[:] = [""]


def start():
    with open("../chip/up", "w"):
        pass
    for name in ("boot.py", "main.py"):
        try:
            with open(name) as f:
                text = f.read()
        except OSError:
            continue
        try:
            exec(text, {"__name__": "__main__"})
        except Exception as e:
            print(type(e), e)


try:
    start()
except KeyboardInterrupt:
    print("KeyboardInterrupt")
os.remove("../chip/up")
