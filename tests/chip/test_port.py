"""The port never waits and loses nothing it took; light and sound."""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest
from evenbed_fw import faults, safety, wire

from chip.chip import Chip, Stream
from chip.rigs import load

CHIP = Chip()
MODULE = load(CHIP, "port")
SIGNS = load(CHIP, "signs")


def port(room: int = 1 << 20) -> tuple[Any, Stream]:
    stream = Stream(room)
    return MODULE.Port(stream, stream, stream, stream), stream


def test_the_widest_line_fits_into_buffer_and_ring() -> None:
    """Every number of "limits" at its largest, the zero at its smallest: hardware/protocol.md, sections 4 and 9."""
    writer = wire.LineWriter()
    writer.begin(b"limits")
    writer.nums([9999, -8388607] + [wire.MAX_INT] * (len(wire.BOARD_LINES["limits"]) - 2))
    n = writer.end()
    assert wire.MAX_LINE < n <= len(writer.buf) <= MODULE.ROOM
    p, stream = port()
    p.send(writer.buf, n)
    p.pump()
    assert bytes(stream.taken).rstrip(b"\n") + b"\n" == bytes(writer.buf[:n])


def test_bytes_come_one_by_one() -> None:
    p, stream = port()
    assert p.read_byte() == -1
    stream.came += b"ab\n"
    assert [p.read_byte() for _ in range(4)] == [97, 98, 10, -1]


def test_lines_leave_whole_and_in_order_over_the_rings_end() -> None:
    p, stream = port()
    said = []
    for i in range(60):
        line = bytes([65 + i % 26]) * (90 + i % 13) + b"\n"
        assert p.free() >= len(line)
        p.send(bytearray(line), len(line))
        said.append(line)
        while p.free() < MODULE.ROOM - 150:
            p.pump()
    for _ in range(4):
        p.pump()
    # Filled up with empty lines, which are nothing: hardware/protocol.md, section 2.
    assert [line + b"\n" for line in bytes(stream.taken).split(b"\n") if line] == said
    assert p.free() == MODULE.ROOM
    assert len(stream.taken) - sum(map(len, said)) < MODULE.WORD * len(said)


class Usb(Stream):
    """The queue of MicroPython's USB port: 256 bytes, leaving in packets of up to 64 when the host reads."""

    def write(self, buf: bytearray) -> int:
        assert len(buf) == MODULE.WORD
        return super().write(buf)

    def packet(self) -> None:
        self.room += min(64, 256 - self.room)


@pytest.mark.parametrize("seed", range(5))
def test_a_host_that_stops_reading_is_never_waited_for(seed: int) -> None:
    """The stream stops the test where the chip would wait: when it is handed more than is free. Sizes from the sources of
    MicroPython and of the USB stack it uses."""
    rng = random.Random(seed)
    stream = Usb(256)
    p = MODULE.Port(stream, stream, stream, stream)
    dropped = 0
    for _ in range(3000):
        n = rng.randrange(12, 103)
        if p.free() >= n:
            p.send(bytearray(b"x" * (n - 1) + b"\n"), n)
        else:
            dropped += 1
        p.pump()
        for _ in range(rng.choice([0, 0, 1, 3])):
            stream.packet()
    assert dropped > 10 and len(stream.taken) > 10_000


def test_a_closed_port_costs_lines_and_nothing_else() -> None:
    p, stream = port(room=16)
    p.send(bytearray(b"x" * 500), 500)
    for _ in range(100):
        p.pump()
    assert len(stream.taken) == 16 and p.free() == 24
    stream.room = 8
    p.pump()
    assert len(stream.taken) == 24


def seen(state: int, fault: int = 0, ms: int = 1000) -> tuple[list[bool], list[bool]]:
    signs = SIGNS.Signs()
    now = (1 << 30) - 300_000  # over the clock's end
    light, sound = [], []
    for _ in range(ms):
        signs.step(now, state, fault)
        light.append(signs.light)
        sound.append(signs.sound)
        now = (now + 1000) & 0x3FFFFFFF
    return light, sound


def test_each_kind_of_state_has_its_light() -> None:
    assert not any(seen(safety.LATCHED)[0])
    assert all(seen(safety.MOVING)[0]) and all(seen(safety.HOLDING)[0])
    flashes = {
        state: sum(b and not a for a, b in itertools.pairwise(light))
        for state in range(8)
        for light in [seen(state, ms=4000)[0]]
    }
    # Four seconds: slow once a second, frozen and its like twice, cut four times a second.
    assert flashes[safety.ARMED] in (3, 4) and flashes[safety.FROZEN] in (7, 8) and flashes[safety.CUT] in (15, 16)


@pytest.mark.parametrize(("state", "beeps"), [(safety.MOVING, True), (safety.EASING, True), (safety.HOLDING, False)])
def test_a_short_sound_as_something_begins_to_move(state: int, beeps: bool) -> None:
    sound = seen(state)[1]
    assert any(sound) is beeps
    assert sum(sound) <= 61 and not any(sound[100:])


def test_a_trip_sounds_three_times_and_a_stop_does_not() -> None:
    sound = seen(safety.FROZEN, faults.OVER_TENSION, 3000)[1]
    starts = sum(b and not a for a, b in itertools.pairwise([False, *sound]))
    assert starts == 3 and not any(sound[1000:])
    assert not any(seen(safety.FROZEN, faults.PRESSED)[1])
