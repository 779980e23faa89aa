"""Holes and strings as text: "head 7 left", "main 3 right", "cross 12". One way to write each."""

from __future__ import annotations

import re
from typing import cast

from evenbed.racquet.model import SIDES, End, Hole, Side, StringName

MOST_HOLES = 40


class NamingError(ValueError):
    """A text that names no hole or string. It says how to write one."""


def hole(text: str) -> Hole:
    """Read "head 7 left". Raises NamingError."""
    found = re.fullmatch(r"\s*(head|throat)\s+([0-9]{1,3})\s+(left|right)\s*", text)
    if not found:
        raise NamingError(f"{text[:40]!r} names no hole: write it like 'head 7 left', counted from the centre line.")
    return Hole(cast(End, found[1]), _number(text, found[2]), cast(Side, found[3]))


def hole_pair(text: str) -> tuple[End, int]:
    """Read "head 7", the hole of that number on both sides. Raises NamingError."""
    found = re.fullmatch(r"\s*(head|throat)\s+([0-9]{1,3})\s*", text)
    if not found:
        raise NamingError(
            f"{text[:40]!r} names no pair of holes: write it like 'head 7', counted from the centre line; it is meant "
            "left and right."
        )
    return cast(End, found[1]), _number(text, found[2])


def _number(text: str, digits: str) -> int:
    number = int(digits)
    if not 1 <= number <= MOST_HOLES:
        raise NamingError(f"{text!r}: holes are counted from 1 to {MOST_HOLES} on each side.")
    return number


def string_names(text: str, per_side: int, crosses: int) -> list[StringName]:
    """Read "main 3 left", "main 3" (both sides) or "cross 12". Raises NamingError, also for one that is not there."""
    found = re.fullmatch(r"\s*(?:main\s+([0-9]{1,3})(?:\s+(left|right))?|cross\s+([0-9]{1,3}))\s*", text)
    if not found:
        raise NamingError(f"{text[:40]!r} names no string: write 'main 3 left', 'main 3' for both sides, or 'cross 12'.")
    if found[3]:
        if not 1 <= int(found[3]) <= crosses:
            raise NamingError(f"{text!r} is not there: the crosses are 1 to {crosses}, from the head.")
        return [StringName("cross", int(found[3]))]
    if not 1 <= int(found[1]) <= per_side:
        raise NamingError(f"{text!r} is not there: the mains are 1 to {per_side} on each side, from the centre.")
    sides = [cast(Side, found[2])] if found[2] else list(SIDES)
    return [StringName("main", int(found[1]), side) for side in sides]
