"""Racquets of our own invention for the tests of the plan: built directly, from a superellipse or by hypothesis."""

from __future__ import annotations

from dataclasses import replace

from evenbed.job.planned import Equipment
from evenbed.racquet.geometry import Superellipse, cross_lengths_mm, main_lengths_mm, spread_crosses_mm, spread_mains_mm
from evenbed.racquet.model import End, Piece, Racquet
from hypothesis import strategies as st

ONE = (Piece("all", "nylon", 1.30),)
TWO = (Piece("mains", "polyester", 1.25), Piece("crosses", "nylon", 1.30))
EQUIPMENTS = [
    Equipment("fixed", 2, True),
    Equipment("fixed", 2, False),
    Equipment("fixed", 1, True),
    Equipment("floating", 2, True),
    Equipment("floating", 2, False),
    Equipment("floating", 1, True),
    Equipment("floating", 3, True),
]


def racquet(
    per_side: int = 8,
    crosses: int = 19,
    start: End = "head",
    pieces: tuple[Piece, ...] = ONE,
    skipped: dict[End, set[int]] | None = None,
    size_mm: tuple[float, float] = (335.0, 252.0),
    **more: object,
) -> Racquet:
    """A racquet whose crosses take the holes that the mains leave, half of them counted from the head."""
    hoop = Superellipse(*size_mm)
    xs = spread_mains_mm(size_mm[1], per_side, 1.4)
    ys = spread_crosses_mm(size_mm[0], crosses, 1.4)
    skips: dict[End, set[int]] = skipped or {"head": {per_side}, "throat": {per_side - 1}}
    main_holes: dict[End, tuple[int, ...]] = {}
    rest: dict[End, list[int]] = {}
    for end, skip in skips.items():
        numbers = [n for n in range(1, 60) if n not in skip]
        main_holes[end] = tuple(numbers[:per_side])
        rest[end] = [n for n in range(1, 60) if n not in main_holes[end]]
    upper = (crosses + 1) // 2
    holes: list[tuple[End, int]] = [("head", n) for n in rest["head"][:upper]]
    holes += [("throat", n) for n in reversed(rest["throat"][: crosses - upper])]
    made = Racquet(
        name="Catkin",
        sport="tennis",
        unit="kgf",
        mains=2 * per_side,
        crosses=crosses,
        head_length_mm=size_mm[0],
        head_width_mm=size_mm[1],
        main_lengths_mm=main_lengths_mm(hoop, xs),
        cross_lengths_mm=cross_lengths_mm(hoop, ys),
        mains_x_mm=xs,
        crosses_y_mm=ys,
        outline=hoop.points(),
        main_holes=main_holes,
        cross_holes=tuple(holes),
        start=start,
        pieces=pieces,
        main_n=230.0,
        cross_n=225.0,
    )
    return replace(made, **more)  # type: ignore[arg-type]


@st.composite
def racquets(draw: st.DrawFn) -> Racquet:
    """Any racquet, of sense or not as far as the maker's chart goes."""
    per_side = draw(st.integers(3, 11))
    skips = st.sets(st.integers(2, per_side + 2), max_size=3)
    side = st.sampled_from(["left", "right"])
    end = st.sampled_from(["head", "throat"])
    return racquet(
        per_side,
        draw(st.integers(4, 22)),
        draw(end),
        draw(st.sampled_from([ONE, TWO])),
        {"head": draw(skips), "throat": draw(skips)},
        mains_ahead=draw(st.integers(1, 3)),
        short_side=draw(side),
        crosses_from=draw(end),
        late_first_cross=draw(st.booleans()),
        tie_off_above=draw(st.sampled_from([0.0, 0.08])),
    )


equipments = st.sampled_from(EQUIPMENTS)
