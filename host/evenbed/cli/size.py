"""``evenbed size``: is the rig that rig.toml describes sound, and what would make it so?"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

from evenbed.control.loop import MAX_PERIOD_US, MIN_PERIOD_US
from evenbed.design.lines import Line, quantity
from evenbed.design.review import computed, review
from evenbed.rig import Rig, RigError, changed, default_rig, load, parsed, update, where

UNSAFE = 4  # exit code
RATES_HZ = (1e6 / MAX_PERIOD_US, 1e6 / MIN_PERIOD_US)
WIDTH = 110


@dataclass(frozen=True)
class SizeRequest:
    """What to size: a file (None: the user's own), values to try, and what to show."""

    path: Path | None
    trial: tuple[str, ...] = ()
    write: bool = False
    why: bool = False
    unit: str = "N"


def trial_values(words: Sequence[str]) -> dict[str, Any]:
    """``screw.pitch_mm=3`` as a value to try. Raises RigError where there is no ``=``."""
    values = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals:
            raise RigError(f"--set {word}: write table.key=value, such as --set screw.pitch_mm=3.")
        values[name.strip()] = parsed(text.strip())
    return values


def _row(line: Line, unit: str) -> str:
    limit = "-"
    if line.limit is not None:
        limit = f"at {line.bound} {quantity(line.limit, line.unit, unit)}"
    margin = line.margin
    times = "-" if margin is None else "large" if margin > 99.0 else f"x {margin:.2f}"
    return f"  {line.what:<40}{quantity(line.value, line.unit, unit):>14}   {limit:<22}{times:>8}   {line.verdict}"


def _wrapped(text: str, first: str, rest: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)


def report(lines: Sequence[Line], name: str, unit: str, why: bool) -> str:
    """The whole report as text: what is wrong first, then every value by group."""
    out = [name, ""]
    wrong = sorted((line for line in lines if line.verdict != "ok"), key=lambda line: line.verdict != "unsafe")
    for line in wrong:
        out += _wrapped(
            f"{line.what}, {quantity(line.value, line.unit, unit)}: {line.says}", f"{line.verdict.upper():<10} ", " " * 11
        )
    if not wrong:
        out.append("Nothing here is unsafe or pointless. That is arithmetic on data sheets: commissioning proves the rig.")
    out += ["", f"  {'':<40}{'value':>14}   {'limit':<22}{'margin':>8}   verdict"]
    for group, members in groupby(lines, key=lambda line: line.group):
        out.append(group)
        for line in members:
            out.append(_row(line, unit))
            if why:
                out += _wrapped(f"{line.formula}   [{line.source}]", " " * 6, " " * 8)
            if line.says and line.verdict == "ok":
                out += _wrapped(line.says, " " * 4, " " * 4)
    return "\n".join(out)


def stale(rig: Rig) -> bool:
    """Does the table ``computed`` hold values of another rig than the one described?"""
    fresh = changed(rig, computed(rig, rig.computed.on or date.min)).computed
    return rig.computed.on is not None and rig.computed != fresh


def run(request: SizeRequest) -> int:
    """Print the review, write what was asked for; return the exit code (0 sound, 2 asked wrongly, 4 unsafe)."""
    path = where(request.path)
    try:
        begun = request.write and not path.exists()
        values = trial_values(request.trial)
        rig = changed(default_rig() if begun else load(request.path), values, "--set")
        lines = review(rig, RATES_HZ, request.unit)
        source = str(path) if path.exists() else f"no file yet at {path}: every value at its default"
        tried = f" with {', '.join(request.trial)}" if request.trial else ""
        print(report(lines, f"{rig.name} ({source}){tried}", request.unit, request.why))
        if not request.write and stale(rig):
            print("\nThe file's [computed] is not of this rig any more: --write it again.")
        if request.write:
            update(path, {**values, **computed(rig, date.today())})
            print(f"\nWritten to {path}: [computed]" + (" and the values tried." if values else "."))
    except RigError as e:
        print(f"evenbed size: {e}")
        return 2
    return UNSAFE if any(line.verdict == "unsafe" for line in lines) else 0
