"""Which string comes after which, at which side it is pulled, what it crosses. Pure.

Facts of the trade: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from evenbed.job.planned import Equipment, PlanError
from evenbed.racquet.model import SIDES, End, Hole, Racquet, Side, StringName, other_end, other_side


@dataclass(frozen=True)
class Draw:
    """One draw: the string whose tail is in the gripper, and those loaded with it round a turn."""

    name: StringName
    also: tuple[StringName, ...] = ()


def check_equipment(equipment: Equipment) -> None:
    """Raise PlanError if these clamps cannot hold both sides of the bed."""
    if equipment.count + equipment.starting < 2 or equipment.count < 1:
        raise PlanError(
            f"{equipment.count} {equipment.kind} clamp{'' if equipment.count == 1 else 's'}"
            f"{' and a starting clamp' if equipment.starting else ' and no starting clamp'} cannot hold the mains left and "
            "right: two clamps are needed, or one and a starting clamp. Correct [clamps] in rig.toml."
        )


def opens_with_both(equipment: Equipment) -> bool:
    """Does the first pull load both centre mains round the first loop? With two fixed clamps one of them holds the loop;
    a floating clamp has no tensioned neighbour yet."""
    return equipment.kind == "floating" or equipment.count < 2


def sides_in_turn(racquet: Racquet) -> tuple[Side, Side]:
    """The short side first: it is tied off when its mains are done, and the long side goes on to the crosses."""
    return racquet.short_side, other_side(racquet.short_side)


def main_pulled_at(racquet: Racquet, number: int) -> End:
    """The end at which a main is pulled."""
    return other_end(racquet.main_enters(number))


def cross_numbers(racquet: Racquet) -> list[int]:
    """The crosses in the order in which the string runs through them."""
    numbers = list(range(1, racquet.crosses + 1))
    return numbers if racquet.crosses_from == "head" else numbers[::-1]


def late_cross(racquet: Racquet) -> int | None:
    """The cross that is drawn last although the string begins with it, None without one."""
    if len(racquet.pieces) == 1 or not racquet.late_first_cross or racquet.crosses < 2:
        return None
    return cross_numbers(racquet)[0]


def next_cross(racquet: Racquet, name: StringName) -> StringName | None:
    """The cross into which the string runs on from ``name``; None after a main, after the last and after a late first."""
    order = cross_numbers(racquet)
    if name.kind == "main" or name.number in (order[-1], late_cross(racquet)):
        return None
    return StringName("cross", order[order.index(name.number) + 1])


def crosses_begin(racquet: Racquet) -> Side:
    """The side at which the string of the crosses comes in: where the long side of the mains ends, or where the file wants
    the knots of a piece of its own."""
    if len(racquet.pieces) == 1:
        return other_side(racquet.short_side)
    if (start := racquet.tie_offs.get("crosses start")) is not None:
        return start.side
    if (end := racquet.tie_offs.get("crosses end")) is not None:
        return end.side if racquet.crosses % 2 == 0 else other_side(end.side)
    return "left"


def cross_enters(racquet: Racquet, number: int) -> Side:
    """The side at which the running string comes into a cross: they alternate."""
    begin = crosses_begin(racquet)
    return begin if cross_numbers(racquet).index(number) % 2 == 0 else other_side(begin)


def cross_pulled_at(racquet: Racquet, number: int) -> Side:
    """The side at which a cross is pulled. A late first cross is pulled at the side at which its string begins."""
    enters = cross_enters(racquet, number)
    return enters if number == late_cross(racquet) else other_side(enters)


def pulled_at(racquet: Racquet, name: StringName) -> End | Side:
    """Where the tail leaves the frame."""
    if name.kind == "main":
        return main_pulled_at(racquet, name.number)
    return cross_pulled_at(racquet, name.number)


def pulled_hole(racquet: Racquet, name: StringName) -> Hole:
    """The hole through which the tail leaves the frame."""
    if name.kind == "main":
        assert name.side is not None
        end = main_pulled_at(racquet, name.number)
        return Hole(end, racquet.main_holes[end][name.number - 1], name.side)
    counted_from, number = racquet.cross_holes[name.number - 1]
    return Hole(counted_from, number, cross_pulled_at(racquet, name.number))


def crossing_mains(racquet: Racquet, cross: int) -> int:
    """Mains of one side that a cross meets: those whose hole, at the end from which the hole of the cross is counted, lies
    nearer to the centre line. The others have both their holes on the same side of the cross."""
    end, hole = racquet.cross_holes[cross - 1]
    return sum(number < hole for number in racquet.main_holes[end]) or racquet.per_side


def crossings(racquet: Racquet, name: StringName) -> int:
    """How many strings it is woven through: a cross through the mains, a main goes in first and is woven through none."""
    return 2 * crossing_mains(racquet, name.number) if name.kind == "cross" else 0


def passes_first(racquet: Racquet, cross: int, enters: Side) -> Literal["over", "under"]:
    """How a cross passes the first main it meets, so that strings are alternately interlaced.

    Mains counted through from the left, ``column + cross`` even: over. With as many mains left as right each cross begins
    like the one before, unless it meets one main more or fewer on each side.
    """
    met = crossing_mains(racquet, cross)
    column = racquet.per_side - met if enters == "left" else racquet.per_side + met - 1
    return "over" if (column + cross) % 2 == 0 else "under"


def draws(racquet: Racquet, equipment: Equipment, done: Sequence[StringName] = ()) -> list[Draw]:
    """The draws that are left after ``done`` (strings whose tail was in the gripper, in the order in which they were
    drawn): mains in pairs, each pair begun on the other side than the one before, the side behind first; then the crosses.
    Raises PlanError for too few clamps."""
    check_equipment(equipment)
    drawn = set(done)
    out: list[Draw] = []
    left = {s: [n for n in range(1, racquet.per_side + 1) if StringName("main", n, s) not in drawn] for s in SIDES}
    mains = [n for n in done if n.kind == "main"]
    first, second = sides_in_turn(racquet)
    if mains and opens_with_both(equipment) and mains[0].side == second:
        first, second = second, first  # the stringer began on the other side
    while left["left"] or left["right"]:
        # Each pull slackens its neighbours a little: if the same side always went first, it would end lower.
        pair = racquet.per_side - len(left[first])
        side = (first, second)[pair % 2] if len(left[first]) == len(left[second]) else first
        if not left[first] or len(left[second]) > len(left[first]):
            side = second
        if opens_with_both(equipment) and equipment.count > 1 and len(mains) == 1 and left[first]:
            # The floating clamp on both centre mains can only be moved once the next main holds the first one.
            side = first
        name = StringName("main", left[side].pop(0), side)
        also = (StringName("main", 1, other_side(side)),) if opens_with_both(equipment) and not mains else ()
        mains.append(name)
        out.append(Draw(name, also))
    return out + _cross_draws(racquet, drawn)


def _cross_draws(racquet: Racquet, drawn: set[StringName]) -> list[Draw]:
    numbers = cross_numbers(racquet)
    late = late_cross(racquet)
    names = [StringName("cross", number) for number in (numbers if late is None else [*numbers[1:], late])]
    return [draw_of(racquet, name) for name in names if name not in drawn]


def draw_of(racquet: Racquet, cross: StringName) -> Draw:
    """The draw of one cross: the second also loads a late first one behind it."""
    late = late_cross(racquet)
    if late is not None and cross.number == cross_numbers(racquet)[1]:
        return Draw(cross, (StringName("cross", late),))
    return Draw(cross)


def made(racquet: Racquet, equipment: Equipment, done: Iterable[StringName]) -> list[Draw]:
    """The draws that were made, as they loaded the bed."""
    out: list[Draw] = []
    seen: set[StringName] = set()
    for name in done:
        draw = Draw(name)
        if name.kind == "main" and name.side is not None:
            if opens_with_both(equipment) and not any(n.kind == "main" for n in seen):
                draw = Draw(name, (StringName("main", 1, other_side(name.side)),))
        elif draw_of(racquet, name).also and draw_of(racquet, name).also[0] not in seen:
            draw = draw_of(racquet, name)
        seen.add(name)
        out.append(draw)
    return out
