"""How often the interval that a calibration states holds the true force: simulated calibrations of simulated cells.

    python -m tests.benchmarks.coverage --runs 2000

The cell here is a model of its own (bow, loop, creep, noise, uneven placing, drift of the zero), drawn anew for each run
from what a data sheet of class C allows; weights are wrong inside their tolerance, alike within a set or each by itself;
gravity is wrong by the local anomaly; the pull comes on another day, some kelvin warmer or cooler, from below or above.
None of the product's own terms is used to make the truth.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, replace

import numpy as np
from evenbed.calibration.document import Document
from evenbed.calibration.steps import Cell, Series, Step, ratiometric, step_from_samples
from evenbed.calibration.weights import Load, Place, Weight, normal_gravity, parse_weights, place_at, stack

CAPACITY_N = 490.3325
CELL = Cell(CAPACITY_N, 2.0, ratiometric(128.0))
FORCES_N = (50.0, 100.0, 235.0)
TOP = "top"
# What a cell of class C does, shares of the capacity or of the load (data sheets of common cells, from memory).
BOW, LOOP, CREEP, SPAN_PER_K, PLACING = 3e-4, 3e-4, 3e-4, 3e-5, 5e-5
ZERO_N = 0.02  # wander of the zero from one step to the next
NOISE_COUNTS, SAMPLES = 38.65, 240
TEMPERATURE_K = 5.0
SETS = (
    ("two weights of class M1", ("5kg M1", "10kg M1")),
    ("gym plates within 1 %", ("5kg ±1%", "10kg ±1%", "10kg ±1%")),
    ("a bucket on a kitchen scale", ("bucket 5kg ±0.02", "bucket 11kg ±0.02")),
)


@dataclass
class PretendedCell:
    """A cell: counts for a force, given the largest force since it was last empty."""

    rng: np.random.Generator
    gain: float
    zero: float
    bow: float
    loop: float
    creep: float
    per_k: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> PretendedCell:
        """Any cell that its maker would sell as class C, and up to 5 % off its rating."""
        return cls(
            rng,
            CELL.rated_counts_n * (1.0 + rng.uniform(-0.05, 0.05)),
            rng.uniform(-50_000.0, 50_000.0),
            rng.uniform(-BOW, BOW),
            rng.uniform(0.0, LOOP),
            rng.uniform(-CREEP, CREEP),
            rng.uniform(-SPAN_PER_K, SPAN_PER_K),
        )

    def mean(self, force_n: float, most_n: float, crept: float, warmer_k: float = 0.0) -> float:
        """Counts without noise. ``crept``: how much of its creep has come, 0 to 1."""
        x = force_n / CAPACITY_N
        seen = force_n * (1.0 + self.creep * crept + self.per_k * warmer_k) + self.bow * CAPACITY_N * 4.0 * x * (1.0 - x)
        if most_n > force_n > 0.0:
            y = force_n / most_n
            seen += self.loop * most_n * 4.0 * y * (1.0 - y)
        return self.zero + self.gain * seen

    def samples(self, mean: float, n: int = SAMPLES) -> list[int]:
        """Readings."""
        return [round(c) for c in mean + NOISE_COUNTS * self.rng.standard_normal(n)]

    def step(self, load: Load | None, true_n: float, most_n: float, t_s: float) -> Step:
        """One step of a calibration, the weights placed as hands place them."""
        self.zero += self.gain * ZERO_N * self.rng.standard_normal()
        placed_n = true_n * (1.0 + PLACING * self.rng.standard_normal())
        counts = self.samples(self.mean(placed_n, most_n, self.rng.uniform(0.0, 0.3)))
        times = [t_s + i / 80.0 for i in range(SAMPLES)]
        force_n, terms = (load.force_n, load.terms) if load is not None else (0.0, ())
        return step_from_samples(force_n, terms, "up" if true_n >= most_n else "down", times, counts)


def true_force(weights: tuple[Weight, ...], errors: dict[str, float], g: float) -> float:
    """What they really pull with: mass by gravity less the air's lift (air of 1.2 kg/m3 around the conventional mass)."""
    mass = 0.0
    seen: dict[str, int] = {}
    for weight in weights:
        seen[weight.label] = seen.get(weight.label, 0) + 1
        mass += weight.mass_kg + weight.half_kg * errors[f"{weight.label} {seen[weight.label]}"]
    return mass * g * (1.0 - 1.2 / 8000.0)


def calibrated(rng: np.random.Generator, kit: tuple[str, ...], careful: bool) -> tuple[PretendedCell, Document]:
    """One calibration with one kit of weights: a single series up, or ``careful`` three series up and down."""
    cell = PretendedCell.drawn(rng)
    latitude = rng.uniform(35.0, 60.0)
    place: Place = place_at(round(latitude))
    g = normal_gravity(latitude) + rng.uniform(-1e-3, 1e-3)
    pieces = [parse_weights(text)[0] for text in kit]
    alike = rng.uniform(-1.0, 1.0) if rng.random() < 0.5 else None
    errors: dict[str, float] = {}
    for piece in pieces:
        n = sum(key.startswith(f"{piece.label} ") for key in errors) + 1
        errors[f"{piece.label} {n}"] = alike if alike is not None else rng.uniform(-1.0, 1.0)
    hung: list[tuple[Weight, ...]] = [tuple(pieces[:1]), tuple(pieces[1:2]), tuple(pieces)]
    if len(pieces) > 2:
        hung.insert(2, tuple(pieces[:2]))
    runs = []
    t = 0.0
    for _ in range(3 if careful else 1):
        most_n = 0.0
        steps = [cell.step(None, 0.0, 0.0, t)]
        way = [*hung, *(reversed(hung[:-1]) if careful else ())]
        for weights in way:
            t += 30.0
            force_n = true_force(weights, errors, g)
            most_n = max(most_n, force_n)
            steps.append(cell.step(stack(weights, place), force_n, most_n, t))
        t += 30.0
        steps.append(cell.step(None, 0.0, 0.0, t))
        runs.append(Series(tuple(steps)))
    return cell, Document("2026-01-01T00:00:00+00:00", "", place, CELL, tuple(runs))


def holds(rng: np.random.Generator, cell: PretendedCell, doc: Document, force_n: float) -> tuple[bool, float]:
    """A pull on another day: does the stated interval hold the true force? And the interval's half width, N."""
    warmer_k = rng.uniform(-TEMPERATURE_K, TEMPERATURE_K)
    most_n = force_n if rng.random() < 0.7 else force_n * rng.uniform(1.0, 1.1)
    counts = np.mean(cell.samples(cell.mean(force_n, most_n, rng.uniform(0.0, 1.0), warmer_k), 16))
    zero = np.mean(cell.samples(cell.mean(0.0, 0.0, 0.0), 16))
    shown_n = float(counts - zero) / (doc.setting.gain_mcounts_n / 1000.0)
    half_n = doc.uncertainty(shown_n).expanded_n
    return abs(shown_n - force_n) <= half_n, half_n


@dataclass
class Tally:
    """Of one force: how many intervals, how many held, the sum of the half widths in percent of the force."""

    n: int = 0
    held: int = 0
    width: float = 0.0

    @property
    def share(self) -> float:
        """Share held."""
        return self.held / self.n if self.n else math.nan


def tally(runs: int, seed: int = 1) -> dict[tuple[str, bool, str], Tally]:
    """(kit, careful, force) to what came of it."""
    found: dict[tuple[str, bool, str], Tally] = {}
    for i in range(runs):
        rng = np.random.default_rng((seed, i))
        name, kit = SETS[i % len(SETS)]
        careful = i // len(SETS) % 2 == 1
        cell, doc = calibrated(rng, kit, careful)
        for label, force_n in (*((f"{f:.0f}", f) for f in FORCES_N), (TOP, doc.calibration.top_n)):
            if doc.extrapolation(force_n) == "refuse":
                continue
            ok, half_n = holds(rng, cell, doc, force_n)
            one = found.setdefault((name, careful, label), Tally())
            one.n += 1
            one.held += ok
            one.width += 100.0 * half_n / force_n
    return found


def pooled(found: dict[tuple[str, bool, str], Tally]) -> dict[str, Tally]:
    """By force alone."""
    out: dict[str, Tally] = {}
    for (_, _, label), one in found.items():
        old = out.get(label, Tally())
        out[label] = replace(old, n=old.n + one.n, held=old.held + one.held, width=old.width + one.width)
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    found = tally(args.runs, args.seed)
    labels = [*(f"{f:.0f}" for f in FORCES_N), TOP]
    print(f"{'weights':<30}{'series':<9}" + "".join(f"{label + ' N' if label != TOP else label:>22}" for label in labels))
    for name, careful in sorted({(key[0], key[1]) for key in found}):
        cells = [_cell(found.get((name, careful, label))) for label in labels]
        print(f"{name:<30}{'three' if careful else 'one':<9}" + "".join(f"{text:>22}" for text in cells))
    every = pooled(found)
    print(f"{'together':<39}" + "".join(f"{_cell(every.get(label)):>22}" for label in labels))
    print("Each: share of stated intervals that hold the true force, how many, mean half width in percent of the force.")


def _cell(one: Tally | None) -> str:
    return "-" if one is None else f"{100 * one.share:.1f} % {one.n} ±{one.width / one.n:.2f}"


if __name__ == "__main__":
    main()
