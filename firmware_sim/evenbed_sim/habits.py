"""What a simulated stringer does to the strings of a racquet, well and badly, and a log that tells the truth of it.

Everything about the hands on one string follows from the seed and the string's name, in whatever order the strings are
drawn. What hands are like is common practice, no source; how often a habit is played is chosen for tests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random

from evenbed_sim.stringer import Habits

GOOD = "good"
# name: (what it is, how often, on crosses only)
BAD: dict[str, tuple[str, float, bool]] = {
    "forgets": ("does not straighten the cross", 0.25, True),
    "early": ("clamps as soon as the head stands", 0.15, False),
    "late": ("clamps half a minute later than the others", 0.1, False),
    "new clamp slips": ("the new clamp lets string through above a share of the reference", 0.15, False),
    "old clamp slips": ("the last clamp slips between two pulls: its string loses tension", 0.15, False),
    "wrong hole": ("string round a wrong grommet: another length and a hard bend where it is pulled", 0.12, False),
    "snag": ("the string is caught on its way: what lies behind hardly moves", 0.12, False),
    "wrong string": ("another family of string than the racquet file says, for a whole piece", 1.0, False),
    "double taps": ("presses the pedal twice where once is meant", 0.5, False),
    "leans": ("leans on the strings while one is held", 0.3, False),
    "walks away": ("is gone for a quarter of an hour between two pulls", 0.06, False),
}
NAMES = (GOOD, *BAD)
AWAY_S = 900.0
LATE_S = (20.0, 40.0)
# A wrong grommet: the path is longer or shorter by this share, and the bend over the bare edge of the frame adds an angle.
WRONG_HOLE_MM = (0.03, 0.08)
WRONG_HOLE_RAD = (1.2, 2.0)
BARE_EDGE = 1.5  # friction there over that of a grommet
SNAG_TURN = 3.0  # mu*theta: only a twentieth of the force goes past
SLIPS_ABOVE = (0.1, 0.5)  # of the reference
KEEPS = (0.2, 0.6)  # of its tension, by a string whose clamp has slipped


@dataclass(frozen=True)
class Handling:
    """What hands do with one string. ``longer`` and ``keeps`` are shares; ``bend_rad`` lies where the string is pulled;
    ``snag_at`` is the place along its inside, from the far end; ``slips_above`` a share of the reference; ``away_s`` passes
    before it is drawn; ``keeps`` is what its clamp keeps of the tension until the next pull. ``played`` names the bad
    habit, "" for none, and ``detail`` says how much."""

    hands: Habits
    slack_mm: float = 8.0
    longer: float = 0.0
    bend_rad: float = 0.0
    snag_at: float | None = None
    slips_above: float | None = None
    keeps: float = 1.0
    away_s: float = 0.0
    played: str = ""
    detail: str = ""


@dataclass(frozen=True)
class Played:
    """A bad habit that was played: at what time, s, on which pull, and how much of it."""

    at_s: float
    label: str
    habit: str
    detail: str


class Stringing:
    """The hands of one stringer on one racquet. ``chances`` overrides how often a habit is played, by its name.

    Raises ValueError for a habit that there is not.
    """

    def __init__(self, habits: Sequence[str] = (GOOD,), seed: int = 1, chances: Mapping[str, float] | None = None) -> None:
        for name in habits:
            if name not in NAMES:
                raise ValueError(f"there is no habit {name!r}; there are {', '.join(NAMES)}")
        self._seed = seed
        own = dict(chances or {})
        self._chances = {name: own.get(name, BAD[name][1]) for name in habits if name != GOOD}

    @property
    def wrong_string(self) -> bool:
        """Is a piece of the racquet another string than its file says?"""
        return "wrong string" in self._chances and self._rng("piece").random() < self._chances["wrong string"]

    def _rng(self, what: str) -> Random:
        return Random(f"hands {self._seed} {what}")

    def handle(self, label: str, woven: bool, attempt: int = 0) -> Handling:
        """The hands on the string ``label``. A second attempt is made with care: no habit but a good one."""
        rng = self._rng(f"{label} {attempt}")
        hands = Habits(
            reaction_s=rng.uniform(0.3, 0.5),
            straighten=woven,
            push_mm=rng.uniform(0.8, 1.8),
            push_s=rng.uniform(0.25, 0.5),
            feed_mm=rng.uniform(2.0, 3.0),
            feed_s=rng.uniform(0.5, 1.2),
            wait_s=rng.uniform(2.0, 3.5),
            tap_s=rng.uniform(0.12, 0.25),
        )
        good = Handling(hands, slack_mm=rng.uniform(2.0, 25.0))
        if attempt:
            return good
        for name, chance in self._chances.items():
            if name == "wrong string" or (BAD[name][2] and not woven):
                continue
            if self._rng(f"{name} {label}").random() < chance:
                return _bad(good, name, rng)
        return good


def _bad(good: Handling, name: str, rng: Random) -> Handling:
    hands = good.hands
    if name == "forgets":
        return replace(good, hands=replace(hands, straighten=False), played=name)
    if name == "early":
        return replace(good, hands=replace(hands, wait_s=0.05, straighten=False), played=name)
    if name == "late":
        wait_s = rng.uniform(*LATE_S)
        return replace(good, hands=replace(hands, wait_s=wait_s), played=name, detail=f"after {wait_s:.0f} s")
    if name == "new clamp slips":
        share = rng.uniform(*SLIPS_ABOVE)
        return replace(good, slips_above=share, played=name, detail=f"above {100.0 * share:.0f} %")
    if name == "old clamp slips":
        keeps = rng.uniform(*KEEPS)
        return replace(good, keeps=keeps, played=name, detail=f"keeps {100.0 * keeps:.0f} %")
    if name == "wrong hole":
        longer = rng.uniform(*WRONG_HOLE_MM) * rng.choice((-1, 1))
        bend = rng.uniform(*WRONG_HOLE_RAD)
        return replace(good, longer=longer, bend_rad=bend, played=name, detail=f"{100.0 * longer:+.0f} %, {bend:.1f} rad")
    if name == "snag":
        at = rng.uniform(0.2, 0.9)
        return replace(good, snag_at=at, played=name, detail=f"at {100.0 * at:.0f} %")
    if name == "double taps":
        return replace(good, hands=replace(hands, double_taps=True), played=name)
    if name == "leans":
        mm = rng.uniform(0.3, 1.2)
        return replace(
            good, hands=replace(hands, lean_mm=mm, lean_s=rng.uniform(0.3, 1.5)), played=name, detail=f"{mm:.1f} mm"
        )
    return replace(good, away_s=AWAY_S, played=name)
