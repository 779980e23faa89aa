"""The session's ceiling: from the racquet, from what is planned, from the rig, whichever is lowest.

The board's limit protects the rig. The ceiling protects the frame, and catches what fingers type: a tension in the wrong
unit, a tennis tension on a badminton frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenbed.job.planned import Plan, PlannedPull
from evenbed.racquet.sports import SPORTS as KNOWN_SPORTS
from evenbed.units import N_PER_KGF, N_PER_LBF, show_force

FRAME_MARGIN = 1.10  # above the maker's highest tension: room for pre-stretch and for the rise while everything stops
# Room above the highest planned force for hands that push while the head pays out, by family: what some 900 simulated pulls
# with fingers, leaning and clamps rose at most (25, 18, 31, 56, 17 N), and a third more.
HANDS_N: dict[str, float] = {
    "gut": 34.0,
    "nylon": 25.0,
    "polyester": 42.0,
    "aramid": 75.0,
    "badminton nylon": 24.0,
    "unknown": 42.0,
}
ROOM = 1.02  # of a planned force at least below the ceiling, or noise would trip it
LEAST_N = 30.0
NO_RACQUET_N = 28.0 * N_PER_KGF  # a pull without a racquet: a low default

# Highest reference tension that anybody strings, by sport, N.
TOPS_N: dict[str, float] = {name: sport.top_n for name, sport in KNOWN_SPORTS.items()}
SPORTS = tuple(TOPS_N)


class CeilingError(ValueError):
    """A plan that no ceiling allows. The text says which force, which bound, and what to do."""


@dataclass(frozen=True)
class Planned:
    """One planned pull: its reference in N, pre-stretch or other allowance as a share above it, its name, and the family of
    its string."""

    reference_n: float
    above: float = 0.0
    label: str = "this pull"
    family: str = "unknown"

    @property
    def top_n(self) -> float:
        """Highest force that it asks for, N."""
        return self.reference_n * (1.0 + self.above)

    @property
    def with_hands_n(self) -> float:
        """The same with hands that push, N."""
        return self.top_n + HANDS_N.get(self.family, HANDS_N["unknown"])


@dataclass(frozen=True)
class Frame:
    """What is known of the frame: its sport, and the maker's highest tension in N. Both may be unknown."""

    sport: str | None = None
    most_n: float | None = None


@dataclass(frozen=True)
class Ceiling:
    """The session's ceiling in N, and what decided it."""

    force_n: float
    why: str


def session_ceiling(
    plan: Sequence[Planned],
    frame: Frame | None = None,
    limit_n: float | None = None,
    asked_n: float | None = None,
    unit: str = "N",
) -> Ceiling:
    """Return the lowest of what frame, sport, plan, rig and person allow. ``limit_n`` is the board's own limit where it is
    known; ``asked_n`` a ceiling that somebody asks for. Forces in the messages are in ``unit``.

    Raises CeilingError if a planned pull does not fit, ValueError for an empty plan or an unknown sport.
    """
    frame = frame or Frame()
    if not plan:
        raise ValueError("a ceiling needs at least one planned pull")
    if frame.sport is not None and frame.sport not in TOPS_N:
        raise ValueError(f"the sport is one of {', '.join(SPORTS)}, not {frame.sport!r}")
    for pull in plan:
        _fits(pull, frame, asked_n, unit)
    top = max(plan, key=lambda p: p.top_n)
    highest = max(plan, key=lambda p: p.with_hands_n)
    room = show_force(highest.with_hands_n - highest.top_n, unit)
    bounds = [Ceiling(highest.with_hands_n, f"{room} above {highest.label}, for hands that push")]
    if asked_n is not None:
        bounds = [Ceiling(asked_n, "as asked for")]
    if frame.most_n is not None:
        bounds.append(Ceiling(frame.most_n * FRAME_MARGIN, "10 % above the frame's maximum"))
    elif frame.sport is not None:
        bounds.append(Ceiling(TOPS_N[frame.sport] * FRAME_MARGIN, f"10 % above what {frame.sport} frames take"))
    elif asked_n is None:
        bounds.append(Ceiling(NO_RACQUET_N, "without a racquet"))
    if limit_n is not None:
        bounds.append(Ceiling(limit_n, "the rig's own limit"))
    lowest = min(bounds, key=lambda b: b.force_n)
    if top.top_n * ROOM > lowest.force_n:
        raise CeilingError(
            f"The ceiling of {show_force(lowest.force_n, unit)} ({lowest.why}) is less than 2 % above the "
            f"{show_force(top.top_n, unit)} that {top.label} asks for: lower the reference or the pre-stretch, or "
            "allow more."
        )
    return lowest


def session_ceiling_of(plan: Plan, pulls: Sequence[PlannedPull]) -> Ceiling:
    """The session's ceiling for these pulls. Raises CeilingError with what to do."""
    r = plan.racquet
    planned = [
        Planned(p.reference_n, (1.0 + p.above) * (1.0 + p.over_pull) - 1.0, p.label, p.family) for p in pulls or plan.pulls
    ]
    return session_ceiling(planned, Frame(r.sport, r.most_n), unit=r.unit)


def _fits(pull: Planned, frame: Frame, asked_n: float | None, unit: str) -> None:
    shown = show_force(pull.reference_n, unit)
    newtons = "" if unit == "N" else f" ({pull.reference_n:.0f} N)"
    if pull.reference_n < LEAST_N:
        raise CeilingError(f"{shown} for {pull.label} is too little to tell a string: {LEAST_N:.0f} N at least.")
    if frame.most_n is not None and pull.reference_n > frame.most_n:
        raise CeilingError(
            f"{shown}{newtons} for {pull.label} is more than the frame's maximum of {show_force(frame.most_n, unit)}. "
            f"{_mistaken(pull.reference_n, frame.most_n, unit)}The maker's figure prevails."
        )
    if frame.sport is not None and pull.reference_n > TOPS_N[frame.sport]:
        raise CeilingError(
            f"{shown}{newtons} for {pull.label} is more than anybody strings a {frame.sport} frame at "
            f"({show_force(TOPS_N[frame.sport], unit)}). {_mistaken(pull.reference_n, TOPS_N[frame.sport], unit)}"
            "Is it the right racquet?"
        )
    if frame.most_n is None and frame.sport is None and asked_n is None and pull.top_n * ROOM > NO_RACQUET_N:
        raise CeilingError(
            f"{show_force(pull.top_n, unit)} ({pull.top_n:.0f} N) is more than a pull without a racquet may take "
            f"({show_force(NO_RACQUET_N / ROOM, unit)}). {_mistaken(pull.reference_n, NO_RACQUET_N, unit)}"
            "Is the unit right? Say what the frame takes with --frame-max, or give a higher --ceiling."
        )


def _mistaken(reference_n: float, bound_n: float, unit: str) -> str:
    """The same figure in the unit that is mistaken for the one given, if that would fit."""
    if unit != "kgf":
        return ""
    figure = reference_n / N_PER_KGF
    meant_n = figure * N_PER_LBF
    if not LEAST_N <= meant_n <= bound_n:
        return ""
    return f"{figure:g} lbf would be {meant_n:.0f} N. "
