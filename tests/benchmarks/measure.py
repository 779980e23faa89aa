"""One case from the press to the let-off, and what the truth says about it.

The plant is wrapped so that its true force is kept at every moment at which the motion changes; the peak comes from the
plant itself. Hands act by the true force, so every controller gets the same treatment. The clamps are tried one after
the other on forks of the whole process, so all three see the same string in the same state.
"""

from __future__ import annotations

import copy
import os
import pickle
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from evenbed.control.loop import ControlLoop
from evenbed.head import states as st
from evenbed.head.types import Ask, Event, Pull
from evenbed_fw import faults
from evenbed_sim.plant import Plant
from evenbed_sim.rig import Rig
from evenbed_sim.scenarios.virtual import VirtualRun

from tests.benchmarks.ideal import Ideal, ideal
from tests.benchmarks.plants import Case
from tests.benchmarks.trace import Traced

T = TypeVar("T")
Maker = Callable[[float, Callable[[float, Event], None]], ControlLoop]  # from the ceiling and a listener

BAND = 0.005
QUIET_S = 2.3  # in the band for this long before hands do anything: 0.3 s to settle, 2 s to measure
HOLD_FROM_S = 0.3
HAND_OVER_FROM_S = 0.5
HAND_OVER_S = 2.0
AFTER_FEED_S = 1.2
LOST = 0.02
PROBE_MM = 0.5
ORDINARY = {"connected", "state", "pull_done", "steady", "disturbance", "hint", "proof_failed", "loaded"}
OUT = float("inf")


class TimedLoop(ControlLoop):
    """The control loop, with the time every line takes it, microseconds by the clock and of the processor."""

    def __init__(self, ceiling_n: float, listener: Callable[[float, Event], None]) -> None:
        super().__init__(ceiling_n, listener)
        self.work_us: list[tuple[float, float]] = []

    def receive(self, now_s: float, data: bytes) -> bytes:
        begun, begun_cpu = time.perf_counter(), time.thread_time()
        out = super().receive(now_s, data)
        if data:
            self.work_us.append(((time.perf_counter() - begun) * 1e6, (time.thread_time() - begun_cpu) * 1e6))
        return out


@dataclass
class Clamp:
    """One clamp tried: ``verdict`` of the proof, share of the bed's tension lost by then (at the end, if it passed),
    and what the proof took."""

    kind: str
    slips_share: float
    verdict: str
    lost: float
    cost_s: float


@dataclass
class Result:
    """What one run gave. Shares are of the reference, times in s; ``inf`` or NaN where it did not come to that."""

    case: str
    jump: bool
    ideal: Ideal
    group_delay_s: float
    settle_s: float = OUT
    start_s: float = OUT
    overshoot: float = float("nan")
    delay_error_s: float = float("nan")  # of the delay that the head believes after the draw
    hold_mean: float = float("nan")
    hold_sd: float = float("nan")
    cell_error: float = float("nan")
    handed_mean: float = float("nan")
    handed_sd: float = float("nan")
    dip_ratio: float = float("nan")
    feed_back_s: float = float("nan")
    feed_over: float = float("nan")
    least_margin_n: float = float("nan")
    spare_n: float = float("nan")  # ceiling + overrun less the highest true force
    trips: list[str] = field(default_factory=list)
    clamps: list[Clamp] = field(default_factory=list)
    work_us: list[tuple[float, float]] = field(default_factory=list)

    @property
    def safe_ratio(self) -> float:
        """Time to settle over T*_safe + 50 ms."""
        return self.settle_s / (self.ideal.t_safe_s + 0.05)

    @property
    def raw_ratio(self) -> float:
        """Time to settle over T* + 50 ms."""
        return self.settle_s / (self.ideal.t_raw_s + 0.05)


class Bench:
    """One case on the rig under one controller."""

    def __init__(self, case: Case, make: Maker) -> None:
        self.case = case
        ref = case.reference_n
        self.plant = Traced(case.plant(), (1.0 - BAND) * ref, (1.0 + BAND) * ref)
        self.rig = Rig(self.plant, case.rig, case.rig_seed)
        self.run = VirtualRun(self.rig, case.ceiling_n)
        self.run.loop = make(case.ceiling_n, self._hear)
        self.events: list[tuple[float, Event]] = []

    def _hear(self, now_s: float, event: Event) -> None:
        self.events.append((now_s, event))

    @property
    def now_s(self) -> float:
        """Virtual time."""
        return self.rig.t_us * 1e-6

    def wait(self, for_s: float, stop: Callable[[], bool] | None = None) -> bool:
        """Let time pass; with ``stop``, at most until it holds. Returns whether it did."""
        return self.run.run(self.now_s + for_s, stop)

    def state(self) -> str:
        """The head's state, or "" for a controller without a head."""
        head = self.run.loop.head
        return head.state if head is not None else ""

    def trips(self) -> list[str]:
        """The fault the board has latched, and everything told that is no part of an ordinary pull."""
        fault = self.rig.board.core.fault
        told = [e.name for _, e in self.events if e.name not in ORDINARY]
        return [f"board: {faults.NAMES[fault]}", *told] if fault else told

    def stopped(self) -> bool:
        """Has the board latched a fault or frozen?"""
        return self.rig.board.core.fault != 0

    def tap(self) -> float:
        """Press and release the pedal; returns the time of the release."""
        self.rig.press_pedal(True)
        self.wait(0.18)
        self.rig.press_pedal(False)
        return self.now_s

    def arm(self) -> None:
        """Arm from the screen and wait until the head is ready. Raises RuntimeError if it does not come to that."""
        self.wait(0.6)
        self.run.loop.ask(Ask.ARM)
        if not self.wait(5.0, lambda: self.state() in ("", st.SLACK) and self.rig.hw.enabled):
            raise RuntimeError(f"{self.case}: not armed, {self.trips()}")
        self.wait(0.5)

    def warm_up(self, plant: Plant) -> bool:
        """One ordinary pull of another string, from which the head learns the rig. Returns whether it went through."""
        self.rig.mount(plant)
        self.tap()
        held = self.wait(15.0, lambda: self.state() == st.HOLDING) and not self.wait(1.5, self.stopped)
        if held:
            self.rig.flush()
            plant.close_clamp()
            self.wait(0.5)
            self.tap()
            self.wait(5.0, lambda: self._when("proof_failed", "") is not None or self.state() == st.SLACK)
            if self.state() == st.PROVING_CLAMP:  # a false alarm: let it down
                self.wait(0.5)
                self.rig.press_pedal(True)
                self.wait(1.5)
                self.rig.press_pedal(False)
        if not held or not self.wait(15.0, lambda: self.state() == st.SLACK):
            return False
        self.wait(1.2)
        self.rig.mount(self.plant)
        self.plant.t_s = self.now_s
        return True

    def draw(self, result: Result) -> bool:
        """Tap, draw, and hold without hands. Fills in ``result``; returns whether it settled."""
        case, plant, ref = self.case, self.plant, self.case.reference_n
        plant.reset_peak()
        plant.moved_s = None
        press = self.tap()
        readings: list[tuple[float, float]] = []

        def done() -> bool:
            readings.append((self.now_s, self.rig.board.core.force / case.rig.cell.counts_per_n))
            return self.stopped() or plant.t_s - max(plant.out_s, press) > QUIET_S

        self.wait(3.0 * result.ideal.t_safe_s + 3.0 + QUIET_S, done)
        self.rig.flush()
        now = plant.t_s
        result.overshoot = plant.peak_n / ref - 1.0
        if plant.moved_s is not None:
            result.start_s = plant.moved_s - press
        settled = plant.out_s
        if self.stopped() or now - settled < QUIET_S - 0.1:
            return False
        result.settle_s = settled - press
        force = plant.between(settled + HOLD_FROM_S, now)
        result.hold_mean = float(force.mean()) / ref - 1.0
        result.hold_sd = float(force.std()) / ref
        read = [f for t, f in readings if t > settled + HOLD_FROM_S]
        head = self.run.loop.head
        zero = head.working_zero_n if head is not None else 0.0
        result.cell_error = (sum(read) / len(read) - zero) / ref - 1.0 - result.hold_mean
        return True

    def hands(self, result: Result, pipeline_s: float) -> bool:
        """Open the previous clamp, then straighten. Returns whether the head still holds."""
        case, plant, ref = self.case, self.plant, self.case.reference_n
        self.rig.flush()
        plant.free_previous_clamp()
        at = self.now_s
        self.wait(HAND_OVER_S)
        self.rig.flush()
        if self.stopped():
            return False
        force = plant.between(at + HAND_OVER_FROM_S, self.now_s)
        result.handed_mean = float(force.mean()) / ref - 1.0
        result.handed_sd = float(force.std()) / ref
        h = case.hands
        k_path = feed_stiffness_n_mm(plant.inner, h.feed_mm_s)
        feed_s = h.feed_mm / h.feed_mm_s
        plant.add_path(h.push_mm, h.push_s)
        plant.add_path(-h.feed_mm, feed_s)
        fed = self.now_s + h.push_s
        end = fed + feed_s
        self.wait(h.push_s + feed_s + AFTER_FEED_S)
        self.rig.flush()
        # A lease holds for a period: half of it on average.
        theta_s = case.group_delay_s + pipeline_s + 0.5 * case.period_s
        result.dip_ratio = (ref - float(plant.between(fed, end + 0.1).min())) / (k_path * h.feed_mm_s * theta_s)
        result.feed_back_s = max(0.0, plant.out_s - end) if plant.t_s - plant.out_s > 0.1 else OUT
        result.feed_over = float(plant.between(end, plant.t_s).max()) / ref - 1.0
        return not self.stopped()

    def clamp(self, kind: str, slips_above_n: float | None) -> Clamp:
        """Set a clamp, tap, and go on until the proof has spoken or the string is let off."""
        plant = self.plant
        self.rig.flush()
        plant.close_clamp(slips_above_n)
        self.wait(0.4)
        self.rig.flush()
        before = least = plant.bed_tension_n()

        def asked() -> bool:
            return self._when("proof_failed", "proof_failed") is not None

        def watch() -> bool:
            nonlocal least
            least = min(least, plant.bed_tension_n())
            return asked() or self.stopped() or self.state() == st.RETURNING

        self.tap()
        if kind == "good":
            self.wait(5.0, lambda: asked() or self.stopped() or self.state() in (st.EASING_OFF, st.RETURNING))
        else:
            self.wait(5.0, watch)
            if asked():
                self.wait(0.3, lambda: watch() and False)
        begun = self._when("state", st.PROVING_CLAMP)
        proved = self._when("state", st.EASING_OFF)
        cost = proved - begun if proved is not None and begun is not None else float("nan")
        verdict = self.run.loop.head.question if asked() and self.run.loop.head is not None else "passed"
        if self.stopped() or begun is None:
            verdict = "stopped"
        share = (slips_above_n or 0.0) / self.case.reference_n
        return Clamp(kind, share, verdict, 1.0 - least / before if before > 0.0 else 0.0, cost)

    def _when(self, name: str, says: str) -> float | None:
        for at, event in reversed(self.events):
            if event.name == name and (name != "state" or event.says == says):
                return at
        return None

    def margins(self, result: Result) -> None:
        """Fill in what was left to the limits, and what went wrong."""
        overrun_n = self.rig.board.settings.overrun_mn / 1000.0
        result.spare_n = self.case.ceiling_n + overrun_n - self.plant.peak_n
        head = self.run.loop.head
        if head is not None and head.record is not None:
            result.least_margin_n = head.record.least_margin_n
        result.trips = self.trips()


def feed_stiffness_n_mm(plant: Plant, feed_mm_s: float) -> float:
    """Force lost at the gripper per millimetre of string fed in the bed while the gripper stands, on a copy."""
    trial = copy.deepcopy(plant)
    before = trial.force_n
    trial.add_path(-PROBE_MM, PROBE_MM / feed_mm_s)
    trial.advance(PROBE_MM / feed_mm_s, 0.0)
    return (before - trial.force_n) / PROBE_MM


def forked(job: Callable[[], T]) -> T:
    """Do ``job`` on a copy of this whole process and return its result. Raises RuntimeError if the copy fails."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(read)
            with os.fdopen(write, "wb") as out:
                pickle.dump(job(), out)
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    with os.fdopen(read, "rb") as said:
        data = said.read()
    if os.waitpid(child, 0)[1] != 0:
        raise RuntimeError("the forked run failed")
    result: T = pickle.loads(data)
    return result


def measure_loop(case: Case, pipeline_s: float, warm: int) -> Result:
    """The whole case under the control loop, after ``warm`` ordinary pulls of its family on the same rig."""
    bench = Bench(case, TimedLoop)
    result = Result(str(case), case.jump, ideal(case), case.group_delay_s)
    bench.arm()
    loop = bench.run.loop
    assert loop.head is not None and isinstance(loop, TimedLoop)
    loop.head.plan(Pull(case.reference_n, family=case.row.family, woven=case.row.woven))
    for i in range(warm):
        if not bench.warm_up(Case(case.row, case.kind, 20000 + 100 * case.seed + i, False).plant()):
            result.trips = ["warm-up got stuck", *bench.trips()]
            return result
    bench.events.clear()
    loop.work_us.clear()
    hands = case.hands
    kinds = (("good", None), ("open", 0.0), ("slips early", hands.slips_early_n), ("slips late", hands.slips_late_n))
    drawn = bench.draw(result)
    result.delay_error_s = loop.head.delays.delay.delay_s - case.group_delay_s
    if drawn and bench.hands(result, pipeline_s):
        for kind, slips in kinds:
            result.clamps.append(forked(lambda kind=kind, slips=slips: bench.clamp(kind, slips)))  # type: ignore[misc]
    bench.margins(result)
    result.work_us = loop.work_us
    return result
