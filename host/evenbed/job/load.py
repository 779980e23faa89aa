"""Load on the frame while the bed fills. Pure.

The frame in its supports is a linear spring in two directions: mains shorten and widen it, crosses narrow and lengthen it,
in proportion to the sum of their tensions. A string loses its stiffness times what the frame has given since it came in, or
gains it. Nothing relaxes here: that is the forecast's part. The figures of the frame are from memory, weak.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evenbed.job import forecast_strings as strings
from evenbed.job.planned import Load, PlannedPull
from evenbed.racquet.model import Racquet, StringName
from evenbed.units import show_force

UNLIKE = 0.15  # share by which the sum of a direction may differ from the planned one before that is said
UNEVEN = 0.05  # of the mains that one side may be ahead: strings that came in earlier have given more
SETTLED = 0.5  # mains: how far left and right may differ once all mains are in

NOTE = (
    "Load: reference tensions less what the frame gives, as a spring of "
    f"{1000.0 * strings.FRAME_MM_N:.1f} mm/kN each way, half of it coming back sideways (memory, weak)."
)


@dataclass
class _Placed:
    name: StringName
    k_n_mm: float
    force_n: float


class Bed:
    """All strings that are in, without their memory. ``frame_mm_n`` and ``coupling_mm_n``: how the frame gives, mm/N."""

    def __init__(self, frame_mm_n: float = strings.FRAME_MM_N, coupling_mm_n: float = strings.COUPLING_MM_N) -> None:
        self.frame_mm_n = frame_mm_n
        self.coupling_mm_n = coupling_mm_n
        self._in: dict[StringName, _Placed] = {}

    def draw(self, name: StringName, force_n: float, k_n_mm: float) -> None:
        """A string comes in at ``force_n``, or is drawn anew to it. ``k_n_mm``: stiffness of its part in the bed."""
        before = self._in.pop(name, None)
        mains = force_n - before.force_n if before else force_n
        crosses = 0.0
        if name.kind == "cross":
            mains, crosses = 0.0, mains
        self._in[name] = _Placed(name, k_n_mm, force_n)
        self._give(mains, crosses)

    def _give(self, mains_n: float, crosses_n: float) -> None:
        """The frame finds its shape after its load rose by so much: ``d = step - K C d`` for the changes ``d`` of both sums
        of tension, K the strings' stiffness in sum, C how the frame gives."""
        km = sum(p.k_n_mm for p in self._in.values() if p.name.kind == "main")
        kc = sum(p.k_n_mm for p in self._in.values() if p.name.kind == "cross")
        c, x = self.frame_mm_n, self.coupling_mm_n
        a11, a12, a21, a22 = 1.0 + km * c, -km * x, -kc * x, 1.0 + kc * c
        det = a11 * a22 - a12 * a21
        dm = (mains_n * a22 - a12 * crosses_n) / det
        dc = (a11 * crosses_n - a21 * mains_n) / det
        shorter, narrower = c * dm - x * dc, c * dc - x * dm
        for p in self._in.values():
            p.force_n = max(0.0, p.force_n - p.k_n_mm * (shorter if p.name.kind == "main" else narrower))

    def forces_n(self) -> dict[StringName, float]:
        """Tension of each string, N."""
        return {name: p.force_n for name, p in self._in.items()}


def stiffness_n_mm(racquet: Racquet, name: StringName) -> float:
    """Stiffness of one string's part in the bed, N/mm, as its family's usually is."""
    piece = racquet.pieces[racquet.piece_of(name)]
    return strings.stiffness_n_mm(piece.family, piece.diameter_mm, racquet.length_mm(name))


def after_pulls(racquet: Racquet, pulls: Sequence[PlannedPull]) -> tuple[Load, ...]:
    """The load after each pull, if each string comes in at what the head is asked to hold."""
    bed = Bed()
    out = []
    for pull in pulls:
        for name in pull.also:
            bed.draw(name, strings.HALF * pull.target_n, stiffness_n_mm(racquet, name))
        bed.draw(pull.name, pull.target_n, stiffness_n_mm(racquet, pull.name))
        out.append(of_forces(racquet, bed.forces_n()))
    return tuple(out)


def of_forces(racquet: Racquet, forces_n: Mapping[StringName, float]) -> Load:
    """The load of strings with these tensions, N.

    Left and right may differ by as many mains as one side may be ahead while mains are missing, by SETTLED of one once all
    are in.
    """
    mains = {n: f for n, f in forces_n.items() if n.kind == "main"}
    left = sum(f for n, f in mains.items() if n.side == "left")
    right = sum(f for n, f in mains.items() if n.side == "right")
    if len(mains) < 2 * racquet.per_side:
        limit = (1.0 + UNEVEN) * racquet.mains_ahead * racquet.main_n * (1.0 + racquet.tie_off_above)
    else:
        limit = SETTLED * racquet.main_n
    across = sum(f for n, f in forces_n.items() if n.kind == "cross")
    return Load(left, right, left + right, across, limit)


def remark(normal: Load, now: Load, unit: str = "N") -> str:
    """What is unusual about a load, "" if nothing: left against right beyond the limit of this step, or length or width
    unlike what is ``normal`` at this step (the planned load after the same pull) by more than UNLIKE."""
    more, by = ("left", now.left_n - now.right_n) if now.left_n > now.right_n else ("right", now.right_n - now.left_n)
    if by > now.balance_limit_n:
        return (
            f"The mains on the {more} pull {show_force(by, unit)} more than the others, at most "
            f"{show_force(now.balance_limit_n, unit)} is usual at this step: go on on the other side."
        )
    for what, is_n, usual_n in (("length", now.along_n, normal.along_n), ("width", now.across_n, normal.across_n)):
        if usual_n > 0.0 and abs(is_n / usual_n - 1.0) > UNLIKE:
            return (
                f"Along the {what} the frame carries {show_force(is_n, unit)}, usual at this step is "
                f"{show_force(usual_n, unit)}: measure its shape."
            )
    return ""
