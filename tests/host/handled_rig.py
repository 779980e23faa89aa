"""A simulated rig with a hand on its pedal, a control loop on the other end of the wire, and a witness of the truth.

Everything goes through the product's own wire on one virtual clock. The witness watches the true force and the carriage
with every line of the board, and notes any upward motion that no tap has permitted since the last rest: which presses are
taps says ``foot``, from the protocol alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from evenbed.head.head import Head
from evenbed.head.types import Ask, Event, Pull
from evenbed_fw import safety, wire
from evenbed_fw.hardware import I_PEDAL_A
from evenbed_sim import faults, presets
from evenbed_sim.plant import Plant
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer
from foot import Foot

ABOVE = 1.06  # ceiling over the highest planned force
AT_REST = (safety.LATCHED, safety.ARMED, safety.FROZEN, safety.CUT)
EDGE_S = 0.03  # a board slowed down by 10 ms looks twice in it, and the witness three times
UNLOADED_N = 12.0  # the board calls a string loaded above 10 N, 2.5 times the contact force; it recovers a little
FAULT_ECHO_S = 0.3  # a silence is noticed after 0.25 s
STILL_S = 0.02  # two readings: the last steps of a braking way come after its rate is zero
NOISE_MM = 1e-4  # rounding of the simulated carriage


def main_strand(preset: presets.StringPreset = presets.NYLON, slack_mm: float = 8.0) -> Strand:
    """A main with a previous string behind it."""
    length = 450.0 if preset is presets.BADMINTON_NYLON else 620.0
    tension = 60.0 if preset is presets.BADMINTON_NYLON else 170.0
    return Strand(presets.main(preset, length, slack_mm, previous_mm=presets.PREVIOUS_MM, previous_tension_n=tension))


def cross_strand(preset: presets.StringPreset = presets.NYLON) -> Strand:
    """A woven cross with a previous string behind it."""
    return Strand(presets.cross(preset, previous_mm=presets.PREVIOUS_MM, previous_tension_n=150.0))


def tether(k_n_mm: float, slack_mm: float = 5.0) -> Strand:
    """An elastic tether: no creep, no friction."""
    return Strand(presets.steel_tether(k_n_mm, slack_mm))


@dataclass
class Moment:
    """The truth as a line of the board goes out."""

    t_s: float
    state: str
    force_n: float
    carriage_mm: float
    board: int
    word: str
    faulty: bool  # a fault is at work, or was a moment ago


@dataclass
class HandledRig:
    """One rig. Without ``habits`` the test's own hand works the pedal; with them the simulated stringer does."""

    pull: Pull | None = field(default_factory=lambda: Pull(220.0, family="nylon"))
    plant: Plant = field(default_factory=main_strand)
    params: RigParams = field(default_factory=RigParams)
    seed: int = 1
    ceiling_n: float | None = None
    habits: Habits | None = None

    def __post_init__(self) -> None:
        top = self.pull.reference_n * (1.0 + self.pull.over_pull) if self.pull else 220.0
        self.top_n = self.ceiling_n or top * ABOVE
        self.rig = Rig(self.plant, self.params, seed=self.seed)
        self.faults = faults.FaultPlayer(self.rig, [], seed=self.seed)
        self.stringer = Stringer(self.rig, self.habits, seed=self.seed) if self.habits else None
        self.host = VirtualRun(self.rig, self.top_n)
        self.host.on_line = self._witness
        self.foot = Foot(EDGE_S)
        self._wires = self.rig.pedal_wires
        self.rig.pedal_wires = self._contacts
        self._board = self.rig.board.core.state
        self.moments: list[Moment] = []
        self.unasked: list[tuple[float, float]] = []  # (s, mm) of upward motion that no tap permitted
        self._permitted = False
        self._moved_s = -10.0
        self._faulty_s = -10.0

    # --- the witness -----------------------------------------------------------------------------------------
    def _witness(self, now_s: float) -> None:
        head = self.host.loop.head
        if head is not None and self.pull is not None and head.pull is None and head.state in ("unarmed", "slack"):
            head.plan(self.pull)
        mm = self.rig.carriage.mm
        board = self.rig.board.core.state
        rose = mm - self.moments[-1].carriage_mm if self.moments else 0.0
        if self.rig.hw.rate != 0 or abs(rose) > NOISE_MM:
            self._moved_s = now_s
        still = now_s - self._moved_s > STILL_S
        if self.foot.permits(self.t_s):
            self._permitted = True
        elif still and board in AT_REST:
            self._permitted = False
        if board == safety.HOLDING or (board == safety.MOVING and self.rig.board.core.mode == wire.DRAW):
            self.foot.drawn()
        if rose > NOISE_MM and not self._permitted:
            self.unasked.append((now_s, rose))
        if self.faults.active:
            self._faulty_s = now_s
        state, word = (head.state, head.word) if head is not None else ("", "")
        faulty = now_s - self._faulty_s < FAULT_ECHO_S
        self.moments.append(Moment(now_s, state, self.rig.plant.force_n, mm, board, word, faulty))

    def _contacts(self, pins: int) -> int:
        """What the foot does to the contacts, and what the wires make of it; the rig asks every 10 ms and oftener."""
        bent = self._wires(pins)
        board = self.rig.board.core.state
        if board != self._board:
            self._board = board
            self.foot.changed(self.t_s)
        doubtful = bent != pins or not self.rig.board_runs
        self.foot.sees(self.t_s, pins & I_PEDAL_A != 0, board == safety.ARMED, doubtful)
        return bent

    # --- what there is ---------------------------------------------------------------------------------------
    @property
    def t_s(self) -> float:
        """Now."""
        return self.rig.t_us * 1e-6

    @property
    def head(self) -> Head:
        """The head; there is one once the handshake is done."""
        head = self.host.loop.head
        assert head is not None
        return head

    @property
    def state(self) -> str:
        """The head's state."""
        return self.head.state

    @property
    def bound_n(self) -> float:
        """What the true force must never exceed: ceiling and overrun, as the stop budget allows."""
        return self.top_n + self.rig.board.settings.overrun_mn / 1000.0

    @property
    def states(self) -> list[str]:
        """States entered, in order."""
        return [e.says for _, e in self.host.events if e.name == "state"]

    def told(self, name: str) -> list[Event]:
        """Events of this name."""
        return [e for _, e in self.host.events if e.name == name]

    def words(self) -> list[str]:
        """Words of the moment, each once as it comes up."""
        out: list[str] = []
        for m in self.moments:
            if m.word and (not out or out[-1] != m.word):
                out.append(m.word)
        return out

    # --- time and hands --------------------------------------------------------------------------------------
    def wait(self, for_s: float) -> None:
        """Let time pass."""
        self.host.run(self.t_s + for_s)

    def until(self, done: str | Callable[[], bool], within_s: float = 10.0) -> bool:
        """Let time pass until the head is in a state, or until ``done`` answers True; say whether that happened."""
        if isinstance(done, str):
            wanted = done
            return self.host.run(self.t_s + within_s, lambda: self.host.loop.head is not None and self.state == wanted)
        return self.host.run(self.t_s + within_s, done)

    def press(self, down: bool) -> None:
        """Press or let go of the pedal."""
        self.rig.press_pedal(down)

    def tap(self, for_s: float = 0.2) -> None:
        """One press, and a moment."""
        self.press(True)
        self.wait(for_s)
        self.press(False)
        self.wait(0.15)

    def hold(self, for_s: float) -> None:
        """A long press."""
        self.tap(for_s)

    def ask(self, ask: Ask) -> None:
        """What a person at a screen asks."""
        self.host.loop.ask(ask)
        self.wait(0.1)

    def inject(self, line: str) -> None:
        """A fault, as soon as it is due."""
        self.faults.add(faults.parse(line))

    def inject_now(self, part_how: str) -> None:
        """A fault from this moment on."""
        self.inject(f"{self.t_s:.4f}s {part_how}")

    # --- the usual way ---------------------------------------------------------------------------------------
    def arm(self) -> HandledRig:
        """Arm by the pedal and wait for the working zero, and until the next press counts as a tap by itself."""
        self.wait(0.4)
        self.hold(2.2)
        assert self.until("slack", 3.0), self.host.events
        self.wait(0.8)
        return self

    def draw(self) -> HandledRig:
        """Arm, tap, and wait for the hold."""
        self.arm()
        self.tap()
        assert self.until("holding", 5.0), self.host.events
        return self

    def let_down_by_pedal(self, presses: int = 4) -> bool:
        """Hold the pedal, again if need be, as a person would; say whether the string is slack."""
        for _ in range(presses):
            self.press(True)
            self.host.run(self.t_s + 8.0, lambda: self.rig.force_n < 1.0)
            self.wait(0.1)
            self.press(False)
            self.wait(0.4)
            if self.rig.force_n < UNLOADED_N:
                return True
        return False
