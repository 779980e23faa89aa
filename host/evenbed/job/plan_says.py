"""What is said to the stringer before a draw, one pull early where foresight is needed. Pure.

Facts of the trade: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from evenbed.job import plan_order
from evenbed.job.planned import PlannedPull
from evenbed.racquet.model import SIDES, Hole, Racquet, StringName, other_side
from evenbed.units import show_force

HARDEST = 3  # crosses at the end that are hard to weave
KNOTS = {
    "short side": "the short side",
    "mains left": "the mains, left",
    "mains right": "the mains, right",
    "crosses start": "the first cross",
    "crosses end": "the last cross",
}


def remarks(
    racquet: Racquet, pulls: Sequence[PlannedPull], last: StringName | None, woven: StringName | None
) -> list[list[str]]:
    """The remarks before each pull, in order. ``last`` is the string drawn before the first of them, None at the start;
    ``woven`` the cross woven meanwhile."""
    out: list[list[str]] = [[] for _ in pulls]
    _openings(racquet, pulls, out, last is None)
    _blocked(racquet, pulls, out)
    _references(racquet, pulls, out, last)
    _knots(racquet, pulls, out)
    _ends(racquet, pulls, out)
    _weaving(racquet, pulls, out, woven)
    return out


def about_order(racquet: Racquet, done: Sequence[StringName]) -> str:
    """The remark on the string drawn last if it leaves the load lopsided, else "". It is said once, at the draw that went
    too far, and again only if another goes further."""
    if not done:
        return ""
    count = {s: sum(n.side == s for n in done) for s in SIDES}
    more = max(SIDES, key=lambda s: count[s])
    ahead = count[more] - count[other_side(more)]
    if done[-1].side == more and ahead > racquet.mains_ahead:
        return (
            f"The {more} side is {ahead} mains ahead, at most {racquet.mains_ahead} keep the frame straight: the other "
            "side comes next."
        )
    first_cross = done[-1].kind == "cross" and sum(n.kind == "cross" for n in done) == 1
    if first_cross and ahead > 0:
        return f"A cross is in before {ahead} of the mains on the {other_side(more)}: they come next, the load is lopsided."
    return ""


def _openings(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]], begins: bool) -> None:
    for pull, says in zip(pulls, out, strict=True):
        if pull.ties_before:
            says.append(f"Tie the starting knot first{_where(r, pull.ties_before)}.")
        if pull.sets:
            says.append(f"Clamp first: {pull.sets}.")
            if "outside the frame" in pull.sets:
                says.append("A clamp outside the frame can jump off: keep your face out of its line.")
        if pull.opens and not pull.ties:
            says.append(f"Once the new clamp holds, open: {pull.opens}.")
    if begins and pulls:
        out[0].insert(0, f"Thread both centre mains from the loop at the {r.start}, left and right even.")
        if len(r.pieces) == 1:
            out[0][0] = (
                f"Thread both centre mains from the loop at the {r.start}: the mark in the middle of the loop, the short "
                f"end on the {r.short_side}."
            )


def _where(r: Racquet, knot: str) -> str:
    hole = r.tie_offs.get(knot)
    return f", in {hole}" if hole is not None else ""


def _holes(r: Racquet, name: StringName) -> set[Hole]:
    """The holes that a string goes through."""
    if name.kind == "main":
        assert name.side is not None
        return {Hole(end, holes[name.number - 1], name.side) for end, holes in r.main_holes.items()}
    end, number = r.cross_holes[name.number - 1]
    return {Hole(end, number, "left"), Hole(end, number, "right")}


def _covered(r: Racquet, name: StringName) -> set[Hole]:
    """The holes under the string that comes round the frame to a main from the one before it."""
    if name.kind != "main" or name.number < 2 or name.side is None:
        return set()
    end = r.main_enters(name.number)
    a, b = sorted((r.main_holes[end][name.number - 2], r.main_holes[end][name.number - 1]))
    return {Hole(end, n, name.side) for n in range(a + 1, b)}


def _blocked(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]]) -> None:
    """One pull before a hole is filled or covered that is needed later. The first string to block it counts."""
    told: set[tuple[Hole, str]] = set()
    for i, pull in enumerate(pulls):
        blocks = dict.fromkeys(_holes(r, pull.name), "fill") | dict.fromkeys(_covered(r, pull.name), "cover")
        later: list[tuple[Hole, str, bool]] = []
        for other in pulls[i + 1 :]:
            if other.name.kind == "cross":
                # Only the end of another piece can go first.
                begins = pull.piece != other.piece and other.name.number == plan_order.cross_numbers(r)[0]
                for h in sorted(_holes(r, other.name) & blocks.keys()):
                    later.append((h, str(other.name), begins and h.side == plan_order.crosses_begin(r)))
        for p in pulls[i:]:
            for knot in (p.ties, p.ties_before):
                hole = r.tie_offs.get(knot)
                if knot and hole is not None and hole in blocks:
                    later.append((hole, f"the knot of {KNOTS[knot]}", False))
        for hole, what, can in later:
            if (hole, what) in told:
                continue
            told.add((hole, what))
            will = f"{pull.name} will {blocks[hole]} it"
            if can:
                text = f"Thread {what} through {hole}, first: {will}."
            elif what.startswith("the knot"):
                text = (
                    f"{what[0].upper()}{what[1:]} goes into {hole}: {will}. Leave a scrap of string in it if it is tight."
                )
            else:
                text = f"Leave a scrap of string in {hole} for {what}: {will}."
            out[max(0, i - 1)].append(text)


def _references(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]], last: StringName | None) -> None:
    for i, pull in enumerate(pulls):
        now = f"{pull.label} at {show_force(pull.reference_n, r.unit)}"
        if pull.new_reference:
            out[i].append(f"New reference: {now}.")
            if i > 0:
                out[i - 1].append(f"Next comes a new reference: {now}.")
        before = pulls[i - 1].piece if i else None if last is None else r.piece_of(last)
        if before is not None and pull.piece != before:
            piece = r.pieces[pull.piece]
            thick = f" {piece.diameter_mm:.2f} mm" if piece.diameter_mm else ""
            out[i].append(f"Another string from here on: {piece.family}{thick}.")
        if pull.above > 0.0:
            out[i].append(
                f"Drawn {100.0 * pull.above:.3g} % above the reference, to {show_force(pull.target_n, r.unit)}: the knot "
                "takes some of it."
            )


def _weaving(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]], woven: StringName | None) -> None:
    """What was not woven while the string before was on the head has to be woven now."""
    for pull, says in zip(pulls, out, strict=True):
        if pull.woven and pull.name != woven and pull.name.number != plan_order.late_cross(r):
            now = []
            for name in (*pull.also, pull.name):
                enters = plan_order.cross_enters(r, name.number)
                now.append(f"{name} from the {enters}, first {plan_order.passes_first(r, name.number, enters)}")
            says.insert(0, f"Weave {', then '.join(now)}.")
        woven = pull.weaving.name if pull.weaving else None


def _knots(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]]) -> None:
    for pull, says in zip(pulls, out, strict=True):
        if pull.ties:
            says.append(
                f"Then the knot of {KNOTS[pull.ties]}{_where(r, pull.ties)}: thread, knot, take the slack out by hand, "
                "open the clamp."
            )


def _ends(r: Racquet, pulls: Sequence[PlannedPull], out: list[list[str]]) -> None:
    mains = [i for i, p in enumerate(pulls) if p.name.kind == "main"]
    crosses = [i for i, p in enumerate(pulls) if p.name.kind == "cross"]
    if mains and crosses:
        out[mains[-1]].append("Only mains are in then, and the frame is loaded along its length: go on without a break.")
    late = plan_order.late_cross(r)
    running = [i for i in crosses if pulls[i].name.number != late]
    if len(running) > HARDEST:
        out[running[-HARDEST]].append(
            "Weaving is hardest over the last crosses; straighten the outer mains, they bow most."
        )
