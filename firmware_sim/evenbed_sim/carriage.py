"""The carriage: from pulses to millimetres, with what a motor and a screw do to them."""

from __future__ import annotations

from dataclasses import dataclass

OVERTRAVEL_MM = 3.0  # from a switch to the hard stop: more than the 2.25 mm to brake from 60 mm/s at 800 mm/s2


@dataclass(frozen=True)
class CarriageParams:
    """Screw and motor. ``stall_n`` is the pull at which the motor loses steps at rest, falling linearly to zero at
    ``stall_free_mm_s``; ``holds_without_power`` is false for a screw that the string can drive back."""

    steps_per_mm: float = 1600.0
    travel_mm: float = 300.0
    backlash_mm: float = 0.03
    stall_n: float = 2000.0
    stall_free_mm_s: float = 400.0
    holds_without_power: bool = True
    back_drive_mm_s: float = 120.0


class Carriage:
    """Position in mm from the slack-side end switch, where it starts."""

    def __init__(self, params: CarriageParams) -> None:
        self.p = params
        self.mm = 0.0
        self.lost_mm = 0.0
        self._play_mm = 0.0  # screw position minus carriage, within the backlash

    def move(self, dt_s: float, screw_mm: float, force_n: float, powered: bool) -> float:
        """Let ``dt_s`` pass while the pulses ask for ``screw_mm``; return how far the carriage went, mm."""
        p = self.p
        if not powered:
            if not p.holds_without_power and force_n > 5.0:
                back = max(0.0, min(self.mm, p.back_drive_mm_s * dt_s))
                self.mm -= back
                return -back
            return 0.0
        if screw_mm > 0.0 and dt_s > 0.0:
            speed = screw_mm / dt_s
            if force_n > p.stall_n * max(0.0, 1.0 - speed / p.stall_free_mm_s):
                self.lost_mm += screw_mm
                return 0.0
        went = screw_mm
        if p.backlash_mm > 0.0 and force_n < 1.0:
            # A pulling string keeps the nut on one flank; only without load does the play show.
            play = self._play_mm + screw_mm
            self._play_mm = min(max(play, 0.0), p.backlash_mm)
            went = play - self._play_mm
        new = self.mm + went
        if new < -OVERTRAVEL_MM or new > p.travel_mm + OVERTRAVEL_MM:
            new = min(max(new, -OVERTRAVEL_MM), p.travel_mm + OVERTRAVEL_MM)
            self.lost_mm += went - (new - self.mm)
            went = new - self.mm
        self.mm = new
        return went

    def turn(self, mm: float) -> float:
        """A hand turns the screw; return how far the carriage went, mm."""
        new = min(max(self.mm + mm, -OVERTRAVEL_MM), self.p.travel_mm + OVERTRAVEL_MM)
        went = new - self.mm
        self.mm = new
        return went

    @property
    def end_low(self) -> bool:
        """Is the switch on the slack side operated?"""
        return self.mm <= 0.0

    @property
    def end_high(self) -> bool:
        """Is the switch on the pulling side operated?"""
        return self.mm >= self.p.travel_mm
