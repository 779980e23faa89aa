"""The [frame] and [pattern] tables of a racquet file: hoop, holes, where the strings lie and how long they are."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, field
from itertools import count, islice
from typing import Literal, cast

from evenbed.racquet import naming
from evenbed.racquet.geometry import (
    Hoop,
    Polygon,
    Superellipse,
    cross_lengths_mm,
    main_lengths_mm,
    spread_crosses_mm,
    spread_mains_mm,
)
from evenbed.racquet.model import ENDS, End
from evenbed.racquet.sports import Sport
from evenbed.racquet.table import Table, shown

MOST_STRINGS = 30
LONGEST_MM = 420.0
INSIDE_MM = (100.0, LONGEST_MM)
LENGTH_MM = (300.0, 800.0)
WIDTH_MM = (120.0, 400.0)
EXPONENT = (1.6, 4.0)
MEASURE = "measure it inside the hoop, where the strings lie, in mm."


@dataclass
class FrameRead:
    """What [frame] says; ``hoop`` is None where it could not be understood."""

    hoop: Hoop | None
    length_mm: float | None = None
    width_mm: float | None = None
    exponent: float | None = None
    holes: dict[End, int] = field(default_factory=dict)
    least: float | None = None  # in the file's unit
    most: float | None = None
    estimated: tuple[str, ...] = ()


@dataclass
class PatternRead:
    """What [pattern] says."""

    mains: int = 0
    crosses: int = 0
    start: End = "head"
    mains_at_throat: int | None = None
    main_holes: dict[End, tuple[int, ...]] = field(default_factory=dict)
    cross_holes: tuple[tuple[End, int], ...] = ()
    shared: frozenset[tuple[End, int]] = frozenset()
    mains_x_mm: tuple[float, ...] = ()
    crosses_y_mm: tuple[float, ...] = ()
    main_lengths_mm: tuple[float, ...] = ()
    cross_lengths_mm: tuple[float, ...] = ()
    estimated: tuple[str, ...] = ()


def read_frame(table: Table, sport: Sport | None, force: tuple[float, float, str]) -> FrameRead:
    """Read [frame]; ``force`` is the lowest and the highest tension that can be written, and their unit."""
    read = FrameRead(None)
    read.length_mm = table.number("length_mm", *LENGTH_MM, "mm")
    read.width_mm = table.number("width_mm", *WIDTH_MM, "mm")
    read.least = table.number("least", *force)
    read.most = table.number("most", *force)
    if read.least is not None and read.most is not None and read.least > read.most:
        table.wrong("least", f"{read.least:g} is more than most, {read.most:g} {force[2]}: exchange them?")
    for end in ENDS:
        holes = table.whole(f"holes_{end}", 1, naming.MOST_HOLES)
        if holes is not None:
            read.holes[end] = holes
    if table.take("outline") is not None:
        read.hoop = _outline(table)
        for key in ("inside_length_mm", "inside_width_mm", "exponent"):
            if table.take(key) is not None:
                table.wrong(key, "the outline says it already: leave one of the two out.")
    else:
        length = table.number("inside_length_mm", *INSIDE_MM, "mm", MEASURE)
        width = table.number("inside_width_mm", *INSIDE_MM, "mm", MEASURE)
        read.exponent = table.number("exponent", *EXPONENT, "")
        if read.exponent is None:
            read.exponent = sport.exponent if sport else 2.0
            read.estimated = (f"outline: a superellipse of exponent {read.exponent:g}, usual in this sport",)
        if length is not None and width is not None:
            read.hoop = Superellipse(length, width, read.exponent)
    table.finish()
    return read


def _outline(table: Table) -> Polygon | None:
    key = "outline"
    raw = table.raw[key]
    if not isinstance(raw, list) or len(raw) < 5:
        table.wrong(key, "give five points or more, [x, y] in mm, of the right half from head to throat.")
        return None
    points: list[tuple[float, float]] = []
    for i, pair in enumerate(raw):
        fine = isinstance(pair, list) and len(pair) == 2
        if not fine or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in pair):
            table.wrong(key, f"point {i + 1} is {shown(pair)}: write [x, y] in mm.")
            return None
        if not all(0 <= v <= LONGEST_MM for v in pair):
            table.wrong(key, f"point {i + 1} is {shown(pair)} mm: x and y lie between 0 and {LONGEST_MM:g} mm.")
            return None
        points.append((float(pair[0]), float(pair[1])))
    back = [i for i in range(1, len(points)) if points[i][1] < points[i - 1][1]]
    if back:
        table.wrong(key, f"point {back[0] + 1} goes back towards the head: y may only grow.")
        return None
    if points[0] != (0.0, 0.0) or points[-1][0] != 0.0:
        table.wrong(key, "it begins at [0, 0], the middle of the head, and ends at x = 0, the middle of the throat.")
        return None
    hoop = Polygon(tuple(points))
    if min(hoop.length_mm, hoop.width_mm) < INSIDE_MM[0]:
        table.wrong(key, f"it is {hoop.length_mm:g} mm long and {hoop.width_mm:g} mm wide: is it in mm?")
        return None
    return hoop


def read_pattern(table: Table, frame: FrameRead, sport: Sport | None) -> PatternRead:
    """Read [pattern]."""
    read = PatternRead()
    usual = f"such as {sport.mains if sport else 16}"
    mains = table.whole("mains", 4, MOST_STRINGS, f"count them all, left and right, {usual}.")
    crosses = table.whole("crosses", 4, MOST_STRINGS, f"count them, such as {sport.crosses if sport else 18}.")
    if mains is not None and mains % 2:
        table.wrong("mains", f"{mains} is odd; a main on the centre line cannot be planned here: give an even number.")
        mains = None
    read.mains, read.crosses = mains or 0, crosses or 0
    _start(table, read)
    _holes(table, read)
    _places(table, read, frame.hoop, sport)
    table.finish()
    return read


def _start(table: Table, read: PatternRead) -> None:
    read.mains_at_throat = table.whole("mains_at_throat", 2, read.mains or MOST_STRINGS)
    if read.mains_at_throat is not None and read.mains_at_throat % 2:
        table.wrong("mains_at_throat", f"{read.mains_at_throat} is odd: count both sides together.")
        read.mains_at_throat = None
    start = table.word("first_loop", ENDS)
    if start is not None:
        read.start = cast(End, start)
    elif read.mains_at_throat is not None:
        read.start = throat_rule(read.mains_at_throat)
    elif "first_loop" not in table.raw and "mains_at_throat" not in table.raw:
        table.wrong(
            "first_loop",
            "missing: write 'head' or 'throat', where the first two mains are joined, as the maker's chart says; or give "
            "mains_at_throat, from which it follows.",
        )


def throat_rule(mains_at_throat: int) -> End:
    """Where the first loop lies: at the throat if the mains per side there are odd, at the head if even. Common practice,
    no source."""
    return "throat" if mains_at_throat // 2 % 2 else "head"


def _pairs(table: Table, key: str) -> list[tuple[End, int]]:
    found = []
    for text in table.texts(key):
        try:
            found.append(naming.hole_pair(text))
        except naming.NamingError as e:
            table.wrong(key, str(e))
    return found


def main_holes(skipped: Set[int], per_side: int) -> tuple[int, ...]:
    """The holes of the mains of one side at one end: all in turn but the skipped ones."""
    return tuple(islice((n for n in count(1) if n not in skipped), per_side))


def _holes(table: Table, read: PatternRead) -> None:
    skipped = set(_pairs(table, "skipped"))
    read.shared = frozenset(_pairs(table, "shared"))
    listed = _pairs(table, "cross_holes")
    taken: dict[End, tuple[int, ...]] = {}
    for end in ENDS:
        taken[end] = main_holes({n for e, n in skipped if e == end}, read.mains // 2)
        beyond = [n for e, n in skipped if e == end and read.mains and n > taken[end][-1]]
        if beyond:
            table.wrong("skipped", f"'{end} {min(beyond)}' lies beyond the last main, so no main skips it: leave it out.")
    read.main_holes = taken
    if "cross_holes" in table.raw:
        raw = table.raw["cross_holes"]
        given = len(raw) if isinstance(raw, list) else 1
        if read.crosses and given != read.crosses:
            table.wrong("cross_holes", f"{read.crosses} crosses need {read.crosses} holes, from the head, not {given}.")
        read.cross_holes = tuple(listed)
        return
    read.estimated += ("holes of the crosses: those that the mains leave, from the head and from the throat",)
    from_head = (read.crosses + 1) // 2
    at_head = _left_over(read, "head")[:from_head]
    at_throat = _left_over(read, "throat")[: read.crosses - from_head]
    read.cross_holes = (*at_head, *reversed(at_throat))


def _left_over(read: PatternRead, end: End) -> list[tuple[End, int]]:
    numbers = range(1, 2 * naming.MOST_HOLES)
    return [(end, n) for n in numbers if n not in read.main_holes[end] or (end, n) in read.shared]


def _places(table: Table, read: PatternRead, hoop: Hoop | None, sport: Sport | None) -> None:
    per_side = read.mains // 2 or None
    xs = table.numbers("mains_x_mm", per_side, 0.5, LONGEST_MM, "mm")
    ys = table.numbers("crosses_y_mm", read.crosses or None, 0.5, LONGEST_MM, "mm")
    long = table.numbers("main_lengths_mm", per_side, 30.0, LONGEST_MM, "mm")
    wide = table.numbers("cross_lengths_mm", read.crosses or None, 30.0, LONGEST_MM, "mm")
    spacing = table.word("spacing", ("even", "opening outwards")) or "opening outwards"
    for key, places, towards in (("mains_x_mm", xs, "the frame"), ("crosses_y_mm", ys, "the throat")):
        back = [i for i in range(1, len(places or ())) if places and places[i] <= places[i - 1]]
        if back:
            table.wrong(key, f"number {back[0] + 1} is no farther than the one before: they go towards {towards}.")
            return
    if hoop is None or not per_side or not read.crosses:
        return
    opening = sport.opening if sport and spacing != "even" else 1.0
    if xs is None and "mains_x_mm" not in table.raw:
        read.estimated += (_said("mains", spacing, long is not None),)
        xs = spread_mains_mm(hoop.width_mm, per_side, opening)
    if ys is None and "crosses_y_mm" not in table.raw:
        read.estimated += (_said("crosses", spacing, wide is not None),)
        ys = spread_crosses_mm(hoop.length_mm, read.crosses, opening)
    if xs is None or ys is None:
        return
    read.mains_x_mm, read.crosses_y_mm = xs, ys
    read.main_lengths_mm = long or main_lengths_mm(hoop, xs)
    read.cross_lengths_mm = wide or cross_lengths_mm(hoop, ys)
    _inside(table, read)


def _said(kind: Literal["mains", "crosses"], spacing: str, measured: bool) -> str:
    how = "evenly spaced" if spacing == "even" else "gaps opening outwards"
    return f"where the {kind} lie, an estimate: {how}" + (
        "" if measured else "; their lengths follow from it and from the outline"
    )


def _inside(table: Table, read: PatternRead) -> None:
    for key, places, lengths in (
        ("mains_x_mm", read.mains_x_mm, read.main_lengths_mm),
        ("crosses_y_mm", read.crosses_y_mm, read.cross_lengths_mm),
    ):
        outside = [i for i, mm in enumerate(lengths) if mm < 30.0]
        if outside:
            i = outside[0]
            table.wrong(key, f"number {i + 1}, {places[i]:g} mm, leaves {lengths[i]:.0f} mm of string inside the outline: "
                        "30 mm at least. Is the outline right?")  # fmt: skip
