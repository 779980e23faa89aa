"""Fail the Nth line: ``python -m tests.benchmarks.nth --help``; what is judged: README.md.

One short pull, again and again, with exactly one line of the wire hurt each time: every line, each way, in every manner.
Whatever is hurt, the pull comes right, or it is stopped with a sentence and the force stays below ceiling + overrun.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from itertools import pairwise
from multiprocessing import get_context

from evenbed.head import states as st
from evenbed.head.types import Ask, Event, Pull
from evenbed_fw import faults
from evenbed_sim import presets
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand

TO_HOST, TO_BOARD = "to-host", "to-board"
WAYS = (TO_HOST, TO_BOARD)
REFERENCE_N = 120.0
CEILING_N = 150.0
HELD = 0.005
PATIENCE_S = 1.0  # after which a person tries again
TRIES = 3
FAR_S = 12.0  # nobody waits longer
STOPS = {*faults.NAMES[1:], "guard", "link_lost", "unknown_fault", "proof_failed", "hint", "refused", "zero_refused"}
AT_REST = (st.UNARMED, st.SLACK, st.FROZEN, st.TRIPPED, st.BOOTED_LOADED)

Late = list[tuple[float, bytes]]
Job = tuple[str, int, str]  # way, number of the line, hurt


# --- what may happen to one line: from the line to (microseconds later, bytes) -----------------------------------------
def _corrupt(line: bytes, n: int) -> Late:
    """One bit, another one for every N."""
    bent = bytearray(line)
    bent[(7 * n) % len(bent)] ^= 1 << (n % 8)
    return [(0.0, bytes(bent))]


HURTS: dict[str, Callable[[bytes, int], Late]] = {
    "lose": lambda line, n: [],
    "corrupt": _corrupt,
    "duplicate": lambda line, n: [(0.0, line), (0.0, line)],
    "delay 60 ms": lambda line, n: [(60e3, line)],
    "delay 200 ms": lambda line, n: [(200e3, line)],
    "reorder": lambda line, n: [(-1.0, line)],  # behind the next one
    "truncate": lambda line, n: [(0.0, line[: 1 + (5 * n) % (len(line) - 1)])],  # its line feed is gone too
    # A port keeps its order: what follows waits as well.
    "stall 60 ms": lambda line, n: [(60e3, line)],
    "stall 200 ms": lambda line, n: [(200e3, line)],
}


class Wire:
    """Both ways of the wire with some lines hurt; ``lines`` keeps every one that was sent: us, bytes, the head's state."""

    def __init__(self, run: VirtualRun, hurt: dict[tuple[str, int], str]) -> None:
        self.lines: dict[str, list[tuple[float, bytes, str]]] = {TO_HOST: [], TO_BOARD: []}
        self.state: Callable[[], str] = lambda: ""
        self._run = run
        self._hurt = hurt
        self._held: dict[str, Late] = {TO_HOST: [], TO_BOARD: []}  # due, bytes
        self._swapped: dict[str, bytes] = {}
        self._blocked_us = {TO_HOST: 0.0, TO_BOARD: 0.0}
        run.wire_down = lambda at_us, data: self._send(TO_HOST, at_us, data)
        run.wire_up = self._up

    def _up(self, at_us: float, data: bytes) -> Late:
        out: Late = []
        for line in data.splitlines(keepends=True):
            out += self._send(TO_BOARD, at_us, line)
        return out

    def tick(self, now_us: float) -> None:
        """Deliver what is due to the board, whether or not the host speaks."""
        for due_us, line in self._due(TO_BOARD, now_us):
            self._run.rig.deliver(line, due_us)

    def _due(self, way: str, now_us: float) -> Late:
        due = [held for held in self._held[way] if held[0] <= now_us]
        self._held[way] = [held for held in self._held[way] if held[0] > now_us]
        return due

    def _send(self, way: str, at_us: float, line: bytes) -> Late:
        lines = self.lines[way]
        n = len(lines)
        lines.append((at_us, line, self.state()))
        out = self._due(way, at_us)
        now: Late = [(0.0, line)]
        hurt = self._hurt.get((way, n))
        if hurt is not None:
            now = HURTS[hurt](line, n)
            if hurt.startswith("stall"):
                self._blocked_us[way] = at_us + now[0][0]
        for later_us, bent in now:
            if later_us < 0.0:
                self._swapped[way] = bent
            elif later_us > 0.0 or at_us < self._blocked_us[way]:
                self._held[way].append((max(at_us + later_us, self._blocked_us[way]), bent))
            else:
                out.append((at_us, bent))
                if way in self._swapped:
                    out.append((at_us, self._swapped.pop(way)))
        return out


@dataclass(frozen=True)
class Verdict:
    """What came of one pull. ``kind`` is "right", "again" (right, but somebody had to press once more), the name of what
    stopped it, or "violation", then with the reason in ``why``."""

    way: str
    n: int
    hurt: str
    kind: str
    why: str = ""
    peak_n: float = 0.0


def string() -> Strand:
    """A straight string that hardly creeps, so that a hold is steady at once, with a previous one behind it."""
    params = presets.main(presets.GUT, 400.0, 3.0, previous_mm=200.0, previous_tension_n=90.0)
    return Strand(replace(params, loss_per_decade=0.003, fast_ratio=1.02))


class OnePull:
    """Connect, arm, tap, draw, hold, hand-over, clamp, proof, let off: by somebody who looks at the screen."""

    def __init__(
        self,
        way: str = "",
        n: int = -1,
        hurt: str = "lose",
        also: Sequence[Job] = (),
        meddle: Callable[[Rig], None] | None = None,
    ) -> None:
        self.rig = Rig(string(), RigParams(), seed=7)
        if meddle is not None:
            meddle(self.rig)
        self.run = VirtualRun(self.rig, CEILING_N)
        self.wire = Wire(self.run, {(way, n): hurt, **{(w, i): h for w, i, h in also}})
        self.wire.state = lambda: self.state
        self.run.on_line = lambda now_s: self.wire.tick(now_s * 1e6)
        self.again = 0
        self.held: list[float] = []
        self.fate = Verdict(way, n, hurt, "right")
        self._finish(self._work())

    @property
    def state(self) -> str:
        """The head's state."""
        head = self.run.loop.head
        return head.state if head is not None else ""

    @property
    def told(self) -> list[Event]:
        """What was told, in order."""
        return [e for _, e in self.run.events]

    def _wait(self, for_s: float) -> None:
        self.run.run(self.rig.t_us * 1e-6 + for_s)

    def _until(self, done: Callable[[], bool], within_s: float = FAR_S) -> bool:
        return self.run.run(self.rig.t_us * 1e-6 + within_s, lambda: done() or self._stopped()) and done()

    def _stopped(self) -> bool:
        return self.state in (st.FROZEN, st.TRIPPED, st.BOOTED_LOADED) or (self._armed and self.state in ("", st.UNARMED))

    _armed = False

    def _tap(self) -> None:
        self.rig.press_pedal(True)
        self._wait(0.1)
        self.rig.press_pedal(False)

    def _try(self, act: Callable[[], None], done: Callable[[], bool]) -> bool:
        """Do something; if nothing happens do it again, as people do."""
        for i in range(TRIES):
            self.again += i > 0
            act()
            if self._until(done, PATIENCE_S):
                return True
            if self._stopped():
                return False
        return False

    def _work(self) -> str:
        """The pull itself; returns where it got stuck, or nothing."""
        loop = self.run.loop
        if not self._until(lambda: loop.head is not None, 3.0):
            return "no connection"
        self._wait(0.3)
        if not self._try(lambda: loop.ask(Ask.ARM), lambda: self.state in (st.REFERENCING, st.SLACK)):
            return "not armed"
        self._armed = True
        if not self._until(lambda: self.state == st.SLACK, 6.0):
            return "no working zero"
        assert loop.head is not None
        loop.head.plan(Pull(REFERENCE_N, family="gut"))
        self._wait(0.35)
        if not self._try(self._tap, lambda: self.state not in (st.SLACK, st.UNARMED)):
            return "not drawn"
        if not self._until(lambda: self.state in (st.HOLDING, st.SLACK)) or self.state != st.HOLDING:
            return "not held"
        self._wait(0.25)
        self.rig.flush()
        self.rig.plant.free_previous_clamp()
        head = loop.head
        if not self._until(lambda: head.word == "clamp"):
            return "never steady"
        self._wait(0.1)
        self.held.append(self.rig.force_n)
        self.rig.plant.close_clamp()
        self._wait(0.15)
        if not self._try(self._tap, lambda: self.state not in (st.HOLDING, st.UNARMED)):
            return "clamp not heard"
        if not self._until(lambda: self.state == st.SLACK or bool(head.question)):
            return "not let off"
        return "question" if head.question else ""

    # --- the verdict -----------------------------------------------------------------------------------------------
    def _finish(self, stuck: str) -> None:
        self._wait(0.6)
        self.rig.flush()
        peak = self.rig.plant.peak_n
        overrun_n = self.rig.board.settings.overrun_mn / 1000.0
        stops = [e for e in self.told if e.name in STOPS]
        if peak > CEILING_N + overrun_n:
            kind, why = "violation", f"{peak:.1f} N is above ceiling + overrun"
        elif not stuck:
            why = self._wrong(peak)
            kind = "violation" if why else "again" if self.again else "right"
        elif stops and all(e.says.strip() for e in stops) and self._safe():
            kind, why = stops[0].name, stuck
        else:
            kind, why = "violation", f"{stuck}; told {[e.name for e in stops]}, head {self.state}, rate {self.rig.hw.rate}"
        self.fate = replace(self.fate, kind=kind, why=why, peak_n=peak)

    def _safe(self) -> bool:
        """Stopped means that nothing moves and that the head knows."""
        head = self.run.loop.head
        asking = head is not None and bool(head.question)
        return self.rig.hw.rate == 0 and (self.state in ("", *AT_REST) or asking)

    def _wrong(self, peak_n: float) -> str:
        head = self.run.loop.head
        record = head.record if head is not None else None
        if record is None or record.ended != "let off":
            return f"ended {record.ended if record else 'without a record'}"
        uncalibrated = ("calibration", "expanded_n")  # these rigs are not calibrated
        missing = [f.name for f in fields(record) if f.name not in uncalibrated and getattr(record, f.name) is None]
        if missing:
            return f"the record lacks {', '.join(missing)}"
        if peak_n > CEILING_N:
            return f"{peak_n:.1f} N is above the ceiling"
        if abs(self.held[-1] / REFERENCE_N - 1.0) > HELD:
            return f"held at {self.held[-1]:.2f} N"
        if self.rig.force_n > 1.0 or self.rig.hw.rate:
            return f"let off, but {self.rig.force_n:.1f} N and {self.rig.hw.rate} steps/s remain"
        return ""


@cache
def undisturbed() -> dict[str, list[tuple[float, bytes, str]]]:
    """All lines of the pull with nothing hurt: time (us), line, the head's state."""
    pull = OnePull()
    if pull.fate.kind != "right":
        raise RuntimeError(f"the pull is not right by itself: {pull.fate}, {pull.told}")
    return pull.wire.lines


def marked(way: str) -> list[int]:
    """Numbers of the lines outside the steady stream: all but ``s`` and ``go``, and the first and last ``go`` of each state
    of the head."""
    lines = undisturbed()[way]
    kinds = [line.split(b" ", 1)[0] for _, line, _ in lines]
    goes = [n for n, kind in enumerate(kinds) if kind == b"go"]
    edges = {goes[0], goes[-1]} if goes else set()
    for before, after in pairwise(goes):
        if lines[before][2] != lines[after][2]:
            edges |= {before, after}
    return [n for n, kind in enumerate(kinds) if kind not in (b"s", b"go") or n in edges]


def every(hurts: Iterable[str] = tuple(HURTS)) -> Iterator[Job]:
    """Every line, each way, in every manner."""
    for way in WAYS:
        for n in range(len(undisturbed()[way])):
            for hurt in hurts:
                yield way, n, hurt


def some(stride: int, hurts: Sequence[str] = tuple(HURTS)) -> Iterator[Job]:
    """The marked lines in every manner, and every ``stride``-th of the rest in one manner, each in its turn."""
    for way in WAYS:
        special = set(marked(way))
        for n in range(len(undisturbed()[way])):
            if n in special:
                yield from ((way, n, hurt) for hurt in hurts)
            elif n % stride == 0:
                yield way, n, hurts[n // stride % len(hurts)]


def work(job: Job) -> Verdict:
    """One pull in a worker."""
    return OnePull(*job).fate


def report(done: list[Verdict]) -> str:
    """The table, and every violation."""
    out = ["| way | hurt | pulls | right | pressed again | stopped by | violations | highest force N |", "|---" * 8 + "|"]
    for way in WAYS:
        for hurt in HURTS:
            kept = [v for v in done if v.way == way and v.hurt == hurt]
            if not kept:
                continue
            kinds = Counter(v.kind for v in kept)
            bad, right, again = kinds.pop("violation", 0), kinds.pop("right", 0), kinds.pop("again", 0)
            stops = ", ".join(f"{name} {n}" for name, n in kinds.most_common()) or "–"
            peak = max(v.peak_n for v in kept)
            out.append(f"| {way} | {hurt} | {len(kept)} | {right} | {again} | {stops} | {bad} | {peak:.1f} |")
    return "\n".join(out)


def tell(verdict: Verdict) -> str:
    """One pull on one line, with the line that was hurt."""
    at_us, line, state = undisturbed()[verdict.way][verdict.n]
    return (
        f"{verdict.way} line {verdict.n} {verdict.hurt}: {verdict.kind} {verdict.why} "
        f"[{at_us * 1e-6:.3f} s, {state or 'no head'}, {line.decode().split(' ')[0]}]"
    )


def main(args: list[str]) -> None:
    """Run every N and print the table."""
    parser = argparse.ArgumentParser(description="One pull with its Nth line hurt, for every N.")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--stride", type=int, default=0, help="only the marked lines and every STRIDE-th")
    parser.add_argument("--hurts", nargs="*", choices=tuple(HURTS), default=tuple(HURTS))
    parser.add_argument("--each", action="store_true", help="tell every pull that was not simply right")
    chosen = parser.parse_args(args)
    lines = undisturbed()
    print(", ".join(f"{len(lines[way])} lines {way}" for way in WAYS), flush=True)
    todo = some(chosen.stride, chosen.hurts) if chosen.stride else every(chosen.hurts)
    done: list[Verdict] = []
    with get_context("fork").Pool(chosen.jobs) as pool:
        for verdict in pool.imap(work, todo, chunksize=8):
            done.append(verdict)
            if verdict.kind == "violation" or (chosen.each and verdict.kind != "right"):
                print(tell(verdict), flush=True)
    print(report(done))


if __name__ == "__main__":
    main(sys.argv[1:])
