"""First starts in tests: on the simulated rig's virtual clock, or one step by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from evenbed.cli.commission import RATES_HZ
from evenbed.cli.commission_sim import SimRim
from evenbed.commission.commissioning import NAMES, STEPS, Commissioning, Outcome
from evenbed.commission.moments import Act, Moment, Setup, Step
from evenbed.control.client import Control
from evenbed.head.types import RigModel
from evenbed.rig import Rig, changed, default_rig
from evenbed.rig.tables import Result
from evenbed_sim.carriage import CarriageParams
from evenbed_sim.rig import RigParams

TODAY = date(2031, 5, 4)
EARLIER = date(2031, 4, 1)
TRAVEL_MM, STOP_MM = 112.0, 52.0
SHORT = RigParams(carriage=CarriageParams(travel_mm=TRAVEL_MM))  # a short way takes less time

MODEL = RigModel(
    zero_counts=0.0,
    counts_per_n=8759.0,
    steps_per_mm=1600.0,
    limit_n=330.0,
    period_s=0.0125,
    rate_max_mm_s=60.0,
    accel_mm_s2=800.0,
    hold_rate_mm_s=6.0,
    hold_travel_mm=20.0,
    stiffest_n_mm=130.0,
    overrun_n=40.0,
    age_s=0.041664,
    granted_s=0.027776,
)


def measured_before(*names: str) -> Rig:
    """A rig in whose file these steps have passed on an earlier day."""
    values: dict[str, Any] = {"travel.between_switches_mm": TRAVEL_MM}
    for step in STEPS:
        if step.name in names:
            values |= {f"measured.{key}": Result(True, EARLIER) for key in step.flags}
            values |= {f"measured.{key}": Result(1.0, EARLIER) for key in step.numbers}
    return changed(default_rig(), values)


class Run:
    """One first start with simulated hands; ``file`` is the rig.toml as it would be."""

    def __init__(self, rig: Rig, mistake: str | None = None, begin_at: str = NAMES[0], puts_right: bool = True) -> None:
        self.rim = SimRim(mistake, puts_right, params=SHORT, stop_after_mm=STOP_MM)
        self.steps = Commissioning(rig, TODAY, RATES_HZ, begin_at)
        self.file = rig
        self.written: list[dict[str, Any]] = []
        self.asked: list[str] = []
        self.acts: list[Act] = []
        self._control: Control | None = None

    def go(self, until: str | None = None, within_s: float = 400.0) -> dict[str, Outcome]:
        """Until it is over, or a step has ended; outcomes by name."""
        steps, rim = self.steps, self.rim
        while not steps.over and rim.now_s < within_s:
            for m in rim.moments(0.1):
                if rim.board is not None:
                    steps.meet(*rim.board)
                steps.step(m)
                self._carry_out()
            for text in rim.typed():
                steps.typed(text)
            self._carry_out()
            if any(o.step.name == until for o in steps.outcomes):
                break
        return {o.step.name: o for o in steps.outcomes}

    def _carry_out(self) -> None:
        steps, rim = self.steps, self.rim
        rim.told.clear()
        for values in steps.writes:
            self.file = changed(self.file, values)
            self.written.append(values)
        steps.writes.clear()
        for act in steps.acts:
            self.acts.append(act)
            if act.kind == "listen":
                rim.listen()
            elif act.kind == "connect":
                self._control = rim.connect(act.value_n)
            elif self._control is not None and act.kind == "plan":
                self._control.plan(act.pull)
            elif self._control is not None and act.kind == "ceiling":
                self._control.set_ceiling(act.value_n)
            elif self._control is not None and act.ask is not None:
                self._control.ask(act.ask)
        steps.acts.clear()
        for said in steps.told:
            rim.asked(said.deed)
            self.asked.append(said.deed or said.text)
        steps.told.clear()


class ByHand:
    """One step, fed with moments made by hand."""

    def __init__(self, kind: type[Step], rig: Rig | None = None, model: RigModel = MODEL, **found: Any) -> None:
        setup = Setup(rig or default_rig(), RATES_HZ, model, "a board")
        setup.found.update({f"measured.{key}": value for key, value in found.items()})
        self.step = kind(setup)
        self.m = Moment(0.0, force_n=0.0, position_mm=0.0, overrun_n=model.overrun_n)

    def feed(self, times: int = 1, dt_s: float = 0.04, **change: Any) -> ByHand:
        """The last moment with changes, so many times."""
        self.m = replace(self.m, **change)
        for _ in range(times):
            if self.step.over:
                break
            self.m = replace(self.m, t_s=self.m.t_s + dt_s)
            self.step.step(self.m)
        return self

    @property
    def result(self) -> tuple[str, str]:
        """Verdict and sentence."""
        return self.step.verdict, self.step.says

    @property
    def found(self) -> Mapping[str, Any]:
        """What is written down."""
        return self.step.found

    def said(self) -> str:
        """All that was told so far."""
        return " ".join(s.text for s in self.step.told)
