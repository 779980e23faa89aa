"""The tension expected on each string a quarter of an hour after the last knot, and how sure that is. Pure.

From what the head holds, in the order in which it is lost:

1. friction: at the frame's edge ``exp(-mu theta)`` (capstan), along a woven cross on average ``(1 - exp(-r)) / r`` with
   ``r = mu theta n`` of what straightening leaves of it;
2. the clamp: its stiffness times what the clamp gives;
3. the bed: the frame gives under later strings (see load.py), and what comes back from the crosses;
4. relaxation: the family's share for each decade of time, from the clamp on;
5. the knot: of a string that is tied, the share that the knot takes.

Pre-stretch lessens relaxation; that is not counted. Figures from forecast_strings.py: memory, weak, or common practice.
``u_n`` is their standard uncertainty, in quadrature: for the tension itself, not for the difference between neighbours,
which share most of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evenbed.job import forecast_strings as strings
from evenbed.job.load import Bed, stiffness_n_mm
from evenbed.job.plan_order import crossings
from evenbed.job.planned import Equipment, Expected, PlannedPull
from evenbed.racquet.model import Racquet, StringName

NOTE = (
    "Forecast: a quarter of an hour after the last knot, from values of memory for the family of string; its spread is one "
    "standard deviation, and strings of one bed share most of it."
)


@dataclass
class _Coming:
    """One string on its way: what the head held, what its clamp left, when that was."""

    held_n: float
    friction_n: float
    clamp_n: float
    u_n: float
    at_s: float
    tied: bool

    @property
    def clamped_n(self) -> float:
        return self.held_n - self.friction_n - self.clamp_n


def expected(
    racquet: Racquet,
    pulls: Sequence[PlannedPull],
    equipment: Equipment | None = None,
    after_s: float = strings.AFTER_S,
) -> dict[StringName, Expected]:
    """The tension expected on each string drawn in ``pulls``, ``after_s`` after the last one. Losses are in N, in order; a
    negative one is a gain: crosses tighten the mains."""
    equipment = equipment or Equipment()
    coming: dict[StringName, _Coming] = {}
    bed, stiffer = Bed(), Bed(strings.FRAME_MM_N * (1.0 + strings.U_FRAME), strings.COUPLING_MM_N * (1.0 + strings.U_FRAME))
    now = 0.0
    for pull in pulls:
        for name in (*pull.also, pull.name):
            coming[name] = _clamped(racquet, name, pull, equipment, now)
            for b in (bed, stiffer):
                b.draw(name, coming[name].clamped_n, stiffness_n_mm(racquet, name))
        now += strings.CROSS_S if pull.woven else strings.MAIN_S
    then, then_stiffer = bed.forces_n(), stiffer.forces_n()
    end = now + after_s
    return {
        name: _left(racquet, name, c, then[name], then_stiffer[name] - then[name], end - c.at_s)
        for name, c in coming.items()
    }


def _clamped(racquet: Racquet, name: StringName, pull: PlannedPull, equipment: Equipment, now_s: float) -> _Coming:
    """A string behind its clamp. One that is only drawn round a turn carries its share of what the head holds, and loses
    nothing to the clamp."""
    if name != pull.name:
        held = pull.target_n * strings.HALF
        return _Coming(held, 0.0, 0.0, pull.target_n * strings.U_HALF, now_s, False)
    family = strings.family(pull.family)
    edge = family.mu_grommet * strings.EDGE_RAD
    woven = family.mu_string * strings.CROSSING_RAD * crossings(racquet, name)
    r = woven * strings.STRAIGHTENED
    mean = (1.0 - math.exp(-r)) / r if r > 0.0 else 1.0
    inside = pull.target_n * math.exp(-edge) * mean
    floating = equipment.kind == "floating"
    back = strings.FLOATING_DRAWBACK_MM if floating else strings.DRAWBACK_MM
    u_back = strings.U_FLOATING_DRAWBACK_MM if floating else strings.U_DRAWBACK_MM
    k = stiffness_n_mm(racquet, name)
    clamp = min(k * back, inside)
    u = math.hypot(
        inside * edge * strings.U_MU,
        inside * woven / 2.0 * math.hypot(strings.U_STRAIGHTENED, strings.STRAIGHTENED * strings.U_MU),
        k * u_back,
        clamp * strings.U_EA,
    )
    return _Coming(pull.target_n, pull.target_n - inside, clamp, u, now_s, bool(pull.ties))


def _left(racquet: Racquet, name: StringName, c: _Coming, then_n: float, u_frame_n: float, age_s: float) -> Expected:
    piece = racquet.pieces[racquet.piece_of(name)]
    family = strings.family(piece.family)
    # Of the force one second after the draw ``1 - s log10(t)`` is left; the head made up for what went before the clamp.
    start = 1.0 - family.decade * math.log10(strings.HELD_S)
    left = (1.0 - family.decade * math.log10(max(age_s, strings.HELD_S))) / start
    decades = math.log10(max(age_s, strings.HELD_S) / strings.HELD_S)
    relaxed = then_n * (1.0 - left)
    knot = strings.KNOT * (then_n - relaxed) if c.tied else 0.0
    bed = c.clamped_n - then_n
    u = math.hypot(
        c.u_n,
        u_frame_n,
        bed * strings.U_EA,
        then_n * decades * family.u_decade,
        strings.U_KNOT * (then_n - relaxed) if c.tied else 0.0,
    )
    losses = [("friction", c.friction_n), ("clamp", c.clamp_n), ("bed", bed), ("relaxation", relaxed)]
    if c.tied:
        losses.append(("knot", knot))
    return Expected(c.held_n - sum(n for _, n in losses), u, tuple(losses))
