"""Travel, time, and the stop budget: how far the force can rise once something is wrong."""

from __future__ import annotations

from dataclasses import replace

from evenbed_fw.settings import RANGES

from evenbed.design.boardview import before_contact_mm_s, pull_s
from evenbed.design.case import Case
from evenbed.design.lines import BUDGET, Line, at_least, at_most
from evenbed.head.stopbudget import STEPS, STIFFENING, terms

TRAVEL, STOP = "travel and time", "stop budget"
CRAWL_MM_S = 0.5  # slower than this the head does not go
RULE = 0.01  # steps a millimetre by a rule against the reckoned ones
SPARE = 3.0  # travel beyond this many times what is needed is pointless (no source)
CURES = {
    "rate_max_steps_s": "fewer microsteps, more lead or less speed",
    "accel_steps_s2": "less acceleration",
    "gain_mcounts_n": "another gain or cell",
    "hold_rate_steps_s": "a hold_rate_mm_s below the top speed",
    "limit": "less gain or a larger cell",
    "steps_mm": "fewer microsteps or more lead",
    "period_us": "a rate from 5 to 1000 Hz",
}


def travel_lines(case: Case) -> list[Line]:
    """Travel between the switches and beyond them."""
    rig, t = case.rig, case.rig.strings
    needed = t.slack_mm + t.highest_n / t.softest_n_mm + rig.limits.hold_travel_mm
    travel = at_least(
        Line(
            TRAVEL,
            "travel between the switches",
            rig.travel_mm,
            "mm",
            "slack + F / k of the softest string + take-up in the hold",
            "geometry",
        ),
        needed,
        f"It is out of travel before the force is there: {needed:.0f} mm are needed, or a shorter bite on soft strings.",
        "pointless",
    )
    if travel.verdict == "ok" and rig.travel_mm > SPARE * needed:
        travel = replace(
            travel, verdict="pointless", says=f"{needed:.0f} mm are needed; the rest only makes the screw longer."
        )
    m = rig.motion
    return [
        travel,
        at_least(
            Line(
                TRAVEL,
                "from end switch to hard stop",
                rig.travel.overtravel_mm,
                "mm",
                "v^2 / (2 a) from top speed",
                "kinematics",
            ),
            m.speed_mm_s**2 / (2.0 * m.accel_mm_s2),
            "The carriage hits the stop: move the switch, brake harder, or go slower.",
        ),
        at_least(
            Line(TRAVEL, "rig's own limit", rig.limits.limit_n, "N", "highest force meant", "your choice"),
            t.highest_n,
            "The board refuses the highest force that you mean to pull: raise limit_n, if the frame and the rest allow it, "
            "or lower strings.highest_n.",
            "pointless",
        ),
    ]


def time_lines(case: Case) -> list[Line]:
    """What the speed is worth."""
    rig, t, model, speeds = case.rig, case.rig.strings, case.model, case.speeds
    took = pull_s(model, speeds, t.highest_n, t.softest_n_mm, t.slack_mm)
    best = speeds.allowed_mm_s(min(STIFFENING * t.softest_n_mm, model.stiffest_n_mm), t.highest_n + model.overrun_n)
    if best > rig.motion.speed_mm_s * (1.0 - 1.0 / STEPS):
        best = max(best, rig.motion.speed_mm_s)  # the allowed speeds are a table's
    formula = "slow start, slack, then dF / (k v(F)) summed, v(F) by the stop budget"
    top = Line(TRAVEL, "top speed", rig.motion.speed_mm_s, "mm/s", "most that is allowed on the softest string", BUDGET)
    return [
        at_most(
            top,
            best,
            f"The board never lets it go faster than {best:.0f} mm/s: more only costs pulses and torque.",
            "pointless",
        ),
        Line(
            TRAVEL,
            "speed before contact",
            before_contact_mm_s(model, speeds, t.highest_n),
            "mm/s",
            "room / stiffest",
            BUDGET,
        ),
        at_most(
            Line(
                TRAVEL,
                f"pull to {case.force(t.highest_n)}, softest string",
                took,
                "s",
                formula,
                f"{BUDGET}; settling not counted",
            ),
            t.pull_s,
            "Longer than you want it (strings.pull_s): more speed or acceleration, a faster converter, more overrun.",
            "pointless",
        ),
        Line(
            TRAVEL,
            "the same, stiffest string",
            pull_s(model, speeds, t.highest_n, t.stiffest_n_mm, t.slack_mm),
            "s",
            formula,
            f"{BUDGET}; settling not counted",
        ),
    ]


def board_line(case: Case) -> Line:
    """Can the board reckon with this rig at all?"""
    rig = case.rig
    most = next(most for name, _, most in RANGES if name == "rate_max_steps_s")
    line = Line(
        STOP,
        "step rate at top speed",
        rig.motion.speed_mm_s * rig.steps_mm,
        "1/s",
        "v x full steps x microsteps / l",
        "the board's own range, evenbed_fw.settings",
        float(most),
        "most",
    )
    whole = round(rig.steps_mm)
    off = abs(whole / rig.steps_mm - 1.0)
    if case.unusable:
        word = case.unusable.split(" ")[0]
        cure = f" Take {CURES[word]}." if word in CURES else ""
        return replace(line, verdict="unsafe", says=f"The board cannot reckon with this rig: {case.unusable}.{cure}")
    if off > 1e-6:
        return replace(
            line,
            says=f"The board counts {whole} whole steps a millimetre instead of {rig.steps_mm:.2f}: lengths are "
            f"{100.0 * off:.2g} % off.",
        )
    return line


def budget_lines(case: Case) -> list[Line]:
    """The stop budget of the rig."""
    rig, t, model, force = case.rig, case.rig.strings, case.model, case.force
    top = rig.motion.speed_mm_s
    slow = "slow converter or little overrun: take a faster one, or allow more overrun_n"
    lines = [
        Line(
            STOP, "age of a reading when it acts", 1000.0 * model.age_s, "ms", "(settling / 2 + 1) x period + 11 %", BUDGET
        ),
        Line(STOP, "granted by a reading", 1000.0 * model.granted_s, "ms", "2 periods + 11 %", BUDGET),
        Line(
            STOP,
            "travel of a stop from top speed",
            terms(model, top).total_mm,
            "mm",
            "v (age + grant) + v^2 / (2 a)",
            BUDGET,
        ),
        at_least(
            Line(
                STOP, f"speed at the ceiling, {t.stiffest_n_mm:g} N/mm", case.ceiling_mm_s, "mm/s", "room / (3 k)", BUDGET
            ),
            CRAWL_MM_S,
            f"The head never reaches the ceiling with the stiffest string ({slow}).",
            "pointless",
        ),
        at_most(
            Line(
                STOP,
                "rise above the ceiling meanwhile",
                case.ceiling_rise_n,
                "N",
                "3 k (v (age + grant) + v^2 / (2 a))",
                BUDGET,
            ),
            model.overrun_n,
            "More than the overrun.",
        ),
        _snag(case),
    ]
    measured = rig.measured
    if measured.stop_rise_n is not None:
        lines.append(
            at_most(
                Line(
                    STOP,
                    "rise in the deliberate trip",
                    float(measured.stop_rise_n.value),
                    "N",
                    f"measured on {measured.stop_rise_n.on}",
                    "commissioning",
                ),
                model.overrun_n,
                f"More than the overrun of {force(model.overrun_n)}: the rig does not stop as reckoned. Find out why.",
            )
        )
    return lines


def _snag(case: Case) -> Line:
    line = Line(
        STOP,
        f"if something of {case.rig.limits.stiffest_n_mm:g} N/mm snags",
        case.snag_n,
        "N",
        "worst F + k_stiffest x travel of the stop, at the speed of the softest string",
        BUDGET,
    )
    if case.bounded:
        return replace(line, says=f"The coupling lets {case.force(case.bounded_n)} through.")
    return at_most(line, case.work_n, "No electronics stop that in time: only mechanics do, and none are fitted.")


def measured_lines(case: Case) -> list[Line]:
    """What commissioning found against what is reckoned."""
    rig, m = case.rig, case.rig.measured
    lines: list[Line] = []
    if m.steps_mm is not None:
        off = float(m.steps_mm.value) / rig.steps_mm - 1.0
        rule = Line(
            TRAVEL,
            "steps a millimetre, by a rule",
            float(m.steps_mm.value),
            "1/mm",
            f"measured on {m.steps_mm.on}; reckoned: full steps x microsteps / l",
            "commissioning",
        )
        if abs(off) > RULE:
            rule = replace(
                rule,
                verdict="unsafe",
                says=f"Reckoned {rig.steps_mm:.0f} 1/mm: {100.0 * off:+.0f} %. The driver's microstep switches, the lead "
                "or the motor's steps are not as stated; every length and speed limit is off by as much.",
            )
        lines.append(rule)
    if m.stiffness_n_mm is not None:
        lines.append(
            at_most(
                Line(
                    STOP,
                    "stiffness of the rig",
                    float(m.stiffness_n_mm.value),
                    "N/mm",
                    f"measured on {m.stiffness_n_mm.on}",
                    "commissioning",
                ),
                rig.limits.stiffest_n_mm,
                "It is stiffer than the stop budget assumes before contact: set limits.stiffest_n_mm to that, rounded up.",
            )
        )
    return lines
