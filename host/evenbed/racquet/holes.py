"""Holes and knots of a racquet against each other. Facts of the trade are common practice, no source."""

from __future__ import annotations

from evenbed.racquet.file import KNOTS
from evenbed.racquet.findings import Notes, listed
from evenbed.racquet.model import ENDS, End, Hole, Racquet, Side, other_end, other_side


def uses(racquet: Racquet) -> dict[tuple[End, int], list[str]]:
    """Which strings lie in which hole; left and right are alike."""
    found: dict[tuple[End, int], list[str]] = {}
    for end in ENDS:
        for i, number in enumerate(racquet.main_holes[end]):
            found.setdefault((end, number), []).append(f"main {i + 1}")
    for i, hole in enumerate(racquet.cross_holes):
        found.setdefault(hole, []).append(f"cross {i + 1}")
    return found


def check_holes(racquet: Racquet, notes: Notes) -> None:
    """A hole for every string, and no more strings in it than fit."""
    used = uses(racquet)
    for hole, strings in sorted(used.items()):
        where = f"{hole[0]} {hole[1]}"
        if len(strings) > 2:
            notes.errors.append(f"Hole {where} would hold {len(strings)} strings ({', '.join(strings)}): two at most.")
        elif len(strings) == 2 and hole not in racquet.shared_holes:
            notes.errors.append(
                f"Hole {where} is used twice, by {strings[0]} and {strings[1]}: correct skipped or cross_holes, or name it "
                "under shared."
            )
    for end, number in sorted(racquet.shared_holes):
        strings = used.get((end, number), [])
        if len(strings) < 2:
            by = f"only {strings[0]} uses it" if strings else "no string uses it"
            notes.questions.append(f"Hole {end} {number} is named as shared, but {by}. Is it shared?")
    for end in ENDS:
        _count(racquet, end, used, notes)
    _order(racquet, notes)


def _count(racquet: Racquet, end: End, used: dict[tuple[End, int], list[str]], notes: Notes) -> None:
    there = racquet.holes.get(end)
    if there is None:
        return
    beyond = [(n, s[-1]) for (e, n), s in sorted(used.items()) if e == end and n > there]
    if beyond:
        strings = ", ".join(f"{name} in {end} {n}" for n, name in beyond)
        notes.errors.append(
            f"There are {there} holes on each side at the {end}, too few: {strings}. Correct holes_{end}, skipped or "
            "cross_holes."
        )
    idle = [n for n in range(1, there + 1) if (end, n) not in used]
    if idle:
        holes = "hole" if len(idle) == 1 else "holes"
        notes.remarks.append(f"No string goes through {holes} {listed(idle)} at the {end}.")


def _order(racquet: Racquet, notes: Notes) -> None:
    """Crosses take head holes outwards from the centre, then throat holes back towards it."""
    holes = racquet.cross_holes
    for i in range(1, len(holes)):
        (end0, n0), (end1, n1) = holes[i - 1], holes[i]
        back = n1 < n0 if end1 == "head" else n1 > n0
        if (end0, end1) == ("throat", "head") or (end0 == end1 and back):
            notes.questions.append(
                f"Cross {i + 1} goes through {end1} {n1}, after cross {i} through {end0} {n0}: that is back towards the "
                "head. Is the order of cross_holes right?"
            )


def check_knots(racquet: Racquet, notes: Notes) -> None:
    """Each knot in a hole that is there, beside a string to tie it to, at the end and side where its string ends."""
    wanted = KNOTS[len(racquet.pieces)]
    pieces = "one piece" if len(racquet.pieces) == 1 else "two pieces"
    used = uses(racquet)
    for knot, hole in racquet.tie_offs.items():
        if knot not in wanted:
            notes.errors.append(f"[tie_offs] {knot}: {pieces} of string have no such knot, but {' and '.join(wanted)}.")
            continue
        highest = racquet.holes.get(hole.end) or max((n for e, n in used if e == hole.end), default=0)
        at = f"[tie_offs] {knot}: {hole.end} {hole.number} {hole.side}"
        if hole.number > highest:
            notes.errors.append(f"{at} is not there: holes at the {hole.end} end at {highest}.")
            continue
        if (hole.end, hole.number) not in used:
            notes.questions.append(f"{at} holds no string that the knot could be tied to. Is it the right hole?")
        _place(racquet, knot, hole, at, notes)
    taken: dict[Hole, str] = {}
    for knot, hole in racquet.tie_offs.items():
        if hole in taken:
            notes.questions.append(f"[tie_offs] {taken[hole]} and {knot} share {hole}: do two knots fit there?")
        taken[hole] = knot
    missing = [k for k in wanted if k not in racquet.tie_offs]
    if missing:
        notes.remarks.append(f"No hole is given for the knot: {', '.join(missing)}. Take the next one with room for two.")


def _place(racquet: Racquet, knot: str, hole: Hole, at: str, notes: Notes) -> None:
    first, last = racquet.crosses_from, other_end(racquet.crosses_from)
    outer = f"main {racquet.per_side}"
    begins = _crosses_begin(racquet)
    ends = begins if begins is None or racquet.crosses % 2 == 0 else other_side(begins)
    places: dict[str, tuple[End, Side | None, str]] = {
        "short side": (racquet.mains_end, racquet.short_side, outer),
        "mains left": (racquet.mains_end, "left", outer),
        "mains right": (racquet.mains_end, "right", outer),
        "crosses start": (first, None, f"cross {1 if first == 'head' else racquet.crosses}"),
        "crosses end": (last, ends, f"cross {racquet.crosses if last == 'throat' else 1}"),
    }
    end, side, string = places[knot]
    if hole.end != end:
        notes.ask_unless(racquet.parity_overruled, f"{at}, but {string} ends at the {end}. Is the hole right?")
    elif side is not None and hole.side != side:
        notes.questions.append(f"{at}, but {string} ends on the {side}. Is the side right?")
    elif uses(racquet).get((hole.end, hole.number)) == [string] and string.startswith("main"):
        notes.questions.append(f"{at} is the hole of {string} itself. Which hole does its knot go to?")


def _crosses_begin(racquet: Racquet) -> Side | None:
    """The side at which the string of the crosses comes in: from the long side of the mains, or where its own first knot
    is. An even number of crosses ends at the side where they began, an odd number at the other."""
    if len(racquet.pieces) == 1:
        return other_side(racquet.short_side)
    start = racquet.tie_offs.get("crosses start")
    return start.side if start else None
