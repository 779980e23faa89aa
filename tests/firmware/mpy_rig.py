"""A board's hardware as small as it can be, for CPython and MicroPython alike: a clock, a motor, a spring, a converter.

Integers only and nothing allocated once built, so that a test may lock the heap around the firmware's poll.
The spring is linear from ``slack`` steps on: ``k`` counts per step. Readings come ``delay`` conversions late.
"""

import binascii

from evenbed_fw import wire
from evenbed_fw.board import Board
from evenbed_fw.hardware import I_END_LOW, I_ESTOP_OK, I_PEDAL_A, I_PEDAL_B, I_SUPPLY_OK, Hardware
from evenbed_fw.settings import Settings

AT_REST = I_PEDAL_B | I_ESTOP_OK | I_SUPPLY_OK
PRESSED = I_PEDAL_A | I_ESTOP_OK | I_SUPPLY_OK


class FakeHardware(Hardware):
    """The verbs of the hardware on a clock that the test advances."""

    def __init__(self, start_us: int = 0) -> None:
        self.now = start_us
        self.pins = AT_REST
        # motor
        self.at = 0
        self.rate = 0
        self.left = 0
        self.part = 0  # millionths of a step
        self.enabled = False
        self.moved_up = 0  # steps made upwards since the start
        # spring and converter
        self.k = 0
        self.slack = 0
        self.period_us = 12500
        self.delay = 2
        self.bias = 0  # counts that the reading is off
        self.constant = False  # no noise: the same reading again and again
        self.converting = True
        self.until_us = self.period_us
        self.late = [0] * 8
        self.late_at = 0
        self.noise = 0
        self.ready = False
        self.value = 0
        self.peak = 0  # largest true force, counts
        # port
        self.rx = bytearray(512)
        self.rx_n = 0
        self.rx_at = 0
        self.room = 512
        self.sent = 0
        self.digest = 0

    def force(self) -> int:
        """True force on the string, counts."""
        stretched = self.at - self.slack
        return stretched * self.k if stretched > 0 else 0

    def advance(self, us: int) -> None:
        """Let the world run on for ``us`` microseconds, at most 2000."""
        room = 1073741823 - self.now  # the largest small integer of the chip
        self.now = us - room - 1 if us > room else self.now + us
        if self.enabled and self.left > 0:
            up = self.rate > 0
            self.part += (self.rate if up else -self.rate) * us
            n = self.part // 1000000
            self.part -= n * 1000000
            if n > self.left:
                n = self.left
            self.left -= n
            self.at += n if up else -n
            if up:
                self.moved_up += n
            force = self.force()
            if force > self.peak:
                self.peak = force
        else:
            self.part = 0
        self.until_us -= us
        if self.until_us <= 0:
            self.until_us += self.period_us
            self._convert()

    def _convert(self) -> None:
        self.late[self.late_at & 7] = self.force()
        if self.converting:
            self.noise = (self.noise * 5 + 3) & 7
            self.value = self.late[(self.late_at - self.delay) & 7] + self.bias
            if not self.constant:
                self.value += self.noise - 4
            if self.value > 8388607:
                self.value = 8388607
            elif self.value < -8388608:
                self.value = -8388608
            self.ready = True
        self.late_at = (self.late_at + 1) & 1023

    def now_us(self) -> int:
        return self.now

    def sample_ready(self) -> bool:
        return self.ready

    def read_sample(self) -> int:
        self.ready = False
        return self.value

    def position(self) -> int:
        return self.at

    def grant(self, rate: int, steps: int) -> None:
        self.rate = rate
        self.left = steps

    def enable(self, on: bool) -> None:
        self.enabled = on

    def inputs(self) -> int:
        return self.pins

    def read_byte(self) -> int:
        if self.rx_at >= self.rx_n:
            self.rx_at = self.rx_n = 0
            return -1
        c = self.rx[self.rx_at]
        self.rx_at += 1
        return c

    def hear(self, line: bytes) -> None:
        """Put bytes of the host into the port; bytes that find no room are lost."""
        for c in line:
            if self.rx_n < len(self.rx):
                self.rx[self.rx_n] = c
                self.rx_n += 1

    def tx_free(self) -> int:
        return self.room

    def send(self, buf: bytearray, n: int) -> None:
        self.sent += 1
        digest = self.digest
        i = 0
        while i < n:
            digest = (digest * 31 + buf[i]) & 0xFFFFFF
            i += 1
        self.digest = digest

    def store(self, text: str) -> None:
        self.stored = text

    def collect(self) -> None:
        pass


class SmallCrc:
    """Stands in for binascii where the true CRC-32 would be an allocated integer: a check sum of 24 bits."""

    @staticmethod
    def crc32(data: "bytes | memoryview") -> int:
        total = 1
        for c in data:
            total = (total * 31 + c) & 0xFFFFFF
        return total


class Desk:
    """A host that says what the script tells it to, and renews leases every 50 ms."""

    def __init__(self, start_us: int, lock: "object", settings: "Settings | None" = None) -> None:
        self.hw = FakeHardware(start_us)
        self.board = Board(self.hw, settings if settings else Settings())
        self.lock = lock  # the module micropython, or None
        self.seq = 0
        self.log: list[tuple[int, int, int, int]] = []
        self.polls_locked = 0

    def say(self, kind: str, *numbers: int) -> None:
        """Queue one line for the board."""
        words = [self.seq]
        words.extend(numbers)  # MicroPython knows no starred tuple
        self.hw.hear(wire.encode(kind, words))
        self.seq = (self.seq + 1) % wire.SEQ_WRAP

    def run(self, ms: int, go: "tuple[int, ...] | None" = None) -> None:
        """Let the world and the board run for ``ms``; ``go`` is a lease to be renewed. The heap is locked around poll."""
        lock = self.lock
        poll = self.board.poll
        advance = self.hw.advance
        for i in range(ms * 2):
            if go is not None and i % 100 == 0:
                self.say("go", *go)
            if lock is not None:
                lock.heap_lock()  # type: ignore[attr-defined]
                try:
                    advance(500)
                    poll()
                finally:
                    lock.heap_unlock()  # type: ignore[attr-defined]
                self.polls_locked += 1
            else:
                advance(500)
                poll()

    def note(self) -> None:
        """Remember where things stand."""
        core = self.board.core
        self.log.append((core.state, core.fault, core.later, self.hw.at))

    def unlocked(self, ms: int) -> None:
        """Like run, with the heap free: answers to rare questions may allocate."""
        lock = self.lock
        self.lock = None
        self.run(ms)
        self.lock = lock

    def press(self, ms: int) -> None:
        """Put the foot down for ``ms``, then leave the pedal alone for 200 ms."""
        self.hw.pins = self.hw.pins & ~I_PEDAL_B | I_PEDAL_A
        self.run(ms)
        self.hw.pins = self.hw.pins & ~I_PEDAL_A | I_PEDAL_B
        self.run(200)


def use_small_crc() -> None:
    """Let wire lines carry the small check sum, on both sides."""
    wire.binascii = SmallCrc  # type: ignore[assignment, attr-defined]


def use_true_crc() -> None:
    """Undo use_small_crc."""
    wire.binascii = binascii  # type: ignore[attr-defined]


__all__ = ["AT_REST", "I_END_LOW", "PRESSED", "Desk", "FakeHardware", "SmallCrc", "use_small_crc", "use_true_crc"]
