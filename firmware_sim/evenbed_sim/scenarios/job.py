"""A whole stringing job on the simulated rig and a virtual clock, behind the same window as the control process.

The board's firmware, its wire and the control loop are the product's own. Simulated hands mount what the job wants next,
do the string with their habits, answer lists and knots with a tap, and go on after a stop.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from evenbed.control.process import STATUS_S
from evenbed.control.status import status
from evenbed.head import states as st
from evenbed.head.types import Ask, Event, Pull
from evenbed.job.ceiling import session_ceiling_of
from evenbed.job.marks import Done
from evenbed.job.planned import Plan
from evenbed.link.session import LinkError

from evenbed_sim.habits import GOOD
from evenbed_sim.presets import NYLON, main
from evenbed_sim.racquet_hands import RacquetHands
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.racquet_bed import Kind, RacquetBed, Task, Truth
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits

SLICE_S = 0.05
AGAIN, BACK = ", once more", "taking back "


class JobRig:
    """Rig, hands and control loop; a ``Control`` for a ``JobSession``.

    ``done`` is what an earlier part of the job has put into the bed. ``habits`` and ``chances``: see
    ``evenbed_sim.habits``. ``pace`` is seconds of simulation for each of real time, 0 as many as possible; threading and
    weaving pass at once in either case. Raises ValueError for an unknown habit, CeilingError for a plan that no ceiling
    allows.
    """

    def __init__(
        self,
        plan: Plan,
        seed: int = 1,
        habits: Sequence[str] = (GOOD,),
        done: Sequence[Done] = (),
        pace: float = 0.0,
        ceiling_n: float | None = None,
        chances: Mapping[str, float] | None = None,
    ) -> None:
        self.bed = RacquetBed(plan, seed, habits, chances, done)
        self.rig = Rig(Strand(main(NYLON)), RigParams(), seed=seed)
        self.hands = RacquetHands(self.rig, self, seed=seed)
        self.ended = False
        if ceiling_n is None:
            ceiling_n = session_ceiling_of(plan, plan.pulls).force_n
        self._run = VirtualRun(self.rig, ceiling_n, self._event)
        self._run.on_line = self._tell
        self._skipped_s = self.bed.begins_s
        self._pace = pace
        self._began: tuple[float, float] | None = None  # real, virtual
        self._wanted: Pull | None = None
        self._plans: list[Pull | None] = []
        self._out: list[dict[str, Any]] = []
        self._status_s = -1.0
        self._labels = {p.label: p for p in plan.pulls}

    def clock(self) -> float:
        """Virtual time, s: that of the rig and the hands, with what they do between two draws."""
        return self.rig.t_us * 1e-6 + self._skipped_s

    def truth(self) -> Truth:
        """What the bed carries in truth, and which habits were played."""
        return self.bed.truth(self.clock())

    # --- what a window may ask -------------------------------------------------------------------------------
    def messages(self, wait_s: float) -> list[dict[str, Any]]:
        """Let the simulation go on until there is a message, for a slice of time or ``wait_s`` at most (real seconds with
        a ``pace``); return what there is."""
        if self.ended:
            return []
        if self._pace:
            self._paced(wait_s)
        else:
            self._go_on(self.rig.t_us * 1e-6 + SLICE_S)
        out, self._out = self._out, []
        return out

    def _go_on(self, until_s: float) -> None:
        try:
            self._run.run(until_s, lambda: bool(self._out))
        except LinkError as e:
            self._fatal(str(e))
        self._plan()

    def _paced(self, wait_s: float) -> None:
        if self._began is None:
            self._began = (time.monotonic(), self.rig.t_us * 1e-6)
        until = time.monotonic() + wait_s
        while not self._out and not self.ended:
            real, virtual = self._began
            due_s = virtual + (time.monotonic() - real) * self._pace
            behind_s = due_s - self.rig.t_us * 1e-6
            if behind_s > 1.0:
                # This computer was busy: the simulation waits for it, it does not catch up.
                self._began = (time.monotonic(), self.rig.t_us * 1e-6)
            if behind_s > 0.0:
                self._go_on(min(due_s, self.rig.t_us * 1e-6 + SLICE_S))
            elif (left := until - time.monotonic()) > 0.0:
                time.sleep(min(left, 0.01))
            if time.monotonic() >= until:
                break

    def plan(self, pull: Pull | None) -> None:
        """Hand over the next pull; with None a tap draws nothing and is only told."""
        self._plans = [pull]
        self._plan()

    def set_ceiling(self, ceiling_n: float) -> None:
        """The session's ceiling, N: lowered at will, raised only unarmed."""
        try:
            self._run.loop.follow_ceiling(ceiling_n)
        except ValueError as e:
            self._event(self.rig.t_us * 1e-6, Event("hint", f"The ceiling stays as it is: {e}."))

    def ask(self, ask: Ask) -> None:
        """Ask for something that never raises a force."""
        self._run.loop.ask(ask)

    def close(self) -> None:
        """Say goodbye."""
        self.ended = True

    # --- what comes from the loop ----------------------------------------------------------------------------
    def _plan(self) -> None:
        head = self._run.loop.head
        if head is None or not self._plans or head.state not in (st.UNARMED, st.REFERENCING, st.SLACK):
            return
        pull = self._plans.pop(0)
        try:
            head.plan(pull)
        except ValueError as e:
            head.plan(None)
            self._out.append({"kind": "refused", "says": f"This pull cannot be made: {e}."})
            return
        self._wanted = pull

    def _fatal(self, says: str) -> None:
        self._out.append({"kind": "fatal", "says": says})
        self.ended = True

    def _event(self, now_s: float, event: Event) -> None:
        head = self._run.loop.head
        self._out.append(_as_sent({"kind": "event", "t_s": now_s + self._skipped_s, **asdict(event)}))
        if event.name == "pull_done" and head is not None and head.record is not None:
            self._out.append(_as_sent({"kind": "record", "record": asdict(head.record)}))

    def _tell(self, now_s: float) -> None:
        head = self._run.loop.head
        if head is not None and now_s - self._status_s >= STATUS_S:
            self._status_s = now_s
            self._out.append(dict(status(now_s, head)))
            self._out[-1]["t_s"] += self._skipped_s

    # --- what the hands ask ----------------------------------------------------------------------------------
    def thread(self, t_s: float) -> tuple[Habits | None, bool]:
        """See ``racquet_hands.Strings``."""
        task = self._task()
        if task is None:
            self._skipped_s += self.bed.tie_s
            self.bed.tie(self.clock())
            return None, False
        if task == self.bed.task:
            return self._habits, False
        self._skipped_s += self.bed.work_s(task)
        strand, self._habits = self.bed.grip(task, t_s + self._skipped_s)
        self.rig.mount(strand)
        return self._habits, True

    _habits = Habits()

    def let_off(self, t_s: float) -> None:
        """See ``racquet_hands.Strings``."""
        self.bed.let_off(t_s + self._skipped_s)

    def _task(self) -> Task | None:
        wanted = self._wanted
        if wanted is None:
            return None
        label, kind = wanted.label, "pull"
        if label.startswith(BACK):
            label, kind = label.removeprefix(BACK), "back"
        elif label.endswith(AGAIN):
            label, kind = label.removesuffix(AGAIN), "again"
        pull = self._labels.get(label)
        if pull is None:
            return None
        chosen: Kind = kind  # type: ignore[assignment]
        return Task(pull, chosen, wanted.reference_n)


def _as_sent(message: dict[str, Any]) -> dict[str, Any]:
    """As it would come through the control process's socket."""
    sent: dict[str, Any] = json.loads(json.dumps(message))
    return sent
