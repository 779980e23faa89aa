"""A scenario in plain text: how the rig is built, and which faults come when. One thing a line; ``#`` begins a comment.

Fault lines are those of :mod:`evenbed_sim.faults`. Lines that begin with ``rig`` set the rig; several words may share one:

    rig string polyester 620 woven      family, free length in mm, a woven cross
    rig tether 42                       a steel tether instead, N/mm
    rig slack 3                         mm before contact
    rig seed 5                          noise and timing
    rig rate 76                         conversions a second
    rig gain-error 2                    the cell gives 2 % more than its rating, and the board was never calibrated
    rig settling 6                      conversions that the converter averages
    rig late 1                          whole readings that it is late beyond that
    rig backlash 0.05                   mm of play in the screw
    rig turns-back                      the string can drive the screw back when power goes
    rig clamp open                      the stringer's new clamp holds nothing
    rig clamp slips 40                  ... or lets string through above a difference of so many newtons
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from evenbed_sim import presets
from evenbed_sim.carriage import CarriageParams
from evenbed_sim.converter import CellParams
from evenbed_sim.faults import Fault, FaultError, parse
from evenbed_sim.rig import RigParams
from evenbed_sim.strand import Strand

BADMINTON = presets.BADMINTON_NYLON.family
FAMILIES = {preset.family: preset for preset in presets.FAMILIES}
_MM = "mm"


@dataclass(frozen=True)
class RigPlan:
    """How one simulated rig is built and what is in its gripper. ``tether_n_mm`` replaces the string; a clamp with
    ``clamp_slips_above_n`` lets string through above that difference of tension, 0 holds nothing, None holds. With a
    ``gain_error_percent`` the cell differs from its rating, and the board knows the rating only."""

    family: str = presets.NYLON.family
    length_mm: float = 620.0
    woven: bool = False
    tether_n_mm: float | None = None
    slack_mm: float = 8.0
    seed: int = 1
    rate_hz: float = 80.0
    settling: int = 4
    late: int = 0
    backlash_mm: float = 0.03
    holds_without_power: bool = True
    clamp_slips_above_n: float | None = None
    gain_error_percent: float = 0.0

    def plant(self) -> Strand:
        """A fresh string (with a previous one behind it) or tether."""
        if self.tether_n_mm is not None:
            return Strand(presets.steel_tether(self.tether_n_mm, self.slack_mm))
        make = presets.cross if self.woven else presets.main
        return Strand(
            make(
                FAMILIES[self.family],
                length_mm=self.length_mm,
                slack_mm=self.slack_mm,
                previous_mm=presets.PREVIOUS_MM,
                previous_tension_n=60.0 if self.family == BADMINTON else 170.0,
            )
        )

    def params(self) -> RigParams:
        """The rig itself."""
        cell = CellParams(period_us=1e6 / self.rate_hz, taps=self.settling, extra_delay=self.late)
        stored: dict[str, int] = {}
        if self.gain_error_percent:
            rated = round(cell.counts_per_n * 1000.0)
            stored = {"zero_counts": 0, "gain_mcounts_n": rated, "rated_mcounts_n": rated}
            cell = replace(cell, counts_per_n=cell.counts_per_n * (1.0 + self.gain_error_percent / 100.0))
        carriage = CarriageParams(backlash_mm=self.backlash_mm, holds_without_power=self.holds_without_power)
        return RigParams(cell=cell, carriage=carriage, settings=stored)

    def lines(self) -> list[str]:
        """What of this is not usual, as lines that ``read`` understands."""
        usual = RigPlan()
        if self.tether_n_mm is not None:
            out = [f"rig tether {self.tether_n_mm:g} slack {self.slack_mm:g}"]
        else:
            woven = " woven" if self.woven else ""
            out = [f"rig string {self.family} {self.length_mm:g}{woven} slack {self.slack_mm:g}"]
        out.append(f"rig seed {self.seed}")
        for name, word in _UNUSUAL:
            if getattr(self, name) != getattr(usual, name):
                out.append(f"rig {word} {getattr(self, name):g}")
        if not self.holds_without_power:
            out.append("rig turns-back")
        if self.clamp_slips_above_n is not None:
            slips = self.clamp_slips_above_n
            out.append(f"rig clamp slips {slips:g}" if slips else "rig clamp open")
        return out


@dataclass(frozen=True)
class Scenario:
    """One rig and its faults."""

    rig: RigPlan
    faults: list[Fault]


def read(text: str, rig: RigPlan | None = None) -> Scenario:
    """Read a scenario; what its ``rig`` lines leave open is as in ``rig``. Raises FaultError with line and reason."""
    rig = rig or RigPlan()
    planned: list[Fault] = []
    for line in text.splitlines():
        words = line.split("#")[0].split()
        if not words:
            continue
        if words[0] == "rig":
            rig = _build(rig, words[1:], line)
        else:
            planned.append(parse(line))
    return Scenario(rig, planned)


_UNUSUAL = (
    ("rate_hz", "rate"),
    ("settling", "settling"),
    ("late", "late"),
    ("backlash_mm", "backlash"),
    ("gain_error_percent", "gain-error"),
)
# word: (field, least, most, unit)
_NUMBERS = {
    "tether": ("tether_n_mm", 1.0, 140.0, "N/mm"),
    "slack": ("slack_mm", 0.0, 200.0, _MM),
    "seed": ("seed", 0.0, 1e9, ""),
    "rate": ("rate_hz", 5.0, 400.0, "a second"),
    "settling": ("settling", 1.0, 16.0, "conversions"),
    "late": ("late", 0.0, 16.0, "readings"),
    "backlash": ("backlash_mm", 0.0, 1.0, _MM),
    "gain-error": ("gain_error_percent", -60.0, 60.0, "%"),
}
_WHOLE = {"seed", "settling", "late"}


def _build(rig: RigPlan, words: list[str], line: str) -> RigPlan:
    """Take the words of one ``rig`` line."""
    if not words:
        raise FaultError(f"{line!r}: say what the rig has, such as 'rig tether 42 slack 3'.")
    rest = list(words)

    def number(word: str, least: float, most: float, unit: str) -> float:
        try:
            value = float(rest.pop(0))
        except (IndexError, ValueError):
            raise FaultError(f"{line!r}: {word} needs a number.") from None
        if not least <= value <= most:
            raise FaultError(f"{line!r}: {word} {value:g} is not within {least:g} and {most:g} {unit}".rstrip() + ".")
        return value

    while rest:
        word = rest.pop(0)
        if word in _NUMBERS:
            name, least, most, unit = _NUMBERS[word]
            value = number(word, least, most, unit)
            if word in _WHOLE and value != int(value):
                raise FaultError(f"{line!r}: {word} needs a whole number, not {value:g}.")
            change: dict[str, Any] = {name: int(value) if word in _WHOLE else value}
            rig = replace(rig, **change)
        elif word == "string":
            rig = _string(rig, rest, line, number)
        elif word == "turns-back":
            rig = replace(rig, holds_without_power=False)
        elif word == "clamp":
            how = rest.pop(0) if rest else ""
            if how not in ("open", "slips"):
                raise FaultError(f"{line!r}: a clamp can be open, or slips and a number of newtons.")
            slips = number("clamp slips", 0.0, 1000.0, "N") if how == "slips" else 0.0
            rig = replace(rig, clamp_slips_above_n=slips)
        else:
            known = ", ".join((*_NUMBERS, "string", "turns-back", "clamp"))
            raise FaultError(f"{line!r}: a rig has no {word!r}; there are {known}.")
    return rig


def _string(rig: RigPlan, rest: list[str], line: str, number: Callable[[str, float, float, str], float]) -> RigPlan:
    """Take family, length and ``woven`` from the front of ``rest``."""
    family = next((f for f in sorted(FAMILIES, key=len, reverse=True) if rest[: len(f.split())] == f.split()), None)
    if family is None:
        raise FaultError(f"{line!r}: no such family of string; there are {', '.join(FAMILIES)}.")
    del rest[: len(family.split())]
    length = rig.length_mm
    if rest and rest[0][0].isdigit():
        length = number("string", 250.0, 1200.0, _MM)
    woven = bool(rest) and rest[0] == "woven"
    if woven:
        rest.pop(0)
    return replace(rig, family=family, length_mm=length, woven=woven, tether_n_mm=None)
