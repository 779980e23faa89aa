"""Known weights to newtons: gravity, buoyancy, tolerances, stacks, pulleys and levers, and what a person types."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from evenbed.calibration.budget import Term
from evenbed.units import N_PER_KGF, N_PER_LBF, STANDARD_GRAVITY

# WGS 84 (NGA.STND.0036): equatorial and polar normal gravity, flattening, semi-major axis, m = w2 a2 b / GM.
_GE, _GP = 9.7803253359, 9.8321849378
_A, _F = 6378137.0, 1.0 / 298.257223563
_M = 0.00344978650684
# Gravity where you are differs from the ellipsoid's by up to about this much (anomalies of 100 mGal; from memory).
ANOMALY_M_S2 = 1e-3

# Conventional mass is defined at these densities, kg/m3 (OIML R 111-1:2004, D 28).
REFERENCE_DENSITY, REFERENCE_AIR = 8000.0, 1.2
# Most a workshop's air differs from 1.2 kg/m3 (weather, and a height up to about 800 m; derived from OIML R 111 Annex E).
AIR_HALF = 0.1
DENSITY = {"class": 8000.0, "home": 7200.0, "bucket": 1000.0}  # steel (reference), cast iron, water; kg/m3

KG_PER_LB = N_PER_LBF / N_PER_KGF
_KG = {"kg": 1.0, "g": 0.001, "lb": KG_PER_LB, "lbs": KG_PER_LB, "oz": KG_PER_LB / 16.0}

# Maximum permissible errors, mg, by nominal mass in grams (OIML R 111-1:2004 Table 1).
MPE_MG: dict[str, dict[float, float]] = {
    name: dict(zip((10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000), column, strict=True))
    for name, column in {
        "M1": (2.0, 2.5, 3.0, 5.0, 10.0, 25.0, 50.0, 100.0, 250.0, 500.0, 1000.0, 2500.0),
        "M2": (6.0, 8.0, 10.0, 16.0, 30.0, 80.0, 160.0, 300.0, 800.0, 1600.0, 3000.0, 8000.0),
        "M3": (20.0, 25.0, 30.0, 50.0, 100.0, 250.0, 500.0, 1000.0, 2500.0, 5000.0, 10_000.0, 25_000.0),
    }.items()
}

Kind = Literal["class", "home", "bucket"]


class WeightError(ValueError):
    """A weight that cannot be understood; its text says why and how to write it."""


@dataclass(frozen=True)
class Place:
    """Where the weights hang: local gravity and its standard uncertainty, m/s2; density of the air and the half width
    of what it may be, kg/m3."""

    g_m_s2: float
    u_g_m_s2: float
    air_kg_m3: float = REFERENCE_AIR
    air_half_kg_m3: float = AIR_HALF

    def __post_init__(self) -> None:
        if not 9.76 <= self.g_m_s2 <= 9.84:
            raise WeightError(
                f"Gravity of {self.g_m_s2:g} m/s2 is found nowhere on the ground (9.76 to 9.84). Give your latitude."
            )


@dataclass(frozen=True)
class Weight:
    """One weight: conventional mass and half width of its tolerance, kg; density, kg/m3; the set whose errors it shares."""

    label: str
    mass_kg: float
    half_kg: float
    kind: Kind
    set_name: str

    @property
    def density_kg_m3(self) -> float:
        """Density assumed for the buoyancy."""
        return DENSITY[self.kind]


@dataclass(frozen=True)
class Rigging:
    """How the weight's force gets to the gripper: force ratio and its half width, and the friction as a share of the
    force (half width). ``averaged``: the reading is the mean of loading and unloading, in which friction cancels but
    for its asymmetry, taken as half of it (no source)."""

    ratio: float = 1.0
    ratio_half: float = 0.0
    friction: float = 0.0
    averaged: bool = False


@dataclass(frozen=True)
class Load:
    """A force at the gripper with its terms, made from the weights in ``text``."""

    text: str
    mass_kg: float
    force_n: float
    terms: tuple[Term, ...]


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity of the WGS 84 ellipsoid, m/s2: Somigliana's closed form at the surface, and the free-air term to
    second order in height (NGA.STND.0036 eq. 4-1 and 4-3). Raises WeightError beyond the poles or off the ground."""
    if not -90.0 <= latitude_deg <= 90.0:
        raise WeightError(f"A latitude lies between -90 and 90 degrees, not {latitude_deg:g}.")
    if not -500.0 <= height_m <= 9000.0:
        raise WeightError(f"A height of {height_m:g} m is not on the ground (-500 to 9000 m).")
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    b = _A * (1.0 - _F)
    surface = (_A * _GE * (1.0 - s2) + b * _GP * s2) / math.sqrt(_A**2 * (1.0 - s2) + b**2 * s2)
    h = height_m / _A
    return surface * (1.0 - 2.0 * (1.0 + _F + _M - 2.0 * _F * s2) * h + 3.0 * h * h)


def place_at(
    latitude_deg: float, height_m: float = 0.0, latitude_half_deg: float = 0.5, height_half_m: float = 100.0
) -> Place:
    """Gravity from latitude and height, with what a rough latitude, a rough height and the local anomaly leave open."""
    g = normal_gravity(latitude_deg, height_m)
    north = normal_gravity(min(90.0, latitude_deg + latitude_half_deg), height_m)
    south = normal_gravity(max(-90.0, latitude_deg - latitude_half_deg), height_m)
    halves = (max(abs(north - g), abs(south - g)), 3.086e-6 * height_half_m, ANOMALY_M_S2)
    return Place(g, math.hypot(*halves) / math.sqrt(3.0))


def standard_place() -> Place:
    """Where nothing is known: standard gravity, and anything from the equator to the pole."""
    return Place(STANDARD_GRAVITY, (_GP - _GE) / 2.0 / math.sqrt(3.0))


def air_density(pressure_hpa: float, humidity_percent: float, temperature_c: float) -> float:
    """Density of moist air, kg/m3 (approximation of OIML R 111-1 Annex E; 600-1100 hPa, 20-80 %, 15-27 C)."""
    moist = 0.009024 * humidity_percent * math.exp(0.0612 * temperature_c)
    return (0.34848 * pressure_hpa - moist) / (273.15 + temperature_c)


def weight_force(mass_kg: float, place: Place, density_kg_m3: float = REFERENCE_DENSITY) -> float:
    """Force in N of a hung conventional mass: m g (1 - air/density), with m = m_c (1 - 1.2/8000)/(1 - 1.2/density)
    (OIML D 28). In air of 1.2 kg/m3 it is m_c g (1 - 1.2/8000), whatever the density."""
    true = mass_kg * (1.0 - REFERENCE_AIR / REFERENCE_DENSITY) / (1.0 - REFERENCE_AIR / density_kg_m3)
    return true * place.g_m_s2 * (1.0 - place.air_kg_m3 / density_kg_m3)


def friction_share(loading: float, unloading: float) -> float:
    """Friction of a pulley or lever as a share of the force, from the same weights reached from below and from above
    (zero-corrected readings, any unit): it holds back on the way up and holds on on the way down. The cell's own
    reversibility is in it, so it is an upper bound. Raises WeightError for readings that are not a pair."""
    if not loading * unloading > 0.0:
        raise WeightError(f"Readings of {loading:g} and {unloading:g} are not the same weights up and down.")
    return abs(unloading - loading) / abs(unloading + loading)


def stack(weights: Sequence[Weight], place: Place, rigging: Rigging | None = None, correlation: float = 1.0) -> Load:
    """Force at the gripper of weights hung together, and its terms.

    ``correlation`` is the share of a weight's error that all weights of its set have in common (made or adjusted
    alike): 1, the cautious choice, adds a set's errors linearly; 0 by root sum of squares. A weight used in several
    steps keeps its error. Raises WeightError for no weights or a ratio that is not positive.
    """
    rigging = rigging or Rigging()
    if not weights:
        raise WeightError("No weight is given. Write one, such as 5kg M1.")
    if not 0.0 <= correlation <= 1.0:
        raise WeightError(f"A correlation lies between 0 and 1, not {correlation:g}.")
    if not rigging.ratio > 0.0:
        raise WeightError(
            f"A force ratio of {rigging.ratio:g} makes no pull. Write how many times the weight's force arrives."
        )
    terms: list[Term] = []
    hung_n = 0.0
    air_n = 0.0
    seen: dict[str, int] = {}
    for weight in weights:
        seen[weight.label] = seen.get(weight.label, 0) + 1
        force_n = weight_force(weight.mass_kg, place, weight.density_kg_m3)
        hung_n += force_n
        air_n -= force_n / (weight.density_kg_m3 - place.air_kg_m3)
        per_kg = force_n / weight.mass_kg * rigging.ratio
        own = f"{weight.label} no. {seen[weight.label]}"
        for key, share in ((f"set {weight.set_name}", correlation), (own, math.sqrt(1.0 - correlation**2))):
            if share > 0.0:
                terms.append(
                    Term(f"weights, {key}", share * weight.half_kg, "rectangular", per_kg, "kg", shared=f"weights {key}")
                )
    force_n = hung_n * rigging.ratio
    terms.append(Term("gravity", place.u_g_m_s2, "normal", force_n / place.g_m_s2, "m/s2", shared="gravity"))
    terms.append(
        Term("air density", place.air_half_kg_m3, "rectangular", air_n * rigging.ratio, "kg/m3", shared="air density")
    )
    if rigging.ratio_half:
        terms.append(Term("force ratio", rigging.ratio_half, "rectangular", hung_n, "", shared="force ratio"))
    if rigging.friction:
        open_share = rigging.friction * (0.5 if rigging.averaged else 1.0)
        terms.append(Term("rigging friction", open_share, "rectangular", force_n, "", shared="rigging friction"))
    return Load(" + ".join(w.label for w in weights), math.fsum(w.mass_kg for w in weights), force_n, tuple(terms))


_NUMBER = r"\d+(?:[.,]\d*)?|[.,]\d+"
_WEIGHT = re.compile(
    rf"\s*(?:(?P<times>\d+)\s*[x×*]\s*)?(?P<bucket>bucket\s+)?(?P<value>{_NUMBER})\s*(?P<unit>[a-zµ]*)\b\s*"
    rf"(?:(?P<name>[efm]\d+)\b\s*)?(?:(?:±|\+/-|\+-)\s*(?P<half>{_NUMBER})\s*(?P<half_unit>%|[a-z]*)\s*)?"
    r"(?:set\s+(?P<set>\S+)\s*)?",
    re.IGNORECASE,
)
HOW = "Write it like 5kg M1, 20lb ±1%, or bucket 12.43kg ±0.05."


def parse_weights(text: str) -> tuple[Weight, ...]:
    """Understand what a person hangs on: ``5kg M1``, ``20 lb ±1%``, ``bucket 12.43kg ±0.05``, ``2x 10kg M2 set A``,
    joined by ``+``. ``±`` may be written ``+-`` or ``+/-``; without a unit it is in the weight's own.

    Raises WeightError, whose text says what to write, for a bare number, a missing or impossible tolerance, an
    unknown class or nominal value, or a force in place of a mass.
    """
    return tuple(weight for part in re.split(r"\+(?![-/])", text) for weight in _parse_one(part.strip()))


def _parse_one(text: str) -> list[Weight]:
    m = _WEIGHT.fullmatch(text)
    if not m:
        raise WeightError(f"{text!r} is not understood as a weight. {HOW}")
    unit = m["unit"].lower()
    value = _number(m["value"])
    if not unit:
        raise WeightError(
            f"{text!r} has no unit: {value:g} kg pulls with {value * N_PER_KGF:.1f} N, {value:g} lb only with "
            f"{value * N_PER_LBF:.1f} N. {HOW}"
        )
    if unit in ("n", "kgf", "lbf"):
        raise WeightError(
            f"{text!r} is a force. Write the mass of the weight, in kg, g, lb or oz; its force depends on where you are."
        )
    if unit not in _KG:
        raise WeightError(f"{m['unit']!r} is not a unit of mass known here. Use kg, g, lb or oz.")
    mass_kg = value * _KG[unit]
    if not 0.005 <= mass_kg <= 200.0:
        raise WeightError(f"{text!r}: a weight of {mass_kg:g} kg is outside 0.005 to 200 kg.")
    kind: Kind = "bucket" if m["bucket"] else "class" if m["name"] else "home"
    if m["name"] and m["half"]:
        raise WeightError(f"{text!r} has a class and a tolerance. Give the one you trust more.")
    if m["name"]:
        half_kg = _class_half(text, m["name"].upper(), mass_kg)
    elif m["half"]:
        half_kg = _number(m["half"]) * (0.01 * mass_kg if m["half_unit"] == "%" else _unit(m["half_unit"] or unit))
    else:
        raise WeightError(
            f"{text!r} does not say how well it is known. Give its class (M1, M2, M3) or a tolerance: a plate from the "
            f"gym may be off by 2 to 5 %; weigh it and write what the scale allows. {HOW}"
        )
    if not 0.0 < half_kg <= 0.2 * mass_kg:
        raise WeightError(
            f"{text!r}: a tolerance of {half_kg:g} kg on {mass_kg:g} kg is not possible; more than 0, at most 20 %."
        )
    times = int(m["times"] or 1)
    if not 1 <= times <= 50:
        raise WeightError(f"{text!r}: {times} weights are too many or too few; 1 to 50.")
    label = re.sub(r"^\s*\d+\s*[x×*]\s*", "", text)
    set_name = m["set"] or {"bucket": "scale", "class": (m["name"] or "").upper(), "home": "home"}[kind]
    return [Weight(label, mass_kg, half_kg, kind, set_name)] * times


def _class_half(text: str, name: str, mass_kg: float) -> float:
    if name not in MPE_MG:
        raise WeightError(f"{text!r}: class {name} is not in the table here (M1, M2, M3). Write its tolerance instead.")
    table = MPE_MG[name]
    nominal = min(table, key=lambda g: abs(g - 1000.0 * mass_kg))
    if not math.isclose(nominal, 1000.0 * mass_kg, rel_tol=1e-6):
        raise WeightError(
            f"{text!r}: class weights have 1, 2 or 5 times a power of ten, from 10 g to 50 kg, not {mass_kg:g} kg. "
            "Join several with +, such as 2kg M1 + 1kg M1."
        )
    return table[nominal] * 1e-6


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _unit(word: str) -> float:
    if word.lower() not in _KG:
        raise WeightError(f"{word!r} is not a unit of mass known here. Use kg, g, lb or oz, or %.")
    return _KG[word.lower()]
