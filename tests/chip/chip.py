"""The chip without a chip: the modules rp2 and machine over an emulated PIO, pads and all.

PIO, flags, queues and clock dividers are those of rp2040py. Python itself costs nothing here but what ``Chip.cost`` says
each call of these modules takes. Not in it: the two cycles of the inputs' synchronisers, and rise times.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType

from rp2040py import RP2040

from chip import asm
from chip.pads import CLOCK, PAD_RESET, US, Pads

BATCH = 1000  # cycles that the emulator runs at one go
TURN = 1200  # cycles: programs that look at pins in two or three instructions of 1 us are where they were
TXF, RXF, CTRL, MEM = 0x10, 0x20, 0x00, 0x48


class Unflashed(RP2040):
    """One whose flash of 16 MiB nobody reads: it need not be filled."""

    def reset(self, *, preserve_flash: bool = False, from_watchdog: bool = False) -> None:
        super().reset(preserve_flash=True, from_watchdog=from_watchdog)


class Chip(Pads):
    """One RP2040, as far as pins and PIO go."""

    def __init__(self) -> None:
        mcu = Unflashed()
        mcu.simulator = object()  # the clock is ours
        self.one, self.two = mcu.pio
        self._following = False
        self.cost = 0
        self.free = [32, 32]  # instructions, from the top down
        self.loaded: dict[tuple[int, str], int] = {}
        self.at: list[tuple[int, Callable[[], None]]] = []
        self.dog_ms = 0
        self.hz = 125_000_000  # what machine.freq() says; the emulation runs at CLOCK
        self.fed_cycle = 0
        super().__init__(mcu)
        self.modules = modules(self)

    def _before_edge(self) -> None:
        self._follow_up()

    def later(self, cycles: int, what: Callable[[], None]) -> None:
        """Have ``what`` happen in so many cycles."""
        self.at.append((self.cycle + cycles, what))
        self.at.sort(key=lambda item: item[0])

    @property
    def cycle(self) -> int:
        """Cycles of the system clock so far; while the second PIO catches up, its own."""
        return int(self.two.cycle_fp if self._following else self.one.cycle_fp) >> 8

    def run(self, cycles: int) -> None:
        """Let the clock go on. The second PIO follows the first at each edge of a pad, and at the end."""
        end = self.cycle + cycles
        one = self.one
        pulses = one.machines[0]
        while self.cycle < end:
            until = min(end, self.at[0][0]) if self.at else end
            left = until - self.cycle
            if pulses.waiting and left >= 4 * TURN:
                left -= self._turns(left)
            while left > 0:
                if left >= BATCH and pulses.enabled and not pulses.waiting:
                    one._step_batch()
                    left -= BATCH
                else:
                    n = min(max((one.next_due_fp + 255 >> 8) - self.cycle, 1), left)
                    one.advance(n)
                    left -= n
            self._follow_up()
            while self.at and self.at[0][0] <= self.cycle:
                self.at.pop(0)[1]()

    def _turns(self, left: int) -> int:
        """A state that came back comes back again while nothing else happens. Returns the cycles gone by."""
        one = self.one
        before = self._state()
        end = one.cycle_fp + (TURN << 8)
        while one.cycle_fp < end:
            one.advance(min(max(one.next_due_fp + 255 - one.cycle_fp >> 8, 1), end - one.cycle_fp >> 8))
        more = 0
        if self._state() == before:
            more = (left - TURN) // TURN * TURN << 8
            one.cycle_fp += more
            for machine in one.machines:
                machine.next_due_fp += more
            one.recompute_due()
        return TURN + (more >> 8)

    def _state(self) -> list[object]:
        state: list[object] = [self.one.irq, self.one.pin_values]
        for m in self.one.machines:
            state += [m.enabled, m.waiting, m.pc, m.x, m.y, m.input_shift_reg, m.output_shift_reg]
            state += [m.tx_fifo.item_count, m.rx_fifo.item_count]
            state.append(m.next_due_fp - self.one.cycle_fp if m.enabled and not m.waiting else 0)
        return state

    def _follow_up(self) -> None:
        two = self.two
        now = self.one.cycle_fp
        if self._following:
            return
        self._following = True
        while two.cycle_fp < now:
            two.advance(min(max((two.next_due_fp + 255 >> 8) - (two.cycle_fp >> 8), 1), now - two.cycle_fp >> 8))
        self._following = False

    def run_us(self, us: float) -> None:
        self.run(round(us * US))

    def freq(self, hz: int | None = None) -> int:
        """machine.freq."""
        if hz is not None:
            self.hz = hz
        return self.hz

    def spend(self) -> None:
        if self.cost:
            self.run(self.cost)


class StateMachine:
    """rp2.StateMachine."""

    def __init__(
        self,
        chip: Chip,
        number: int,
        program: asm.Program | None = None,
        freq: int = CLOCK,
        in_base: Pin | None = None,
        jmp_pin: Pin | None = None,
        sideset_base: Pin | None = None,
    ) -> None:
        self.chip = chip
        self.block, self.index = divmod(number, 4)
        self.pio = chip.mcu.pio[self.block]
        self.machine = self.pio.machines[self.index]
        if program is None:
            return
        key = (self.block, program.name)
        if key not in chip.loaded:
            chip.free[self.block] -= len(program.words)
            assert chip.free[self.block] >= 0, "the instruction memory is full"
            chip.loaded[key] = chip.free[self.block]
            for i, word in enumerate(program.words):
                jump = word & 0xE000 == 0
                self.pio.write_uint32(MEM + 4 * (chip.loaded[key] + i), word + chip.loaded[key] if jump else word)
        self.offset = chip.loaded[key]
        divider = CLOCK * 256 // freq
        assert 256 <= divider <= 65536 * 256, "out of range"
        base = 0xC8 + 0x18 * self.index
        self.pio.write_uint32(base, divider << 8)
        wraps = self.offset + program.wrap << 12 | self.offset + program.wrap_target << 7
        jump_pin = (jmp_pin.number if jmp_pin else 0) << 24
        self.pio.write_uint32(base + 4, jump_pin | wraps | (program.side_count > 1) << 30)
        self.pio.write_uint32(base + 8, (not program.out_left) << 19 | (not program.in_left) << 18)
        side = sideset_base.number if sideset_base else 0
        source = in_base.number if in_base else 0
        if sideset_base is not None and program.side_initial is not None:
            # A "set" with one pin, as the chip's library initialises levels and directions.
            self.pio.write_uint32(base + 0x14, 1 << 26 | side << 5)
            self.machine.write_uint32(0x10, 0xE000 | program.side_initial & 1)
            self.machine.write_uint32(0x10, 0xE080 | program.side_initial >> 1)
            self.pio.check_changed_pins()
            sideset_base.function(6 + self.block)
        self.pio.write_uint32(base + 0x14, program.side_count << 29 | source << 15 | side << 10)
        self.restart()

    def exec(self, word: int) -> None:
        self.chip.spend()
        assert isinstance(word, int)
        self.machine.write_uint32(0x10, word)

    def restart(self) -> None:
        self.chip.spend()
        enabled = self.pio.read_uint32(CTRL)
        self.pio.write_uint32(CTRL, enabled | 16 << self.index)
        self.machine.write_uint32(0x10, self.offset)  # jmp

    def active(self, on: int | None = None) -> bool:
        self.chip.spend()
        enabled = self.pio.read_uint32(CTRL)
        if on is not None:
            self.pio.write_uint32(CTRL, enabled | 1 << self.index if on else enabled & ~(1 << self.index))
        return bool(self.pio.read_uint32(CTRL) >> self.index & 1)

    def put(self, word: int) -> None:
        self.chip.spend()
        assert -(1 << 30) <= word < 1 << 30, "a large integer"
        assert not self.machine.tx_fifo.full, "the chip would wait here"
        self.pio.write_uint32(TXF + 4 * self.index, word)

    def get(self) -> int:
        self.chip.spend()
        assert not self.machine.rx_fifo.empty, "the chip would wait here"
        word = self.pio.read_uint32(RXF + 4 * self.index)
        assert word < 1 << 30, "a large integer"
        return int(word)

    def tx_fifo(self) -> int:
        self.chip.spend()
        return int(self.machine.tx_fifo.item_count)

    def rx_fifo(self) -> int:
        self.chip.spend()
        return int(self.machine.rx_fifo.item_count)


class Block:
    """rp2.PIO."""

    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1

    def __init__(self, chip: Chip, number: int) -> None:
        self.chip = chip
        self.number = number

    def remove_program(self) -> None:
        self.chip.free[self.number] = 32
        self.chip.loaded = {key: at for key, at in self.chip.loaded.items() if key[0] != self.number}


class Pin:
    """machine.Pin."""

    IN, OUT = 0, 1
    PULL_UP, PULL_DOWN = 1, 2

    def __init__(self, chip: Chip, number: int, mode: int = 0, pull: int | None = None, value: int | None = None) -> None:
        self.chip = chip
        self.number = number
        self.pad = chip.mcu.gpio[number]
        self.function(5)
        sio = chip.mcu.sio
        if value is not None:
            self._put(value)
        mask = 1 << number
        sio.gpio_output_enable = sio.gpio_output_enable | mask if mode == self.OUT else sio.gpio_output_enable & ~mask
        self.pad.pad_value = PAD_RESET & ~0xC | {None: 0, self.PULL_UP: 8, self.PULL_DOWN: 4}[pull]
        self.pad.check_for_updates()

    def function(self, number: int) -> None:
        self.pad.ctrl = number
        self.pad.check_for_updates()

    def _put(self, value: int) -> None:
        sio = self.chip.mcu.sio
        mask = 1 << self.number
        sio.gpio_value = sio.gpio_value | mask if value else sio.gpio_value & ~mask

    def value(self, value: int | None = None) -> int:
        self.chip.spend()
        if value is None:
            return int(self.pad.input_value)
        self._put(value)
        self.pad.check_for_updates()
        return value


class Memory:
    """machine.mem32: the registers of the PIOs, the rest as plain memory."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.other = {0x40064000: 0x10B1}  # regulator: on, 1.10 V, in regulation (RP2040 data sheet, 2.10)

    def __getitem__(self, address: int) -> int:
        if address >> 20 in (0x502, 0x503):
            return int(self.chip.mcu.pio[(address >> 20) - 0x502].read_uint32(address & 0xFFF))
        return self.other.get(address, 0)

    def __setitem__(self, address: int, value: int) -> None:
        if address >> 20 in (0x502, 0x503):
            self.chip.mcu.pio[(address >> 20) - 0x502].write_uint32(address & 0xFFF, value)
        else:
            self.other[address] = value


class Dog:
    """machine.WDT: only says whether it would have bitten."""

    def __init__(self, chip: Chip, timeout: int) -> None:
        self.chip = chip
        chip.dog_ms = timeout
        self.feed()

    def feed(self) -> None:
        assert (self.chip.cycle - self.chip.fed_cycle) / US <= self.chip.dog_ms * 1000 or not self.chip.fed_cycle, "bitten"
        self.chip.fed_cycle = self.chip.cycle


class Stream:
    """One way of a port: bytes that came, bytes that were taken, room for more. Would the chip wait, it says so."""

    def __init__(self, room: int = 1 << 20) -> None:
        self.came = bytearray()
        self.taken = bytearray()
        self.room = room

    def readinto(self, buf: bytearray) -> int:
        assert len(self.came) >= len(buf), "the chip would wait here"
        buf[:] = self.came[: len(buf)]
        del self.came[: len(buf)]
        return len(buf)

    def write(self, buf: bytearray) -> int:
        assert self.room >= len(buf), "the chip would wait here"
        self.room -= len(buf)
        self.taken += buf
        return len(buf)


class Poll:
    """select.poll, for one stream."""

    def register(self, stream: Stream, events: int) -> None:
        self.stream = stream
        self.events = events

    def ipoll(self, timeout: int) -> Iterator[tuple[Stream, int]]:
        ready = self.events & ((1 if self.stream.came else 0) | (4 if self.stream.room > 0 else 0))
        if ready:
            yield self.stream, ready


def modules(chip: Chip) -> dict[str, ModuleType]:
    """rp2, machine, micropython and a time whose clock is the chip's."""
    rp2 = ModuleType("rp2")
    rp2.asm_pio = asm.asm_pio  # type: ignore[attr-defined]
    rp2.PIO = lambda number: Block(chip, number)  # type: ignore[attr-defined]
    for name, value in vars(Block).items():
        if name.isupper():
            setattr(rp2.PIO, name, value)  # type: ignore[attr-defined]
    rp2.StateMachine = lambda *a, **k: StateMachine(chip, *a, **k)  # type: ignore[attr-defined]
    machine = ModuleType("machine")
    machine.Pin = lambda *a, **k: Pin(chip, *a, **k)  # type: ignore[attr-defined]
    for name in ("IN", "OUT", "PULL_UP", "PULL_DOWN"):
        setattr(machine.Pin, name, getattr(Pin, name))  # type: ignore[attr-defined]
    machine.mem32 = Memory(chip)  # type: ignore[attr-defined]
    machine.WDT = lambda timeout: Dog(chip, timeout)  # type: ignore[attr-defined]
    machine.PWRON_RESET, machine.WDT_RESET = 1, 3  # type: ignore[attr-defined]
    machine.reset_cause = lambda: 1  # type: ignore[attr-defined]
    machine.freq = chip.freq  # type: ignore[attr-defined]
    micropython = ModuleType("micropython")
    micropython.kbd_intr = lambda code: None  # type: ignore[attr-defined]
    time = ModuleType("time")
    time.sleep_ms = lambda ms: chip.run_us(1000 * ms)  # type: ignore[attr-defined]
    time.ticks_us = lambda: chip.cycle // US & 0x3FFFFFFF  # type: ignore[attr-defined]
    select = ModuleType("select")
    select.POLLIN, select.POLLOUT = 1, 4  # type: ignore[attr-defined]
    select.poll = Poll  # type: ignore[attr-defined]
    return {"rp2": rp2, "machine": machine, "micropython": micropython, "time": time, "select": select}


_last: Chip | None = None


@contextmanager
def on_chip(chip: Chip) -> Iterator[None]:
    """Let what is imported inside find this chip's modules. The package evenbed_pico is imported anew for each chip."""
    global _last
    kept = {name: sys.modules.get(name) for name in chip.modules}
    if chip is not _last:
        _last = chip
        for name in [name for name in sys.modules if name.split(".")[0] == "evenbed_pico"]:
            del sys.modules[name]
    sys.modules.update(chip.modules)
    try:
        yield
    finally:
        for name, module in kept.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module
