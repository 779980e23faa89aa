"""Scenario files, faults that wait after a force, repairs, and the hand knob."""

from __future__ import annotations

import pytest
from evenbed_sim import presets
from evenbed_sim.carriage import OVERTRAVEL_MM
from evenbed_sim.faults import Fault, FaultError, FaultPlayer, parse
from evenbed_sim.rig import Rig
from evenbed_sim.scenario import RigPlan, read
from evenbed_sim.strand import Strand

PLANS = [
    RigPlan(),
    RigPlan(tether_n_mm=42.0, slack_mm=3.0, clamp_slips_above_n=40.0),
    RigPlan(family="polyester", length_mm=500.0, woven=True, seed=5, rate_hz=76.5, settling=6, late=1),
    RigPlan(family="badminton nylon", length_mm=450.0, backlash_mm=0.05, clamp_slips_above_n=0.0),
    RigPlan(holds_without_power=False),
]


@pytest.mark.parametrize("plan", PLANS)
def test_a_rig_is_read_back_from_its_lines(plan: RigPlan) -> None:
    assert read("\n".join(plan.lines())).rig == plan


def test_rig_and_faults_share_a_file_and_the_file_comes_after_the_options() -> None:
    found = read("# why\nrig tether 42 slack 3  # stiff\n\n180N cell stuck\n", RigPlan(seed=9, slack_mm=20.0))
    assert found.rig == RigPlan(tether_n_mm=42.0, slack_mm=3.0, seed=9)
    assert found.faults == [Fault("cell", "stuck", above_n=180.0)]
    assert read("rig string gut", RigPlan(tether_n_mm=42.0)).rig == RigPlan(family="gut")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("rig", "say what the rig has"),
        ("rig tether", "tether needs a number"),
        ("rig tether stiff", "tether needs a number"),
        ("rig tether 900", "not within 1 and 140 N/mm"),
        ("rig slack -1", "not within 0 and 200 mm"),
        ("rig slack nan", "not within 0 and 200 mm"),
        ("rig seed 1.5", "whole number"),
        ("rig string silk", "no such family"),
        ("rig string nylon 90", "not within 250 and 1200 mm"),
        ("rig clamp shut", "open, or slips"),
        ("rig clamp slips", "needs a number"),
        ("rig colour 5", "a rig has no 'colour'"),
        ("180N cell on", "cell can be"),
    ],
)
def test_a_line_that_is_not_understood_is_refused_with_the_reason(line: str, why: str) -> None:
    with pytest.raises(FaultError) as error:
        read(f"rig seed 3\n{line}\n")
    assert why in str(error.value) and repr(line) in str(error.value)


def test_the_plan_builds_what_it_says() -> None:
    plan = RigPlan(tether_n_mm=42.0, slack_mm=3.0, rate_hz=76.0, settling=6, late=1, holds_without_power=False)
    params, plant = plan.params(), plan.plant()
    assert params.cell.period_us == pytest.approx(13157.9, abs=0.1)
    assert (params.cell.taps, params.cell.extra_delay) == (6, 1)
    assert not params.carriage.holds_without_power
    plant.advance(0.1, 3.0 + 2.0)
    assert plant.force_n == pytest.approx(84.0, rel=1e-3)  # 2 mm of 42 N/mm


# --- what was added to faults and rig ---------------------------------------------------------------------------------
def rig_with(*lines: str) -> tuple[Rig, FaultPlayer]:
    rig = Rig(Strand(presets.steel_tether(8.0, 2.0)))
    rig.board_runs = False
    rig.hw.enable(True)
    return rig, FaultPlayer(rig, [parse(line) for line in lines])


def test_a_fault_can_wait_for_a_while_after_a_force() -> None:
    assert parse("150N+0.35s cell stuck for 1s") == Fault("cell", "stuck", above_n=150.0, for_s=1.0, after_s=0.35)
    for bad in ("150N+ cell stuck", "150N+-1s cell stuck", "4s+1s cell stuck"):
        with pytest.raises(FaultError, match="no time"):
            parse(bad)
    rig, player = rig_with("50N estop on", "50N+0.5s pedal off")
    rig.hw.grant(8000, 32000)
    rig.run_until(8e6)
    (first, _), (second, what) = player.log
    assert what == "pedal off" and second - first == pytest.approx(0.5, abs=0.011)  # hands look every 10 ms


def test_a_repair_takes_out_what_is_there_and_what_is_to_come() -> None:
    rig, player = rig_with("0.1s cell off", "0.1s estop on for 9s", "3s supply off")
    rig.run_until(0.5e6)
    assert player.active and rig.estop_pressed
    player.repair()
    assert not player.active and not rig.estop_pressed
    rig.run_until(4e6)
    assert rig.supply_on


def test_the_knob_turns_the_screw_only_without_power() -> None:
    rig, _ = rig_with()
    rig.hw.grant(8000, 32000)
    rig.run_until(4e6)
    pulled_n, mm = rig.force_n, rig.carriage.mm
    assert pulled_n > 100.0
    rig.turn_knob(-5.0)
    rig.run_until(5e6)
    assert rig.carriage.mm == mm  # the motor holds it
    rig.press_estop(True)
    rig.run_until(6e6)
    assert rig.carriage.mm == pytest.approx(mm - 5.0, abs=0.1)
    assert rig.force_n == pytest.approx(pulled_n - 40.0, abs=1.0)  # 5 mm of 8 N/mm
    rig.turn_knob(0.0)
    stood = rig.carriage.mm
    rig.run_until(7e6)
    assert rig.carriage.mm == stood
    rig.turn_knob(-50.0)
    rig.run_until(9e6)
    assert rig.force_n == 0.0 and rig.carriage.mm == -OVERTRAVEL_MM
