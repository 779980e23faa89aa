"""A first start on the simulated rig and a virtual clock: the board's firmware, wire and control loop are the product's."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from evenbed_sim import presets
from evenbed_sim.commissioning import BuilderHands
from evenbed_sim.mistakes import Wiring
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import HOST_US, VirtualRun
from evenbed_sim.strand import Strand

from evenbed.cli.commission_rim import ControlRim, RimError, Told, described
from evenbed.commission.hearing import Hearing
from evenbed.commission.moments import Moment
from evenbed.control.client import Control
from evenbed.control.process import STATUS_S
from evenbed.control.status import status
from evenbed.head import states as st
from evenbed.head.types import Ask, Event, Pull, RigModel
from evenbed.link.session import LinkError

SLICE_S = 0.1


class SimControl:
    """What stands for a control process on the rig's virtual clock."""

    def __init__(self, rig: Rig, ceiling_n: float) -> None:
        self.ended = False
        self._rig = rig
        self._run = VirtualRun(rig, ceiling_n, self._event)
        self._run.on_line = self._tell
        self._out: list[dict[str, Any]] = []
        self._plans: list[Pull | None] = []
        self._status_s = -1.0

    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """Let the simulation go on until there is something to tell, or for a slice of time."""
        try:
            self._run.run(self._rig.t_us * 1e-6 + min(wait_s, SLICE_S), lambda: bool(self._out))
        except LinkError as e:
            self._out.append({"kind": "fatal", "says": str(e)})
        self._plan()
        out, self._out = self._out, []
        return out

    def plan(self, pull: Pull | None) -> None:
        """Hand over the next pull."""
        self._plans = [pull]

    def _plan(self) -> None:
        head = self._run.loop.head
        if head is None or not self._plans or head.state not in (st.UNARMED, st.REFERENCING, st.SLACK):
            return
        try:
            head.plan(self._plans.pop(0))
        except ValueError as e:
            self._out.append({"kind": "fatal", "says": f"This pull cannot be made: {e}."})

    def set_ceiling(self, ceiling_n: float) -> None:
        """The ceiling, N: lowered at will, raised only unarmed."""
        try:
            self._run.loop.set_ceiling(ceiling_n)
        except ValueError as e:
            self._event(self._rig.t_us * 1e-6, Event("hint", f"The ceiling stays as it is: {e}."))

    def ask(self, ask: Ask) -> None:
        """Ask for something that never raises a force."""
        self._run.loop.ask(ask)

    def close(self) -> None:
        """Say goodbye."""
        self.ended = True

    def _event(self, now_s: float, event: Event) -> None:
        head = self._run.loop.head
        self._out.append({"kind": "event", "t_s": now_s, **asdict(event)})
        if event.name == "pull_done" and head is not None and head.record is not None:
            self._out.append({"kind": "record", "record": json.loads(json.dumps(asdict(head.record)))})

    def _tell(self, now_s: float) -> None:
        head = self._run.loop.head
        if head is not None and now_s - self._status_s >= STATUS_S:
            self._status_s = now_s
            self._out.append(dict(status(now_s, head)))


class SimRim:
    """The simulated rig with the hands of somebody who has just built it."""

    def __init__(
        self,
        mistake: str | None = None,
        puts_right: bool = True,
        seed: int = 1,
        params: RigParams | None = None,
        stop_after_mm: float = 60.0,
    ) -> None:
        """Raises ValueError for an unknown mistake."""
        self.simulated = True
        self.told: list[Told] = []
        self.board: tuple[RigModel, str] | None = None
        self.rig = Rig(Strand(presets.steel_tether(6.0, 8.0)), params, seed=seed)
        self.wiring = Wiring(self.rig, mistake)
        self.hands = BuilderHands(self.rig, self.wiring, puts_right, stop_after_mm)
        self._hearing = Hearing()
        self._moving: ControlRim | None = None
        self._logged = 0

    @property
    def now_s(self) -> float:
        """Virtual time."""
        return self.rig.t_us * 1e-6

    def listen(self) -> None:
        """See ``Rim``."""
        self._moving = None
        self._hearing = Hearing()

    def connect(self, ceiling_n: float) -> Control:
        """See ``Rim``."""
        control = SimControl(self.rig, ceiling_n)
        self._moving = ControlRim(control, self.told)
        return control

    def moments(self, wait_s: float) -> list[Moment]:
        """See ``Rim``."""
        found = self._moving.moments(wait_s) if self._moving is not None else self._listened(wait_s)
        self.told += [Told("hands", f"(hands) {what}") for _, what in self.hands.log[self._logged :]]
        self._logged = len(self.hands.log)
        return found or [Moment(self.now_s, alive=False)]

    def _listened(self, wait_s: float) -> list[Moment]:
        found: list[Moment] = []
        until_s = self.now_s + min(wait_s, SLICE_S)
        while not found and self.now_s < until_s:
            self.rig.run_until(until_s * 1e6, stop_on_line=True)
            for at_us, line in self.rig.collect_lines() or [(self.rig.t_us, b"")]:
                try:
                    moments, out = self._hearing.receive(at_us * 1e-6, line)
                except LinkError as e:
                    raise RimError(str(e)) from None
                found += moments
                if out:
                    self.rig.deliver(out, at_us + HOST_US)
        if self.board is None and self._hearing.board is not None:
            self.board = described(*self._hearing.board)
        return found

    def asked(self, deed: str) -> None:
        """See ``Rim``."""
        self.hands.asked(deed)

    def typed(self) -> list[str]:
        """See ``Rim``."""
        out, self.hands.typed = self.hands.typed, []
        return out

    def close(self) -> None:
        """See ``Rim``."""
