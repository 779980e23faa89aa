"""Search for the worst: ``python -m tests.campaign.search --goal peak --seconds 300``.

Differential evolution (Storn and Price 1997, as in scipy) over which fault comes when, how strong and for how long, a
second one, and the string and rig it meets. Goals:

    peak     largest true force relative to its bound; told is the margin in newtons
    lost     most newtons that the true force is short of the reference, for 0.3 s and more, under the word "clamp"
    release  a string let off although the new clamp does not hold: share of the bed's tension gone

What fools every layer by design is searched apart: ``--fooled low`` (a cell that reads less than 80 % of the truth) and
``--fooled snag`` (the string stiffens at once, up to twenty times, at most to the stiffest the board assumes).
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from evenbed_sim.plant import Plant
from evenbed_sim.scenario import RigPlan
from scipy.optimize import differential_evolution

from . import cases
from .cases import BY_FORCE, BY_TIME, Case
from .judge import NO_FAULT, Verdict, judge
from .play import play

Vector = npt.NDArray[np.float64]
# Kinds whose value has a range, and the range; the honest ones only.
RANGES: dict[tuple[str, str], tuple[float, float]] = {
    ("cell", "garbage"): (0.01, 0.9),
    ("cell", "wrong"): (0.8, 1.3),
    ("cell", "slow"): (1.0, 4.0),
    ("cell", "delayed"): (1.0, 4.0),
    ("cell", "intermittent"): (0.02, 0.9),
    ("motor", "wrong"): (0.3, 1.5),
    ("motor", "slow"): (0.3, 1.5),
    ("motor", "intermittent"): (0.05, 0.9),
    ("pedal", "intermittent"): (0.05, 0.9),
    ("to-host", "garbage"): (0.02, 0.9),
    ("to-board", "garbage"): (0.02, 0.9),
    ("to-host", "delayed"): (5.0, 300.0),
    ("to-board", "delayed"): (5.0, 300.0),
    ("to-host", "intermittent"): (0.02, 0.9),
    ("to-board", "intermittent"): (0.02, 0.9),
    ("board", "slow"): (2.0, 30.0),
    ("string", "slow"): (0.1, 20.0),
}
PHASES = {
    # Without straightening: there the worst is a hand that pushes 25 N onto a head which stands.
    "peak": (cases.TAKING_UP, cases.EARLY, cases.MIDDLE, cases.NEAR, cases.REACHED, cases.HOLDING),
    "lost": (cases.EARLY, cases.MIDDLE, cases.NEAR, cases.REACHED, cases.HOLDING, cases.STRAIGHTENING),
    "release": (cases.PROVING,),
}
NOT_FOR_LOST = {"cell wrong", "motor wrong", "motor slow"}  # a wrong scale is not seen by anybody, high or low
SIZE = 17


def _pick(x: float, n: int) -> int:
    return min(int(x * n), n - 1)


def _line(kinds: tuple[tuple[str, str], ...], which: float, value: float, length: float) -> str:
    part, how = kinds[_pick(which, len(kinds))]
    words = [part, how]
    if (part, how) in RANGES:
        low, high = RANGES[part, how]
        scaled = low + value * (high - low)
        words.append(f"{round(scaled) if how == 'delayed' else scaled:.3g}")
    if length < 0.7 and part != "string":
        # 20 ms to 2 s, evenly in the logarithm. A pedal that closes for a moment is a tap like any other.
        shortest = 1.0 if (part, how) == ("pedal", "stuck") else 0.02
        words += ["for", f"{max(shortest, 0.02 * 100.0 ** (length / 0.7)):.3f}s"]
    return " ".join(words)


@dataclass
class Found:
    """One evaluation."""

    score: float
    case: Case
    verdict: Verdict
    margin_n: float


class TimeUp(Exception):
    """The search has had its time."""


class Search:
    """One search; ``best`` collects the worst case of each kind of fault."""

    def __init__(self, goal: str, fooled: str = "") -> None:
        self.goal = goal
        self.fooled = fooled
        kinds = cases.KINDS
        if goal == "lost":
            kinds = tuple(k for k in kinds if " ".join(k) not in NOT_FOR_LOST)
        if goal == "release":
            kinds = tuple(k for k in kinds if k[0] not in ("pedal", "string") and " ".join(k) not in NOT_FOR_LOST)
        self.kinds: tuple[tuple[str, str], ...] = (("cell", "wrong"),) if fooled == "low" else kinds
        self.best: dict[str, Found] = {}
        self.runs = 0
        self._end_s = float("inf")

    def case(self, numbers: Vector) -> Case:
        """What the numbers stand for, each 0 .. 1."""
        x = [float(number) for number in numbers]
        phases = PHASES[self.goal]
        phase = phases[_pick(x[0], len(phases))]
        low, high = BY_FORCE.get(phase) or BY_TIME[phase]
        if self.goal == "release":
            high = 0.8  # to the end of the watched easing
        string, low_n, high_n = cases.STRINGS[_pick(x[1], len(cases.STRINGS))]
        if string.tether_n_mm is not None and self.goal != "release":
            string = replace(string, tether_n_mm=round(2.0 * 30.0 ** x[2], 1))  # 2 to 60 N/mm
            low_n, high_n = (90.0, 110.0) if string.tether_n_mm is not None and string.tether_n_mm < 4.0 else (120.0, 260.0)
        reference_n = float(round(low_n + x[3] * (high_n - low_n)))
        clamp: float | None = None
        if self.goal == "release":
            clamp = 0.0 if x[2] < 0.3 else float(round((0.05 + 0.2 * (x[2] - 0.3) / 0.7) * reference_n))
        plan: RigPlan = replace(
            string,
            slack_mm=round(40.0 * x[4], 1),
            seed=1 + int(x[5] * 999),
            rate_hz=round(72.0 + 24.0 * x[6], 1),
            settling=1 + _pick(x[7], 6),
            late=_pick(x[8], 2),
            backlash_mm=round(0.06 * x[9], 3),
            clamp_slips_above_n=clamp,
        )
        first = _line(self.kinds, x[10], x[11], x[12])
        if self.fooled == "low":
            first = f"cell wrong {0.3 + 0.5 * x[11]:.3g}"
        if self.fooled == "snag":
            first = NO_FAULT
        second, after = "", 0.0
        if x[13] > 0.5 and not self.fooled:
            second = _line(self.kinds, x[14], x[15], x[12])
            after = round(max(0.0, 2.0 * (x[13] - 0.5) - 0.1), 3)
        return Case(plan, reference_n, phase, round(low + x[16] * (high - low), 3), first, second, after)

    def score(self, x: Vector) -> float:
        """To be made small. Raises TimeUp when the time is over."""
        if time.monotonic() > self._end_s:
            raise TimeUp
        case = self.case(x)
        wrap = snag(case, x) if self.fooled == "snag" else None
        p = play(case, wrap)
        v = judge(p, fooled=bool(self.fooled))
        self.runs += 1
        if self.goal == "peak":
            # Of the room between reference and bound: a low reference has less of it without anything being worse.
            peak_n = p.r.rig.plant.peak_n
            bound = p.r.bound_n if self.fooled else peak_n + v.margin_n
            score = (bound - peak_n) / (bound - case.reference_n)
        elif self.goal == "lost":
            score = -v.lost_n / case.reference_n
        else:
            gone = [1.0 - c.after_n / c.before_n for c in p.clamping if c.proved and not c.holds and c.before_n > 0.0]
            score = -max(gone, default=0.0)
        kept = self.best.get(case.kind)
        if kept is None or score < kept.score:
            self.best[case.kind] = Found(score, case, v, p.r.bound_n - p.r.rig.plant.peak_n if self.fooled else v.margin_n)
        return score

    def run(self, seconds: float, seed: int) -> None:
        """Search for about so long."""
        self._end_s = time.monotonic() + seconds
        with contextlib.suppress(TimeUp):
            while True:
                differential_evolution(
                    self.score,
                    [(0.0, 1.0)] * SIZE,
                    popsize=3,
                    mutation=(0.4, 1.0),
                    recombination=0.7,
                    polish=False,
                    seed=seed,
                    maxiter=40,  # then from somewhere else: many flat places have no slope to follow
                )
                seed += 1


def snag(case: Case, x: Vector) -> Callable[[Plant], Plant]:
    """Something that the string is caught on: a plant that stiffens at once."""
    from tests.benchmarks.plants import Stiffened

    ratio, at = 3.0 + 17.0 * x[11], (0.2 + 0.7 * x[12]) * case.reference_n
    return lambda plant: Stiffened(plant, at, ratio)


def tell(found: Found, goal: str) -> str:
    """One finding on one line."""
    figure = {
        "peak": f"margin {found.margin_n:6.1f} N ({100 * found.score:3.0f} % of the room)",
        "lost": f"lost {-100 * found.score:5.2f} %",
        "release": f"let off, {-100 * found.score:5.1f} % gone",
    }[goal]
    wrong = f" !! {'; '.join(found.verdict.violations)}" if found.verdict.violations else ""
    return f"{figure}  {found.case.told()} → {found.verdict.told}{wrong}"


def main(args: list[str]) -> None:
    """Search and print the worst of each kind of fault."""
    parser = argparse.ArgumentParser(description="Search for the worst that faults can do.")
    parser.add_argument("--goal", choices=("peak", "lost", "release"), default="peak")
    parser.add_argument("--fooled", choices=("low", "snag"), default="")
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(args)
    search = Search("peak" if chosen.fooled else chosen.goal, chosen.fooled)
    search.run(chosen.seconds, chosen.seed)
    print(f"{search.runs} runs")
    for found in sorted(search.best.values(), key=lambda f: f.score)[:15]:
        print(tell(found, search.goal))
        print(f"    {found.case}")


if __name__ == "__main__":
    main(sys.argv[1:])
