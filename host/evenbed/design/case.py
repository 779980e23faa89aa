"""One rig with what several parts of the review need: its screw, its board, and the forces that parts have to take."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from evenbed.design.boardview import at_ceiling_mm_s, model_of, settings_of
from evenbed.design.lines import force_text
from evenbed.design.motors import standing_nm
from evenbed.design.screws import Drive, root_mm
from evenbed.design.structure import guide_share, inertia_kg_m2
from evenbed.head.stopbudget import STIFFENING, Speeds, rise_n, snag_n
from evenbed.head.types import RigModel
from evenbed.rig.tables import Rig


@dataclass(frozen=True)
class Case:
    """A rig under review, and the unit in which its sentences show forces."""

    rig: Rig
    unit: str = "N"

    def force(self, newtons: float) -> str:
        """A force for a sentence."""
        return force_text(newtons, self.unit)

    @cached_property
    def drive(self) -> Drive:
        """The screw."""
        return Drive(self.rig.screw)

    @cached_property
    def unusable(self) -> str:
        """Why a board cannot reckon with this rig, or nothing."""
        return settings_of(self.rig).unusable()

    @cached_property
    def model(self) -> RigModel:
        """The rig as its board and the head see it. Only where it is usable."""
        return model_of(self.rig, settings_of(self.rig))

    @cached_property
    def speeds(self) -> Speeds:
        """What the stop budget allows."""
        return Speeds(self.model)

    @property
    def work_n(self) -> float:
        """Most that the true force reaches while cell and converter are sound: limit + overrun."""
        return self.rig.limits.limit_n + self.rig.limits.overrun_n

    @cached_property
    def screw_n_per_n(self) -> float:
        """Force on the screw for each newton of the pull: the guide's friction comes on top."""
        g = self.rig.guide
        return 1.0 + guide_share(g.offset_mm, g.spacing_mm, g.friction)

    def draw_nm(self, force_n: float, friction: float | None = None) -> float:
        """Torque of a draw against a pull, guide and thrust bearing included."""
        return self.drive.draw_nm(force_n * self.screw_n_per_n, friction)

    @cached_property
    def inertia_kg_m2(self) -> float:
        """What the motor has to spin."""
        r = self.rig
        return inertia_kg_m2(
            r.motor.rotor_inertia_g_cm2, root_mm(r.screw), r.screw.free_length_mm, r.motion.carriage_kg, r.lead_mm
        )

    @cached_property
    def stall_n(self) -> float:
        """Highest pull at which the motor stalls: at a standstill, with the least friction; 0 where the thread jams."""
        return standing_nm(self.rig.motor) / self.draw_nm(1.0, self.rig.screw.friction_least)

    @cached_property
    def usual_stall_n(self) -> float:
        """The same at the screw's usual friction."""
        return standing_nm(self.rig.motor) / self.draw_nm(1.0)

    def back_nm(self, force_n: float) -> float:
        """Torque with which a force turns the screw back; without any friction where it was seen to give way."""
        if self.rig.holds_without_power.proved is False:
            return force_n * self.rig.lead_mm / 1000.0 / (2.0 * math.pi)
        return self.drive.back_nm(force_n)

    @cached_property
    def snag_n(self) -> float:
        """Most force if the softest string's draw meets the stiffest thing, and nothing mechanical acts."""
        return snag_n(self.model, self.rig.limits.limit_n, self.rig.strings.softest_n_mm)

    @cached_property
    def ceiling_mm_s(self) -> float:
        """Fastest speed at the ceiling itself, stiffest string."""
        return at_ceiling_mm_s(self.model, self.speeds, self.rig.strings.stiffest_n_mm)

    @cached_property
    def ceiling_rise_n(self) -> float:
        """Most that the force can rise above the ceiling from that speed."""
        k = min(STIFFENING * self.rig.strings.stiffest_n_mm, self.model.stiffest_n_mm)
        return rise_n(self.model, k, self.ceiling_mm_s)

    @property
    def bounded(self) -> bool:
        """Do mechanics bound the force?"""
        c = self.rig.coupling
        return c.kind != "none" and (c.kind != "spring pack" or c.switch_in_enable)

    @property
    def acts_earliest_n(self) -> float:
        """Least force at which the coupling may act."""
        c = self.rig.coupling
        return c.acts_at_n * (1.0 - c.tolerance_percent / 100.0)

    @property
    def acts_latest_n(self) -> float:
        """Most force at which it may act; a slip coupling turns a greased screw further before it slips."""
        c = self.rig.coupling
        latest = c.acts_at_n * (1.0 + c.tolerance_percent / 100.0)
        if c.kind == "slip coupling":
            latest *= self.draw_nm(1.0) / self.draw_nm(1.0, self.rig.screw.friction_least)
        return latest

    @cached_property
    def run_on_mm(self) -> float:
        """Travel of a spring pack after its switch, mm: until the drive lets go, and what rotor and screw have left."""
        v = self.rig.motion.speed_mm_s / 1000.0
        turned = 2.0 * math.pi / (self.rig.lead_mm / 1000.0)
        energy_j = 0.5 * self.inertia_kg_m2 * (v * turned) ** 2
        against_n = turned * self.draw_nm(self.acts_earliest_n, self.rig.screw.friction_least)
        return 1000.0 * (v * self.rig.coupling.cut_s + (energy_j / against_n if against_n > 0.0 else math.inf))

    @cached_property
    def bounded_n(self) -> float:
        """Most force that mechanics let through."""
        c = self.rig.coupling
        if c.kind != "spring pack":
            return self.acts_latest_n
        k = 1.0 / (1.0 / c.rate_n_mm + 1.0 / self.rig.limits.stiffest_n_mm)
        return self.acts_latest_n + k * self.run_on_mm

    @property
    def worst_n(self) -> float:
        """What parts have to take when the electronics are fooled: what mechanics let through, else what the motor can."""
        return max(self.work_n, self.bounded_n if self.bounded else self.stall_n)
