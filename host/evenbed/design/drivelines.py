"""Screw, brake, motor and supply: what they have to do, and whether they do it."""

from __future__ import annotations

import math
from dataclasses import replace

from evenbed.design.case import Case
from evenbed.design.lines import PRACTICE, SHIGLEY_SCREWS, STATICS, Line, at_least, at_most
from evenbed.design.motors import COUNTED, holding_nm, supply_a, torque_nm

SCREW, MOTOR = "screw", "motor and supply"
FACTOR = 1.5  # of torque over what is needed (common practice, no source)
SLIM = 1.2  # self-locking below this is said to be slim (no source)
HOLD_SHARE = 0.0005  # of the lowest reference: what the head's hold is held to
TOO_FINE = 20.0  # times finer than that is no use


def screw_lines(case: Case) -> list[Line]:
    """Torques, efficiency, self-locking, brake and holding torque."""
    rig, drive, force = case.rig, case.drive, case.force
    limit = rig.limits.limit_n
    ball = rig.screw.thread == "ball"
    if math.isinf(drive.draw_nm(1.0)):
        return [
            Line(
                SCREW,
                "efficiency",
                0.0,
                "%",
                "pi dm <= f sec(a) l",
                SHIGLEY_SCREWS,
                verdict="unsafe",
                says="The thread jams: no torque moves it. Take a smaller lead or less friction.",
            )
        ]
    up = "F l / (2 pi eta) + F fc dc / 2" if ball else "(F dm / 2) (l + pi f' dm) / (pi dm - f' l) + F fc dc / 2"
    down = "F fc dc / 2 - F l eta' / (2 pi)" if ball else "(F dm / 2) (pi f' dm - l) / (pi dm + f' l) + F fc dc / 2"
    source = "ball screws: work balance" if ball else f"{SHIGLEY_SCREWS}; f' = f sec(a)"
    lowering = drive.let_down_nm(limit)
    return [
        Line(SCREW, f"torque to draw {force(limit)}", drive.draw_nm(limit), "N·m", up, source),
        Line(
            SCREW,
            f"torque to let {force(limit)} down",
            lowering,
            "N·m",
            down,
            source,
            says="Below zero: the string turns the screw." if lowering < 0.0 else "",
        ),
        Line(SCREW, "efficiency of a draw", 100.0 * drive.efficiency(), "%", "F l / (2 pi T)", SHIGLEY_SCREWS),
        _locking(case),
        *_brake(case),
        _holding(case),
    ]


def _brake_needed_nm(case: Case) -> float:
    return FACTOR * case.back_nm(case.work_n)


def _brake_enough(case: Case) -> bool:
    b = case.rig.brake
    return b.fitted and b.torque_nm > 0.0 and b.torque_nm >= _brake_needed_nm(case)


def _locking(case: Case) -> Line:
    held, ratio = case.rig.holds_without_power, case.drive.locking()
    on = f" on {held.on}" if held.on else ""
    at = f" at {case.force(held.at_n)}" if held.at_n else ""
    line = Line(
        SCREW,
        "self-locking: friction over needed",
        ratio,
        "",
        "pi f' dm / l with the least friction, thread alone",
        f"{SHIGLEY_SCREWS}; a ball screw never locks",
    )
    if held.proved is False:
        says = f"It was seen to give way without power{at}{on}."
    elif ratio >= 1.0:
        slim = " Slim: grease or shaking may free it." if ratio < SLIM else ""
        seen = f" Seen to hold{at}{on}." if held.proved else " Prove it at low force (evenbed commission)."
        return at_least(
            replace(line, says=f"A power cut leaves the string drawn; the hand knob lets it down.{slim}{seen}"),
            1.0,
            "",
        )
    else:
        says = "With the least friction it does not hold."
    if _brake_enough(case):
        return replace(line, says=f"{says} The brake keeps the string when power goes.")
    return replace(
        line,
        limit=1.0,
        bound="least",
        verdict="unsafe",
        says=f"{says} A power cut or the emergency stop lets the string go slack at once: fit a brake that closes without "
        f"power, {_brake_needed_nm(case):.2g} N·m or more on the screw, or take a smaller lead.",
    )


def _brake(case: Case) -> list[Line]:
    brake = case.rig.brake
    if not brake.fitted:
        return []
    needed = _brake_needed_nm(case)
    line = Line(
        SCREW,
        "brake, closed",
        brake.torque_nm,
        "N·m",
        f"{FACTOR} x torque with which limit + overrun turns the screw back",
        f"{SHIGLEY_SCREWS}; the factor: {PRACTICE}",
        says="The screw holds by itself; the brake is a second hand." if needed <= 0.0 else "",
    )
    line = at_least(line, needed, f"The string slips through the brake. Take one of {needed:.2g} N·m or more.")
    if needed <= 0.0:
        return [line]
    limit, k = case.rig.limits.limit_n, case.rig.strings.stiffest_n_mm
    gives_mm = case.back_nm(limit) / case.inertia_kg_m2 * brake.closes_s**2 / 2.0 * case.rig.lead_mm / (2.0 * math.pi)
    gives = Line(
        SCREW,
        "given way until it has closed, at most",
        gives_mm,
        "mm",
        "T / J t^2 / 2 x l / (2 pi)",
        STATICS,
        says=f"Up to {case.force(min(limit, gives_mm * k))} of the stiffest string's force.",
    )
    return [line, gives]


def _holding(case: Case) -> Line:
    motor = case.rig.motor
    needed = FACTOR * case.back_nm(case.work_n)
    line = Line(
        MOTOR,
        "holding torque at a standstill",
        holding_nm(motor),
        "N·m",
        "T_hold / (sqrt 2 I_rated) x I_peak x what the driver leaves",
        "two-phase stepper with sine currents",
    )
    if needed <= 0.0:
        return line
    return at_least(
        line,
        needed,
        f"The string turns the motor while it holds. Leave more current at a standstill (hold_current_percent, now "
        f"{motor.hold_current_percent:g} %).",
    )


def motor_lines(case: Case) -> list[Line]:
    """Torque at speed and at the start, stall force, resolution, currents."""
    rig, motor = case.rig, case.rig.motor
    turns = rig.motion.speed_mm_s / rig.lead_mm
    needed = case.draw_nm(rig.limits.limit_n)
    if math.isinf(needed):
        return []
    there = torque_nm(motor, rig.supply.volts, turns)
    model = "curve of its data sheet" if motor.pull_out else f"{COUNTED} x synchronous machine within V and I"
    model_source = (
        "your data sheet" if motor.pull_out else "Acarnley, Stepping Motors (from memory); no resonance, no iron loss"
    )
    spin = case.inertia_kg_m2 * rig.motion.accel_mm_s2 / rig.lead_mm * 2.0 * math.pi
    start = needed / rig.limits.limit_n * case.work_n + spin
    peak = math.sqrt(2.0) * motor.rated_current_a
    watts = f"{rig.supply.volts:g} V, {rig.supply.amps:g} A"
    return [
        Line(MOTOR, "motor at top speed", turns, "turns/s", "v / l", STATICS),
        at_least(
            Line(MOTOR, "motor's torque at top speed", there, "N·m", model, model_source),
            FACTOR * needed,
            _too_fast(case, needed),
        ),
        at_least(
            Line(
                MOTOR,
                "motor's torque to start under load",
                torque_nm(motor, rig.supply.volts, 0.0),
                "N·m",
                f"needed: {FACTOR} x (T at limit + overrun, and J a 2 pi / l)",
                f"{SHIGLEY_SCREWS}; the factor: {PRACTICE}",
            ),
            FACTOR * start,
            "It loses steps at the start under load: lower accel_mm_s2, set more current, or take a smaller lead.",
        ),
        at_most(
            Line(MOTOR, "driver's peak current", motor.current_a, "A", "sqrt 2 x rated", "heat of a sine current"),
            peak * (1.0 + 1e-9),
            f"The motor overheats: set the driver to {peak:.2g} A peak or less.",
        ),
        _stall(case),
        _resolution(case),
        at_most(
            Line(
                MOTOR,
                "supply current, most",
                supply_a(motor, rig.supply.volts, rig.supply.driver_efficiency, rig.supply.others_w, needed, turns),
                "A",
                "((I_peak^2 R + T w) / eta + others) / V",
                "energy balance",
            ),
            rig.supply.amps,
            f"The supply ({watts}) gives in under load and the drive drops out with the string on: take a larger one, "
            "or lower the speed.",
        ),
    ]


def _too_fast(case: Case, needed: float) -> str:
    """What to do about too little torque at speed."""
    rig = case.rig

    def enough(speed_mm_s: float) -> bool:
        return torque_nm(rig.motor, rig.supply.volts, speed_mm_s / rig.lead_mm) >= FACTOR * needed

    if not enough(0.0):
        return (
            f"Even at a standstill it has not {FACTOR} times the {needed:.2g} N·m that the screw needs: take a stronger "
            "motor, or a smaller lead."
        )
    low, high = 0.0, rig.motion.speed_mm_s
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return (
        f"It loses steps at top speed. Up to {low:.0f} mm/s the torque is enough: set speed_mm_s to that, or take more "
        "volts or a motor of less inductance."
    )


def _stall(case: Case) -> Line:
    force = case.force
    kept = (
        f"Not counted as a safeguard: friction alone moves it from {force(case.usual_stall_n)} to {force(case.stall_n)}, "
        "the driver's current and the motor's heat move it too."
    )
    line = Line(
        MOTOR,
        "stall force, highest",
        case.stall_n,
        "N",
        "F at which the least friction needs the motor's whole torque",
        SHIGLEY_SCREWS,
        says=kept,
    )
    if case.bounded:
        return line
    return replace(
        line,
        verdict="unsafe",
        says=f"Stalling is all that bounds the force when the electronics are fooled. {kept} Fit an overload "
        "coupling, a breakaway, or a spring pack with its switch in the drive's enable.",
    )


def _resolution(case: Case) -> Line:
    rig = case.rig
    k, wanted = rig.strings.stiffest_n_mm, HOLD_SHARE * rig.strings.lowest_n
    line = Line(
        MOTOR,
        f"one step on a string of {k:g} N/mm",
        k / rig.steps_mm,
        "N",
        "k l / (full steps x microsteps)",
        f"geometry; limit: {100.0 * HOLD_SHARE:g} % of the lowest reference, what the hold is held to",
    )
    line = at_most(
        line, wanted, "Steps are coarser than the head holds: take more microsteps or a smaller lead.", "pointless"
    )
    if line.value * TOO_FINE < wanted and rig.motor.microsteps > 1:
        return replace(
            line,
            verdict="pointless",
            says="Steps are far finer than the head holds and only cost pulses: take fewer microsteps.",
        )
    return line
