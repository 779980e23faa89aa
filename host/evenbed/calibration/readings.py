"""Readings as they came: in order, and told apart into those to measure by and those that are wrong in themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from evenbed.calibration.steps import CONVERTER

STRAY_SIGMAS = 10.0
SLIPPED_BITS = 4


class Heard(NamedTuple):
    """One reading: s on the board's clock, counts, whether the board believes it, and its number."""

    t_s: float
    counts: int
    sound: bool
    conversion: int


@dataclass(frozen=True)
class Sorted:
    """Readings told apart: ``good`` ones for noise and drift, and how many are saturated, stray, or as if bits had
    slipped."""

    good: tuple[Heard, ...]
    saturated: int
    longest_saturated: int
    stray: int
    slipped: int


def rising(readings: Sequence[Heard]) -> list[Heard]:
    """The readings whose time rises: a board that started anew counts from then on."""
    kept: list[Heard] = []
    for reading in readings:
        if kept and reading.t_s <= kept[-1].t_s:
            kept = []
        kept.append(reading)
    return kept


def sort(readings: Sequence[Heard]) -> Sorted:
    """Tell apart what is saturated, what stands far from its neighbours, and what looks as if bits had slipped while the
    reading was clocked out: its neighbours shifted by a few bits, or all ones."""
    y = np.array([float(r.counts) for r in readings])
    ends = (y <= CONVERTER[0]) | (y >= CONVERTER[1])
    padded = np.pad(y, 2, mode="edge")
    level = np.median(np.stack([padded[k : k + len(y)] for k in range(5)]), axis=0)
    off = y - level
    # By the steps too: on a slope the middle one is its own median, and a swing is no stray reading.
    step = float(np.median(np.abs(np.diff(y))))
    spread = 1.4826 * max(float(np.median(np.abs(off))), step, 1.0)
    strays = (np.abs(off) > STRAY_SIGMAS * spread) & ~ends
    slipped = sum(_slipped(int(y[i]), float(level[i]), STRAY_SIGMAS * spread) for i in np.flatnonzero(strays))
    good = tuple(r for r, bad in zip(readings, ends | strays, strict=True) if not bad)
    return Sorted(good, int(ends.sum()), longest_run(ends.tolist()), int(strays.sum()), slipped)


def _slipped(counts: int, level: float, room: float) -> bool:
    if counts > 0 and counts & (counts + 1) == 0:
        return True
    for bits in range(1, SLIPPED_BITS + 1):
        if abs(counts - level / 2**bits) <= room / 2**bits + 1.0 or abs(counts - level * 2**bits) <= room * 2**bits:
            return True
    return False


def longest_run(flags: Sequence[bool]) -> int:
    """Most that are set one after another."""
    longest = run = 0
    for flag in flags:
        run = run + 1 if flag else 0
        longest = max(longest, run)
    return longest


def skipped(readings: Sequence[Heard]) -> int:
    """Readings that the board had and that did not arrive here."""
    return sum(max(0, b.conversion - a.conversion - 1) for a, b in pairwise(readings))
