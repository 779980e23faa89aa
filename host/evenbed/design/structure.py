"""What carries the force: the screw as a column and as a shaft that whirls, the guide, what moves along."""

from __future__ import annotations

import math

E_MPA = 207000.0  # steel, Shigley Table A-5
RHO_KG_MM3 = 7.85e-6  # steel
# End-condition constants as recommended for design, Shigley Table 4-2 (in theory 2 and 4 for the last two).
COLUMN = {"fixed-free": 0.25, "supported-supported": 1.0, "fixed-supported": 1.2, "fixed-fixed": 1.2}
# First roots of the bending vibration of a beam: cos x cosh x = -1; sin x = 0; tan x = tanh x; cos x cosh x = 1.
BEAM = {"fixed-free": 1.875104, "supported-supported": math.pi, "fixed-supported": 3.926602, "fixed-fixed": 4.730041}


def buckling_n(root_mm: float, length_mm: float, ends: str, yield_mpa: float) -> tuple[float, str]:
    """Force at which a round steel column buckles, N, and by which formula: Euler's, or below its slenderness Johnson's
    parabola (Shigley ch. 4-11 to 4-13)."""
    c = COLUMN[ends]
    area = math.pi * root_mm**2 / 4.0
    slender = length_mm / (root_mm / 4.0)
    if slender > math.sqrt(2.0 * math.pi**2 * c * E_MPA / yield_mpa):
        return c * math.pi**2 * E_MPA * area / slender**2, "Euler"
    return area * (yield_mpa - (yield_mpa * slender / (2.0 * math.pi)) ** 2 / (c * E_MPA)), "Johnson"


def whirl_turns_s(root_mm: float, length_mm: float, ends: str) -> float:
    """First critical speed of a round steel shaft, turns/s: its first bending frequency, x^2 / (2 pi L^2) sqrt(E I / (rho
    A))."""
    # E in N/m2 over rho in kg/m3, lengths in m.
    sound_m_s = math.sqrt(E_MPA * 1e6 / (RHO_KG_MM3 * 1e9))
    return BEAM[ends] ** 2 / (2.0 * math.pi) * sound_m_s * (root_mm / 4000.0) / (length_mm / 1000.0) ** 2


def guide_n(force_n: float, offset_mm: float, spacing_mm: float) -> float:
    """Load on each of the two guide bearings when the line of pull lies off the screw's axis: F e / s (statics)."""
    return force_n * offset_mm / spacing_mm


def guide_share(offset_mm: float, spacing_mm: float, friction: float) -> float:
    """Friction of the guide as a share of the pull: 2 mu e / s; at 1 it jams by itself (statics)."""
    return 2.0 * friction * offset_mm / spacing_mm


def inertia_kg_m2(rotor_g_cm2: float, root_mm: float, length_mm: float, moved_kg: float, lead_mm: float) -> float:
    """What the motor has to spin: rotor, screw, and what moves along, m (l / 2 pi)^2."""
    screw = math.pi / 32.0 * RHO_KG_MM3 * 1e9 * (root_mm / 1000.0) ** 4 * length_mm / 1000.0
    return rotor_g_cm2 * 1e-7 + screw + moved_kg * (lead_mm / 1000.0 / (2.0 * math.pi)) ** 2
