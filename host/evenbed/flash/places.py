"""Which port the board is on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from serial.tools import list_ports

CHIP = 0x2E8A  # USB vendor number that the chip's serial ports carry under MicroPython


class PlaceError(Exception):
    """No port, or more than one; the text asks for its name."""


@dataclass(frozen=True)
class Place:
    """A serial port of this computer."""

    device: str
    description: str
    vendor: int | None

    @property
    def shown(self) -> str:
        """For a list."""
        return self.device if self.description in ("", "n/a") else f"{self.device} ({self.description})"


def places() -> list[Place]:
    """All serial ports of this computer."""
    return [Place(p.device, p.description or "", p.vid) for p in sorted(list_ports.comports(), key=lambda p: p.device)]


def choose(found: Sequence[Place]) -> str:
    """The one port that looks like the board. Raises PlaceError."""
    likely = [place for place in found if place.vendor == CHIP]
    if len(likely) == 1:
        return likely[0].device
    shown = "".join(f"\n  {place.shown}" for place in (likely or found)) or "\n  (none)"
    if likely:
        raise PlaceError(f"There are {len(likely)} boards. Say which one: evenbed flash --port PORT{shown}")
    raise PlaceError(
        "No port looks like the board. Is it plugged in, with a cable that carries data? Serial ports of this computer:"
        f"{shown}\nIf one of them is the board: evenbed flash --port PORT"
    )
