"""A pretended cell under pretended weights, for the tests of the calibration."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from evenbed.calibration.budget import Term
from evenbed.calibration.steps import Cell, Direction, Series, Step, ratiometric

# 50 kgf, 2 mV/V, gain 128, 24 bits.
CELL = Cell(490.3325, 2.0, ratiometric(128.0))
GAIN = CELL.rated_counts_n  # counts/N
ZERO = 12_345.0


def step(
    force_n: float,
    counts: float,
    t_s: float = 0.0,
    direction: Direction = "up",
    terms: Sequence[Term] = (),
    sd: float = 30.0,
    n: int = 80,
    moved: float = 0.0,
    saturated: int = 0,
) -> Step:
    return Step(force_n, tuple(terms), direction, counts, sd, n, t_s, moved, saturated)


def run(
    forces_n: Sequence[float],
    curve: Callable[[float], float] = lambda f: GAIN * f,
    scatter: float = 0.0,
    seed: int = 0,
    down: Callable[[float], float] | None = None,
    zero_end: float = 0.0,
    terms: Callable[[float], Sequence[Term]] = lambda f: (),
    start_s: float = 0.0,
) -> Series:
    """Zero, the forces up, with ``down`` the same down again (its extra counts), zero."""
    rng = np.random.default_rng(seed)
    t = start_s
    steps = [step(0.0, ZERO, t)]
    for force in forces_n:
        t += 60.0
        steps.append(step(force, ZERO + curve(force) + scatter * rng.standard_normal(), t, "up", terms(force)))
    if down:
        for force in reversed(forces_n[:-1]):
            t += 60.0
            counts = ZERO + curve(force) + down(force) + scatter * rng.standard_normal()
            steps.append(step(force, counts, t, "down", terms(force)))
    steps.append(step(0.0, ZERO + zero_end, t + 60.0))
    return Series(tuple(steps))
