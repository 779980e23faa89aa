"""What a racquet is: frame, pattern, holes, pieces of string and their references. Plain values, millimetres and newtons.

Left and right are as seen with the butt towards you. Mains are counted from the centre line outwards, on each side; crosses
from the head to the throat; holes from the centre line outwards, at the head and at the throat, on each side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["main", "cross"]
Side = Literal["left", "right"]
End = Literal["head", "throat"]
SIDES: tuple[Side, Side] = ("left", "right")
ENDS: tuple[End, End] = ("head", "throat")


def other_side(side: Side) -> Side:
    """The other side."""
    return "left" if side == "right" else "right"


def other_end(end: End) -> End:
    """The other end."""
    return "head" if end == "throat" else "throat"


@dataclass(frozen=True, order=True)
class Hole:
    """One hole of the frame, counted from the centre line."""

    end: End
    number: int
    side: Side

    def __str__(self) -> str:
        return f"hole {self.number} at the {self.end}, {self.side}"


@dataclass(frozen=True, order=True)
class StringName:
    """One string of the bed: a main has a side, a cross has none."""

    kind: Kind
    number: int
    side: Side | None = None

    def __str__(self) -> str:
        return f"{self.kind} {self.number} {self.side}" if self.side else f"{self.kind} {self.number}"


@dataclass(frozen=True)
class Piece:
    """One piece of string. ``diameter_mm`` 0 if not known. ``hand_stretched``: drawn out by hand, whole length, before
    mounting; ``over_pull``: on the head, as a share above the reference (0.1: 10 %), then back to it."""

    part: Literal["all", "mains", "crosses"]
    family: str
    diameter_mm: float = 0.0
    hand_stretched: bool = False
    over_pull: float = 0.0
    over_pull_crosses: bool = False  # an over-pull leaves a woven cross tighter at its far end: off unless asked for
    speed_mm_s: float = 60.0


@dataclass(frozen=True)
class Racquet:
    """One racquet as its file describes it.

    ``main_lengths_mm`` (centre outwards, one side) and ``cross_lengths_mm`` (head to throat) are the lengths inside
    the frame; where the file gives an outline or hole positions they are computed from it. ``mains_x_mm`` and
    ``crosses_y_mm`` are where the strings lie: from the centre line, and from the inside of the head; ``outline`` is the
    right half of the inside of the hoop as (x, y) from head to throat.

    ``main_holes``: the hole of each main of one side (index 0: main 1) at the head and at the throat. ``cross_holes``: for
    each cross the hole at its left and right end, as (end from which it is counted, number). ``tie_offs``: where each knot
    goes, by its name ("short side", "mains left", "mains right", "crosses start", "crosses end").
    """

    name: str
    sport: str
    unit: str
    mains: int
    crosses: int
    head_length_mm: float
    head_width_mm: float
    main_lengths_mm: tuple[float, ...]
    cross_lengths_mm: tuple[float, ...]
    mains_x_mm: tuple[float, ...]
    crosses_y_mm: tuple[float, ...]
    outline: tuple[tuple[float, float], ...]
    main_holes: dict[End, tuple[int, ...]]
    cross_holes: tuple[tuple[End, int], ...]
    start: End  # where the first loop of the mains lies
    pieces: tuple[Piece, ...]
    main_n: float
    cross_n: float
    own_references: dict[StringName, float] = field(default_factory=dict)
    least_n: float | None = None  # the maker's range
    most_n: float | None = None
    mains_ahead: int = 3
    crosses_from: End = "head"
    late_first_cross: bool = True  # else a starting knot; only where the crosses are a piece of their own
    short_side: Side = "left"
    tie_off_above: float = 0.0  # share added on the string before a tie-off
    tie_offs: dict[str, Hole] = field(default_factory=dict)
    shared_holes: frozenset[tuple[End, int]] = frozenset()  # two strings in one hole
    frame_length_mm: float | None = None  # over all
    notes: tuple[str, ...] = ()  # what the file says for the stringer
    player: dict[str, str] = field(default_factory=dict)  # wish, name on the label, next due: free words
    frame_width_mm: float | None = None  # over all
    exponent: float | None = None  # of the superellipse, where the outline is one
    mains_at_throat: int | None = None  # both sides together, as counted in the throat
    holes: dict[End, int] = field(default_factory=dict)  # holes on each side, where the file says
    parity_overruled: bool = False  # "as the maker says"
    rules_overruled: bool = False  # not for play by the rules
    estimated: tuple[str, ...] = ()  # what the file does not say and was worked out

    @property
    def per_side(self) -> int:
        """Mains on each side."""
        return self.mains // 2

    def reference_n(self, name: StringName) -> float:
        """Reference tension of one string, N."""
        return self.own_references.get(name, self.main_n if name.kind == "main" else self.cross_n)

    def length_mm(self, name: StringName) -> float:
        """Length inside the frame, mm."""
        lengths = self.main_lengths_mm if name.kind == "main" else self.cross_lengths_mm
        return lengths[name.number - 1]

    def piece_of(self, name: StringName) -> int:
        """Which piece of string it is: 0 or 1."""
        return 0 if len(self.pieces) == 1 or name.kind == "main" else 1

    @property
    def mains_end(self) -> End:
        """Where the outermost mains end: an even number per side ends where the first loop lies (common practice)."""
        return self.start if self.per_side % 2 == 0 else other_end(self.start)

    def main_enters(self, number: int) -> End:
        """The end at which main ``number`` comes out of its neighbour's hole; it is pulled at the other."""
        return self.start if number % 2 == 1 else other_end(self.start)

    def names(self) -> list[StringName]:
        """All strings: mains from the centre outwards, left and right, then crosses from head to throat."""
        mains = [StringName("main", n + 1, side) for n in range(self.per_side) for side in SIDES]
        return mains + [StringName("cross", n + 1) for n in range(self.crosses)]
