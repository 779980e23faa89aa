"""Strings by family, and the strands built from them.

These are presets for a simulator. The numbers come from weak sources (values remembered from laboratory lists,
handbook bounds) and are chosen so that the simulated strings span what a rig will meet; none is an assertion about
a real string, and no test may treat one as such.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random

from evenbed_sim.strand import StrandParams

OUTER_MM = 150.0
PREVIOUS_MM = 330.0
# Turning round the frame from one hole to the next: half a turn over two grommets.
ROUND_ANGLE_RAD = math.pi
EDGE_ANGLE_RAD = 0.3
_CROSSING_ANGLE_RAD = 0.10
_WOVEN_TOE_MM = 4.0
_STRAIGHT_TOE_MM = 1.5


@dataclass(frozen=True)
class StringPreset:
    """One family of string. ``ea_n`` at the one-second scale (N), ``loss_per_decade`` of the one-second force,
    ``fast_ratio`` instantaneous over one-second stiffness, ``stiffening`` relative rise of the tangent per unit of
    strain, ``mu_grommet`` and ``mu_string`` friction coefficients, ``coil_toe_mm`` travel lost to coil memory."""

    family: str
    ea_n: float
    loss_per_decade: float
    fast_ratio: float
    stiffening: float
    mu_grommet: float
    mu_string: float
    coil_toe_mm: float


# EA from a stiffness at 620 mm (badminton: 450 mm). Loss over three decades (1 s to 1000 s): gut 10 %, nylon 15 %,
# polyester 26 %, aramid 20 %.
GUT = StringPreset("gut", 7.8 * 620.0, 0.033, 1.15, 0.0, 0.22, 0.30, 0.5)
NYLON = StringPreset("nylon", 5.9 * 620.0, 0.050, 1.35, 1.5, 0.20, 0.25, 0.5)
POLYESTER = StringPreset("polyester", 12.1 * 620.0, 0.086, 1.45, 0.5, 0.18, 0.15, 1.5)
ARAMID = StringPreset("aramid", 33.6 * 620.0, 0.066, 1.30, 2.0, 0.22, 0.25, 0.3)
BADMINTON_NYLON = StringPreset("badminton nylon", 2.4 * 450.0, 0.050, 1.35, 1.5, 0.20, 0.25, 0.3)

FAMILIES: tuple[StringPreset, ...] = (GUT, NYLON, POLYESTER, ARAMID, BADMINTON_NYLON)


def main(
    preset: StringPreset,
    length_mm: float = 620.0,
    slack_mm: float = 8.0,
    *,
    previous_mm: float = 0.0,
    previous_tension_n: float = 0.0,
    outer_mm: float = OUTER_MM,
    k_rig_n_per_mm: float = 150.0,
) -> StrandParams:
    """A straight main of ``length_mm`` free length (the outer part included): one part inside, one outside."""
    return StrandParams(
        ea_n=preset.ea_n,
        loss_per_decade=preset.loss_per_decade,
        fast_ratio=preset.fast_ratio,
        stiffening=preset.stiffening,
        inside_mm=(length_mm - outer_mm,),
        outer_mm=outer_mm,
        edge_turn=preset.mu_grommet * EDGE_ANGLE_RAD,
        round_turn=preset.mu_grommet * ROUND_ANGLE_RAD,
        previous_mm=previous_mm,
        previous_tension_n=previous_tension_n,
        toe_mm=_STRAIGHT_TOE_MM + preset.coil_toe_mm,
        slack_mm=slack_mm,
        k_rig_n_per_mm=k_rig_n_per_mm,
    )


def cross(
    preset: StringPreset,
    length_mm: float = 500.0,
    crossings: int = 16,
    slack_mm: float = 8.0,
    *,
    parts: int = 3,
    previous_mm: float = 0.0,
    previous_tension_n: float = 0.0,
    outer_mm: float = OUTER_MM,
    k_rig_n_per_mm: float = 150.0,
) -> StrandParams:
    """A woven cross: the inside cut into ``parts`` (>= 2), all ``crossings`` shared by the nodes between them.

    Raises ValueError for fewer than two parts.
    """
    if parts < 2:
        raise ValueError("a woven cross needs at least two parts inside")
    turn = preset.mu_string * _CROSSING_ANGLE_RAD * crossings / (parts - 1)
    straight = main(
        preset,
        length_mm,
        slack_mm,
        previous_mm=previous_mm,
        previous_tension_n=previous_tension_n,
        outer_mm=outer_mm,
        k_rig_n_per_mm=k_rig_n_per_mm,
    )
    return replace(
        straight,
        inside_mm=((length_mm - outer_mm) / parts,) * parts,
        crossing_turns=(turn,) * (parts - 1),
        toe_mm=_WOVEN_TOE_MM + preset.coil_toe_mm,
    )


def steel_tether(k_n_per_mm: float, slack_mm: float = 0.0, k_rig_n_per_mm: float = 150.0) -> StrandParams:
    """An elastic tether without memory, friction or toe whose stiffness at the gripper, the rig's own give
    included, is ``k_n_per_mm``. Raises ValueError if the rig alone is no stiffer than that."""
    if not 0.0 < k_n_per_mm < k_rig_n_per_mm:
        raise ValueError("the tether cannot be as stiff as the rig that holds it")
    half = 100.0
    string = 1.0 / (1.0 / k_n_per_mm - 1.0 / k_rig_n_per_mm)
    return StrandParams(
        ea_n=string * 2.0 * half,
        loss_per_decade=0.0,
        inside_mm=(half,),
        outer_mm=half,
        slack_mm=slack_mm,
        k_rig_n_per_mm=k_rig_n_per_mm,
        drawback_mm=0.0,
    )


def perturbed(params: StrandParams, rng: Random, fraction: float) -> StrandParams:
    """Every parameter of the strand, each part and turn by itself, multiplied by its own uniform factor in
    1 +- ``fraction``; of ``fast_ratio`` only the excess over 1, and what makes the far end is left as it is if
    there is no previous string. Raises ValueError unless 0 <= ``fraction`` < 1."""
    if not 0.0 <= fraction < 1.0:
        raise ValueError("fraction must lie in [0, 1)")

    def vary(value: float) -> float:
        return value * rng.uniform(1.0 - fraction, 1.0 + fraction)

    return replace(
        params,
        ea_n=vary(params.ea_n),
        loss_per_decade=vary(params.loss_per_decade),
        fast_ratio=None if params.fast_ratio is None else 1.0 + vary(params.fast_ratio - 1.0),
        inside_mm=tuple(vary(mm) for mm in params.inside_mm),
        outer_mm=vary(params.outer_mm),
        crossing_turns=tuple(vary(turn) for turn in params.crossing_turns),
        edge_turn=vary(params.edge_turn),
        round_turn=vary(params.round_turn),
        previous_mm=vary(params.previous_mm),
        previous_tension_n=vary(params.previous_tension_n),
        previous_age_s=vary(params.previous_age_s),
        stiffening=vary(params.stiffening),
        toe_mm=vary(params.toe_mm),
        slack_mm=vary(params.slack_mm),
        k_rig_n_per_mm=vary(params.k_rig_n_per_mm),
        feed_relief=vary(params.feed_relief),
        drawback_mm=vary(params.drawback_mm),
    )
