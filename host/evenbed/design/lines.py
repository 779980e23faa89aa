"""One line of the review: a value, what it is held to, its formula and source, a verdict, and what to change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from evenbed.units import N_PER_KGF, N_PER_LBF, show_force

Verdict = Literal["ok", "unsafe", "pointless"]

SHIGLEY_SCREWS = "Shigley's Mechanical Engineering Design, ch. 8-2"
SHIGLEY_COLUMNS = "Shigley's Mechanical Engineering Design, ch. 4-11 to 4-13, Table 4-2"
PRACTICE = "common practice, no source"
STATICS = "statics"
BUDGET = "the board's own arithmetic, evenbed_fw.budget"


@dataclass(frozen=True)
class Line:
    """``value`` in ``unit`` (forces in N), the ``limit`` it must reach or keep below by ``bound``, and what follows.

    ``unsafe`` may hurt somebody or something; ``pointless`` is safe but does not do what it is for. ``says`` is what to
    change then, or a remark.
    """

    group: str
    what: str
    value: float
    unit: str
    formula: str
    source: str
    limit: float | None = None
    bound: Literal["", "least", "most"] = ""
    verdict: Verdict = "ok"
    says: str = ""

    @property
    def margin(self) -> float | None:
        """How many times over the limit is met: above 1 where it is. None without a limit."""
        if self.limit is None:
            return None
        above, below = (self.value, self.limit) if self.bound == "least" else (self.limit, self.value)
        return float("inf") if below <= 0.0 else above / below


def at_least(line: Line, limit: float, otherwise: str, verdict: Verdict = "unsafe") -> Line:
    """The line held to a least value; below it the verdict and ``otherwise``."""
    return _held(line, limit, "least", line.value >= limit, otherwise, verdict)


def at_most(line: Line, limit: float, otherwise: str, verdict: Verdict = "unsafe") -> Line:
    """The line held to a most value; above it the verdict and ``otherwise``."""
    return _held(line, limit, "most", line.value <= limit, otherwise, verdict)


def _held(line: Line, limit: float, bound: Literal["least", "most"], kept: bool, otherwise: str, verdict: Verdict) -> Line:
    if kept:
        return replace(line, limit=limit, bound=bound)
    return replace(line, limit=limit, bound=bound, verdict=verdict, says=otherwise)


def force_text(newtons: float, unit: str) -> str:
    """A force with its unit, a small one with three digits."""
    if abs(newtons) >= 10.0:
        return show_force(newtons, unit)
    factor = {"N": 1.0, "kgf": N_PER_KGF, "lbf": N_PER_LBF}[unit]
    return f"{newtons / factor:.3g} {unit}"


def quantity(value: float, unit: str, force_unit: str) -> str:
    """A value with its unit; forces in the unit asked for."""
    if unit == "N":
        return force_text(value, force_unit)
    text = f"{value:.0f}" if 1000.0 <= abs(value) < 1e7 else f"{value:.3g}"
    return f"{text} {unit}".rstrip()
