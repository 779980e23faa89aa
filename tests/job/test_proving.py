"""The self-proving start: passes on a sound rig, and each safeguard that does not work fails it with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from evenbed.cli.prove import moment
from evenbed.control.status import status
from evenbed.head.types import Pull
from evenbed.job.proving import (
    ARMED_CEILING_N,
    EMPTY,
    ESTOP,
    PATIENCE_S,
    PEDAL,
    SPEED_MM_S,
    TRIP,
    TRIP_CEILING_N,
    WEIGHT,
    Moment,
    Proving,
)
from evenbed_fw import faults, safety
from evenbed_fw.hardware import I_SUPPLY_OK
from evenbed_sim import presets
from evenbed_sim.proving import ProvingHands
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer

WEIGHT_N = 5.0 * 9.80665  # 5 kg at standard gravity


class Start:
    """One self-proving start on the virtual clock."""

    def __init__(self, weight_n: float | None = None, settings: dict[str, int] | None = None, k_n_mm: float = 6.0) -> None:
        self.rig = Rig(Strand(presets.steel_tether(k_n_mm, 8.0)), RigParams(settings=settings or {}), seed=3)
        stringer = Stringer(self.rig, Habits(frees_clamp=False), seed=3)
        stringer.pulls_wanted = 0
        stringer.wait()
        self.hands = ProvingHands(self.rig, stringer, weight_n)
        self.run = VirtualRun(self.rig, ARMED_CEILING_N)
        self.proving = Proving(weight_n)

    def go(self, within_s: float = 80.0) -> dict[str, tuple[str, str]]:
        """Until it is over; verdict and sentence by step."""
        self.hands.begin()
        while not self.proving.over and self.rig.t_us < within_s * 1e6:
            self.run.run(self.rig.t_us * 1e-6 + 0.04)
            head = self.run.loop.head
            if head is None:
                continue
            self.proving.step(moment(status(self.rig.t_us * 1e-6, head)))
            for act in self.proving.acts:
                if act.kind == "ceiling":
                    self.run.loop.set_ceiling(act.value_n)
                else:
                    head.plan(Pull(act.value_n, speed_mm_s=SPEED_MM_S))
            self.proving.acts.clear()
        return {o.step: (o.verdict, o.says) for o in self.proving.outcomes}


@pytest.mark.parametrize("k_n_mm", [2.0, 6.0, 30.0])
def test_a_sound_rig_proves_itself(k_n_mm: float) -> None:
    start = Start(WEIGHT_N, k_n_mm=k_n_mm)
    done = start.go()
    assert [*done] == [PEDAL, ESTOP, EMPTY, WEIGHT, TRIP], done
    assert all(verdict == "passed" for verdict, _ in done.values()), done
    assert start.proving.passed
    # The trip was a real one, within the stop budget in truth too.
    assert TRIP_CEILING_N < start.rig.plant.peak_n < TRIP_CEILING_N + 40.0


def test_without_a_weight_that_is_said() -> None:
    start = Start()
    done = start.go()
    assert done[WEIGHT][0] == "left out" and "would not be found" in done[WEIGHT][1]
    assert start.proving.passed


def test_a_broken_pedal_wire_fails() -> None:
    start = Start()
    start.rig.pedal_wires = lambda pins: pins & ~3 if start.rig.pedal_down else pins  # contact A never closes
    done = start.go()
    assert done[PEDAL][0] == "failed" and set(done) == {PEDAL}
    assert not start.proving.passed


def test_an_emergency_stop_that_is_not_in_the_supply_fails() -> None:
    start = Start()
    start.rig.pedal_wires = lambda pins: pins | I_SUPPLY_OK
    done = start.go()
    assert done[ESTOP][0] == "failed" and "still has its supply" in done[ESTOP][1]


def test_a_cell_that_reads_a_tenth_low_fails_at_the_weight() -> None:
    low = Start(WEIGHT_N, {"gain_mcounts_n": round(8759000 * 1.1), "rated_mcounts_n": 8759000})
    done = low.go()
    assert done[WEIGHT][0] == "failed" and "calibrate" in done[WEIGHT][1] and TRIP not in done


def test_what_is_left_on_the_gripper_fails() -> None:
    start = Start()
    start.rig.hang(8.0)
    done = start.go()
    assert done[EMPTY][0] == "failed" and "+8.0 N" in done[EMPTY][1]


def test_a_motor_that_does_not_back_off_fails() -> None:
    start = Start()
    start.rig.motor_scale = lambda: 0.0 if start.rig.board.core.state == safety.BACKING else 1.0
    done = start.go()
    assert done[TRIP][0] == "failed" and "did not fall" in done[TRIP][1]


def test_nobody_there_ends_after_a_minute() -> None:
    proving = Proving()
    m = Moment(0.0, "unarmed", 0, 0, 0.0, 0, 40.0)
    for k in range(round(PATIENCE_S) + 3):
        proving.step(replace(m, t_s=float(k)))
    assert proving.over and proving.outcomes[0].verdict == "failed"


def at_trip(*moments: Callable[[Moment], Moment]) -> Proving:
    """A start that has come as far as the draw, then these moments."""
    proving = Proving()
    proving._todo = [TRIP]
    m = Moment(0.0, "slack", 0, 0, 0.0, 0, 40.0)
    proving.step(m)
    for k, change in enumerate(moments):
        proving.step(change(replace(m, t_s=1.0 + k)))
    return proving


def drawing(m: Moment) -> Moment:
    return replace(m, state="drawing", force_n=20.0)


def test_an_overrun_beyond_the_budget_fails_and_the_edge_passes() -> None:
    for over, verdict in ((40.9, None), (41.1, "failed")):
        proving = at_trip(
            drawing,
            lambda m, over=over: replace(m, state="drawing", force_n=TRIP_CEILING_N + over),  # type: ignore[misc]
            lambda m: replace(m, state="tripped", fault=faults.OVER_TENSION, force_n=30.0),
            lambda m: replace(m, state="tripped", fault=faults.OVER_TENSION, force_n=30.0),
        )
        assert [o.verdict for o in proving.outcomes] == ([verdict] if verdict else [])


def test_no_trip_or_another_fails() -> None:
    proving = at_trip(drawing, lambda m: replace(m, state="holding", force_n=60.0))
    assert proving.outcomes[0].verdict == "failed" and "no trip" in proving.outcomes[0].says
    tripped = [lambda m: replace(m, state="tripped", fault=faults.NO_DATA, force_n=30.0)] * 3
    proving = at_trip(drawing, *tripped)
    assert proving.outcomes[0].verdict == "failed" and "no data" in proving.outcomes[0].says
