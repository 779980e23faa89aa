"""Normal work must never trip: ``python -m tests.benchmarks.false_trips --help``; what is counted: README.md.

Racquet after racquet on the virtual clock, with the board's own firmware and wire, strings of every family and the hands
of a stringer that do what hands do. Everything about racquet N follows from N. What hands, cells and references are like
is common practice, no source.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from random import Random

from evenbed.head import states as st
from evenbed.head.types import Event, Pull
from evenbed.job.ceiling import Frame, Planned, session_ceiling
from evenbed_fw import faults
from evenbed_sim import presets
from evenbed_sim.carriage import CarriageParams
from evenbed_sim.converter import CellParams
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand, StrandParams
from scipy.special import gammaincinv

KGF_N = 9.80665
SCATTER = 0.2
PUSH_MM = (10.0, 15.0)  # sideways, in the middle of a span
THUMB_N = 60.0  # nobody pushes harder by chance: on a tight short span that is less than PUSH_MM
KNOCK_MM = 0.15
KNOCK_S = 0.015
PULL_APART_S = 100.0  # of an hour's work per pull; the virtual clock leaves out the weaving
QUIET_AFTER_S = 0.5  # from the end of what hands do
HELD_S = (0.1, 1.0)
INTERIM_S = 60.0
LAPSE_S = 9.0  # nothing of a pull takes longer

DISTURBANCES = (
    "none", "push on the bed", "push on the held string", "lean on the frame", "straighten", "rough clamps",
    "hot cell", "busy host", "slow feet", "pre-stretch",
)  # fmt: skip
STOPS = {faults.NAMES[faults.PRESSED], faults.NAMES[faults.STOPPED]}
TRIPS = {*faults.NAMES[1:], "guard", "link_lost", "unknown_fault"} - STOPS
ORDINARY = {"connected", "state", "pull_done", "steady", "disturbance", "proof_failed"}


@dataclass(frozen=True)
class Trade:
    """What is strung with one family: pulls of mains and crosses, lengths in the frame, references."""

    preset: presets.StringPreset
    mains: int
    crosses: int
    main_mm: tuple[float, float]
    cross_mm: tuple[float, float]
    crossings: int
    kgf: tuple[float, float]
    cross_ratio: tuple[float, float]


def _tennis(preset: presets.StringPreset, low_kgf: float, high_kgf: float) -> Trade:
    return Trade(preset, 16, 18, (240.0, 330.0), (170.0, 250.0), 16, (low_kgf, high_kgf), (0.95, 1.0))


TRADES: tuple[Trade, ...] = (
    _tennis(presets.GUT, 23.0, 28.0),
    _tennis(presets.NYLON, 22.0, 27.0),
    _tennis(presets.POLYESTER, 20.0, 25.0),
    _tennis(presets.ARAMID, 20.0, 26.0),
    Trade(presets.BADMINTON_NYLON, 22, 21, (190.0, 250.0), (130.0, 185.0), 22, (9.0, 13.0), (1.05, 1.1)),
)


class HandledStrand(Strand):
    """A strand whose outer part hands lengthen and shorten too: a finger on it, a frame that yields, a knock."""

    def __init__(self, params: StrandParams) -> None:
        super().__init__(params)
        self._moves: deque[list[float]] = deque()

    def move_outer(self, mm: float, duration_s: float) -> None:
        """Lengthen (> 0) the outer part's path by ``mm`` over the next ``duration_s``; calls queue."""
        self._moves.append([mm, duration_s])

    def advance(self, dt_s: float, dx_mm: float) -> None:
        left, speed = dt_s, dx_mm / dt_s
        while self._moves and left > 0.0:
            mm, for_s = self._moves[0]
            part = min(left, for_s)
            super().advance(part, (speed + mm / for_s) * part)
            left -= part
            if for_s - part < 1e-9:
                self._moves.popleft()
            else:
                self._moves[0] = [mm * (1.0 - part / for_s), for_s - part]
        if left > 0.0:
            super().advance(left, speed * left)


class BusyHost:
    """A computer whose turns come late: it reads all that has come and answers, 5 to 120 ms apart, in bursts of 0.2 to 2 s.

    With the 12.5 ms to the next line and the wire's own time an answer comes within the 150 ms of a lease.
    """

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._held: list[bytes] = []
        self._turn_us = 0.0
        self._burst_us = (0.0, 0.0)
        self.on = False

    def wire_down(self, at_us: float, data: bytes) -> list[tuple[float, bytes]]:
        """Hook of :class:`VirtualRun`."""
        rng = self._rng
        if not self.on and not self._held:
            return [(at_us, data)]
        self._held.append(data)
        if at_us < self._turn_us:
            return []
        if at_us > self._burst_us[1]:
            begins = at_us + rng.uniform(0.0, 1.5e6)
            self._burst_us = (begins, begins + rng.uniform(0.2e6, 2.0e6))
        if self.on and at_us >= self._burst_us[0]:
            self._turn_us = at_us + rng.uniform(5e3, 120e3)
        out = b"".join(self._held)
        self._held.clear()
        return [(at_us, out)]


@dataclass
class Done:
    """One pull: who, what was done to it, what came of it."""

    racquet: int
    number: int
    family: str
    woven: bool
    what: tuple[str, ...]
    told: Counter[str] = field(default_factory=Counter)
    ended: str = ""
    proof: str = ""
    questions: int = 0
    taps_more: int = 0
    peak_n: float = 0.0  # highest true force until the clamp
    over_n: float = 0.0  # that over the highest planned force
    off: float = 0.0  # furthest true force from the reference in the hold while no hand is at work, share of it
    room_n: float = math.inf  # ceiling less the highest true force
    cpu_s: float = 0.0

    @property
    def trips(self) -> list[str]:
        """Names of the trips told, or that ended the pull."""
        return sorted({*self.told, self.ended} & TRIPS)


class Session:
    """One rig, one armed head and one pair of hands, all drawn from ``rng``."""

    def __init__(self, rng: Random, ceiling_n: float, cell: CellParams | None = None) -> None:
        self.rng = rng
        cell = cell or CellParams(
            zero_counts=rng.uniform(-40000.0, 40000.0),
            period_us=1e6 / rng.uniform(72.0, 96.0),
            taps=rng.randint(3, 5),
            noise_counts=38.65 * rng.uniform(0.8, 1.2),
        )
        params = RigParams(cell=cell, carriage=CarriageParams(backlash_mm=rng.uniform(0.0, 0.06)))
        self.strand = HandledStrand(presets.main(presets.NYLON))
        self.rig = Rig(self.strand, params, rng.getrandbits(32))
        self.ceiling_n = ceiling_n
        self.run = VirtualRun(self.rig, ceiling_n)
        self.busy = BusyHost(Random(rng.getrandbits(32)))
        self.run.wire_down = self.busy.wire_down
        self.run.on_line = self._watch
        self.zero_shift_n = 0.0
        self.rig.bend_reading = lambda code: code + round(self.zero_shift_n * cell.counts_per_n)
        self._hands_until_s = 0.0
        self._seen = 0
        self._done: Done | None = None
        self._reference_n = 1.0
        self._clamped = False
        self._wait(0.4)
        self._press(2.2)
        if not self._until(lambda: self.state == st.SLACK):
            raise RuntimeError(f"not armed: {self.run.events}")
        self._wait(0.8)

    @property
    def state(self) -> str:
        """The head's state."""
        head = self.run.loop.head
        return head.state if head is not None else ""

    @property
    def now_s(self) -> float:
        """Virtual time."""
        return self.rig.t_us * 1e-6

    @property
    def over(self) -> bool:
        """Has something stopped, or is nothing armed any more?"""
        return self.state in ("", st.FROZEN, st.TRIPPED, st.UNARMED, st.BOOTED_LOADED)

    def _wait(self, for_s: float) -> None:
        self.run.run(self.now_s + for_s)

    def _until(self, done: Callable[[], bool], within_s: float = LAPSE_S) -> bool:
        return self.run.run(self.now_s + within_s, lambda: done() or (self._done is not None and self.over)) and done()

    def _press(self, for_s: float) -> None:
        self.rig.press_pedal(True)
        self._wait(for_s)
        self.rig.press_pedal(False)

    def _watch(self, now_s: float) -> None:
        done = self._done
        if done is None or self.state != st.HOLDING or self._clamped:
            return
        share = self.strand.force_n / self._reference_n - 1.0
        if now_s > self._hands_until_s:
            done.off = max(done.off, abs(share))

    # --- what hands do ---------------------------------------------------------------------------------------
    def _at_work(self, for_s: float) -> None:
        self._hands_until_s = max(self._hands_until_s, self.now_s + for_s + QUIET_AFTER_S)

    def _sideways_mm(self, span_mm: float) -> float:
        """Path gained by a push in the middle of a span."""
        push = min(self.rng.uniform(*PUSH_MM), THUMB_N * span_mm / (4.0 * self._reference_n))
        return 2.0 * (math.hypot(0.5 * span_mm, push) - 0.5 * span_mm)

    def _there_and_back(self, move: Callable[[float, float], None], mm: float, wait_s: float = 0.0) -> float:
        """Something is pushed, held and let go; returns how long that takes."""
        rng = self.rng
        out_s, held_s, back_s = rng.uniform(0.15, 0.5), rng.uniform(*HELD_S), rng.uniform(0.15, 0.5)
        self.rig.flush()
        if wait_s > 0.0:
            move(0.0, wait_s)
        move(mm, out_s)
        move(0.0, held_s)
        move(-mm, back_s)
        took = wait_s + out_s + held_s + back_s
        self._at_work(took)
        return took

    def _lean(self, wait_s: float = 0.0) -> float:
        """Weight on the frame: it yields towards the head or away from it."""
        return self._there_and_back(self.strand.move_outer, self.rng.uniform(0.2, 0.8) * self.rng.choice((-1, 1)), wait_s)

    def _knock(self, rough: bool) -> None:
        self.rig.flush()
        mm = KNOCK_MM * self.rng.uniform(0.3, 1.0) * (2.0 if rough else 0.5) * self.rng.choice((-1, 1))
        self.strand.move_outer(mm, KNOCK_S)
        self.strand.move_outer(-mm, KNOCK_S)
        self._at_work(2.0 * KNOCK_S)

    def _tap(self, slow: bool) -> None:
        self._press(self.rng.uniform(0.08, 0.6) if slow else self.rng.uniform(0.12, 0.25))

    def _tap_until(self, done: Callable[[], bool], slow: bool, result: Done) -> bool:
        """Tap; if nothing has happened after a second, tap again, as people do."""
        for _ in range(3):
            self._tap(slow)
            if self._until(done, 1.0):
                return True
            if self.over:
                return False
            result.taps_more += 1
            self._wait(0.5)
        return False

    # --- one pull ------------------------------------------------------------------------------------------------
    def pull(self, result: Done, params: StrandParams, pull: Pull) -> Done:
        """Do one pull with the disturbances that ``result`` names; returns it filled in."""
        begun = time.thread_time()
        self._done = result
        self._reference_n = pull.reference_n
        self._clamped = False
        self._seen = len(self.run.events)
        self.strand = HandledStrand(params)
        self.rig.mount(self.strand)
        head = self.run.loop.head
        assert head is not None
        head.plan(pull)
        self.busy.on = "busy host" in result.what
        self._do(result, params)
        self.rig.flush()
        if not self._clamped:
            self._see_peak(result)
        for _, event in self.run.events[self._seen :]:
            self._count(result, event)
        if head.record is not None:
            result.proof = head.record.proof
        result.cpu_s = time.thread_time() - begun
        self._done = None
        return result

    def _see_peak(self, result: Done) -> None:
        result.peak_n = self.strand.peak_n
        result.over_n = self.strand.peak_n - self._reference_n * (1.1 if "pre-stretch" in result.what else 1.0)
        result.room_n = self.ceiling_n - self.strand.peak_n

    def _count(self, result: Done, event: Event) -> None:
        if event.name == "proof_failed":
            result.questions += 1
        elif event.name == "pull_done":
            result.ended = event.says
        elif event.name not in ORDINARY:
            result.told[event.name] += 1

    def _do(self, result: Done, params: StrandParams) -> None:
        rng, what = self.rng, result.what
        slow, rough = "slow feet" in what, "rough clamps" in what
        lean = rng.choice(("draw", "hold", "proof")) if "lean on the frame" in what else ""
        self._wait(rng.uniform(0.5, 0.8))
        if not self._tap_until(lambda: self.state != st.SLACK, slow, result):
            return
        if lean == "draw":
            self._lean(rng.uniform(0.0, 0.8))
        if not self._until(lambda: self.state in (st.HOLDING, st.PRE_STRETCHING)):
            return
        self._at_work(0.0)
        self._wait(rng.uniform(0.3, 0.6))
        if not self._until(lambda: self.state == st.HOLDING):
            return
        self._at_work(1.0 if "pre-stretch" in result.what else 0.0)
        if params.previous_mm > 0.0:
            self.rig.flush()
            self.strand.free_previous_clamp()
            self._knock(rough)
            self._wait(rng.uniform(0.4, 0.8))
        for work in self._works(result, lean):
            self._wait(work() + rng.uniform(0.2, 0.5))
        # A cross gets a first look half a second after the straightening; who clamps sooner has not waited for the word.
        self._wait(rng.uniform(0.8, 1.6) if result.woven else 0.0)
        if self.over:
            return
        self._knock(rough)
        self._see_peak(result)
        self._clamped = True
        self.strand.close_clamp()
        self._wait(rng.uniform(0.3, 0.6))
        if lean == "proof":
            self._lean(rng.uniform(0.0, 2.5))
        if not self._tap_until(lambda: self.state != st.HOLDING, slow, result):
            return
        for _ in range(3):
            self._until(lambda: self.state == st.SLACK or self._asked())
            if not self._asked():
                break
            # The clamp is good, and asked about all the same: look, tap back to the reference, and tap again.
            self._wait(1.2)
            if not self._tap_until(lambda: self.state == st.HOLDING, slow, result):
                return
            self._wait(1.3)
            self._tap_until(lambda: self.state != st.HOLDING, slow, result)
        if self.state == st.SLACK:
            self._wait(0.3)

    def _asked(self) -> bool:
        head = self.run.loop.head
        return head is not None and bool(head.question)

    def _works(self, result: Done, lean: str) -> Iterator[Callable[[], float]]:
        inside = sum(self.strand.params.inside_mm)
        if "push on the bed" in result.what:
            yield lambda: self._there_and_back(self.strand.add_path, self._sideways_mm(inside))
        if "push on the held string" in result.what:
            yield lambda: self._there_and_back(self.strand.move_outer, self._sideways_mm(self.strand.params.outer_mm))
        if lean == "hold":
            yield self._lean
        if "straighten" in result.what:
            yield self._straighten

    def _straighten(self) -> float:
        rng = self.rng
        push_s, feed_mm = rng.uniform(0.25, 0.5), rng.uniform(2.0, 3.0)
        feed_s = feed_mm / rng.uniform(2.0, 5.0)
        self.rig.flush()
        self.strand.add_path(rng.uniform(0.8, 1.8), push_s)
        self.strand.add_path(-feed_mm, feed_s)
        self._at_work(push_s + feed_s)
        return push_s + feed_s


# --- a racquet -------------------------------------------------------------------------------------------------------
def strung(rng: Random, trade: Trade, woven: bool, reference_n: float, previous_mm: float) -> StrandParams:
    """One string of a racquet: a main or a cross, after a previous one of ``previous_mm`` (0: none)."""
    length = rng.uniform(*(trade.cross_mm if woven else trade.main_mm)) + presets.OUTER_MM
    tension = reference_n * rng.uniform(0.7, 0.9) if previous_mm else 0.0
    slack = rng.uniform(2.0, 25.0)
    if woven:
        params = presets.cross(trade.preset, length, trade.crossings, previous_mm=previous_mm, previous_tension_n=tension)
    else:
        params = presets.main(trade.preset, length, previous_mm=previous_mm, previous_tension_n=tension)
    params = presets.perturbed(params, rng, SCATTER)
    return replace(params, slack_mm=slack, drawback_mm=rng.uniform(0.3, 1.0))


def _mixed(rng: Random, woven: bool, hot: bool, stretched: bool) -> tuple[str, ...]:
    """What happens to one pull of an ordinary evening."""
    chances = {
        "push on the bed": 0.3, "push on the held string": 0.2, "lean on the frame": 0.3, "rough clamps": 0.3,
        "straighten": 1.0 if woven else 0.0, "busy host": 0.2, "slow feet": 0.3, "hot cell": 1.0 if hot else 0.0,
        "pre-stretch": 1.0 if stretched and not woven else 0.0,
    }  # fmt: skip
    return tuple(d for d in DISTURBANCES if rng.random() < chances.get(d, 0.0))


Whats = Sequence[tuple[bool, tuple[str, ...] | None]]


def whole(trade: Trade) -> Whats:
    """All pulls of one racquet; the dice say what happens."""
    return [(False, None)] * trade.mains + [(True, None)] * trade.crosses


def string(
    number: int, trade: Trade, whats: Whats, ceiling_ratio: float | None = None, previous_mm: float = 0.0
) -> Iterator[Done]:
    """String racquet ``number``: for each pull whether it is woven, and what happens (None: whatever may; asked for by name
    a hot cell has an hour behind it). The session's ceiling is the commands' own, or ``ceiling_ratio`` over the highest
    planned force. A pull that is stopped ends the session; the next one begins on a new rig."""
    rng = Random(f"racquet {number} {trade.preset.family}")
    main_n = rng.uniform(*trade.kgf) * KGF_N
    cross_n = main_n * rng.uniform(*trade.cross_ratio)
    hot = rng.random() < 0.4
    stretched = rng.random() < 0.1 or any(what and "pre-stretch" in what for _, what in whats)
    top_n = max(1.1 * main_n if stretched else main_n, cross_n)
    drift_n_h = rng.uniform(1.0, 4.0) * rng.choice((-1, 1))
    session: Session | None = None
    for i, (woven, what) in enumerate(whats):
        reference_n = cross_n if woven else main_n
        chosen = _mixed(rng, woven, hot, stretched) if what is None else what
        over = 0.1 if "pre-stretch" in chosen else 0.0
        if session is None:
            family = trade.preset.family
            frame = Frame("badminton" if family == "badminton nylon" else "tennis")
            planned = [Planned(top_n / 1.1, 0.1, family=family)] if stretched else [Planned(top_n, family=family)]
            own_n = session_ceiling(planned, frame).force_n
            session = Session(rng, top_n * ceiling_ratio if ceiling_ratio is not None else own_n)
        if "hot cell" in chosen:
            apart_s = PULL_APART_S if what is None else 3600.0
            session.zero_shift_n += drift_n_h * apart_s / 3600.0 + rng.uniform(-0.1, 0.1)
        params = strung(rng, trade, woven, reference_n, previous_mm)
        pull = Pull(reference_n, family=trade.preset.family, woven=woven, over_pull=over, over_pull_s=0.5)
        done = session.pull(Done(number, i, trade.preset.family, woven, chosen or ("none",)), params, pull)
        yield done
        previous_mm = sum(params.inside_mm)
        if session.state != st.SLACK:
            session = None


def stratified(woven: bool, disturbances: Sequence[str] = DISTURBANCES) -> list[tuple[Trade, Whats]]:
    """A slice: every disturbance with every family, one at a time, on mains or on crosses (which are straightened)."""
    return [
        (trade, [(woven, tuple(w for w in (d, "straighten" if woven else "none") if w != "none"))])
        for trade in TRADES
        for d in disturbances
        if d != ("pre-stretch" if woven else "straighten")
    ]


# --- tables ----------------------------------------------------------------------------------------------------------
def upper_bound(events: int) -> float:
    """The 95 % upper bound of a Poisson count of which ``events`` were seen: for none, 3 (the rule of three)."""
    return float(gammaincinv(events + 1, 0.95))


HEAD = ("", "pulls", "trips", "stops", "not let off", "questions", "per 1000", "hints", "tapped again",
        "over N p99 / worst", "no hands: off % p99 / worst", "least room to ceiling N")  # fmt: skip


def _row(name: str, done: list[Done]) -> str:
    cells = (
        name,
        len(done),
        sum(bool(d.trips) for d in done),
        sum(bool(STOPS & d.told.keys()) for d in done),
        sum(d.ended != "let off" for d in done),
        sum(d.questions for d in done),
        f"{1000.0 * sum(d.questions for d in done) / len(done):.1f}",
        sum(n for d in done for name, n in d.told.items() if name not in TRIPS | STOPS),
        sum(d.taps_more for d in done),
        _ends([d.over_n for d in done], 1),
        _ends([100.0 * d.off for d in done], 2),
        f"{min(d.room_n for d in done):.1f}",
    )
    return "| " + " | ".join(str(c) for c in cells) + " |"


def _ends(values: list[float], digits: int) -> str:
    ordered = sorted(values)
    return f"{ordered[math.ceil(0.99 * len(ordered)) - 1]:.{digits}f} / {ordered[-1]:.{digits}f}"


def report(done: list[Done]) -> str:
    """All tables of the pulls so far."""
    out = ["| " + " | ".join(HEAD) + " |", "|" + "---|" * len(HEAD)]
    groups = [("all", done)]
    groups += [(t.preset.family, [d for d in done if d.family == t.preset.family]) for t in TRADES]
    groups += [(f"with: {what}", [d for d in done if what in d.what]) for what in DISTURBANCES]
    out += [_row(name, kept) for name, kept in groups if kept]
    racquets = len({d.racquet for d in done})
    trips = sum(bool(d.trips) for d in done)
    bound = upper_bound(trips)
    out += [
        "",
        f"{racquets} racquets, {len(done)} pulls, {trips} tripped: {1000.0 * trips / len(done):.2f} in 1000 pulls, below "
        f"{1000.0 * bound / len(done):.2f} in 1000 pulls and {bound / racquets:.3f} a racquet with 95 % confidence.",
    ]
    names = Counter(name for d in done for name in d.told)
    out.append("Told: " + (", ".join(f"{name} {n}" for name, n in names.most_common()) or "nothing"))
    return "\n".join(out)


def tell(done: Done) -> str:
    """One pull that did not go as it should, on one line."""
    told = ", ".join(f"{name} {n}" for name, n in done.told.items())
    return (
        f"racquet {done.racquet} pull {done.number} {done.family} {'cross' if done.woven else 'main'} "
        f"({', '.join(done.what)}): {told or 'nothing told'}, {done.questions} questions ({done.proof}), "
        f"ended {done.ended or 'not'}, peak {done.peak_n:.0f} N ({done.over_n:+.0f}) off {100.0 * done.off:.2f} %"
    )


def odd(done: Done) -> bool:
    """Did something happen in this pull that should not?"""
    return bool(done.told or done.questions or done.ended != "let off")


def work(job: tuple[int, float | None]) -> list[Done]:
    """String one racquet in a worker."""
    number, ceiling_ratio = job
    trade = TRADES[number % len(TRADES)]
    return list(string(number, trade, whole(trade), ceiling_ratio))


def main(args: list[str]) -> None:
    """Run the campaign and print its tables."""
    parser = argparse.ArgumentParser(description="Count false trips, stops and questions in normal work.")
    parser.add_argument("--racquets", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first one: go on where a run was ended")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--ceiling", type=float, help="over the highest planned force; by default the commands' own")
    parser.add_argument("--each", action="store_true", help="tell every pull that did not go as it should")
    chosen = parser.parse_args(args)
    jobs = [(n, chosen.ceiling) for n in range(chosen.first, chosen.first + chosen.racquets)]
    done: list[Done] = []
    shown_s = time.monotonic()
    with get_context("fork").Pool(chosen.jobs) as pool:
        for racquet in pool.imap(work, jobs):
            done += racquet
            if chosen.each:
                for d in racquet:
                    if odd(d):
                        print(tell(d), flush=True)
            if time.monotonic() - shown_s > INTERIM_S:
                shown_s = time.monotonic()
                cpu = sum(d.cpu_s for d in done) / len(done)
                print(
                    f"\nUp to racquet {racquet[0].racquet}, {cpu:.3f} s of processor a pull\n{report(done)}\n", flush=True
                )
    print(report(done))


if __name__ == "__main__":
    main(sys.argv[1:])
