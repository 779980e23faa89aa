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
NEAREST = 6  # neighbours of about its length: a toe in the curve of force counts for more on a short string
SPREADS = 5.0  # standard deviations of the neighbours
MAD_TO_SD = 1.4826  # of a normal distribution
# By how much a figure may differ from the median of its neighbours before anybody is asked, (mains, crosses): shares, and
# mm for the take-up. Above what a simulated good stringer scatters, so that there is less than one false question in two
# racquets. A first pull after arming anew knows the delay of its readings badly and looks up to a fifth too soft.
FLOORS = {
    "stiff": (0.15, 0.18),
    "soft": (0.27, 0.30),
    "long draw": (0.12, 0.18),
    "short draw": (0.11, 0.12),
    "take-up": (0.9, 2.2),
}
SHORT_HOLD = 0.6  # of the neighbours' time: held for less, a string loses more than they do
ENOUGH_S = 4.0  # held for so long, the rest is small
LONG_HOLD = 2.5  # held for more, its take-up is no measure
SOFT = 0.85  # of what its neighbours show: softer, and the strand is not known by its own draw
# How far the stiffness of a string may be from what is remembered of its family: only an outright wrong string shows.
WRONG_STRING = 1.5
WOVEN_STIFFER = 1.3  # a cross is that much stiffer at most, by friction


@dataclass(frozen=True)
class Question:
    """Something to ask. ``answers`` are (key, what it means); a tap or Enter means the first. ``waits``: nothing is drawn
    before it is answered."""

    key: str
    text: str
    answers: tuple[tuple[str, str], ...] = (("go on", "it is as it should be"),)
    waits: bool = False
    values: dict[str, float] = field(default_factory=dict)
    number: int | None = None  # of the pull that it is about


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
    held_s: float | None = None  # from the reference to the clamp
    moved: tuple[str, ...] | None = None  # what hands did while it was held, as the head names it; None if not known

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


def whole_n_mm(first: Measured, before: Sequence[Measured]) -> float | None:
    """Stiffness to expect of a whole strand that is pulled once more, N/mm: what its first draw showed, or what its
    neighbours did if that was far softer: a clamp that slipped makes a draw look soft, and judged by too soft a strand an
    open clamp is taken for closed."""
    near = [m.ea_n for m in before if (m.woven, m.piece) == (first.woven, first.piece) and m.ea_n and not m.again]
    if first.stiffness_n_mm is None or len(near) < LEAST_NEIGHBOURS:
        return first.stiffness_n_mm
    usual = statistics.median(near) / (first.length_mm + OUTER_MM)
    return first.stiffness_n_mm if first.stiffness_n_mm > SOFT * usual else usual


def unlike(new: Measured, before: Sequence[Measured]) -> Question | None:
    """Ask, if a pull is unlike its neighbours: same kind, same piece, about its length, not questioned themselves. None if
    all is well."""
    if new.again or _came_along(new, before):
        return None
    alike = [m for m in before if m.woven == new.woven and m.piece == new.piece and not m.again]
    same = [m for m in alike if not m.questioned]
    if len(same) < LEAST_NEIGHBOURS:
        # Asked about once, and gone on with: it is the string that was meant.
        return _wrong_string(new) if not any(_wrong_ratio(m) for m in alike) else None
    near = sorted(same, key=lambda m: abs(m.length_mm - new.length_mm))[:NEAREST]
    stiff = _against(new, "stiff", "soft", new.ea_n, [m.ea_n for m in near])
    draw = _against(new, "long draw", "short draw", new.give, [m.give for m in near])
    if draw is not None and draw > 0.0:
        return _question(new, "long draw", draw, near, "a hole missed, slack left in the bed, or the last clamp slipped")
    if draw is not None or (stiff is not None and stiff > 0.0):
        share = draw if draw is not None else stiff
        assert share is not None
        name = "short draw" if draw is not None else "stiff"
        return _question(new, name, share, near, "caught on a snag or round a wrong hole, or another string")
    if stiff is not None:
        return _question(new, "soft", stiff, near, "slack or a slipping clamp behind it, or another string")
    return _take_up(new, near) or _handled(new, near)


def _came_along(new: Measured, before: Sequence[Measured]) -> bool:
    """Was it loaded before, round a turn, by the pull of another? Then it is stretched already."""
    return any(new.label != m.label and new.label in m.label.split(" and ") for m in before)


def _against(new: Measured, above: str, below: str, value: float | None, others: Sequence[float | None]) -> float | None:
    """By which share ``value`` is off the median of the others, if by more than may be; else None."""
    known = [v for v in others if v]
    if value is None or len(known) < LEAST_NEIGHBOURS:
        return None
    middle = statistics.median(known)
    spread = MAD_TO_SD * statistics.median(abs(v - middle) for v in known) / middle
    off = value / middle - 1.0
    return off if abs(off) > max(FLOORS[above if off > 0.0 else below][new.woven], SPREADS * spread) else None


def _take_up(new: Measured, near: Sequence[Measured]) -> Question | None:
    known = [m.take_up_mm for m in near if m.take_up_mm is not None]
    if new.take_up_mm is None or len(known) < LEAST_NEIGHBOURS:
        return None
    held = [m.held_s for m in near if m.held_s is not None]
    if new.held_s is not None and len(held) >= LEAST_NEIGHBOURS and new.held_s > LONG_HOLD * statistics.median(held):
        return None  # it has crept for longer
    middle = statistics.median(known)
    spread = MAD_TO_SD * statistics.median(abs(v - middle) for v in known)
    off = new.take_up_mm - middle
    if off < max(FLOORS["take-up"][new.woven], SPREADS * spread):
        return None
    return Question(
        "take-up",
        f"{new.label} took up {new.take_up_mm:.1f} mm while it was held, its neighbours {middle:.1f} mm: the last clamp "
        "or the gripper may have slipped. Look at both, and at the string before it.",
        (("go on", "it is as it should be"), ("again", "pull it once more")),
        values={"take_up_mm": new.take_up_mm, "usual_mm": middle},
    )


def _handled(new: Measured, near: Sequence[Measured]) -> Question | None:
    """What hands left out."""
    if new.woven and new.moved == () and sum(bool(m.moved) for m in near) >= LEAST_NEIGHBOURS:
        return Question(
            "not straightened",
            f"{new.label} was not straightened while it was held, its neighbours were: friction keeps its far end looser.",
            (("go on", "it is as it should be"), ("again", "pull it once more")),
        )
    held = [m.held_s for m in near if m.held_s is not None]
    if new.held_s is None or len(held) < LEAST_NEIGHBOURS:
        return None
    usual = statistics.median(held)
    if new.held_s > min(SHORT_HOLD * usual, ENOUGH_S):
        return None
    return Question(
        "clamped early",
        f"{new.label} was clamped after {new.held_s:.1f} s at its reference, its neighbours after {usual:.1f} s: it will "
        "lose more than they do.",
        (("go on", "it is as it should be"), ("again", "pull it once more")),
        values={"held_s": new.held_s, "usual_s": usual},
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


def _wrong_ratio(m: Measured) -> float | None:
    """Stiffness over what is remembered of the family, if it is too far off; else None."""
    if m.length_mm <= 0.0 or m.family == "unknown" or m.family not in FAMILIES or m.ea_n is None:
        return None
    ratio = m.ea_n / FAMILIES[m.family].ea_n
    # Friction makes a woven string look stiffer, never softer.
    high = WRONG_STRING * (WOVEN_STIFFER if m.woven else 1.0)
    return None if 1.0 / WRONG_STRING < ratio < high else ratio


def _wrong_string(new: Measured) -> Question | None:
    ratio = _wrong_ratio(new)
    if ratio is None:
        return None
    return Question(
        "wrong string",
        f"{new.label} is {ratio:.1f} times as stiff as {new.family} of its length usually is "
        f"({new.stiffness_n_mm:.1f} N/mm). Is it the string that the racquet file names? Is it caught on something?",
        (("go on", "it is as it should be"), ("again", "pull it once more"), ("take back", "take it back")),
        values={"ratio": ratio},
    )
