"""When things happened in a job, and how long they took. Pure.

A "pulled" mark carries the job's own clock (``wall_s``), which is the simulated one on a simulated rig; all marks carry the
clock on the wall. The first is used where it runs on, the second where a job was left and taken up again.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

from evenbed.job.marks import Mark

PHASES = ("between", "taking up", "drawing", "holding", "letting off")
SAYS = {
    "between": "between: threading, weaving, knots",
    "taking up": "taking the string up",
    "drawing": "drawing to the reference",
    "holding": "holding: clamp and straighten",
    "letting off": "look at the clamp, letting off",
}
BREAK_S = 600.0  # a gap that long is a break and no weaving


@dataclass(frozen=True)
class Span:
    """One pull: number, whether it is woven, seconds of each phase (None where it is not known), and whether a break lies
    before it."""

    number: int
    label: str
    woven: bool
    seconds: dict[str, float | None]
    after_break: bool


@dataclass(frozen=True)
class Phase:
    """One phase over all pulls: sum, and median of mains and of crosses, s."""

    name: str
    total_s: float
    main_s: float | None
    cross_s: float | None


def moment(mark: Mark) -> datetime | None:
    """When a mark was made, by the clock on the wall."""
    try:
        return datetime.fromisoformat(mark.at)
    except ValueError:
        return None


def _since(later: Mark, earlier: Mark) -> float | None:
    a, b = moment(earlier), moment(later)
    return None if a is None or b is None else max(0.0, (b - a).total_seconds())


def apart_s(earlier: Mark, later: Mark, left: bool) -> float | None:
    """Seconds between two pulled marks; ``left``: the program was left in between. None if not known."""
    a, b = earlier.values.get("wall_s"), later.values.get("wall_s")
    if a is not None and b is not None and b >= a and not left:
        return float(b) - float(a)
    return _since(later, earlier)


def pulled(marks: Sequence[Mark]) -> list[tuple[int, Mark]]:
    """Places and marks of all pulls, those made a second time too, in order."""
    return [(i, m) for i, m in enumerate(marks) if m.kind == "pulled"]


def _left_between(marks: Sequence[Mark], i: int, j: int) -> bool:
    return any(m.kind == "questioned" and m.values.get("key") == "clamp" for m in marks[i + 1 : j])


def before_last_s(marks: Sequence[Mark]) -> dict[int, float]:
    """By number of a pull: seconds from it to the last pull of the job."""
    made = pulled(marks)
    out: dict[int, float] = {}
    after = 0.0
    if made:
        out[int(made[-1][1].values["number"])] = 0.0
    for (i, a), (j, b) in reversed(list(pairwise(made))):
        after += apart_s(a, b, _left_between(marks, i, j)) or 0.0
        out.setdefault(int(a.values["number"]), after)
    return out


def spans(marks: Sequence[Mark], woven: dict[int, bool]) -> list[Span]:
    """All pulls with their phases. ``woven`` says by number which pulls are of woven strings."""
    out: list[Span] = []
    before: tuple[int, Mark] | None = None
    for i, mark in pulled(marks):
        record: dict[str, Any] = mark.values["record"]
        contact, reached, clamped, done = (record.get(k) for k in ("contact_s", "reached_s", "clamped_s", "done_s"))
        between, broken = None, False
        if before is not None:
            j, earlier = before
            left = _left_between(marks, j, i)
            gap = apart_s(earlier, mark, left)
            if gap is not None and done is not None:
                between = max(0.0, gap - done)
            broken = left or any(m.kind == "break" for m in marks[j + 1 : i]) or (between or 0.0) > BREAK_S
        number = int(mark.values["number"])
        seconds = {
            "between": None if broken else between,
            "taking up": contact,
            "drawing": _less(reached, contact),
            "holding": _less(clamped, reached),
            "letting off": _less(done, clamped),
        }
        label = str(mark.values.get("label", number))
        out.append(Span(number, label, woven.get(number, False), seconds, broken))
        before = (i, mark)
    return out


def _less(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else max(0.0, a - b)


def phases(found: Sequence[Span]) -> list[Phase]:
    """Sums and medians of each phase, in the order in which they follow each other."""
    out = []
    for name in PHASES:
        mains = [v for s in found if not s.woven and (v := s.seconds[name]) is not None]
        crosses = [v for s in found if s.woven and (v := s.seconds[name]) is not None]
        out.append(
            Phase(
                name,
                sum(mains) + sum(crosses),
                statistics.median(mains) if mains else None,
                statistics.median(crosses) if crosses else None,
            )
        )
    return out


def show_time(seconds: float) -> str:
    """Seconds, or minutes, or hours and minutes."""
    if seconds < 99.5:
        return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.1f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"
