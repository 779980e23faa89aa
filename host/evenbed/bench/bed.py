"""The string bed as a picture needs it: where each string lies, and which cross passes over which main. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from evenbed.racquet.model import Racquet, StringName


def bed(racquet: Racquet) -> dict[str, Any] | None:
    """Outline and strings in mm, x from the centre line (left is negative), y from the inside of the head; None where
    nothing is known of them. ``over`` of a cross: for each main from left to right, does the cross lie on top?

    Strings are alternately interlaced: counted through from the left, a cross passes over where the number of the main and
    that of the cross have an even sum.
    """
    if not racquet.outline or not racquet.mains_x_mm or not racquet.crosses_y_mm:
        return None
    mains = []
    for side, sign in (("left", -1.0), ("right", 1.0)):
        for number, x in enumerate(racquet.mains_x_mm, 1):
            top, bottom = _ends(racquet, x)
            name = str(StringName("main", number, "left" if side == "left" else "right"))
            mains.append({"name": name, "x": round(sign * x, 1), "y": [top, bottom]})
    mains.sort(key=lambda m: m["x"])  # type: ignore[arg-type, return-value]
    crosses = []
    for number, (y, length) in enumerate(zip(racquet.crosses_y_mm, racquet.cross_lengths_mm, strict=True), 1):
        over = [(column + number) % 2 == 0 for column in range(len(mains))]
        crosses.append(
            {
                "name": str(StringName("cross", number)),
                "y": round(y, 1),
                "x": [round(-length / 2.0, 1), round(length / 2.0, 1)],
                "over": over,
            }
        )
    return {
        "outline": [[round(x, 1), round(y, 1)] for x, y in racquet.outline],
        "length": racquet.head_length_mm,
        "width": racquet.head_width_mm,
        "mains": mains,
        "crosses": crosses,
    }


def _ends(racquet: Racquet, x: float) -> tuple[float, float]:
    """Where the outline lies at ``x``: the first and the last y. Strings beyond it are drawn over the whole length."""
    ys = [
        y0 if x1 == x0 else y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        for (x0, y0), (x1, y1) in pairwise(racquet.outline)
        if min(x0, x1) <= x <= max(x0, x1)
    ]
    return (round(min(ys), 1), round(max(ys), 1)) if len(ys) > 1 else (0.0, racquet.head_length_mm)
