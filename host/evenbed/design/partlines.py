"""What carries and measures the force: coupling, column, shaft, guide; cell and converter."""

from __future__ import annotations

import math
from dataclasses import replace

from evenbed.design.bridge import counts_per_n, full_scale_n, noise_n
from evenbed.design.case import Case
from evenbed.design.drivelines import HOLD_SHARE
from evenbed.design.lines import PRACTICE, SHIGLEY_COLUMNS, STATICS, Line, at_least, at_most
from evenbed.design.screws import root_mm
from evenbed.design.structure import buckling_n, guide_n, guide_share, whirl_turns_s

STRUCTURE, MEASURE = "structure", "cell and converter"
COLUMN_FACTOR = 3.0  # of force until it buckles or yields (no source)
WHIRL_SHARE = 0.8  # of the critical speed, as makers of screws state it
JAM_FACTOR = 2.0  # of a guide (no source)
OVERSIZE = 5.0  # cell over limit, from which on it is pointless (no source)
ZERO_ROOM = 1.1  # of the converter's range: a cell's zero is off, and shifts (no source)


def coupling_lines(case: Case) -> list[Line]:
    """Mechanics that bound the force: that they stay quiet in use, and act before a part gives in."""
    rig, c, force = case.rig, case.rig.coupling, case.force
    if c.kind == "none":
        return []
    name = {"slip coupling": "slip coupling slips", "breakaway": "breakaway parts", "spring pack": "spring pack yields"}
    formula = "set force +- tolerance"
    overload = rig.cell.capacity_n * rig.cell.overload_percent / 100.0
    lines = [
        at_least(
            Line(STRUCTURE, f"{name[c.kind]}, earliest", case.acts_earliest_n, "N", formula, "limit + overrun"),
            case.work_n,
            f"It acts in sound pulls: set it {case.force(case.work_n / (1.0 - c.tolerance_percent / 100.0))} or higher, or "
            "lower limit_n.",
            "pointless",
        )
    ]
    if lines[0].verdict == "ok" and case.acts_earliest_n > case.usual_stall_n:
        lines[0] = replace(
            lines[0],
            verdict="pointless",
            says=f"The motor stalls first, at {force(case.usual_stall_n)}: it never acts. Set it lower.",
        )
    if c.kind == "spring pack":
        lines.append(_switch(case))
        formula += "; then spring and stiffest in series x run-on"
    elif c.kind == "slip coupling":
        formula += ", x friction over least friction of the screw"
    bound = Line(
        STRUCTURE,
        "most that it lets through",
        case.bounded_n,
        "N",
        formula,
        "energy balance" if c.kind == "spring pack" else STATICS,
        says="When it parts, the string flies: cover and goggles." if c.kind == "breakaway" else "",
    )
    if case.bounded:
        lines.append(
            at_most(
                bound,
                overload,
                f"The cell is ruined first, at {force(overload)}: set the coupling lower or fit a cell of more.",
            )
        )
    return lines


def _switch(case: Case) -> Line:
    c = case.rig.coupling
    needed = case.run_on_mm
    line = Line(
        STRUCTURE,
        "spring pack: room after its switch",
        c.room_mm,
        "mm",
        "run-on: v t_cut + J w^2 / 2 over the force that brakes it",
        "energy balance",
    )
    if not c.switch_in_enable:
        return replace(
            line,
            verdict="unsafe",
            says="Its switch does not stop the drive: the spring goes solid and then bounds nothing. Wire the switch into "
            "the drive's enable, in series with the emergency stop.",
        )
    return at_least(
        line, needed, f"The spring is solid before the drive stands: give it {needed:.1f} mm, or take a faster relay."
    )


def structure_lines(case: Case) -> list[Line]:
    """Column or core of the screw, critical speed, guide."""
    rig, s, g, force = case.rig, case.rig.screw, case.rig.guide, case.force
    root, worst = root_mm(s), case.worst_n
    axial = worst * case.screw_n_per_n
    if s.loaded == "compression":
        carries, by = buckling_n(root, s.free_length_mm, s.ends, s.yield_mpa)
        formula = "C pi^2 E A / (L/k)^2" if by == "Euler" else "A (Sy - (Sy L / (2 pi k))^2 / (C E))"
        column = Line(
            STRUCTURE,
            f"screw buckles ({by})",
            carries,
            "N",
            formula,
            f"{SHIGLEY_COLUMNS}; factor {COLUMN_FACTOR:g}: {PRACTICE}",
        )
        cure = "Support it at a shorter length, fix its ends, have it pulled instead of pushed, or take it thicker."
    else:
        column = Line(
            STRUCTURE,
            "screw's core yields",
            s.yield_mpa * math.pi * root**2 / 4.0,
            "N",
            "Sy A",
            "pulled, it does not buckle",
        )
        cure = "Take a thicker screw."
    whirl = whirl_turns_s(root, s.free_length_mm, s.ends)
    turns = rig.motion.speed_mm_s / rig.lead_mm
    share = guide_share(g.offset_mm, g.spacing_mm, g.friction)
    jam = math.inf if share <= 0.0 else 1.0 / share
    return [
        *coupling_lines(case),
        Line(
            STRUCTURE,
            "what parts have to take",
            worst,
            "N",
            "what the coupling lets through, else the stall force",
            "the electronics may be fooled: one cell, one converter",
        ),
        at_least(column, COLUMN_FACTOR * axial, f"At {force(axial)} on it that is too near. {cure}"),
        at_most(
            Line(
                STRUCTURE,
                "screw's speed against whirling",
                turns,
                "turns/s",
                f"{WHIRL_SHARE:g} x^2 / (2 pi L^2) sqrt(E I / (rho A))",
                "bending vibration of a beam; 80 % as makers of screws state it",
            ),
            WHIRL_SHARE * whirl,
            f"It whips. Stay below {WHIRL_SHARE * whirl * rig.lead_mm:.0f} mm/s, support it, or take more lead.",
        ),
        at_most(
            Line(STRUCTURE, "load on a guide bearing", guide_n(worst, g.offset_mm, g.spacing_mm), "N", "F e / s", STATICS),
            g.rated_n,
            "Bring the line of pull nearer to the screw's axis, set the bearings wider apart, or take larger ones.",
        ),
        at_least(
            Line(
                STRUCTURE,
                "guide: spacing over jamming",
                min(jam, 999.0),
                "",
                "s / (2 mu e)",
                f"{STATICS}; factor {JAM_FACTOR:g}: {PRACTICE}",
            ),
            JAM_FACTOR,
            "The carriage sticks like a crooked drawer: less offset, wider spacing, or rolling bearings.",
        ),
    ]


def measure_lines(case: Case, rates_hz: tuple[float, float]) -> list[Line]:
    """The cell against the forces, the converter against the cell, its rate against the least and the most that the host
    works with."""
    rig, cell, conv, force = case.rig, case.rig.cell, case.rig.converter, case.force
    overload = cell.capacity_n * cell.overload_percent / 100.0
    capacity = at_least(
        Line(MEASURE, "cell: capacity", cell.capacity_n, "N", "limit + overrun at least", "its data sheet"),
        case.work_n,
        f"It is loaded beyond what it is rated for: take one of {force(case.work_n)} or more, or lower limit_n.",
    )
    if capacity.verdict == "ok" and cell.capacity_n > OVERSIZE * rig.limits.limit_n:
        capacity = replace(
            capacity,
            verdict="pointless",
            says=f"More than {OVERSIZE:g} times the limit: noise, zero and creep grow with capacity. "
            f"{force(1.5 * case.work_n)} would do.",
        )
    measured = rig.measured.noise_n
    noise = noise_n(cell, conv) if measured is None else float(measured.value)
    wanted = HOLD_SHARE * rig.strings.lowest_n
    ratiometric = conv.excitation_v == conv.reference_v
    per_n = counts_per_n(cell, conv)
    return [
        capacity,
        at_least(
            Line(MEASURE, "cell: safe overload", overload, "N", "capacity x safe overload", "its data sheet"),
            case.worst_n,
            f"The electronics fooled, {force(case.worst_n)} reach it: "
            + ("set the coupling lower" if case.bounded else "fit a coupling")
            + ", or take a larger cell.",
        ),
        Line(
            MEASURE,
            "counts per newton",
            per_n,
            "1/N",
            "S V_exc / F_cap x G 2^(bits - 1) / (span V_ref)",
            "bridge and converter data sheets",
            says="" if ratiometric else "Not ratiometric: a drift of the excitation is a drift of the force.",
        ),
        at_least(
            Line(
                MEASURE,
                "converter: full scale",
                full_scale_n(cell, conv),
                "N",
                "span V_ref / G over S V_exc / F_cap",
                "converter data sheet",
            ),
            ZERO_ROOM * case.work_n,
            "It saturates below what it has to read: take less gain, or a larger cell.",
        ),
        _rate(case, rates_hz),
        at_most(
            Line(
                MEASURE,
                "noise of a reading, RMS",
                noise,
                "N",
                "input noise over S V_exc / F_cap" if measured is None else f"measured on {measured.on}",
                f"converter data sheet; limit: {100.0 * HOLD_SHARE:g} % of the lowest reference",
            ),
            wanted,
            "The reading is noisier than the head holds: a smaller cell, more gain, a slower rate; shield and earth "
            "the cable.",
            "pointless",
        ),
    ]


def _rate(case: Case, rates_hz: tuple[float, float]) -> Line:
    least, most = rates_hz
    line = Line(
        MEASURE,
        "readings a second",
        case.rig.rate_hz,
        "Hz",
        "converter data sheet, or measured",
        "what the host works with",
    )
    cure = f"The host refuses it: {least:.0f} to {most:.0f} Hz. Look for a rate pin or setting of the converter."
    return at_most(line, most, cure, "pointless") if line.value > most else at_least(line, least, cure, "pointless")
