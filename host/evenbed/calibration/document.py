"""A calibration as it is kept: the steps and what belongs to them. Everything else is worked out from it, every time.

Kept for ever and never changed; ready for JSON. ``setting`` is what the board is told, ``uncertainty`` what every pull's
record carries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any

from evenbed.calibration.budget import Budget, Expanded, Term, expand
from evenbed.calibration.fit import FitError
from evenbed.calibration.steps import Cell, Series, Step
from evenbed.calibration.uncertainty import Calibration, Conditions, Extrapolation, calibrate
from evenbed.calibration.weights import Place
from evenbed.head.types import Known

FORMAT = "evenbed calibration 1"
GRID = 12  # forces at which U is worked out for use in a pull
TOP_SHARE = 2.0  # of the highest weight: beyond it nothing is armed


class DocumentError(ValueError):
    """A calibration that cannot be read or used; the text says why and what to do."""


@dataclass(frozen=True)
class Setting:
    """What the board stores: reference zero in counts, sensitivity and the cell's rated one in 1/1000 count per newton."""

    zero_counts: int
    gain_mcounts_n: int
    rated_mcounts_n: int


@dataclass(frozen=True)
class Document:
    """One calibration. ``made`` is ISO 8601 with offset; ``weights`` what was typed for each step of the runs, in their
    order, "" for a zero; ``remark`` free text."""

    made: str
    by: str
    place: Place
    cell: Cell
    runs: tuple[Series, ...]
    conditions: Conditions = field(default_factory=Conditions)
    weights: tuple[str, ...] = ()
    room_c: float | None = None
    remark: str = ""

    @cached_property
    def calibration(self) -> Calibration:
        """Curve, figures and budget. Raises DocumentError where the steps make none."""
        try:
            return calibrate(self.runs, self.conditions)
        except (FitError, ValueError) as e:
            raise DocumentError(str(e)) from None

    @property
    def zero_counts(self) -> float:
        """Mean reading of the first zero of the last series: the reference zero."""
        zeros = self.runs[-1].zeros
        if not zeros:
            raise DocumentError("There is no zero in the last series: take a step of 0 N, then the weights.")
        return zeros[0].mean_counts

    @property
    def gain_counts_n(self) -> float:
        """Sensitivity of the straight line that the board reckons with: from 0 to the highest weight."""
        c = self.calibration
        return c.counts(c.top_n) / c.top_n

    @property
    def setting(self) -> Setting:
        """What the board is to store."""
        rated = abs(self.cell.rated_counts_n)
        return Setting(round(self.zero_counts), round(self.gain_counts_n * 1000.0), round(rated * 1000.0))

    def budget(self, force_n: float) -> Budget:
        """All terms at a force on the curve, N."""
        return self.calibration.budget(force_n)

    def bent_n(self, force_n: float) -> float:
        """How far the board's straight line is from the curve at a force, N: known, and not corrected."""
        return abs(self.calibration.counts(force_n) / self.gain_counts_n - force_n)

    def uncertainty(self, force_n: float) -> Expanded:
        """U (k = 2, or from trials) at a force as the board shows it, N. What the straight line misses is a known error
        that is not corrected, so it is added in full (JCGM 100 F.2.4.5)."""
        on_curve = expand(self.budget(force_n))
        return replace(on_curve, expanded_n=on_curve.expanded_n + self.bent_n(force_n))

    def extrapolation(self, force_n: float) -> Extrapolation:
        """Nothing, "warn" above 1.2 times the highest weight, "refuse" above twice it."""
        return self.calibration.extrapolation(force_n)

    def table(self) -> tuple[tuple[float, float], ...]:
        """(force, U) in N from 0 to twice the highest weight, for quick use: between the points U is a straight line."""
        top = TOP_SHARE * self.calibration.top_n
        forces = [top * i / GRID for i in range(GRID + 1)]
        return tuple((f, self.uncertainty(f).expanded_n) for f in forces)

    def known(self, number: int) -> Known:
        """What a session is told of it, under its number in the store."""
        s = self.setting
        return Known(number, self.made, s.zero_counts, s.gain_mcounts_n, self.calibration.top_n, self.table())

    # --- kept as JSON ------------------------------------------------------------------------------------------
    def plain(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "format": FORMAT,
            "made": self.made,
            "by": self.by,
            "place": asdict(self.place),
            "cell": asdict(self.cell),
            "runs": [[_plain_step(s) for s in run.steps] for run in self.runs],
            "conditions": asdict(self.conditions),
            "weights": list(self.weights),
            "room_c": self.room_c,
            "remark": self.remark,
        }


def _plain_step(step: Step) -> dict[str, Any]:
    plain = asdict(step)
    for term in plain["terms"]:
        if term["dof"] == float("inf"):
            term["dof"] = None  # JSON knows no infinity
    return plain


def _step(plain: Mapping[str, Any]) -> Step:
    terms = tuple(Term(**{**t, "dof": float("inf") if t["dof"] is None else t["dof"]}) for t in plain["terms"])
    return Step(**{**plain, "terms": terms})


def document(plain: Mapping[str, Any]) -> Document:
    """Read a kept calibration. Raises DocumentError."""
    if plain.get("format") != FORMAT:
        raise DocumentError(f"This is no calibration of this program (format {plain.get('format')!r}, not {FORMAT!r}).")
    try:
        return Document(
            made=str(plain["made"]),
            by=str(plain["by"]),
            place=Place(**plain["place"]),
            cell=Cell(**plain["cell"]),
            runs=series([[_step(s) for s in run] for run in plain["runs"]]),
            conditions=Conditions(**plain["conditions"]),
            weights=tuple(plain["weights"]),
            room_c=plain["room_c"],
            remark=str(plain["remark"]),
        )
    except (KeyError, TypeError, ValueError) as e:
        raise DocumentError(f"This calibration cannot be read: {e}.") from None


def series(runs: Sequence[Sequence[Step]]) -> tuple[Series, ...]:
    """Series of steps, empty ones left out."""
    return tuple(Series(tuple(steps)) for steps in runs if steps)
