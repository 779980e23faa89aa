"""What differs from sport to sport: usual racquets, usual tensions and customs. Common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

from evenbed.racquet.model import End
from evenbed.units import N_PER_KGF, N_PER_LBF

FAMILIES = ("gut", "nylon", "polyester", "aramid", "badminton nylon", "unknown")


@dataclass(frozen=True)
class Sport:
    """One sport's usual racquet. ``cross_ratio``: tension of the crosses over that of the mains. ``top_n``: the highest
    reference that anybody strings. ``thin_mm`` and ``thick_mm``: between them lie the usual strings."""

    name: str
    unit: str
    mains: int
    crosses: int
    start: End
    inside_length_mm: float
    inside_width_mm: float
    exponent: float
    main_n: float
    top_n: float
    cross_ratio: float
    mains_ahead: int
    family: str
    diameter_mm: float
    thin_mm: float
    thick_mm: float
    opening: float  # outermost gap between neighbours over the innermost


_ALL = (
    Sport(
        "tennis", "kgf", 16, 18, "head", 335.0, 252.0, 2.0, 23.5 * N_PER_KGF, 72.0 * N_PER_LBF,
        1.0, 3, "nylon", 1.30, 1.05, 1.45, 1.4,
    ),
    Sport(
        "badminton", "lbf", 22, 21, "throat", 245.0, 188.0, 2.3, 23.0 * N_PER_LBF, 36.0 * N_PER_LBF,
        1.05, 2, "badminton nylon", 0.68, 0.60, 0.75, 1.1,
    ),
    Sport(
        "squash", "lbf", 14, 18, "throat", 322.0, 190.0, 2.0, 26.0 * N_PER_LBF, 36.0 * N_PER_LBF,
        1.0, 2, "nylon", 1.20, 1.00, 1.35, 1.3,
    ),
    Sport(
        "racketball", "lbf", 14, 18, "throat", 330.0, 205.0, 2.0, 26.0 * N_PER_LBF, 36.0 * N_PER_LBF,
        1.0, 2, "nylon", 1.25, 1.05, 1.40, 1.3,
    ),
    Sport(
        "racquetball", "lbf", 16, 18, "head", 350.0, 245.0, 2.0, 32.0 * N_PER_LBF, 45.0 * N_PER_LBF,
        1.0, 2, "nylon", 1.30, 1.05, 1.45, 1.3,
    ),
)  # fmt: skip
SPORTS: dict[str, Sport] = {s.name: s for s in _ALL}
