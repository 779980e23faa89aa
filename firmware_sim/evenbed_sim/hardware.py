"""The simulated chip: the firmware's hardware verbs on a virtual clock, no faster than a real board.

Costs are what the same work takes in bytecode on an RP2040-class chip: about 1.5 ms to format or to read one line, some
milliseconds for a collection. Virtual time passes while the firmware works, and the motor runs on meanwhile.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from evenbed_fw.hardware import Hardware


@dataclass(frozen=True)
class Costs:
    """What the board's work takes, microseconds."""

    read_sample_us: float = 300.0
    line_out_us: float = 1500.0
    line_in_us: float = 1500.0
    collect_us: float = 4000.0
    usb_us: float = 1000.0  # from one side's buffer to the other's


class SimHardware(Hardware):
    """Verbs of one simulated board. ``advance`` lets the world move on to a given time, microseconds."""

    def __init__(self, costs: Costs, advance: Callable[[float], None]) -> None:
        self.costs = costs
        self._advance = advance
        self.t_us = 0.0
        self.clock_offset_us = 0
        # converter
        self.waiting: int | None = None
        # step generator
        self.rate = 0
        self.granted = 0.0
        self.steps = 0.0
        self.enabled = False
        # pins and port
        self.pins = 0
        self.rx: deque[tuple[float, bytes]] = deque()
        self._line = b""
        self._at = 0
        self.tx: deque[tuple[float, bytes]] = deque()
        self.tx_room = 512
        self.stored = ""

    def _spend(self, us: float) -> None:
        self._advance(self.t_us + us)

    def now_us(self) -> int:
        return (int(self.t_us) + self.clock_offset_us) & 0x3FFFFFFF

    def sample_ready(self) -> bool:
        return self.waiting is not None

    def read_sample(self) -> int:
        value = self.waiting
        assert value is not None
        self.waiting = None
        self._spend(self.costs.read_sample_us)
        return value

    def position(self) -> int:
        return int(self.steps // 1)

    def grant(self, rate: int, steps: int) -> None:
        self.rate = rate if steps > 0 else 0
        self.granted = float(steps)

    def enable(self, on: bool) -> None:
        self.enabled = on

    def inputs(self) -> int:
        return self.pins

    def read_byte(self) -> int:
        if self._at >= len(self._line):
            if not self.rx or self.rx[0][0] > self.t_us:
                return -1
            self._line = self.rx.popleft()[1]
            self._at = 0
        c = self._line[self._at]
        self._at += 1
        if c == 10:
            self._spend(self.costs.line_in_us)
        return c

    def tx_free(self) -> int:
        return self.tx_room

    def send(self, buf: bytearray, n: int) -> None:
        self._spend(self.costs.line_out_us)
        self.tx.append((self.t_us + self.costs.usb_us, bytes(buf[:n])))

    def store(self, text: str) -> None:
        self.stored = text

    def collect(self) -> None:
        self._spend(self.costs.collect_us)
