"""What the board says, as typed values. The wire itself is ``evenbed_fw.wire``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from evenbed_fw import safety, wire


class Sample(NamedTuple):
    """One ``s`` line: the reading and the state of the board at ``board_us``."""

    seq: int
    board_us: int
    conversion: int
    raw_counts: int
    position_steps: int
    rate_steps_s: int
    state: int
    fault: int
    flags: int
    presses: int
    held_ms: int
    last_ms: int
    go: int

    @property
    def sound(self) -> bool:
        """Does the board believe its own readings?"""
        return bool(self.flags & safety.F_SOUND)

    def has(self, flag: int) -> bool:
        """Is this flag of ``evenbed_fw.safety`` set?"""
        return bool(self.flags & flag)


@dataclass(frozen=True)
class BoardInfo:
    """Answer to ``hello``."""

    protocol: int
    firmware: int
    boot_cause: int
    settings_crc: int

    @property
    def version(self) -> str:
        """Firmware version as people write it."""
        return f"{self.firmware // 10000}.{self.firmware // 100 % 100}.{self.firmware % 100}"


@dataclass(frozen=True)
class Limits:
    """Answer to ``limits``: what the board stores of its rig."""

    zero_counts: int
    gain_mcounts_n: int
    limit_mn: int
    overrun_mn: int
    steps_mm: int
    rate_max_steps_s: int
    accel_steps_s2: int
    period_us: int
    stiffest_n_mm: int
    hold_rate_steps_s: int
    hold_travel_steps: int
    age_us: int
    granted_us: int

    @property
    def counts_per_n(self) -> float:
        """Sensitivity."""
        return self.gain_mcounts_n / 1000.0

    @property
    def limit_n(self) -> float:
        """The rig's own limit."""
        return self.limit_mn / 1000.0

    @property
    def overrun_n(self) -> float:
        """Most rise above a ceiling that the board's envelope allows for."""
        return self.overrun_mn / 1000.0


@dataclass(frozen=True)
class CellRating:
    """Answer to ``cell``: what the cell's rating says, and the highest limit that may be proposed."""

    rated_mcounts_n: int
    limit_most_mn: int


@dataclass(frozen=True)
class Ok:
    """The board did what line ``of`` asked; ``value`` is its echo."""

    of: int
    value: int


@dataclass(frozen=True)
class No:
    """The board refused line ``of``."""

    of: int
    reason: int

    @property
    def says(self) -> str:
        """The reason in words."""
        return wire.REASONS[self.reason] if 0 <= self.reason < len(wire.REASONS) else f"reason {self.reason}"


@dataclass(frozen=True)
class Trip:
    """The board's latched record."""

    board_us: int
    fault: int
    raw_counts: int
    bound_counts: int
    position_steps: int
    rate_steps_s: int
    later: int


Message = Sample | BoardInfo | Limits | CellRating | Ok | No | Trip


def message(line: bytes) -> Message:
    """Return the typed value of one line of the board. Raises ``wire.WireError`` if it may not be believed."""
    kind, n = wire.decode(line, wire.BOARD_LINES)
    if kind == "s":
        return Sample._make(n)
    if kind == "ok":
        return Ok(n[1], n[2])
    if kind == "no":
        return No(n[1], n[2])
    if kind == "board":
        return BoardInfo(*n[1:])
    if kind == "limits":
        return Limits(*n[1:])
    if kind == "cell":
        return CellRating(*n[1:])
    return Trip(*n[1:])
