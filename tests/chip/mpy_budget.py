"""What a pass of the loop takes on this interpreter, by what it has to do. Prints microseconds; the scale: soak.py.

What is C on the chip (pins, state machines, registers, clock, streams) is C here, so that only the program's own bytecode
is compared. The fastest of many passes counts: others work on this computer too.
"""

import io
import sys
import time

from evenbed_fw import wire

from chip import mpy_world

TURNS = 7  # a pass is taken so often at each of ...
PASSES = 300


class Names:
    """Attributes."""


def always(value: int) -> object:
    """A function in C that answers ``value``."""
    stream = io.BytesIO()
    stream.seek(value)
    return stream.tell


class Still:
    """The rig of an evening, standing in the middle of a hold that wants to go on: the board goes on commanding."""

    def __init__(self, evening: "mpy_world.Evening") -> None:
        from evenbed_pico import motor, pico, pio_steps
        from evenbed_pico.port import Port

        hw = evening.hw
        counted = always(hw.motor._count())
        pins = [hw._enable, hw._pressed, hw._rest, hw._end_low, hw._end_high, hw._estop, hw._supply, hw._led, hw._beeper]
        pins.extend((hw.motor._estop, hw.motor._direction))
        for pin in pins:
            high = mpy_world.WORLD.pins[pin.number] and pin.number in (10, 11)
            pin.value = always(1) if high else int  # type: ignore[method-assign,assignment]
        m = hw.motor
        for machine in (m._pulses, m._gate, m._guard_up, m._guard_down, m._counter, hw._cell):
            machine.exec = machine.put = machine.active = machine.restart = int  # type: ignore[method-assign,assignment]
            machine.tx_fifo = machine.rx_fifo = int  # type: ignore[method-assign]
        m._counter.get = counted  # type: ignore[method-assign,assignment]
        self.cell = hw._cell
        registers = Names()
        registers.mem32 = {pio_steps.IRQ_REGISTER: 0}  # type: ignore[attr-defined]
        motor.machine = registers  # type: ignore[assignment]
        hw._dog.feed = int  # type: ignore[union-attr,method-assign,assignment]
        self.now = mpy_world.WORLD.now
        self.time = Names()
        pico.time = self.time  # type: ignore[assignment]
        # The real port, on streams that are always ready.
        port = Port(sys.stdin, sys.stdout, sys.stdin.buffer, sys.stdout.buffer)
        port._readable = port._writable = {0: [(None, 5)]}.get  # type: ignore[assignment]
        self.port = port
        self.said = io.BytesIO(bytearray(4096))
        port._write = self.said.write
        self.heard(b"")
        hw._port = port
        hw.tx_free = port.free
        hw.send = port.send
        evening.board._read_byte = port.read_byte
        self.noise = 0
        self.evening = evening
        self.value = evening.board.core.raw

    def heard(self, line: bytes) -> None:
        """The host has said ``line``."""
        self.port._readinto = io.BytesIO(line).readinto

    def after(self, us: int, reading: bool) -> None:
        """Let the clock go on."""
        self.now = self.now + us & 0x3FFFFFFF
        self.time.ticks_us = always(self.now)  # type: ignore[attr-defined]
        self.noise = self.noise + 1 & 3
        self.cell.rx_fifo = always(1) if reading else int  # type: ignore[method-assign,assignment]
        self.cell.get = always((self.value + self.noise & 0xFFFFFF) << 1 | 1)  # type: ignore[method-assign,assignment]
        self.said.seek(0)

    def spent(self, us: int, reading: bool, lease: "tuple[int, ...] | None") -> int:
        """The fastest pass, of ``us`` of virtual time each; the lease is kept alive in between."""
        e = self.evening
        poll = e.board.poll
        after = e.hw.after
        core = e.board.core
        best = 1 << 29
        for i in range(PASSES):
            core.lease_us = self.now
            if not reading:
                core.sample_us = self.now
            self.after(us, reading)
            if lease is not None:
                words = [i]
                words.extend(lease)
                self.heard(wire.encode("go", words))
            start = time.ticks_us()  # type: ignore[attr-defined]
            poll()
            after(core.state, core.fault)
            took = time.ticks_diff(time.ticks_us(), start)  # type: ignore[attr-defined]
            best = took if took < best else best
            assert core.fault == 0 and e.board.rate != 0 and core.state == 3, (core.state, core.fault, e.board.rate)
        return best


def yardstick() -> int:
    """The fastest turn of bytecode of the same kind as the wire's: digits of a hundred numbers into a buffer, and back."""
    buf = bytearray(8)
    best = 1 << 29
    for _ in range(PASSES):
        start = time.ticks_us()  # type: ignore[attr-defined]
        total = 0
        for number in range(1000, 1100):
            value = number
            i = 4
            while i > 0:
                i -= 1
                rest = value // 10
                buf[i] = 48 + value - rest * 10
                value = rest
            while i < 4:
                value = value * 10 + buf[i] - 48
                i += 1
            total += value
        took = time.ticks_diff(time.ticks_us(), start)  # type: ignore[attr-defined]
        assert total == 104950
        best = took if took < best else best
    return best


def main(text: str) -> None:
    """A short pass, one with a step of the ramp, with a reading, with reading and lease; one line out, one in."""
    mpy_world.install()
    evening = mpy_world.Evening(text, None)
    evening.begin()
    evening.press(150)
    evening.run(800, (wire.DRAW, 40000, 19000, 2100000, 150))
    evening.run(100, (wire.HOLD, 9000, 30000, 2150000, 150))
    still = Still(evening)
    hold = (wire.HOLD, 9000, 30000, 2150000, 150)
    board = evening.board
    best = {}
    for _ in range(TURNS):
        for name, us, reading, lease in (
            ("short pass", 1, False, None),
            ("ramp pass", 2000, False, None),
            ("reading", 12500, True, None),
            ("reading and lease", 12500, True, hold),
        ):
            took = still.spent(us, reading, lease)
            best[name] = min(took, best.get(name, took))
        took = yardstick()
        best["yardstick"] = min(took, best.get("yardstick", took))
        out = []
        came = []
        words = [1234]
        words.extend(hold)
        line = wire.encode("go", words)
        byte = board.reader.byte
        for _ in range(PASSES):
            start = time.ticks_us()  # type: ignore[attr-defined]
            board._report(1234567, 19000)
            out.append(time.ticks_diff(time.ticks_us(), start))  # type: ignore[attr-defined]
            still.said.seek(0)
            start = time.ticks_us()  # type: ignore[attr-defined]
            for c in line:
                byte(c)
            came.append(time.ticks_diff(time.ticks_us(), start))  # type: ignore[attr-defined]
            board.hw.after(3, 0)
        for name, all_ in (("line out", out), ("line in", came)):
            best[name] = min(min(all_), best.get(name, 1 << 29))
    for name in best:
        print(f"{name} {best[name]}")
