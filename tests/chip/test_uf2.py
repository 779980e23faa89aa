"""A whole board in the emulator, where EVENBED_UF2 names a RPI_PICO UF2 of MicroPython.

What the emulator leaves out: a state machine executes at most one instruction for each of the processor's, so that pulses
come slower here than on a chip; their number, the count and every decision are as on a chip. Times are not looked at.
"""

from __future__ import annotations

import ast
import asyncio
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import evenbed_fw
import pytest
from evenbed_fw import faults, safety, wire
from rp2040py.boards import BoardSpec
from rp2040py.device import MicroPythonDevice

from chip.chip import Chip
from chip.converter import Converter
from chip.pads import Pads
from chip.rigs import CLOCK_PIN, DATA, DIR, ENABLE, ESTOP, PRESSED, REST, STEP, load, quiet

ROOT = Path(evenbed_fw.__file__).parents[1]
UF2 = os.environ.get("EVENBED_UF2", "")
needs_uf2 = pytest.mark.skipif(not UF2, reason="EVENBED_UF2 names no RPI_PICO UF2 of MicroPython")
PIECE = 1024  # bytes of a file in one go


def pieces(name: str, data: bytes) -> list[str]:
    """Programs that write one file on the board."""
    folder = name.rpartition("/")[0]
    head = f"import os\ntry:\n os.mkdir({folder!r})\nexcept OSError:\n pass\n" if folder else ""
    out = [f"{head}f=open({name!r},'wb')\nf.close()\n"]
    for at in range(0, len(data), PIECE):
        out.append(f"f=open({name!r},'ab')\nf.write({data[at : at + PIECE]!r})\nf.close()\n")
    return out


def firmware() -> list[tuple[str, bytes]]:
    """What lies on a board, by its name there."""
    paths = [ROOT / "boot.py", ROOT / "main.py", ROOT / "evenbed_board.json"]
    paths += [path for package in ("evenbed_fw", "evenbed_pico") for path in sorted((ROOT / package).glob("*.py"))]
    # main.py last: a board that is reset in between comes up at its prompt.
    paths.sort(key=lambda path: path.name == "main.py")
    return [(str(path.relative_to(ROOT)), path.read_bytes()) for path in paths]


class Talk:
    """Both directions of the wire, line by line."""

    def __init__(self, put: Callable[[int], None]) -> None:
        self.put = put
        self.seq = 0
        self.half = b""
        self.lines: asyncio.Queue[list[str]] = asyncio.Queue()

    def came(self, data: bytes) -> None:
        *whole, self.half = (self.half + bytes(data)).split(b"\n")
        for line in whole:
            if line:
                self.lines.put_nowait(line.decode("ascii", "replace").split())

    def say(self, kind: str, *numbers: int) -> None:
        for c in wire.encode(kind, [self.seq, *numbers]):
            self.put(c)
        self.seq += 1

    async def wait(self, kind: str, good: Callable[[list[int]], bool] = lambda n: True, lines: int = 4000) -> list[int]:
        """The numbers of the next line of this kind that is ``good``."""
        for _ in range(lines):
            words = await asyncio.wait_for(self.lines.get(), 60)
            if words[0] == kind and good([int(word) for word in words[1:-1]]):
                return [int(word) for word in words[1:-1]]
        raise AssertionError(f"no such {kind} line among {lines}")


def string_on(pads: Pads, converter: Converter) -> None:
    """A string that begins at 8000 steps, 160 counts a step, and follows the pulses."""
    at = 0

    def step(level: bool) -> None:
        nonlocal at
        if level:
            at += 1 if pads.level(DIR) else -1
            converter.value = max(0, at - 8000) * 160 + at % 7

    pads.listeners.setdefault(STEP, []).append(step)


async def session(device: Any) -> None:
    """Files on, words compared, reset, and a pull from arming to an emergency stop."""
    await device.astart()
    for name, data in firmware():
        for program in pieces(name, data):
            _, trouble = await device.aexec(program)
            assert trouble == b"", (name, trouble)
    # The chip's own assembler makes the same words.
    chip = Chip()
    for module in ("pio_steps", "pio_cell"):
        ours = {p.name: p.words for p in vars(load(chip, module)).values() if hasattr(p, "words")}
        ask = f"import evenbed_pico.{module} as m\nprint({{n: list(getattr(m, n)[0]) for n in {sorted(ours)!r}}})"
        said, trouble = await device.aexec(ask)
        assert trouble == b"" and ast.literal_eval(said.decode()) == ours
    pads = Pads(device.mcu)
    quiet(pads)
    converter = Converter(pads, DATA, CLOCK_PIN)
    string_on(pads, converter)
    talk = Talk(device.cdc.send_serial_byte)
    await asyncio.wrap_future(device.hard_reset_async())
    device.cdc.on_serial_data = talk.came
    await talk.wait("s")
    assert not pads.level(ENABLE)
    talk.say("hello", wire.PROTOCOL)
    assert (await talk.wait("board"))[1] == wire.PROTOCOL
    await talk.wait("s", lambda n: n[2] > 30)
    talk.say("arm", 250000)
    assert (await talk.wait("ok"))[1] == talk.seq - 1
    await talk.wait("s", lambda n: n[6] == safety.ARMED)
    for _ in range(40):
        await talk.wait("s")
    pads.drive(PRESSED, False)
    pads.drive(REST, True)
    await talk.wait("s", lambda n: n[10] > 80)
    pads.drive(PRESSED, True)
    pads.drive(REST, False)
    await talk.wait("s", lambda n: n[10] == 0)
    made = len(pads.rises(STEP))
    numbers: list[int] = []
    for _ in range(600):
        talk.say("go", wire.DRAW, 24000, 9000, 2000000, 150)
        numbers = await talk.wait("s")
        if numbers[4] >= 9000 and numbers[5] == 0:
            break
    assert numbers[4] == 9000 and numbers[6] == safety.MOVING
    assert len(pads.rises(STEP)) - made == 9000
    talk.say("go", wire.DRAW, 24000, 12000, 2000000, 150)
    await talk.wait("s", lambda n: n[4] > 9100)
    pads.drive(ESTOP, True)
    numbers = await talk.wait("s", lambda n: n[6] == safety.CUT)
    assert numbers[7] == faults.EMERGENCY_STOP and not pads.level(ENABLE)
    device.stop()


@needs_uf2
def test_a_pull_on_a_booted_board() -> None:
    asyncio.run(session(MicroPythonDevice(board=BoardSpec(image=UF2))))


def test_what_can_be_tried_of_it_without_one(tmp_path: Path) -> None:
    """Files written piece by piece, lines cut out of packets, and a converter on the emulator's own clock."""
    for name, data in firmware():
        for program in pieces(str(tmp_path / name), data):
            exec(program, {})
        assert (tmp_path / name).read_bytes() == data

    async def lines() -> list[int]:
        sent = bytearray()
        talk = Talk(sent.append)
        talk.say("hello", 1)
        assert bytes(sent) == b"hello 0 1 f1f8fed7\n"  # hardware/protocol.md, section 2
        talk.came(b"s 1 2\n\n\nok 2")
        talk.came(b" 3 4 00000000\n")
        return await talk.wait("ok")

    assert asyncio.run(lines()) == [2, 3, 4]
    # The processor runs in a circle; the emulator's clock and alarms go on, and the converter with them.
    from rp2040py.simulator import Simulator

    simulator = Simulator()
    simulator.stopped = False
    mcu = simulator.rp2040
    mcu.write_uint16(0x20000000, 0xE7FE)  # branch to itself
    mcu.core.pc = 0x20000000
    pads = Pads(mcu)
    converter = Converter(pads, DATA, CLOCK_PIN, period_us=200)
    assert pads.level(DATA)
    for _ in range(3):
        simulator._execute_batch()
    assert pads.cycle > 25_000 and not pads.level(DATA) and len(converter.reads) > 0
