"""The proof of the clamp, alone and many times: ``python -m tests.benchmarks.proof --help``.

Sessions of some pulls each, with their own rig, cell and converter. Where the clamp is set the whole process is forked: one
copy forgets it, others set one that lets string through above a share of the reference, the session itself goes on with a
good one. So all of them see the same string in the same state. What hands do is common practice, no source.
"""

from __future__ import annotations

import argparse
import copy
import math
import sys
import time
from dataclasses import dataclass, replace
from multiprocessing import get_context
from random import Random

from evenbed.head import states as st
from evenbed.head.record import NOT_PROVED
from evenbed.head.types import Pull
from evenbed_sim import presets
from evenbed_sim.converter import CellParams
from evenbed_sim.strand import StrandParams

from tests.benchmarks.false_trips import SCATTER, TRADES, Done, Session, Trade
from tests.benchmarks.measure import forked

SLIPS: tuple[float, ...] = (0.05, 0.3, 0.6, 0.8)  # shares of the reference above which the clamp lets through
CREEPS_MM_S = (0.2, 0.5, 1.0, 2.0, 4.0)  # at which string creeps through jaws on which the whole tension pulls
LENGTHS = ("main", "short cross", "long cross")
LONG_CROSS_MM = (260.0, 340.0)
LOST = 0.02
PULLS = 4


@dataclass(frozen=True)
class Outcome:
    """One clamp: who, what kind of clamp, the verdict (one of ``NOT_PROVED``, "passed" or "stopped"), the share of the
    bed's tension lost by then, what the proof took in s, and what was behind the verdict."""

    seed: int
    number: int
    family: str
    length: str
    hands: str
    clamp: str
    verdict: str
    lost: float
    cost_s: float
    note: str

    @property
    def good(self) -> bool:
        """Was the clamp good?"""
        return self.clamp == "closed"

    @property
    def caught(self) -> bool:
        """Was a bad clamp asked about in time?"""
        return self.verdict in NOT_PROVED and self.lost < LOST


class ProofSession(Session):
    """A session whose clamps are tried on copies of it."""

    def __init__(self, rng: Random, ceiling_n: float, cell: CellParams | None) -> None:
        super().__init__(rng, ceiling_n, cell)
        self.outcomes: list[Outcome] = []
        self.label = (0, "", "")  # seed, length, hands

    def _do(self, result: Done, params: StrandParams) -> None:
        rng = self.rng
        self._wait(rng.uniform(0.5, 0.8))
        if not self._tap_until(lambda: self.state != st.SLACK, False, result):
            return
        if not self._until(lambda: self.state == st.HOLDING):
            return
        self._wait(rng.uniform(0.3, 0.6))
        if params.previous_mm > 0.0:
            self.rig.flush()
            self.strand.free_previous_clamp()
            self._knock(False)
            self._wait(rng.uniform(0.4, 0.8))
        if result.woven and "not straightened" not in result.what:
            self._wait(self._straighten() + rng.uniform(0.2, 0.5))
        self._wait(rng.uniform(0.8, 1.6) if result.woven else rng.uniform(0.0, 0.5))
        if self.over:
            return
        for share in (0.0, *SLIPS):
            self.outcomes.append(forked(lambda share=share: self._try(result, share)))  # type: ignore[misc]
        for mm_s in CREEPS_MM_S:
            self.outcomes.append(forked(lambda mm_s=mm_s: self._try(result, None, mm_s)))  # type: ignore[misc]
        self.outcomes.append(self._try(result, None))
        for _ in range(3):
            if self.state == st.SLACK or not self._until(lambda: self.state == st.SLACK or self._asked()):
                break
            if self._asked():
                self._wait(1.2)
                if not self._tap_until(lambda: self.state == st.HOLDING, False, result):
                    return
                self._wait(1.3)
                self._tap_until(lambda: self.state != st.HOLDING, False, result)
        self._wait(0.3)

    def _try(self, result: Done, share: float | None, creeps_mm_s: float = 0.0) -> Outcome:
        """Set a clamp (None: a good one), tap, and wait for the verdict."""
        rng, plant = self.rng, self.strand
        self._knock(False)
        self._clamped = True
        plant.close_clamp(None if share is None else share * self._reference_n)
        self._wait(rng.uniform(0.3, 0.6))
        if "lean" in result.what:
            self._lean(rng.uniform(0.0, 0.4))
        self.rig.flush()
        before = least = plant.bed_tension_n()
        twin = copy.deepcopy(plant)
        twin.close_clamp()
        if creeps_mm_s:
            plant.clamp_creeps(creeps_mm_s)
        first = len(self.run.events)

        def watch() -> bool:
            nonlocal least
            least = min(least, plant.bed_tension_n())
            return self._asked() or self.over or self.state in (st.EASING_OFF, st.RETURNING, st.SLACK)

        self._tap_until(lambda: self.state != st.HOLDING, False, result)
        self.run.run(self.now_s + 5.0, watch)
        if share is not None or creeps_mm_s:
            self.run.run(self.now_s + (0.3 if self._asked() else 5.0), lambda: watch() and self.state == st.SLACK)
        self.rig.flush()
        # What the jaws of a good clamp give as the head lets go is not lost through them.
        while twin.force_n > plant.force_n + 0.1:
            twin.advance(0.002, -0.01)
        fair = twin.bed_tension_n()
        at = {e.says: t for t, e in self.run.events[first:] if e.name == "state"}
        cost = at.get(st.EASING_OFF, math.nan) - at.get(st.PROVING_CLAMP, math.nan)
        head = self.run.loop.head
        assert head is not None and head.run is not None
        verdict = head.question or ("stopped" if self.over else "passed")
        seed, length, hands = self.label
        cell = self.rig.params.cell
        late_s = (0.5 * cell.taps + cell.extra_delay) * cell.period_us * 1e-6
        k, ratio = head.run.record.stiffness_n_mm or 0.0, head.run.record.proof_ratio or 0.0
        note = f"delay {1e3 * late_s:.0f} ms believed {1e3 * head.delays.delay.delay_s:.0f} draw {k:.1f} look x {ratio:.2f}"
        return Outcome(
            seed, result.number, result.family, length, hands,
            f"creeps {creeps_mm_s}" if creeps_mm_s
            else "closed" if share is None else "open" if share == 0.0 else f"slips {share:.2f}",
            verdict, max(0.0, fair - least) / before, cost, note,
        )  # fmt: skip


def strand(rng: Random, trade: Trade, length: str, reference_n: float, slack_mm: tuple[float, float]) -> StrandParams:
    """One string with a previous one behind it."""
    mm = trade.main_mm if length == "main" else trade.cross_mm
    if length == "long cross":
        mm = LONG_CROSS_MM
    total, tension = rng.uniform(*mm) + presets.OUTER_MM, reference_n * rng.uniform(0.7, 0.9)
    if length == "main":
        params = presets.main(trade.preset, total, previous_mm=250.0, previous_tension_n=tension)
    else:
        params = presets.cross(trade.preset, total, trade.crossings, previous_mm=250.0, previous_tension_n=tension)
    params = presets.perturbed(params, rng, SCATTER)
    return replace(params, slack_mm=rng.uniform(*slack_mm), drawback_mm=rng.uniform(0.3, 1.0))


def _far(rng: Random) -> CellParams:
    """A converter whose delay is one to two samples off what the head believes at first."""
    taps, late = rng.choice(((1, 0), (2, 0), (4, 1), (4, 2), (6, 1)))
    return CellParams(period_us=1e6 / rng.uniform(72.0, 96.0), taps=taps, extra_delay=late)


Job = tuple[int, int, str, str]


def work(job: Job) -> list[Outcome]:
    """One session: seed, number of the trade, length, hands ("", "lean" or "far": a converter two samples off)."""
    seed, number, length, hands = job
    trade = TRADES[number]
    rng = Random(f"proof {job}")
    woven = length != "main"
    reference_n = rng.uniform(*trade.kgf) * 9.80665 * (rng.uniform(*trade.cross_ratio) if woven else 1.0)
    session = ProofSession(rng, reference_n * 1.25, _far(rng) if hands == "far" else None)
    session.label = (seed, length, hands)
    for i in range(PULLS):
        slack = (0.5, 6.0) if hands == "far" else (2.0, 25.0)
        params = strand(rng, trade, length, reference_n, slack)
        done = Done(seed, i, trade.preset.family, woven, (hands,))
        session.pull(done, params, Pull(reference_n, family=trade.preset.family, woven=woven))
        if session.state != st.SLACK:
            break
    return session.outcomes


def table(done: list[Outcome]) -> str:
    """Closed clamps asked about, bad ones caught in time, late and missed, cost."""
    lines = ["| | closed | false alarms | cost s median / worst | open caught | late | missed | "
             "slips caught | late | missed | early slips caught | late | missed | lost % median / p99 |",
             "|" + "---|" * 14]  # fmt: skip
    groups: list[tuple[str, list[Outcome]]] = []
    creeping = [d for d in done if d.clamp.startswith("creeps")]
    done = [d for d in done if not d.clamp.startswith("creeps")]
    for hands in sorted({d.hands for d in done}):
        for length in LENGTHS:
            for family in [t.preset.family for t in TRADES]:
                groups.append(
                    (
                        f"{hands} {length} {family}",
                        [d for d in done if (d.hands, d.length, d.family) == (hands, length, family)],
                    )
                )
            groups.append((f"**{hands} {length}**", [d for d in done if (d.hands, d.length) == (hands, length)]))
    groups.append(("**all**", done))
    for name, kept in groups:
        if kept:
            lines.append(_row(name, kept))
    return "\n".join(lines + _creeping(creeping))


def _creeping(done: list[Outcome]) -> list[str]:
    """Jaws through which string creeps all the time: what was lost until something was said, or all was let off."""
    lost = "lost % median / worst"
    lines = ["", f"| creeps mm/s | asked about | {lost} | passed | {lost} | stopped | {lost} |", "|" + "---|" * 7]
    for clamp in sorted({d.clamp for d in done}):
        kept = [d for d in done if d.clamp == clamp]
        cells = [clamp.split()[1]]
        for verdicts in (NOT_PROVED, ("passed",), ("stopped",)):
            of = [d for d in kept if d.verdict in verdicts]
            gone = sorted(100.0 * d.lost for d in of) or [math.nan]
            cells += [str(len(of)), f"{gone[len(gone) // 2]:.1f} / {gone[-1]:.1f}"]
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def _row(name: str, kept: list[Outcome]) -> str:
    # Jaws of which friction at the frame's edge asks no more than they hold lose nothing: such a clamp is good enough.
    kept = [d for d in kept if d.good or d.clamp == "open" or d.verdict != "passed" or d.lost >= LOST]
    good = [d for d in kept if d.good]
    costs = sorted(d.cost_s for d in good if not math.isnan(d.cost_s)) or [math.nan]
    cells = [name, str(len(good)), str(sum(d.verdict != "passed" for d in good)),
             f"{costs[len(costs) // 2]:.2f} / {costs[-1]:.2f}"]  # fmt: skip
    early = ("slips 0.05", "slips 0.10")
    for bad in (
        [d for d in kept if d.clamp == "open"],
        [d for d in kept if d.clamp.startswith("slips") and d.clamp not in early],
        [d for d in kept if d.clamp in early],
    ):
        missed = sum(d.verdict == "passed" for d in bad)
        cells += [
            f"{sum(d.caught for d in bad)}/{len(bad)}",
            str(len(bad) - missed - sum(d.caught for d in bad)),
            str(missed),
        ]
    lost = sorted(100.0 * d.lost for d in kept if not d.good and d.verdict != "passed") or [math.nan]
    cells.append(f"{lost[len(lost) // 2]:.2f} / {lost[math.ceil(0.99 * len(lost)) - 1]:.2f}")
    return "| " + " | ".join(cells) + " |"


def main(args: list[str]) -> None:
    """Run the benchmark and print its table."""
    parser = argparse.ArgumentParser(description="Count clamps caught, missed and doubted.")
    parser.add_argument("--seeds", type=int, default=10, help=f"sessions of {PULLS} pulls per family and length")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--hands", nargs="*", default=[""])
    parser.add_argument("--lengths", nargs="*", default=list(LENGTHS))
    parser.add_argument("--each", action="store_true", help="tell every clamp that was not judged right")
    chosen = parser.parse_args(args)
    jobs = [
        (seed, number, length, hands)
        for hands in chosen.hands
        for seed in range(chosen.first, chosen.first + chosen.seeds)
        for length in chosen.lengths
        for number in range(len(TRADES))
    ]
    done: list[Outcome] = []
    begun = time.monotonic()
    with get_context("fork").Pool(chosen.jobs) as pool:
        for outcomes in pool.imap_unordered(work, jobs):
            done += outcomes
            if chosen.each:
                for d in outcomes:
                    if (d.verdict != "passed") if d.good else not d.caught:
                        print(
                            f"{d.seed}.{d.number} {d.hands} {d.family} {d.length} {d.clamp}: {d.verdict} "
                            f"lost {100 * d.lost:.2f} % {d.note}",
                            flush=True,
                        )
    print(table(done))
    print(f"{time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
