"""What a job asks the stringer, and how a pull is told from its neighbours.

A question comes between the clamp and the next draw. It never withholds tension: to draw the next string is an answer too.
Only what hands have to confirm (a list, a knot, a clamp after a break) waits for a tap.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from evenbed.job.forecast_strings import FAMILIES

OUTER_MM = 150.0  # frame to gripper: typical, invented; it only has to be the same for all pulls of a job
LEAST_NEIGHBOURS = 3
SPREADS = 5.0  # standard deviations of the neighbours
MAD_TO_SD = 1.4826  # of a normal distribution
# By how much a figure may differ from the median of its neighbours before anybody is asked: above what the simulated good
# stringer scatters in 200 jobs, so that there is less than one false question in two racquets.
FLOORS = {"stiffness": 0.22, "draw": 0.16, "take_up": 2.2}
# How far the stiffness of a string may be from what is remembered of its family: only an outright wrong string shows.
WRONG_STRING = 1.9


@dataclass(frozen=True)
class Question:
    """Something to ask. ``answers`` are (key, what it means); a tap or Enter means the first. ``waits``: nothing is drawn
    before it is answered."""

    key: str
    text: str
    answers: tuple[tuple[str, str], ...] = (("go on", "it is as it should be"),)
    waits: bool = False
    values: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Measured:
    """What is compared of one pull. Lengths mm, forces N; ``length_mm`` is inside the frame."""

    label: str
    woven: bool
    piece: int
    family: str
    length_mm: float
    reference_n: float
    stiffness_n_mm: float | None
    draw_mm: float | None
    take_up_mm: float | None
    again: bool = False  # pulled a second time: it is stretched already, and no measure for others
    questioned: bool = False

    @property
    def ea_n(self) -> float | None:
        """Apparent EA, N: stiffness times free length. Friction in a woven string makes it look stiffer."""
        return None if self.stiffness_n_mm is None else self.stiffness_n_mm * (self.length_mm + OUTER_MM)

    @property
    def give(self) -> float | None:
        """Draw length as strain for each newton of reference, 1/N."""
        return None if self.draw_mm is None else self.draw_mm / (self.reference_n * (self.length_mm + OUTER_MM))


def friction(new: Measured, before: Sequence[Measured]) -> float | None:
    """How much stiffer a woven string looks than the straight ones of the same piece, as a ratio less one: friction at the
    crossings and grommets. None while there is nothing to compare with."""
    straight = [m.ea_n for m in before if not m.woven and m.piece == new.piece and m.ea_n and not m.again]
    if new.ea_n is None or not new.woven or not straight:
        return None
    return new.ea_n / statistics.median(straight) - 1.0


def unlike(new: Measured, before: Sequence[Measured]) -> Question | None:
    """Ask, if a pull is unlike its neighbours: same kind, same piece, not questioned themselves. None if all is well."""
    if new.again:
        return None
    same = [m for m in before if m.woven == new.woven and m.piece == new.piece and not m.again and not m.questioned]
    if len(same) < LEAST_NEIGHBOURS:
        return _wrong_string(new)
    stiff = _against("stiffness", new.ea_n, [m.ea_n for m in same])
    draw = _against("draw", new.give, [m.give for m in same])
    if draw is not None and draw > 0.0:
        return _question(new, "long draw", draw, same, "a hole missed, slack left in the bed, or the last clamp slipped")
    if draw is not None or (stiff is not None and stiff > 0.0):
        share = draw if draw is not None else stiff
        assert share is not None
        name = "short draw" if draw is not None else "stiff"
        return _question(new, name, share, same, "caught on a snag or round a wrong hole, or another string")
    if stiff is not None:
        return _question(new, "soft", stiff, same, "slack or a slipping clamp behind it, or another string")
    return _take_up(new, same)


def _against(name: str, value: float | None, others: Sequence[float | None]) -> float | None:
    """By which share ``value`` is off the median of the others, if by more than may be; else None."""
    known = [v for v in others if v]
    if value is None or len(known) < LEAST_NEIGHBOURS:
        return None
    middle = statistics.median(known)
    spread = MAD_TO_SD * statistics.median(abs(v - middle) for v in known) / middle
    off = value / middle - 1.0
    return off if abs(off) > max(FLOORS[name], SPREADS * spread) else None


def _take_up(new: Measured, same: Sequence[Measured]) -> Question | None:
    known = [m.take_up_mm for m in same if m.take_up_mm is not None]
    if new.take_up_mm is None or len(known) < LEAST_NEIGHBOURS:
        return None
    middle = statistics.median(known)
    spread = MAD_TO_SD * statistics.median(abs(v - middle) for v in known)
    off = new.take_up_mm - middle
    if off < max(FLOORS["take_up"], SPREADS * spread):
        return None
    return Question(
        "take-up",
        f"{new.label} took up {new.take_up_mm:.1f} mm while it was held, its neighbours {middle:.1f} mm: the last clamp "
        "or the gripper may have slipped. Look at both.",
        (("go on", "it is as it should be"), ("again", "pull it once more")),
        values={"take_up_mm": new.take_up_mm, "usual_mm": middle},
    )


def _question(new: Measured, key: str, off: float, same: Sequence[Measured], perhaps: str) -> Question:
    what = "stiff" if key in ("stiff", "soft") else "long a draw"
    much = f"{abs(100.0 * off):.0f} % {'more' if off > 0 else 'less'}"
    figure = (
        f"{new.stiffness_n_mm:.1f} N/mm" if key in ("stiff", "soft") else f"{new.draw_mm:.0f} mm"
    )  # both are known here: only known figures are compared
    return Question(
        key,
        f"{new.label} is unlike its {len(same)} neighbours: {figure}, {much} than theirs for its length ({what}). Perhaps "
        f"{perhaps}. Look along the string.",
        (("go on", "it is as it should be"), ("again", "pull it once more"), ("take back", "take it back")),
        values={"off": off},
    )


def _wrong_string(new: Measured) -> Question | None:
    if new.length_mm <= 0.0 or new.family == "unknown" or new.family not in FAMILIES or new.ea_n is None:
        return None
    ratio = new.ea_n / FAMILIES[new.family].ea_n
    # Friction makes a woven string look stiffer, never softer.
    high = WRONG_STRING * (1.5 if new.woven else 1.0)
    if 1.0 / WRONG_STRING < ratio < high:
        return None
    return Question(
        "wrong string",
        f"{new.label} is {ratio:.1f} times as stiff as {new.family} of its length usually is "
        f"({new.stiffness_n_mm:.1f} N/mm). Is it the string that the racquet file names? Is it caught on something?",
        (("go on", "it is as it should be"), ("again", "pull it once more"), ("take back", "take it back")),
        values={"ratio": ratio},
    )
