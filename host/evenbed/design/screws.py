"""Power screws: torque to draw and to let down, efficiency, whether the load turns the screw back.

Shigley's Mechanical Engineering Design, ch. 8-2. Lengths in mm, forces in N, torques in N·m.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenbed.rig.tables import Screw

HALF_ANGLE_DEG = {"square": 0.0, "acme": 14.5, "trapezoidal": 15.0}


@dataclass(frozen=True)
class Thread:
    """A sliding thread: mean diameter, lead (travel of one turn) and half of the angle between its flanks."""

    mean_mm: float
    lead_mm: float
    half_angle_deg: float = 0.0

    def flank(self, friction: float) -> float:
        """Friction as the inclined flank makes it: f sec(alpha)."""
        return friction / math.cos(math.radians(self.half_angle_deg))

    def draw_nm(self, force_n: float, friction: float) -> float:
        """Torque against the force; infinite where the thread jams."""
        f, turn = self.flank(friction), math.pi * self.mean_mm
        if turn <= f * self.lead_mm:
            return math.inf
        return force_n * self.mean_mm / 2000.0 * (self.lead_mm + f * turn) / (turn - f * self.lead_mm)

    def let_down_nm(self, force_n: float, friction: float) -> float:
        """Torque to go with the force; below zero the force turns the screw by itself."""
        f, turn = self.flank(friction), math.pi * self.mean_mm
        return force_n * self.mean_mm / 2000.0 * (f * turn - self.lead_mm) / (turn + f * self.lead_mm)

    def locking(self, friction: float) -> float:
        """Friction over what self-locking needs, pi f sec(alpha) dm / lead: the thread holds above 1."""
        return math.pi * self.flank(friction) * self.mean_mm / self.lead_mm


def collar_nm(force_n: float, friction: float, diameter_mm: float) -> float:
    """Friction torque of the thrust bearing."""
    return force_n * friction * diameter_mm / 2000.0


def efficiency(force_n: float, lead_mm: float, torque_nm: float) -> float:
    """Work done on the load over work put in: F l / (2 pi T)."""
    return force_n * lead_mm / 1000.0 / (2.0 * math.pi * torque_nm)


def root_mm(screw: Screw) -> float:
    """Diameter of the core, mm. Trapezoidal: d - p - 2 a_c with the crest clearance a_c of the ISO metric profile (from
    memory); acme and square: d - p; ball screw: 0.8 d (no source, on the low side)."""
    d, p = screw.diameter_mm, screw.pitch_mm
    if screw.thread == "ball":
        return 0.8 * d
    if screw.thread != "trapezoidal":
        return d - p
    clearance = 0.15 if p < 2.0 else 0.25 if p <= 5.0 else 0.5 if p <= 12.0 else 1.0
    return d - p - 2.0 * clearance


class Drive:
    """The screw of a rig with its thrust bearing, sliding or with balls."""

    def __init__(self, screw: Screw) -> None:
        self.screw = screw
        self.lead_mm = screw.pitch_mm * screw.starts
        self.thread: Thread | None = None
        if screw.thread != "ball":
            mean = screw.diameter_mm - screw.pitch_mm / 2.0
            self.thread = Thread(mean, self.lead_mm, HALF_ANGLE_DEG[screw.thread])

    def draw_nm(self, force_n: float, friction: float | None = None) -> float:
        """Torque to draw against a force, thrust bearing included, at the screw's friction or another one."""
        s = self.screw
        collar = collar_nm(force_n, s.collar_friction, s.collar_diameter_mm)
        if self.thread is None:
            return force_n * self.lead_mm / 1000.0 / (2.0 * math.pi * s.efficiency) + collar
        return self.thread.draw_nm(force_n, s.friction if friction is None else friction) + collar

    def let_down_nm(self, force_n: float) -> float:
        """Torque to let down, thrust bearing included; below zero the force turns the screw."""
        s = self.screw
        collar = collar_nm(force_n, s.collar_friction, s.collar_diameter_mm)
        if self.thread is None:
            return collar - force_n * self.lead_mm / 1000.0 * s.back_efficiency / (2.0 * math.pi)
        return self.thread.let_down_nm(force_n, s.friction) + collar

    def back_nm(self, force_n: float) -> float:
        """Torque with which a force can turn the screw back at the least friction, thrust bearing not counted; 0 if it
        cannot."""
        if self.thread is None:
            return force_n * self.lead_mm / 1000.0 * self.screw.back_efficiency / (2.0 * math.pi)
        return max(0.0, -self.thread.let_down_nm(force_n, self.screw.friction_least))

    def locking(self) -> float:
        """Least friction over what self-locking needs; 0 for a ball screw."""
        return 0.0 if self.thread is None else self.thread.locking(self.screw.friction_least)

    def efficiency(self) -> float:
        """Of a draw, thrust bearing included; 0 where the thread jams."""
        return efficiency(1.0, self.lead_mm, self.draw_nm(1.0))
