"""What a plan consists of: pulls in order, string to cut, load on the frame, tension expected on each string."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from evenbed.racquet.model import End, Hole, Racquet, Side, StringName


class PlanError(ValueError):
    """A racquet that cannot be strung with these clamps. The text says what is missing."""


@dataclass(frozen=True)
class Equipment:
    """What holds the string: ``count`` clamps, "fixed" to the bed or "floating" (they hold a string by its tensioned
    neighbour), and a ``starting`` clamp or none. ``tail_mm``: string from the frame to the end of the gripper."""

    kind: Literal["fixed", "floating"] = "fixed"
    count: int = 2
    starting: bool = True
    tail_mm: float = 300.0


@dataclass(frozen=True)
class Weaving:
    """The cross to weave while another string is on the head."""

    name: StringName
    enters: Side
    first: Literal["over", "under"]  # how it passes the first main it meets


@dataclass(frozen=True)
class PlannedPull:
    """One pull of the head. It may load more than one string: ``name`` is the one whose tail is in the gripper.

    ``length_mm`` is the string inside the frame that the pull stretches from the last closed clamp on; ``crossings`` how
    many strings it is woven through. ``above`` is a tie-off allowance as a share above ``reference_n``. ``says`` is for the
    stringer before the draw: a remark a line. ``new_reference``: the reference differs from that of the pull before.

    Clamps (``frees``, ``clamps``, ``sets``, ``opens``) are named by where they sit, "main 3 left at the head", so that the
    name under which one is opened is the name under which it was set. ``ties`` and ``ties_before`` are names of
    ``Racquet.tie_offs``.
    """

    number: int  # from 1
    name: StringName
    also: tuple[StringName, ...]
    piece: int
    reference_n: float
    above: float
    over_pull: float
    family: str
    speed_mm_s: float
    pulled_at: End | Side  # where the tail leaves the frame: an end for mains, a side for crosses
    hole: Hole
    length_mm: float
    crossings: int
    frees: str  # which clamp is opened once the head stands, "" if none
    clamps: str  # where the new clamp goes
    weaving: Weaving | None
    ties: str  # the knot to tie after this pull, "" if none
    new_reference: bool
    says: tuple[str, ...] = ()
    sets: str = ""  # a clamp to set before the draw: behind the first loop, on a tail to be drawn later
    ties_before: str = ""  # a knot to tie before the draw
    opens: str = ""  # the clamp to open once the knot is tied

    @property
    def target_n(self) -> float:
        """What the head is asked to hold, N."""
        return self.reference_n * (1.0 + self.above)

    @property
    def woven(self) -> bool:
        """Is it woven?"""
        return self.name.kind == "cross"

    @property
    def label(self) -> str:
        """How the pull is called, on screen and in the records."""
        return " and ".join(str(n) for n in (self.name, *self.also))


@dataclass(frozen=True)
class Cut:
    """String to cut for one piece, mm: inside the frame, between holes, weaving, tails for gripper and hands, margin.
    ``short_side_mm`` is where to mark a one-piece string from its short end, None for other pieces."""

    piece: int
    inside_mm: float
    between_mm: float
    weave_mm: float
    tails_mm: float
    margin_mm: float
    short_side_mm: float | None

    @property
    def total_mm(self) -> float:
        """Length to cut, mm."""
        return self.inside_mm + self.between_mm + self.weave_mm + self.tails_mm + self.margin_mm


@dataclass(frozen=True)
class Load:
    """Load on the frame after a pull, N: of the mains left and right of the centre, of all mains and of all crosses.
    ``balance_limit_n`` is how far left and right may normally differ at this step."""

    left_n: float
    right_n: float
    along_n: float
    across_n: float
    balance_limit_n: float


@dataclass(frozen=True)
class Expected:
    """Tension expected to be on a string: mean and standard uncertainty, N, and the losses that lead there, in order."""

    mean_n: float
    u_n: float
    losses: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Plan:
    """The whole job, before it begins."""

    racquet: Racquet
    pulls: tuple[PlannedPull, ...]
    cuts: tuple[Cut, ...]
    loads: tuple[Load, ...]  # after each pull
    expected: dict[StringName, Expected]  # a quarter of an hour after the last tie-off
    warnings: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()  # contradictions that the file may overrule
    weave_ahead_to: StringName | None = None  # how far one cross ahead can be woven before string or room runs out
    notes: dict[str, str] = field(default_factory=dict)
    free: bool = False  # free work: no racquet file, pulls as they come
    equipment: Equipment = Equipment()
