"""The whole review of a rig, and the values that go back into its file."""

from __future__ import annotations

from datetime import date

from evenbed.design.bridge import counts_per_n
from evenbed.design.case import Case
from evenbed.design.drivelines import motor_lines, screw_lines
from evenbed.design.lines import Line
from evenbed.design.partlines import measure_lines, structure_lines
from evenbed.design.stoplines import board_line, budget_lines, measured_lines, time_lines, travel_lines
from evenbed.head.stopbudget import terms
from evenbed.rig.tables import Rig


def review(rig: Rig, rates_hz: tuple[float, float], unit: str = "N") -> list[Line]:
    """Every line of the review, group by group; sentences show forces in ``unit``.

    ``rates_hz``: least and most readings a second that the host works with. Where the board cannot reckon with the rig,
    what follows from its arithmetic is left out.
    """
    case = Case(rig, unit)
    usable = not case.unusable
    lines = [
        *screw_lines(case),
        *motor_lines(case),
        *structure_lines(case),
        *measure_lines(case, rates_hz),
        *travel_lines(case),
        *(time_lines(case) if usable else ()),
        board_line(case),
        *(budget_lines(case) if usable else ()),
        *measured_lines(case),
    ]
    groups = list(dict.fromkeys(line.group for line in lines))
    return sorted(lines, key=lambda line: groups.index(line.group))


def computed(rig: Rig, day: date) -> dict[str, float | date | None]:
    """The values of rig.toml's table ``computed``, as ``{"computed.key": value}``; None where they cannot be had."""
    case = Case(rig)
    values: dict[str, float | date | None] = {
        "computed.counts_per_n": round(counts_per_n(rig.cell, rig.converter), 3),
        "computed.steps_mm": round(rig.steps_mm, 4),
        "computed.age_s": None,
        "computed.granted_s": None,
        "computed.stop_travel_mm": None,
        "computed.stop_rise_n": None,
        "computed.snag_n": None,
        "computed.on": day,
    }
    if not case.unusable:
        known: dict[str, float | date | None] = {
            "computed.age_s": round(case.model.age_s, 6),
            "computed.granted_s": round(case.model.granted_s, 6),
            "computed.stop_travel_mm": round(terms(case.model, rig.motion.speed_mm_s).total_mm, 3),
            "computed.stop_rise_n": round(case.ceiling_rise_n, 3),
            "computed.snag_n": round(case.snag_n, 1),
        }
        values |= known
    return values
