"""Pretended readings for the guided run: a cell under a force that the test sets, 80 readings a second, seeded noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from evenbed.calibration.guided import Guided, Said, Timing
from evenbed.calibration.steps import Cell, ratiometric
from evenbed.calibration.weights import Load, Place, Rigging, parse_weights, stack

CELL = Cell(490.3325, 2.0, ratiometric(128.0))
GAIN = CELL.rated_counts_n
ZERO = 21_000.0
RATE_HZ = 80.0
PLACE = Place(9.81, 3e-4)
QUICK = Timing(still_s=0.5, take_s=1.0, patience_s=4.0, give_up_s=8.0, every_s=1.0)


def load(text: str, rigging: Rigging | None = None) -> Load:
    return stack(parse_weights(text), PLACE, rigging)


@dataclass
class Bench:
    """A cell and the run that listens to it. ``force_n`` may be a number or a function of the time."""

    cell: Cell = CELL
    gain: float = GAIN
    noise: float = 30.0
    rate_hz: float = RATE_HZ
    seed: int = 1
    timing: Timing = QUICK
    force_n: float | Callable[[float], float] = 0.0
    t_s: float = 100.0
    guided: Guided = field(init=False)
    told: list[Said] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.guided = Guided(self.cell, (), RATE_HZ, self.timing)
        self._rng = np.random.default_rng(self.seed)

    def counts(self) -> int:
        force_n = self.force_n(self.t_s) if callable(self.force_n) else self.force_n
        code = ZERO + self.gain * force_n + self.noise * self._rng.standard_normal()
        return int(np.clip(round(code), -(2**23), 2**23 - 1))

    def run(self, for_s: float) -> list[Said]:
        """Let time pass; what was said meanwhile."""
        before = len(self.told)
        until = self.t_s + for_s
        while self.t_s < until:
            self.t_s += 1.0 / self.rate_hz
            said = self.guided.sample(self.t_s, self.counts())
            if said is not None:
                self.told.append(said)
        return self.told[before:]

    def settle(self) -> Said:
        """Until the step is taken or refused; the last word."""
        for _ in range(40):
            self.run(0.5)
            if not self.guided.busy:
                return self.told[-1]
        raise AssertionError(self.told)

    def zero(self, force_n: float | Callable[[float], float] = 0.0) -> Said:
        """Nothing hangs, but for ``force_n``."""
        self.force_n = force_n
        self.guided.zero(self.t_s)
        return self.settle()

    def hang(self, text: str, force_n: float | Callable[[float], float] | None = None) -> Said:
        """``text`` is typed, and ``force_n`` hangs: by default what was typed."""
        asked = load(text)
        self.force_n = asked.force_n if force_n is None else force_n
        self.guided.load(self.t_s, asked)
        return self.settle()
