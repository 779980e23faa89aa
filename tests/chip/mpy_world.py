"""A rig under MicroPython: modules rp2 and machine that only keep count, a string, a converter, the board's whole program.

Integers only and nothing allocated once built, so that a test may lock the heap around a pass. Programs are not run here:
the PIO tests do that. Install the modules before importing evenbed_pico.
"""

import gc
import sys

from evenbed_fw import wire

KINDS = []  # state machines, by number
STEP_HZ = 50000000


class World:
    """Time, motor, string and converter."""

    def __init__(self) -> None:
        self.now = (1 << 30) - 3000000  # the clock wraps soon
        self.pins = [0] * 30
        self.pins[10] = 1  # pedal up, contacts closed
        self.left = 0
        self.loops = 0
        self.first = -1  # first word of a grant
        self.part = 0
        self.up = 0
        self.down = 0
        self.at = 0
        self.slack = 8000
        self.k = 160
        self.until_us = 12500
        self.words = 0
        self.word = 0
        self.late = [0] * 4
        self.turn = 0
        self.noise = 0
        self.ran_out = 0

    def advance(self, us: int) -> None:
        """Let the world run on, at most 2000 us."""
        room = 1073741823 - self.now
        self.now = us - room - 1 if us > room else self.now + us
        if self.left > 0:
            rate = STEP_HZ // (266 + 3 * self.loops)
            self.part += rate * us
            n = self.part // 1000000
            self.part -= n * 1000000
            if n > self.left:
                n = self.left
            self.left -= n
            if self.left == 0:
                self.ran_out += 1
            if self.pins[3]:
                self.up += n
                self.at += n
            else:
                self.down += n
                self.at -= n
        self.until_us -= us
        if self.until_us <= 0:
            self.until_us += 12500
            stretched = self.at - self.slack
            self.late[self.turn & 3] = stretched * self.k if stretched > 0 else 0
            self.noise = (self.noise * 5 + 3) & 7
            value = self.late[(self.turn - 2) & 3] + self.noise - 4
            self.turn = (self.turn + 1) & 1023
            self.word = (value & 0xFFFFFF) << 1 | 1
            if self.words < 4:
                self.words += 1


WORLD = World()


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, number: int, mode: int = 0, pull: int = -1, value: int = -1) -> None:
        self.number = number
        if value >= 0:
            WORLD.pins[number] = value

    def value(self, value: int = -1) -> int:
        if value >= 0:
            WORLD.pins[self.number] = value
        return WORLD.pins[self.number]


class StateMachine:
    """One that knows by its number what it is for."""

    def __init__(self, number: int, program: "object" = None, **how: "object") -> None:
        self.number = number

    def active(self, on: int = 1) -> None:
        pass

    def restart(self) -> None:
        if self.number == 0:
            WORLD.left = 0
            WORLD.first = -1

    def exec(self, word: int) -> None:
        pass

    def put(self, word: int) -> None:
        if self.number != 0:
            return
        if WORLD.first < 0:
            WORLD.first = word
        else:
            WORLD.left = WORLD.first >> 1
            WORLD.loops = word
            WORLD.first = -1

    def get(self) -> int:
        if self.number == 4:
            return (-WORLD.up & 32767) << 15 | -WORLD.down & 32767
        WORLD.words -= 1
        return WORLD.word

    def tx_fifo(self) -> int:
        return 0

    def rx_fifo(self) -> int:
        return WORLD.words


class Words:
    """machine.mem32."""

    def __getitem__(self, address: int) -> int:
        return 0

    def __setitem__(self, address: int, value: int) -> None:
        pass


class Dog:
    def __init__(self, timeout: int = 0) -> None:
        self.fed = 0

    def feed(self) -> None:
        self.fed = self.fed + 1 & 0xFFFFFF


class Pio:
    OUT_LOW = 2
    SHIFT_LEFT = 0
    SHIFT_RIGHT = 1


class Rp2:
    PIO = Pio
    StateMachine = StateMachine

    @staticmethod
    def asm_pio(**how: "object") -> "object":
        return lambda program: program


class Machine:
    Pin = Pin
    WDT = Dog
    mem32 = Words()


class Clock:
    @staticmethod
    def ticks_us() -> int:
        return WORLD.now


class Quiet:
    """micropython.kbd_intr, which the WebAssembly build lacks."""

    @staticmethod
    def kbd_intr(code: int) -> None:
        pass


class Lines:
    """A port: what the host says; of what the board says, a digest."""

    def __init__(self) -> None:
        self.rx = bytearray(512)
        self.n = 0
        self.at = 0
        self.sent = 0
        self.digest = 0

    def hear(self, line: bytes) -> None:
        for c in line:
            if self.n < len(self.rx):
                self.rx[self.n] = c
                self.n += 1

    def read_byte(self) -> int:
        if self.at >= self.n:
            self.at = self.n = 0
            return -1
        c = self.rx[self.at]
        self.at += 1
        return c

    def free(self) -> int:
        return 512

    def send(self, buf: bytearray, n: int) -> None:
        self.sent += 1
        digest = self.digest
        i = 0
        while i < n:
            digest = (digest * 31 + buf[i]) & 0xFFFFFF
            i += 1
        self.digest = digest

    def pump(self) -> None:
        pass


def install() -> None:
    """Let evenbed_pico find these modules."""
    sys.modules["rp2"] = Rp2()  # type: ignore[assignment]
    sys.modules["machine"] = Machine()  # type: ignore[assignment]
    if sys.implementation.name == "cpython":
        sys.modules["micropython"] = Quiet()  # type: ignore[assignment]


class Evening:
    """The board on its rig, and a host that arms, draws, holds and eases off."""

    def __init__(self, text: str, lock: "object") -> None:
        from evenbed_fw.board import Board

        gc.collect()  # what importing leaves behind, before it lies between what stays
        from evenbed_pico import pico, pins

        pico.time = Clock  # type: ignore[assignment]
        pico.micropython = Quiet  # type: ignore[assignment]
        self.lines = Lines()
        file = pins.BoardFile(text)
        assert file.wrong == "", file.wrong
        gc.collect()  # as start.py
        self.hw = pico.Pico(file, self.lines, print)  # type: ignore[arg-type]
        self.board = Board(self.hw, file.settings, 1)
        self.lock = lock
        self.seq = 0

    def say(self, kind: str, *numbers: int) -> None:
        words = [self.seq]
        words.extend(numbers)
        self.lines.hear(wire.encode(kind, words))
        self.seq = (self.seq + 1) % wire.SEQ_WRAP

    def run(self, ms: int, go: "tuple[int, ...] | None" = None, locked: bool = True, pass_us: int = 500) -> None:
        """So many milliseconds, ``go`` renewed every 50 ms, the heap locked around each pass."""
        lock = self.lock if locked else None
        poll = self.board.poll
        after = self.hw.after
        core = self.board.core
        advance = WORLD.advance
        every = 50000 // pass_us
        for i in range(ms * 1000 // pass_us):
            if go is not None and i % every == 0:
                self.say("go", *go)
            if lock is not None:
                lock.heap_lock()  # type: ignore[attr-defined]
                try:
                    advance(pass_us)
                    poll()
                    after(core.state, core.fault)
                finally:
                    lock.heap_unlock()  # type: ignore[attr-defined]
            else:
                advance(pass_us)
                poll()
                after(core.state, core.fault)

    def press(self, ms: int) -> None:
        WORLD.pins[10] = 0
        WORLD.pins[11] = 1
        self.run(ms)
        WORLD.pins[10] = 1
        WORLD.pins[11] = 0
        self.run(200)

    def begin(self) -> None:
        self.run(400, locked=False)
        self.say("hello", wire.PROTOCOL)
        self.run(20, locked=False)
        self.say("arm", 250000)
        self.run(500, locked=False)

    def string(self, pass_us: int = 500) -> None:
        """A tap, a draw, a hold with a little give and take, eased off again."""
        self.press(150)
        self.run(800, (wire.DRAW, 40000, 19000, 2100000, 150), pass_us=pass_us)
        self.run(200, (wire.HOLD, 9000, 19150, 2150000, 150), pass_us=pass_us)
        self.run(200, (wire.HOLD, 9000, 18850, 2150000, 150), pass_us=pass_us)
        self.run(1200, (wire.EASE, 30000, 7000, 0, 150), pass_us=pass_us)
        self.run(800, pass_us=pass_us)

    def facts(self) -> str:
        core = self.board.core
        motor = self.hw.motor
        return (
            f"state {core.state} fault {core.fault} at {WORLD.at} counted {motor.position()} "
            f"lines {self.lines.sent} digest {self.lines.digest:06x}"
        )
