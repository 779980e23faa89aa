"""The demo: a small racquet of our own, six mains and seven crosses of nylon, strung on the simulated rig.

Invented data, for the demo only. Every byte goes through a pseudo-terminal: the board's firmware on one end, pyserial on
the other. The two share one virtual clock, so that a busy computer cannot make the demo fail.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import serial
from evenbed.control.port import open_port
from evenbed.head.record import PullRecord
from evenbed.head.types import Pull
from evenbed.job.ceiling import Frame, Planned, session_ceiling

from evenbed_sim import presets
from evenbed_sim.bed import StringBed
from evenbed_sim.ptyport import PtyPort
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer
from evenbed_sim.viscoelastic import log_law_series

MAIN_N = 215.7463  # 22 kgf
CROSS_N = 205.93965  # 21 kgf
MAINS_MM = (318.0, 312.0, 296.0)
CROSSES_MM = (172.0, 204.0, 222.0, 228.0, 224.0, 208.0, 180.0)
WEAVING_S = 25.0  # passes in the bed between two pulls, not on the rig
LONGEST_PULL_S = 60.0


@dataclass(frozen=True)
class DemoPull:
    """One pull of the plan: its name, whether it is woven, length inside the frame, crossings, reference."""

    label: str
    woven: bool
    inside_mm: float
    crossings: int
    reference_n: float


def plan() -> list[DemoPull]:
    """Mains from the middle outwards, left and right in turn; then the crosses from head to throat."""
    pulls = [
        DemoPull(f"main {i + 1} {side}", False, mm, 0, MAIN_N)
        for i, mm in enumerate(MAINS_MM)
        for side in ("left", "right")
    ]
    pulls += [DemoPull(f"cross {i + 1}", True, mm, 2 * len(MAINS_MM), CROSS_N) for i, mm in enumerate(CROSSES_MM)]
    return pulls


@dataclass
class Strung:
    """What came of one pull: the head's record, the trace, and the truth of the simulation."""

    pull: DemoPull
    record: PullRecord
    trace: list[tuple[float, float]] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    peak_n: float = 0.0  # true, at the gripper, until the clamp is proved
    clamped_n: float = 0.0  # true, in the bed as the head let off
    kept_n: float = 0.0  # true, in the finished bed


class PtyWire:
    """Carries bytes through a pseudo-terminal, both ways, without losing one."""

    def __init__(self) -> None:
        self._rig_end = PtyPort()
        self._host_end: serial.Serial = open_port(self._rig_end.name)

    @property
    def name(self) -> str:
        """The serial port the host uses."""
        return self._rig_end.name

    def to_host(self, data: bytes) -> bytes:
        """What the host reads when the board has written ``data``."""
        self._rig_end.write(data)
        got = b""
        while len(got) < len(data):
            got += self._host_end.read(len(data) - len(got))
        return got

    def to_board(self, data: bytes) -> bytes:
        """What the board reads when the host has written ``data``."""
        self._host_end.write(data)
        got = b""
        while len(got) < len(data):
            got += self._rig_end.read()
        return got

    def close(self) -> None:
        """Close both ends."""
        self._host_end.close()
        self._rig_end.close()


class Demo:
    """Strings the demo racquet. Iterate over ``run``: it yields as each pull ends."""

    def __init__(self, seed: int) -> None:
        self.pulls = plan()
        self.bed = StringBed(log_law_series(presets.NYLON.loss_per_decade, presets.NYLON.fast_ratio))
        self.wire = PtyWire()
        self.strung: list[Strung] = []
        self._watch: Callable[[float, VirtualRun], None] | None = None
        self._previous_mm = 0.0
        self._peak_n = 0.0
        self.now: DemoPull = self.pulls[0]
        self.rig = Rig(self._strand(self.now), RigParams(), seed=seed)
        self.stringer = Stringer(self.rig, self._habits(self.now), seed=seed)
        top = max(p.reference_n for p in self.pulls)
        ceiling = session_ceiling([Planned(top, family="nylon")], Frame("tennis"))
        self.host = VirtualRun(self.rig, ceiling.force_n)
        self.host.wire_down = lambda at, data: [(at, self.wire.to_host(data))]
        self.host.wire_up = lambda at, data: [(at, self.wire.to_board(data))]
        self.host.on_line = self._on_line

    def watch(self, watcher: Callable[[float, VirtualRun], None]) -> None:
        """Call ``watcher`` with every line that the board sends."""
        self._watch = watcher

    def _bed_s(self) -> float:
        return self.rig.t_us * 1e-6 + WEAVING_S * len(self.strung)

    def _strand(self, pull: DemoPull) -> Strand:
        make = presets.cross if pull.woven else presets.main
        extra = {"crossings": pull.crossings} if pull.woven else {}
        tension = self.bed.previous_tension(self._bed_s()) if self.strung else 0.0
        return Strand(
            make(
                presets.NYLON,
                length_mm=pull.inside_mm + presets.OUTER_MM,
                previous_mm=self._previous_mm,
                previous_tension_n=tension,
                **extra,
            )
        )

    def _habits(self, pull: DemoPull) -> Habits:
        return Habits(straighten=pull.woven, wait_s=2.0, frees_clamp=bool(self.strung))

    def _on_line(self, now_s: float) -> None:
        head = self.host.loop.head
        if (
            head is not None
            and (head.pull is None or head.pull.label != self.now.label)
            and head.state
            in (
                "unarmed",
                "slack",
            )
        ):
            pull = self.now
            head.plan(Pull(pull.reference_n, family="nylon", label=pull.label, woven=pull.woven))
        if head is not None and head.state in ("drawing", "holding"):
            self._peak_n = self.rig.plant.peak_n
        if self._watch is not None:
            self._watch(now_s, self.host)

    def run(self) -> Iterator[Strung]:
        """String after string. Raises RuntimeError if one does not come off the head within a minute."""
        for i, pull in enumerate(self.pulls):
            if i:
                self.now = pull
                self.rig.mount(self._strand(pull))
                self.stringer.next_pull(self._habits(pull))
            self.rig.plant.reset_peak()
            first = len(self.host.events)
            until = self.rig.t_us * 1e-6 + LONGEST_PULL_S
            if not self.host.run(until, lambda n=i: self.stringer.done > n):  # type: ignore[misc]
                raise RuntimeError(f"{pull.label} did not come off the head within {LONGEST_PULL_S:.0f} s")
            yield self._finish(pull, first)
        for strung, kept in zip(self.strung, self.bed.tensions_at(self._bed_s() + 600.0), strict=True):
            strung.kept_n = kept
        self.wire.close()

    def _finish(self, pull: DemoPull, first: int) -> Strung:
        head = self.host.loop.head
        assert head is not None and head.record is not None
        strung = Strung(pull, head.record)
        strung.peak_n = self._peak_n
        strung.clamped_n = self.rig.plant.bed_tension_n()
        press = next(t for t, e in self.host.events[first:] if e.says == "taking_up")
        strung.marks = [
            (t - press, e.says.replace("_", " "))
            for t, e in self.host.events[first:]
            if e.name in ("state", "steady") and t >= press and e.says in ("holding", "steady", "easing_off")
        ]
        k = presets.NYLON.ea_n / pull.inside_mm
        self.bed.add("cross" if pull.woven else "main", strung.clamped_n, k, self._bed_s())
        self.strung.append(strung)
        self._previous_mm = pull.inside_mm
        return strung
