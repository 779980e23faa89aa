"""Newtons inside, kilogram-force and pound-force at the edge.

Exact factors: standard gravity 9.806 65 m/s2 and the avoirdupois pound 0.453 592 37 kg (NIST SP 811, App. B).
"""

from __future__ import annotations

import math
import re

STANDARD_GRAVITY = 9.80665
N_PER_KGF = STANDARD_GRAVITY
N_PER_LBF = 0.45359237 * STANDARD_GRAVITY

_FACTORS = {
    "n": 1.0,
    "newton": 1.0,
    "newtons": 1.0,
    "kgf": N_PER_KGF,
    "kg": N_PER_KGF,
    "kp": N_PER_KGF,
    "lbf": N_PER_LBF,
    "lb": N_PER_LBF,
    "lbs": N_PER_LBF,
}
_SHOWN = {"N": (1.0, 1), "kgf": (N_PER_KGF, 2), "lbf": (N_PER_LBF, 1)}
UNITS = tuple(_SHOWN)


class UnitError(ValueError):
    """A force that cannot be understood; its text says why and how to write it."""


def parse_force(text: str) -> tuple[float, str]:
    """Return ``(newtons, unit)`` for a force such as ``24kgf``, ``24 kg``, ``52lb`` or ``235 N``.

    ``unit`` is one of UNITS: the one the user thinks in. Raises UnitError for a bare number, an unknown unit, or a
    force that is not positive and finite.
    """
    m = re.fullmatch(r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([A-Za-z]*)\s*", text)
    if not m:
        raise UnitError(f"{text!r} is not a force. Write a number and its unit, such as 24kgf, 52lbf or 235N.")
    value = float(m.group(1).replace(",", "."))
    word = m.group(2).lower()
    if not word:
        raise UnitError(
            f"{text!r} has no unit: {value:g} kgf is {value * N_PER_KGF:.0f} N, {value:g} lbf only "
            f"{value * N_PER_LBF:.0f} N. Write {value:g}kgf, {value:g}lbf or {value:g}N."
        )
    if word not in _FACTORS:
        raise UnitError(f"{m.group(2)!r} is not a unit of force known here. Use N, kgf (or kg) or lbf (or lb).")
    newtons = value * _FACTORS[word]
    if not 0.0 < newtons < math.inf:
        raise UnitError(f"{text!r}: a pull must be more than 0 N, and finite.")
    unit = "N" if word.startswith("n") else "lbf" if word.startswith("l") else "kgf"
    return newtons, unit


def show_force(newtons: float, unit: str = "N") -> str:
    """Write a force with its unit: N and lbf to a tenth, kgf to a hundredth."""
    factor, digits = _SHOWN[unit]
    # Adding zero turns a rounded -0.0 into 0.0.
    return f"{round(newtons / factor, digits) + 0.0:.{digits}f} {unit}"
