"""The review of a rig: nothing is said against a sound one, and each unsafe or pointless choice is found and named."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from evenbed.design.boardview import model_of, pull_s, settings_of
from evenbed.design.case import Case
from evenbed.design.lines import Line
from evenbed.design.review import computed, review
from evenbed.head.stopbudget import Speeds, rise_n, terms
from evenbed.rig import Result, Rig, changed, default_rig
from evenbed_fw.settings import Settings

RATES = (40.0, 400.0)
DAY = date(2031, 5, 4)
BALL = {"screw.thread": "ball", "screw.pitch_mm": 5.0}


def rig_with(values: dict[str, Any]) -> Rig:
    return changed(default_rig(), values)


def found(rig: Rig, unit: str = "N") -> dict[str, Line]:
    return {line.what: line for line in review(rig, RATES, unit)}


def line_of(rig: Rig, start: str, unit: str = "N") -> Line:
    fitting = [line for what, line in found(rig, unit).items() if what.startswith(start)]
    assert len(fitting) == 1, (start, list(found(rig)))
    return fitting[0]


def test_a_sound_rig_passes() -> None:
    lines = review(default_rig(), RATES)
    assert [line for line in lines if line.verdict != "ok"] == []
    assert len({line.what for line in lines}) == len(lines)
    assert all(line.margin is None or line.margin >= 1.0 for line in lines)


@pytest.mark.parametrize(
    ("values", "start", "verdict", "says"),
    [
        # the screw and what a power cut does
        (BALL, "self-locking", "unsafe", "go slack at once: fit a brake"),
        ({"screw.starts": 4}, "self-locking", "unsafe", "go slack at once: fit a brake"),
        ({"screw.friction_least": 0.05}, "self-locking", "unsafe", "With the least friction it does not hold"),
        ({"holds_without_power.proved": False}, "self-locking", "unsafe", "seen to give way"),
        ({**BALL, "brake.fitted": True, "brake.torque_nm": 0.2}, "brake, closed", "unsafe", "slips through the brake"),
        ({**BALL, "brake.fitted": True, "brake.torque_nm": 0.2}, "self-locking", "unsafe", "fit a brake"),
        ({**BALL, "motor.hold_current_percent": 20.0}, "holding torque", "unsafe", "Leave more current"),
        (
            {"screw.starts": 12, "screw.pitch_mm": 5.0, "screw.friction": 0.6},
            "efficiency",
            "unsafe",
            "The thread jams",
        ),
        # motor and supply
        ({"supply.volts": 24.0}, "motor's torque at top speed", "unsafe", "loses steps at top speed"),
        ({"motor.holding_torque_nm": 0.4}, "motor's torque at top speed", "unsafe", "Even at a standstill"),
        ({"motor.pull_out": [[1.0, 1.5], [29.0, 0.9]]}, "motor's torque at top speed", "unsafe", "Up to 58 mm/s"),
        ({"motion.accel_mm_s2": 3000.0}, "motor's torque to start", "unsafe", "lower accel_mm_s2"),
        ({"motor.current_a": 6.0}, "driver's peak current", "unsafe", "overheats"),
        ({"supply.amps": 1.5}, "supply current", "unsafe", "gives in under load"),
        ({"motor.microsteps": 4}, "one step", "pointless", "coarser"),
        ({"motor.microsteps": 256, "motion.speed_mm_s": 3.0}, "one step", "pointless", "fewer microsteps"),
        # stalling is no safeguard; mechanics are
        ({"coupling.kind": "none"}, "stall force", "unsafe", "Not counted as a safeguard"),
        ({"coupling.kind": "none"}, "if something of", "unsafe", "only mechanics do"),
        ({"coupling.switch_in_enable": False}, "stall force", "unsafe", "switch in the drive's enable"),
        ({"coupling.switch_in_enable": False}, "spring pack: room", "unsafe", "Wire the switch"),
        ({"coupling.room_mm": 1.0}, "spring pack: room", "unsafe", "solid before the drive stands"),
        ({"coupling.acts_at_n": 380.0}, "spring pack yields", "pointless", "acts in sound pulls"),
        ({"coupling.acts_at_n": 1500.0}, "spring pack yields", "pointless", "The motor stalls first"),
        ({"coupling.acts_at_n": 700.0}, "most that it lets through", "unsafe", "The cell is ruined first"),
        # structure
        ({"screw.free_length_mm": 600.0}, "screw buckles", "unsafe", "too near"),
        ({"screw.loaded": "tension", "screw.diameter_mm": 4.0, "screw.pitch_mm": 1.5}, "screw's core", "unsafe", "thicker"),
        ({"screw.free_length_mm": 900.0}, "screw's speed", "unsafe", "It whips"),
        ({"guide.rated_n": 100.0}, "load on a guide", "unsafe", "line of pull"),
        ({"guide.friction": 0.2, "guide.spacing_mm": 25.0}, "guide: spacing", "unsafe", "crooked drawer"),
        # cell and converter
        ({"cell.capacity_n": 300.0}, "cell: capacity", "unsafe", "beyond what it is rated for"),
        ({"cell.capacity_n": 2000.0}, "cell: capacity", "pointless", "More than 5 times"),
        ({"cell.overload_percent": 105.0}, "cell: safe overload", "unsafe", "set the coupling lower"),
        ({"converter.gain": 400.0}, "converter: full scale", "unsafe", "saturates"),
        ({"converter.rate_hz": 10.0}, "readings a second", "pointless", "rate pin"),
        ({"converter.rate_hz": 500.0}, "readings a second", "pointless", "40 to 400 Hz"),
        ({"converter.noise_nv": 900.0}, "noise of a reading", "pointless", "shield"),
        ({"measured.noise_n": Result(0.2, DAY)}, "noise of a reading", "pointless", "shield"),
        # travel and time
        ({"travel.between_switches_mm": 200.0}, "travel between", "pointless", "253 mm are needed"),
        ({"travel.between_switches_mm": 900.0}, "travel between", "pointless", "only makes the screw longer"),
        ({"travel.overtravel_mm": 1.0}, "from end switch", "unsafe", "hits the stop"),
        ({"limits.limit_n": 250.0}, "rig's own limit", "pointless", "refuses the highest force"),
        ({"motion.speed_mm_s": 20.0}, "pull to 290.0 N", "pointless", "Longer than you want"),
        ({"limits.overrun_n": 1.0, "strings.softest_n_mm": 30.0}, "top speed", "pointless", "never lets it go faster"),
        ({"measured.steps_mm": Result(800.0, DAY)}, "steps a millimetre, by a rule", "unsafe", "microstep switches"),
        # the board and the stop budget
        ({"motor.microsteps": 64}, "step rate", "unsafe", "cannot reckon with this rig: rate_max_steps_s 384000"),
        ({"motion.speed_mm_s": 3.0}, "step rate", "unsafe", "Take a hold_rate_mm_s below the top speed"),
        ({"limits.overrun_n": 1.0}, "speed at the ceiling", "pointless", "never reaches the ceiling"),
        ({"measured.stop_rise_n": Result(55.0, DAY)}, "rise in the deliberate trip", "unsafe", "does not stop as reckoned"),
        ({"measured.stiffness_n_mm": Result(180.0, DAY)}, "stiffness of the rig", "unsafe", "limits.stiffest_n_mm"),
    ],
)
def test_a_bad_choice_is_found(values: dict[str, Any], start: str, verdict: str, says: str) -> None:
    line = line_of(rig_with(values), start)
    assert line.verdict == verdict, line
    assert says in line.says
    # The same line of the sound rig, where it has one, is not against it.
    assert all(other.verdict == "ok" for what, other in found(default_rig()).items() if what.startswith(start))


def test_what_a_power_cut_does_is_said() -> None:
    """On a back-drivable axis removing the power releases the string, on a self-locking screw it keeps it (follows from
    IEC 60204-1 stop category 0 and the screw)."""
    assert "leaves the string drawn" in line_of(default_rig(), "self-locking").says
    assert "Slim" in line_of(rig_with({"screw.friction_least": 0.075}), "self-locking").says
    braked = rig_with({**BALL, "brake.fitted": True, "brake.torque_nm": 0.5})
    assert line_of(braked, "self-locking").verdict == line_of(braked, "brake, closed").verdict == "ok"
    assert "The brake keeps the string" in line_of(braked, "self-locking").says
    # What 330 N turn back (5 mm, eta' 0.8) spins rotor and screw up for the 30 ms: T / J t^2 / 2.
    gives = line_of(braked, "given way until it has closed").value
    torque, t = 330.0 * 0.005 * 0.8 / 6.283185, 0.03
    assert gives == pytest.approx(1000.0 * 0.5 * torque / Case(braked).inertia_kg_m2 * t * t * 0.005 / 6.283185, rel=1e-5)


def test_a_slip_coupling_lets_more_through_on_a_greased_screw() -> None:
    rig = rig_with({"coupling.kind": "slip coupling"})
    # At f 0.15 and at f 0.10, dm 9, lead 2, thrust bearing f 0.005 on 16 mm.
    f, g = 0.15 / 0.9659258, 0.10 / 0.9659258
    turn = 3.1415927 * 9.0
    usual = 4.5 * (2.0 + f * turn) / (turn - f * 2.0) + 0.04
    greased = 4.5 * (2.0 + g * turn) / (turn - g * 2.0) + 0.04
    assert Case(rig).acts_latest_n == pytest.approx(430.0 * 1.1 * usual / greased, rel=1e-6)
    # Balls have no friction to lose.
    assert Case(changed(rig, BALL)).acts_latest_n == pytest.approx(473.0)


def test_without_mechanics_parts_take_the_stall_force() -> None:
    none = Case(rig_with({"coupling.kind": "none"}))
    assert none.worst_n == none.stall_n > Case(default_rig()).worst_n
    assert line_of(rig_with({"coupling.kind": "none"}), "cell: safe overload").limit == none.stall_n
    # Common in the trade: a motor of 1.9 N m on a lead of 2 mm stalls near 2 kN (no source).
    strong = Case(rig_with({"motor.current_a": 4.2 * 2.0**0.5}))
    assert 1500.0 < strong.usual_stall_n < 2300.0


def test_the_default_rig_is_the_boards_reference_rig() -> None:
    ours, board = settings_of(default_rig()), Settings()
    assert ours.unusable() == ""
    names = ["period_us", "limit_mn", "overrun_mn", "stiffest_n_mm", "softest_mn_mm", "steps_mm", "rate_max_steps_s"]
    names += ["accel_steps_s2", "age_samples", "hold_rate_steps_s", "hold_travel_steps", "back_off_steps"]
    names += ["let_down_steps_s", "age_us", "granted_us"]
    assert {n: getattr(ours, n) for n in names} == {n: getattr(board, n) for n in names}
    # The board's reference gain is this cell's, in whole counts.
    assert ours.gain_mcounts_n == pytest.approx(board.gain_mcounts_n, rel=1e-4)


def test_the_stop_budget_is_the_boards() -> None:
    """v (age + grant) + v^2 / (2 a): 60 mm/s, 41.67 + 27.78 ms, 800 mm/s2 (kinematics): 6.417 mm."""
    lines = found(default_rig())
    assert lines["travel of a stop from top speed"].value == pytest.approx(60.0 * 0.069444 + 2.25, abs=1e-3)
    assert lines["rise above the ceiling meanwhile"].value <= 40.0
    case = Case(default_rig())
    assert lines["rise above the ceiling meanwhile"].value == rise_n(case.model, 102.0, case.ceiling_mm_s)


def test_the_time_of_a_pull() -> None:
    """With room without end it is kinematics: 2 mm at 15 mm/s, the rest of slack and stretch at top speed."""
    rig = rig_with({"strings.softest_n_mm": 2.0})
    model = replace(model_of(rig, settings_of(rig)), overrun_n=500.0, stiffest_n_mm=2.0)  # more than any file may say
    took = pull_s(model, Speeds(model), 120.0, 2.0, 32.0)
    assert took == pytest.approx(2.0 / 15.0 + 30.0 / 60.0 + 60.0 / 800.0 + 60.0 / 60.0, rel=1e-6)
    # Less room never makes it faster.
    tight = rig_with({"limits.overrun_n": 20.0})
    loose = rig_with({"limits.overrun_n": 60.0})
    times = [line_of(r, "pull to").value for r in (loose, default_rig(), tight)]
    assert times == sorted(times)
    assert times[0] < times[2]


@pytest.mark.parametrize("unit", ["kgf", "lbf"])
def test_sentences_show_forces_in_the_unit_asked_for(unit: str) -> None:
    lines = review(rig_with({"coupling.kind": "none", "cell.capacity_n": 300.0}), RATES, unit)
    assert not [line.says for line in lines if " N " in f"{line.says} " or " N:" in line.says or " N," in line.says]
    assert any(unit in line.says for line in lines)
    assert any(unit in line.what for line in lines)


def test_what_goes_back_into_the_file() -> None:
    rig = default_rig()
    values = computed(rig, DAY)
    found_rig = changed(rig, values)
    assert found_rig.computed.counts_per_n == pytest.approx(4294967.296 / 490.3325, abs=1e-3)
    assert found_rig.computed.steps_mm == 1600.0
    case = Case(rig)
    assert found_rig.computed.stop_travel_mm == pytest.approx(terms(case.model, 60.0).total_mm, abs=1e-3)
    assert (found_rig.computed.age_s, found_rig.computed.on) == (pytest.approx(3 * 12500e-6 * 10 / 9, abs=1e-5), DAY)
    # A rig that no board can reckon with has no stop budget.
    none = changed(rig, computed(rig_with({"motor.microsteps": 64}), DAY)).computed
    assert (none.steps_mm, none.age_s, none.snag_n) == (6400.0, None, None)
