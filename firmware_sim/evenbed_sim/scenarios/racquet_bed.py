"""A racquet on the simulated rig: which strand each pull of its plan finds, and what the bed then carries, in truth.

The strings of a racquet are one or two continuous lengths. A pull stretches whatever of its length is not yet held: its own
string, those that come along round a turn, and, once its clamp is opened, the loaded string before them. Every string
differs a little from every other, every racquet from the next (scatter chosen, no source); all follows from the seed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import Literal

from evenbed.job.marks import Done
from evenbed.job.plan_order import cross_numbers, crossings
from evenbed.job.planned import Plan, PlannedPull
from evenbed.racquet.model import StringName, other_side

from evenbed_sim import presets
from evenbed_sim.gripped import GrippedStrand, caught, cut, draw_by_hand
from evenbed_sim.habits import BARE_EDGE, GOOD, Handling, Played, Stringing
from evenbed_sim.mixed_bed import MixedBed
from evenbed_sim.strand import StrandParams
from evenbed_sim.stringer import Habits
from evenbed_sim.viscoelastic import PronySeries, log_law_series

Kind = Literal["pull", "again", "back"]

THREAD_S = {"main": 25.0, "cross": 45.0}  # to thread or weave, between two draws; common practice, no source
TIE_S = 40.0
LATER_S = 900.0
KNOT = (0.06, 0.14)  # share of its tension that a string loses to its knot; common practice, no source
RACQUET_SCATTER = 0.08  # from one racquet to another, of stiffness, loss and friction
STRING_SCATTER = 0.03  # from one string to the next
FREE_CROSSINGS = 16
STUB_MM = 20.0  # of the string beyond a clamp, up to the frame's edge
FAMILIES = {p.family: p for p in presets.FAMILIES}
OTHER = {"gut": "polyester", "nylon": "polyester", "polyester": "nylon", "aramid": "nylon", "badminton nylon": "nylon"}


@dataclass(frozen=True)
class Task:
    """What is to be done with a string: pulled, pulled once more with its tail gripped again, or taken back."""

    pull: PlannedPull
    kind: Kind
    reference_n: float


@dataclass(frozen=True)
class Peak:
    """The highest true force of one pull until its clamp was set."""

    label: str
    reference_n: float
    peak_n: float


@dataclass(frozen=True)
class Truth:
    """What no rig can measure: the tension of each string now and a quarter of an hour from now, N; the highest true force
    of each pull; which bad habits were played."""

    now_n: dict[StringName, float]
    later_n: dict[StringName, float]
    peaks: tuple[Peak, ...]
    played: tuple[Played, ...]


class RacquetBed:
    """The truth of one racquet while it is strung."""

    def __init__(
        self,
        plan: Plan,
        seed: int = 1,
        habits: Sequence[str] = (GOOD,),
        chances: Mapping[str, float] | None = None,
        done: Sequence[Done] = (),
    ) -> None:
        self.plan = plan
        self.stringing = Stringing(habits, seed, chances)
        self.played: list[Played] = []
        self.peaks: list[Peak] = []
        self._seed = seed
        rng = Random(f"racquet {seed}")
        self._factors = [1.0 + RACQUET_SCATTER * rng.uniform(-1.0, 1.0) for _ in range(4)]
        self._outer_mm = presets.OUTER_MM + rng.uniform(-8.0, 8.0)
        self._bed = MixedBed(log_law_series(presets.NYLON.loss_per_decade, presets.NYLON.fast_ratio))
        self._number: dict[StringName, int] = {}  # in the bed
        self.loaded: set[StringName] = set()
        self._attempts: dict[str, int] = {}
        self._pieces: set[int] = set()  # that have been begun
        self._last: tuple[StringName, Handling] | None = None
        self._untied: StringName | None = None
        self.task: Task | None = None  # the string in the gripper
        self.strand: GrippedStrand | None = None
        self.handling = Handling(Habits())
        self._parts: list[tuple[StringName, int, int]] = []
        self._now_s = 0.0
        for d in done:
            self._replay(d)
        self.begins_s = self._now_s

    # --- which string is which -------------------------------------------------------------------------------
    def before(self, name: StringName) -> StringName | None:
        """The string from which the running string comes into ``name``."""
        racquet = self.plan.racquet
        if self.plan.free:
            back = name.number - (2 if name.kind == "main" else 1)
            return replace(name, number=back) if back > 0 else None
        if name.kind == "main":
            assert name.side is not None
            if name.number > 1:
                return StringName("main", name.number - 1, name.side)
            return StringName("main", 1, other_side(name.side))
        order = cross_numbers(racquet)
        i = order.index(name.number)
        if i > 0:
            return StringName("cross", order[i - 1])
        if len(racquet.pieces) == 2:
            return None
        return StringName("main", racquet.per_side, other_side(racquet.short_side))

    def chain(self, pull: PlannedPull) -> list[StringName]:
        """The strings that a pull stretches, from the far end to the gripper."""
        names = [*pull.also, pull.name]
        while True:
            first = names[0]
            behind = self.before(first)
            opening = first.kind == "main" and first.number == 1
            if behind is None or behind in self.loaded or behind in names or opening:
                return names
            names.insert(0, behind)

    def length_mm(self, name: StringName) -> float:
        """Length inside the frame, mm; of a racquet of our own invention in free work."""
        if not self.plan.free:
            return self.plan.racquet.length_mm(name)
        return max(200.0, 325.0 - 4.0 * (name.number // 2)) if name.kind == "main" else 215.0 + 8.0 * (name.number % 3)

    def _crossings(self, name: StringName) -> int:
        if self.plan.free:
            return FREE_CROSSINGS * (name.kind == "cross")
        return crossings(self.plan.racquet, name)

    def _tension_n(self, name: StringName, now_s: float) -> float:
        return self._bed.tensions_at(now_s)[self._number[name]]

    # --- the strand of a pull --------------------------------------------------------------------------------
    def grip(self, task: Task, now_s: float) -> tuple[GrippedStrand, Habits]:
        """Put the string of ``task`` into the gripper at ``now_s``, s."""
        pull = task.pull
        self._between(now_s)
        attempt = self._attempts.get(pull.label, 0)
        self._attempts[pull.label] = attempt + 1
        handling = self.stringing.handle(pull.label, pull.woven, attempt)
        if handling.played:
            self.played.append(Played(now_s, pull.label, handling.played, handling.detail))
        if self.stringing.wrong_string and pull.piece not in self._pieces:
            self.played.append(Played(now_s, pull.label, "wrong string", self._family(pull)))
        self._pieces.add(pull.piece)
        regripped = pull.name in self.loaded
        if regripped:
            strand, frees = self._regripped(task, handling, now_s)
        else:
            strand, frees = self._threaded(pull, handling, now_s)
        hands = handling.hands
        slips = None if handling.slips_above is None else handling.slips_above * task.reference_n
        hands = replace(hands, frees_clamp=frees, clamp_slips_above_n=slips, lets_down=task.kind == "back")
        self.task, self.strand, self.handling = task, strand, handling
        return strand, hands

    def _family(self, pull: PlannedPull) -> str:
        family = pull.family if pull.family in FAMILIES else presets.NYLON.family
        return OTHER[family] if self.stringing.wrong_string else family

    def _preset(self, pull: PlannedPull) -> presets.StringPreset:
        p = FAMILIES[self._family(pull)]
        ea, loss, grommet, string = self._factors
        return replace(
            p,
            ea_n=p.ea_n * ea,
            loss_per_decade=p.loss_per_decade * loss,
            mu_grommet=p.mu_grommet * grommet,
            mu_string=p.mu_string * string,
        )

    def _series(self, pull: PlannedPull) -> PronySeries:
        preset = self._preset(pull)
        return log_law_series(preset.loss_per_decade, preset.fast_ratio)

    def _rng(self, name: StringName) -> Random:
        return Random(f"string {self._seed} {name}")

    def _threaded(self, pull: PlannedPull, handling: Handling, now_s: float) -> tuple[GrippedStrand, bool]:
        preset = self._preset(pull)
        names = self.chain(pull)
        inside: list[float] = []
        turns: list[float] = []
        self._parts = []
        for name in names:
            if inside:
                turns.append(preset.mu_grommet * presets.ROUND_ANGLE_RAD)
            mm = self.length_mm(name) * (1.0 + handling.longer * (name == pull.name))
            lengths, own = cut(mm, preset, self._crossings(name))
            if name == pull.name and handling.snag_at is not None:
                lengths, own = caught(mm, lengths, own, handling.snag_at)
            self._parts.append((name, len(inside), len(lengths)))
            inside += lengths
            turns += own
        behind = self.before(names[0])
        previous = behind if behind in self.loaded and (bool(pull.frees) or self.plan.free) else None
        params = StrandParams(
            ea_n=preset.ea_n,
            loss_per_decade=preset.loss_per_decade,
            fast_ratio=preset.fast_ratio,
            stiffening=preset.stiffening,
            inside_mm=tuple(inside),
            outer_mm=self._outer_mm,
            crossing_turns=tuple(turns),
            edge_turn=preset.mu_grommet * (presets.EDGE_ANGLE_RAD + BARE_EDGE * handling.bend_rad),
            round_turn=preset.mu_grommet * presets.ROUND_ANGLE_RAD,
            toe_mm=(4.0 if pull.woven else 1.5) + preset.coil_toe_mm,
        )
        params = presets.perturbed(params, self._rng(pull.name), STRING_SCATTER)
        params = replace(params, outer_mm=self._outer_mm, k_rig_n_per_mm=150.0, slack_mm=handling.slack_mm)
        if previous is not None:
            params = replace(
                params,
                previous_mm=self.length_mm(previous),
                previous_tension_n=self._tension_n(previous, now_s),
            )
        return GrippedStrand(params), previous is not None

    def _regripped(self, task: Task, handling: Handling, now_s: float) -> tuple[GrippedStrand, bool]:
        """Its tail gripped again: up to its clamp there is only a stub; behind that the whole string, loaded. Its own
        crossings are lumped into one turn at the clamp, at half: each part of it lies behind some of them."""
        pull, preset = task.pull, self._preset(task.pull)
        name = pull.name
        woven = preset.mu_string * presets._CROSSING_ANGLE_RAD * self._crossings(name)
        params = StrandParams(
            ea_n=preset.ea_n,
            loss_per_decade=preset.loss_per_decade,
            fast_ratio=preset.fast_ratio,
            stiffening=preset.stiffening,
            inside_mm=(STUB_MM,),
            outer_mm=self._outer_mm,
            round_turn=preset.mu_grommet * presets.EDGE_ANGLE_RAD + 0.5 * woven,
            previous_mm=self.length_mm(name),
            previous_tension_n=self._tension_n(name, now_s),
            toe_mm=0.5,
            slack_mm=handling.slack_mm,
        )
        self._parts = [(name, 0, 1)]
        lifts = task.kind == "pull"  # a late first cross, or a loop held outside: its clamp leans on the frame
        return GrippedStrand(params, lifts), not lifts

    # --- coming off the head ---------------------------------------------------------------------------------
    def let_off(self, now_s: float) -> None:
        """The gripper is empty."""
        task, strand = self.task, self.strand
        self.task = self.strand = None
        if task is None or strand is None:
            return
        if task.kind == "back":
            if strand.clamped or not strand.handed_over:
                return
            self.take_out(task.pull, now_s)
            return
        if not strand.clamped:
            return
        peak = strand.clamped_peak_n if strand.clamped_peak_n is not None else strand.peak_n
        self.peaks.append(Peak(task.pull.label, task.reference_n, peak))
        self._take_in(task, strand, now_s)

    def take_out(self, pull: PlannedPull, now_s: float) -> None:
        """The string of a pull has come out of the bed: it is to be drawn anew."""
        self.loaded.discard(pull.name)
        self._bed.pull_anew(self._number[pull.name], 0.0, now_s, 0.0)
        self._attempts[pull.label] = 1

    def _take_in(self, task: Task, strand: GrippedStrand, now_s: float) -> None:
        pull = task.pull
        self._settle_before(pull, strand, now_s)
        for name, tension in self._tensions(strand):
            self._load(pull, name, tension, now_s, strand.held_s)
        self._last = (pull.name, self.handling)
        self._untied = pull.name if pull.ties else None
        self._now_s = now_s

    def tie(self, now_s: float) -> None:
        """Tie the knot that is due, if one is."""
        name, self._untied = self._untied, None
        if name in self.loaded:
            rng = Random(f"knot {self._seed} {name}")
            self._scale(name, 1.0 - rng.uniform(*KNOT), now_s)

    @property
    def tie_s(self) -> float:
        """How long hands are busy with the knot that is due, s; 0 if none is."""
        return TIE_S if self._untied is not None else 0.0

    def _tensions(self, strand: GrippedStrand) -> list[tuple[StringName, float]]:
        """Tension of each string of the strand: the mean along it."""
        forces, mm = strand.tensions_n(), strand.params.inside_mm
        first = 1 if strand.params.previous_mm > 0.0 else 0
        if len(self._parts) == 1 and mm == (STUB_MM,):
            return [(self._parts[0][0], forces[0])]
        out = []
        for name, at, count in self._parts:
            parts = range(at, at + count)
            out.append((name, sum(forces[first + i] * mm[i] for i in parts) / sum(mm[i] for i in parts)))
        return out

    def _settle_before(self, pull: PlannedPull, strand: GrippedStrand, now_s: float) -> None:
        """The string before takes part in the hand-over; only where string has passed the turn has its tension changed."""
        behind = self.before(self._parts[0][0])
        if behind not in self.loaded or strand.params.previous_mm <= 0.0 or strand.params.inside_mm == (STUB_MM,):
            return
        after = strand.tensions_n()[0]
        if after > 1.03 * strand.params.previous_tension_n:
            self._bed.pull_anew(self._number[behind], after, now_s, strand.held_s)

    def _load(self, pull: PlannedPull, name: StringName, tension_n: float, now_s: float, held_s: float) -> None:
        if name in self._number:
            self._bed.pull_anew(self._number[name], tension_n, now_s, held_s)
        else:
            preset = self._preset(pull)
            k = preset.ea_n / self.length_mm(name)
            self._number[name] = self._bed.enter(name.kind, tension_n, k, now_s, self._series(pull), held_s)
        self.loaded.add(name)

    def _scale(self, name: StringName, share: float, now_s: float) -> None:
        self._bed.pull_anew(self._number[name], share * self._tension_n(name, now_s), now_s, 0.0)

    def _between(self, now_s: float) -> None:
        """Before the next draw: the knot, and what a bad clamp has let go of meanwhile."""
        self.tie(now_s)
        if self._last is not None:
            name, handling = self._last
            if handling.keeps < 1.0 and name in self.loaded:
                self._scale(name, handling.keeps, now_s)
            self._last = None

    def work_s(self, task: Task) -> float:
        """How long hands are busy before this string is in the gripper, s: a knot, threading, weaving, being away."""
        if task.kind != "pull" or task.pull.label in self._attempts:
            return self.tie_s
        away_s = self.stringing.handle(task.pull.label, task.pull.woven).away_s
        return self.tie_s + THREAD_S[task.pull.name.kind] + away_s

    # --- what was done before this rig was built -------------------------------------------------------------
    def _replay(self, done: Done) -> None:
        pull = done.pull
        kind: Kind = "again" if done.again and pull.name in self.loaded else "pull"
        record = done.record
        reference_n = float(record.get("reference_n") or pull.target_n)
        task = Task(pull, kind, reference_n)
        now_s = self._now_s + self.work_s(task) + 5.0
        self._attempts.setdefault(pull.label, 1)  # what bad hands did to it then is not known any more
        strand, hands = self.grip(task, now_s)
        held_s = 4.0
        if record.get("clamped_s") and record.get("reached_s"):
            held_s = float(record["clamped_s"]) - float(record["reached_s"])
        draw_by_hand(strand, float(record.get("force_at_clamp_n") or reference_n), hands, held_s)
        self.task = self.strand = None
        self._take_in(task, strand, now_s + 8.0 + held_s)

    # --- truth -----------------------------------------------------------------------------------------------
    def truth(self, now_s: float) -> Truth:
        """What the bed carries at ``now_s``, s, all knots tied, and later."""
        self.tie(now_s)
        now, later = self._bed.tensions_at(now_s), self._bed.tensions_at(now_s + LATER_S)
        return Truth(
            {n: now[i] if n in self.loaded else 0.0 for n, i in self._number.items()},
            {n: later[i] if n in self.loaded else 0.0 for n, i in self._number.items()},
            tuple(self.peaks),
            tuple(self.played),
        )
