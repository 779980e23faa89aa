"""A racquet against the rules of its sport, against itself, and against the customs of the trade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from evenbed.racquet.findings import Findings, Notes
from evenbed.racquet.frame import throat_rule
from evenbed.racquet.geometry import hoop_of
from evenbed.racquet.holes import check_holes, check_knots
from evenbed.racquet.model import Racquet
from evenbed.racquet.sports import SPORTS
from evenbed.units import N_PER_KGF, N_PER_LBF, show_force

MEASURED_MM = 2.0  # how far two measurements of one frame may differ
ODD_RATIO = 0.2  # share by which references of one racquet may differ before that is asked
NARROW_MM, STRUNG_MM, AREA_MM = 35.0, 330.0, 280.0  # BWF Laws of Badminton 4.2.2: the strings may extend into the throat
PARITY_KEY = 'If the maker\'s chart says so, write parity = "as the maker says".'
RULES_KEY = 'If it is not for play by the rules, write rules = "not for play by the rules".'


@dataclass(frozen=True)
class Limit:
    """One rule: what it limits, where the figure is from, and whether breaking it is only asked."""

    what: str
    key: str
    most: float
    source: str
    unit: str = "mm"
    asks: bool = False


_ITF, _BWF, _WSF = "ITF Rules of Tennis, Appendix II", "BWF Laws of Badminton, 4", "WSF Rules of Squash, Appendix 9"
_S57 = "Squash 57 rules of the WSF"
LIMITS: dict[str, tuple[Limit, ...]] = {
    "tennis": (
        Limit("the frame's length", "length_mm", 737.0, _ITF),
        Limit("the frame's width", "width_mm", 317.0, _ITF),
        Limit("the hoop's inside length", "inside_length_mm", 394.0, _ITF),
        Limit("the hoop's inside width", "inside_width_mm", 292.0, _ITF),
    ),
    "badminton": (
        Limit("the frame's length", "length_mm", 680.0, _BWF),
        Limit("the frame's width", "width_mm", 230.0, _BWF),
        Limit("the hoop's inside length", "inside_length_mm", STRUNG_MM, _BWF),
        Limit("the hoop's inside width", "inside_width_mm", 220.0, _BWF),
    ),
    "squash": (
        Limit("the frame's length", "length_mm", 686.0, _WSF),
        Limit("the frame's width", "width_mm", 215.0, _WSF),
        Limit("the hoop's inside length", "inside_length_mm", 390.0, _WSF),
        Limit("the strung area", "area", 500.0, _WSF, "cm2"),
    ),
    # Frames as long as squash frames are sold for this game, so the figure is only asked about.
    "racketball": (Limit("the frame's length", "length_mm", 558.8, _S57, asks=True),),
    "racquetball": (Limit("the frame's length", "length_mm", 558.8, _S57 + ", taken over for this game"),),
}
_MEASURES: dict[str, Callable[[Racquet], float | None]] = {
    "length_mm": lambda r: r.frame_length_mm,
    "width_mm": lambda r: r.frame_width_mm,
    "inside_length_mm": lambda r: r.head_length_mm,
    "inside_width_mm": lambda r: r.head_width_mm,
    "area": lambda r: hoop_of(r).area_mm2() / 100.0,
}


def check(racquet: Racquet) -> Findings:
    """Check a racquet that has been read."""
    notes = Notes()
    _sport(racquet, notes)
    _sizes(racquet, notes)
    check_holes(racquet, notes)
    check_knots(racquet, notes)
    _tensions(racquet, notes)
    _strings(racquet, notes)
    _parity(racquet, notes)
    return notes.findings()


def _sport(racquet: Racquet, notes: Notes) -> None:
    for limit in LIMITS[racquet.sport]:
        value = _MEASURES[limit.key](racquet)
        if value is not None and value > limit.most:
            text = f"{limit.what}, {value:.4g} {limit.unit}, is more than {limit.most:g} {limit.unit} ({limit.source})."
            _breach(racquet, text, notes, limit.asks)
    if racquet.sport == "badminton" and AREA_MM < racquet.head_length_mm <= STRUNG_MM:
        hoop = hoop_of(racquet)
        wide = 2.0 * max(hoop.half_width_mm(y) for y in [AREA_MM, *(y for _, y in racquet.outline if y > AREA_MM)])
        if wide > NARROW_MM:
            text = (
                f"the hoop's inside length, {racquet.head_length_mm:.4g} mm, is more than {AREA_MM:g} mm, and beyond them "
                f"it is still {wide:.0f} mm wide, more than {NARROW_MM:g} mm ({_BWF})."
            )
            _breach(racquet, text, notes, False)


def _breach(racquet: Racquet, text: str, notes: Notes, asks: bool) -> None:
    text = text[0].upper() + text[1:]
    if racquet.rules_overruled:
        notes.remarks.append(f"{text} The file says: not for play by the rules.")
    elif asks:
        notes.questions.append(f"{text} Is it the right frame? {RULES_KEY}")
    else:
        notes.errors.append(f"{text} Measure again. {RULES_KEY}")


def _sizes(racquet: Racquet, notes: Notes) -> None:
    for what, inside, over_all in (
        ("length", racquet.head_length_mm, racquet.frame_length_mm),
        ("width", racquet.head_width_mm, racquet.frame_width_mm),
    ):
        if over_all is not None and inside >= over_all:
            notes.errors.append(
                f"[frame] inside {what} {inside:g} mm is not less than the {what} over all, {over_all:g} mm: measure again."
            )
    if racquet.head_width_mm > racquet.head_length_mm:
        notes.questions.append(
            f"The hoop is {racquet.head_width_mm:g} mm wide inside, and only {racquet.head_length_mm:g} mm long. Exchanged?"
        )
    for kind, lengths, most in (
        ("main", racquet.main_lengths_mm, racquet.head_length_mm),
        ("cross", racquet.cross_lengths_mm, racquet.head_width_mm),
    ):
        for i, mm in enumerate(lengths):
            if mm > most + MEASURED_MM:
                notes.errors.append(
                    f"{kind.capitalize()} {i + 1} is {mm:g} mm long, more than the {most:g} mm that the hoop has inside."
                )
    top = max(range(racquet.crosses), key=lambda i: racquet.cross_lengths_mm[i])
    _falls("Main", "outwards", list(enumerate(racquet.main_lengths_mm, 1)), notes)
    across = list(enumerate(racquet.cross_lengths_mm, 1))
    _falls("Cross", "towards the head", across[top::-1], notes)
    _falls("Cross", "towards the throat", across[top:], notes)


def _falls(kind: str, where: str, lengths: list[tuple[int, float]], notes: Notes) -> None:
    for (_, before), (number, mm) in pairwise(lengths):
        if mm > before + MEASURED_MM:
            notes.questions.append(
                f"{kind} {number} is {mm:.0f} mm long, longer than its neighbour of {before:.0f} mm; strings get shorter "
                f"{where}. Is it right?"
            )


def _tensions(racquet: Racquet, notes: Notes) -> None:
    unit = racquet.unit
    groups: dict[tuple[str, float], str] = {
        ("main", racquet.main_n): "the mains",
        ("cross", racquet.cross_n): "the crosses",
    }
    for name, force in racquet.own_references.items():
        groups[str(name), force] = str(name)
        usual = racquet.main_n if name.kind == "main" else racquet.cross_n
        if abs(force / usual - 1.0) > ODD_RATIO:
            notes.questions.append(
                f"{show_force(force, unit)} for {name} differs from the other {name.kind} strings' "
                f"{show_force(usual, unit)} by more than {ODD_RATIO * 100:g} %. Is it right?"
            )
    top_n = SPORTS[racquet.sport].top_n
    for (_, force), who in groups.items():
        shown = show_force(force, unit)
        if racquet.most_n is not None and force > racquet.most_n * 1.0001:
            notes.errors.append(
                f"{shown} for {who} is more than the maker allows ({show_force(racquet.most_n, unit)}). "
                f"{mistaken(force, racquet.most_n, unit)}The maker's figure prevails."
            )
        elif force > top_n:
            notes.errors.append(
                f"{shown} for {who} is more than anybody strings a {racquet.sport} frame at ({show_force(top_n, unit)}). "
                f"{mistaken(force, top_n, unit)}Is the unit right?"
            )
        elif racquet.least_n is not None and force < racquet.least_n * 0.9999:
            notes.questions.append(
                f"{shown} for {who} is less than the maker's range begins at ({show_force(racquet.least_n, unit)}). "
                "Is it meant?"
            )
    ratio = racquet.cross_n / racquet.main_n
    if abs(ratio - 1.0) > ODD_RATIO:
        notes.questions.append(
            f"The crosses' {show_force(racquet.cross_n, unit)} are {ratio:.2f} times the mains' "
            f"{show_force(racquet.main_n, unit)}: more than {ODD_RATIO * 100:g} % apart pulls the hoop out of shape. Right?"
        )
    elif racquet.sport == "badminton" and ratio < 1.0:
        notes.remarks.append("The crosses are below the mains; in badminton they are often drawn 5 to 10 % above.")
    if racquet.most_n is None:
        notes.remarks.append("The maker's highest tension is not given (most, in [frame]): only the sport's bound holds.")


def mistaken(force_n: float, bound_n: float, unit: str) -> str:
    """What the same figure in pound-force would be, where kilogram-force was probably mistaken for it."""
    meant_n = force_n / N_PER_KGF * N_PER_LBF
    if unit != "kgf" or meant_n > bound_n:
        return ""
    return f"{force_n / N_PER_KGF:g} lbf would be {meant_n:.0f} N. "


def _strings(racquet: Racquet, notes: Notes) -> None:
    sport = SPORTS[racquet.sport]
    for piece in racquet.pieces:
        which = "The string" if piece.part == "all" else f"The string of the {piece.part}"
        if piece.diameter_mm and not sport.thin_mm <= piece.diameter_mm <= sport.thick_mm:
            notes.questions.append(
                f"{which} is {piece.diameter_mm:g} mm thick; in {sport.name} {sport.thin_mm:g} to {sport.thick_mm:g} mm is "
                "usual. Is it right?"
            )
        if (piece.family == "badminton nylon") != (sport.name == "badminton") and piece.family != "unknown":
            notes.questions.append(f"{which} is {piece.family}, unusual in {sport.name}. Is it right?")
        if piece.over_pull and piece.family == "gut":
            notes.questions.append(f"{which} is gut, and over-pulled by {piece.over_pull * 100:g} %; gut seldom is. Right?")
        if piece.over_pull_crosses or (piece.over_pull and piece.part == "crosses"):
            notes.remarks.append("Over-pulled crosses end up tighter at the far end than at the near one.")
    if racquet.mains_ahead > sport.mains_ahead:
        notes.questions.append(
            f"[work] mains_ahead is {racquet.mains_ahead}; in {sport.name} at most {sport.mains_ahead} is usual, or the "
            "frame is loaded lopsidedly. Is it meant?"
        )


def _parity(racquet: Racquet, notes: Notes) -> None:
    """Common practice, no source; the maker's chart overrules."""
    overruled = racquet.parity_overruled
    if racquet.mains_at_throat is not None and throat_rule(racquet.mains_at_throat) != racquet.start:
        half = racquet.mains_at_throat // 2
        notes.ask_unless(
            overruled,
            f"first_loop is {racquet.start!r}, but {racquet.mains_at_throat} mains at the throat are {half} on each side, "
            f"{'odd' if half % 2 else 'even'}: the first loop would lie at the {throat_rule(racquet.mains_at_throat)}. "
            f"Which is right? {PARITY_KEY}",
        )
    if len(racquet.pieces) == 1 and racquet.mains_end != racquet.crosses_from:
        notes.ask_unless(
            overruled,
            f"{racquet.per_side} mains on each side that begin at the {racquet.start} end at the {racquet.mains_end}, but "
            f"the crosses of the same piece begin at the {racquet.crosses_from}. Two pieces, another first_loop, or "
            f"another order? {PARITY_KEY}",
        )
    if racquet.crosses_from == "throat":
        notes.ask_unless(
            overruled,
            "The crosses go from the throat to the head; usually they go from the head to the throat, because the throat "
            f"is stiffer and the head should not take the last squeeze. Does the chart say so? {PARITY_KEY}",
        )
