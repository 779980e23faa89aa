"""The pads of an emulated RP2040: what is wired to them, what they put out, and when."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

CLOCK = 200_000_000
US = CLOCK // 1_000_000  # cycles
PAD_RESET = 0x56  # input enabled, pull-down, 4 mA, Schmitt: RP2040 data sheet, PADS_BANK0


class Pads:
    """Everything of a rig outside the chip ``mcu``. ``cycle`` and ``later`` are the system clock's."""

    def __init__(self, mcu: Any) -> None:
        self.mcu = mcu
        self.edges: dict[int, list[tuple[int, bool]]] = {}
        self.listeners: dict[int, list[Callable[[bool], None]]] = {}
        for number in range(30):
            mcu.gpio[number].pad_value = PAD_RESET
            mcu.gpio[number].add_listener(self._follow(number))

    @property
    def cycle(self) -> int:
        """Cycles of the system clock so far."""
        return int(self.mcu.clock.nanos * US / 1000)

    def later(self, cycles: int, what: Callable[[], None]) -> None:
        """Have ``what`` happen in so many cycles."""
        self.mcu.clock.create_alarm(what).schedule(cycles * 1000 / US)

    def _before_edge(self) -> None:
        pass

    def _follow(self, number: int) -> Callable[[Any, Any], None]:
        def changed(new: Any, old: Any) -> None:
            # What a pad puts out is what its input reads.
            if int(new) > 1:
                if int(old) <= 1:
                    self.cut(number)
                return
            level = int(new) == 1
            self._before_edge()
            self.mcu.gpio[number].set_input_value(level)
            self.edges.setdefault(number, []).append((self.cycle, level))
            for tell in self.listeners.get(number, []):
                tell(level)

        return changed

    def drive(self, number: int, level: bool) -> None:
        """Set what is wired to a pin."""
        self.mcu.gpio[number].set_input_value(bool(level))

    def cut(self, number: int) -> None:
        """The wire to a pin breaks: its pull decides."""
        self.mcu.gpio[number].release_input()

    def level(self, number: int) -> bool:
        return bool(self.mcu.gpio[number].input_value)

    def rises(self, number: int) -> list[int]:
        """Cycles at which a pin went high."""
        return [cycle for cycle, level in self.edges.get(number, []) if level]
