"""What strings and hands are taken to be like when nothing has been measured yet. Values from memory, weak, or common
practice without a source; each with its standard uncertainty. A forecast says how far it can be trusted, it asserts nothing
about a string.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Family:
    """One family. ``ea_n``: EA at the scale of seconds, N, for ``diameter_mm``; ``decade``: share of the tension lost in
    each tenfold of time at fixed length; friction coefficients on the grommet and string on string."""

    ea_n: float
    diameter_mm: float
    decade: float
    u_decade: float
    mu_grommet: float
    mu_string: float


# EA from laboratory lists of stiffness (memory, weak). Loss over 1000 s at fixed length, three decades: gut 8-12 %, nylon
# 12-20 %, polyester 20-35 %, aramid 15-25 %; its middle, and half its width over sqrt 3. String on string: nylon 0.2-0.35,
# polyester 0.1-0.2, gut 0.3-0.4, aramid 0.2-0.3. All memory, weak.
_R3 = math.sqrt(3.0)
FAMILIES: dict[str, Family] = {
    "gut": Family(4900.0, 1.30, 0.100 / 3, 0.020 / 3 / _R3, 0.22, 0.33),
    "nylon": Family(3900.0, 1.30, 0.160 / 3, 0.040 / 3 / _R3, 0.20, 0.27),
    "polyester": Family(7400.0, 1.25, 0.275 / 3, 0.075 / 3 / _R3, 0.18, 0.15),
    "aramid": Family(20000.0, 1.25, 0.200 / 3, 0.050 / 3 / _R3, 0.22, 0.25),
    "badminton nylon": Family(1150.0, 0.68, 0.160 / 3, 0.040 / 3 / _R3, 0.20, 0.27),
    "unknown": Family(5000.0, 1.30, 0.200 / 3, 0.120 / 3 / _R3, 0.20, 0.25),
}
U_EA = 0.20  # relative
U_MU = 0.30  # relative

EDGE_RAD = 0.3  # a string turns at the frame's edge between the clamp and the gripper; memory, weak
CROSSING_RAD = 0.10  # at each string that it is woven through; memory, weak
# Straightened while it is drawn a cross keeps a third of its friction, more or less; common practice says only: less.
STRAIGHTENED = 0.33
U_STRAIGHTENED = 0.20
HALF = 0.5  # a string drawn only round a turn carries about half; common practice, no source
U_HALF = 0.08
DRAWBACK_MM = 0.4  # what a fixed clamp gives when the head lets go; memory, weak
U_DRAWBACK_MM = 0.2
FLOATING_DRAWBACK_MM = 0.8  # a floating one leans on its neighbour; common practice says only: more
U_FLOATING_DRAWBACK_MM = 0.4
KNOT = 0.10  # share that a knot takes: what those add who add something; common practice, no source
U_KNOT = 0.06

HELD_S = 4.0  # held by the head before the clamp is set
MAIN_S = 40.0  # from one draw to the next; common practice, no source
CROSS_S = 60.0
AFTER_S = 900.0  # after the last tie-off

# A frame in its supports, mm for each N of all strings of one direction: some two millimetres under all mains of a tennis
# racquet; half of it comes back sideways. Memory, weak.
FRAME_MM_N = 6.0e-4
COUPLING_MM_N = 3.0e-4
U_FRAME = 0.35  # relative


def family(name: str) -> Family:
    """The family, "unknown" for one that is not here."""
    return FAMILIES.get(name, FAMILIES["unknown"])


def stiffness_n_mm(name: str, diameter_mm: float, length_mm: float) -> float:
    """EA/L of a string, N/mm; EA goes with the cross-section. ``diameter_mm`` 0: the usual one."""
    f = family(name)
    thick = (diameter_mm / f.diameter_mm) ** 2 if diameter_mm > 0.0 else 1.0
    return f.ea_n * thick / length_mm
