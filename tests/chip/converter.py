"""A 24-bit bridge converter on two pins, after the data sheet of such parts.

Data falls when ready, bits on rising edges of the clock, data high again with the 25th, power down when the clock stays
high for more than 60 us.
"""

from __future__ import annotations

from chip.pads import US, Pads

DOWN_US = 60
SETTLE_US = 50_000  # after power-up, at 80 readings a second


class Converter:
    """Converts ``value`` every ``period_us``; ``trailing`` is what the data line shows after the 25th edge."""

    def __init__(self, chip: Pads, data: int, clock: int, period_us: float = 12500.0) -> None:
        self.chip = chip
        self.data = data
        self.clock = clock
        self.period = round(period_us * US)
        self.value = 0
        self.trailing = True
        self.edges = 0
        self.shifting = 0
        self.high_since = 0
        self.down = False
        self.longest_high = 0
        self.reads: list[int] = []  # edges of each conversion
        chip.listeners.setdefault(clock, []).append(self._clocked)
        chip.drive(data, True)
        self.start()

    def start(self) -> None:
        self.chip.later(self.period, self._ready)

    def _ready(self) -> None:
        self.reads.append(self.edges)
        if not self.down:
            self.edges = 0
            self.shifting = self.value & 0xFFFFFF
            self.chip.drive(self.data, False)
        self.chip.later(self.period, self._ready)

    def _clocked(self, high: bool) -> None:
        now = self.chip.cycle
        if not high:
            self.longest_high = max(self.longest_high, now - self.high_since)
            if now - self.high_since > DOWN_US * US:
                self.down = True
                self.chip.drive(self.data, True)
            return
        self.high_since = now
        if self.down:
            return
        self.edges += 1
        if self.edges <= 24:
            self.chip.drive(self.data, bool(self.shifting >> 24 - self.edges & 1))
        else:
            self.chip.drive(self.data, self.trailing)
