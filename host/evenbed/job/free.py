"""Free work: no racquet file, one reference for mains and one for crosses; and the racquet learnt from it afterwards."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from evenbed.job.asked import OUTER_MM
from evenbed.job.forecast_strings import FAMILIES
from evenbed.job.marks import Done
from evenbed.job.planned import Equipment, Plan, PlannedPull
from evenbed.racquet.model import Hole, Kind, Piece, Racquet, StringName

MOST = 60  # pulls of each kind: more than any racquet has
SOME_MAIN_MM, SOME_CROSS_MM = 300.0, 220.0  # where nothing is known of the string's stiffness


def free_plan(
    main_n: float,
    cross_n: float,
    family: str = "unknown",
    unit: str = "kgf",
    sport: str = "tennis",
    most_n: float | None = None,
    over_pull: float = 0.0,
    speed_mm_s: float = 60.0,
) -> Plan:
    """Return a plan of mains and then crosses without names of sides or holes. References in N."""
    racquet = Racquet(
        "free work", sport, unit, 0, 0, 0.0, 0.0, (), (), (), (), (), {"head": (), "throat": ()}, (), "throat",
        (Piece("all", family, over_pull=over_pull, speed_mm_s=speed_mm_s),), main_n, cross_n, most_n=most_n,
    )  # fmt: skip
    kinds: tuple[tuple[Kind, float, int], ...] = (("main", main_n, 1), ("cross", cross_n, MOST + 1))
    pulls = [
        PlannedPull(
            number=number,
            name=StringName(kind, i + 1),
            also=(),
            piece=0,
            reference_n=reference_n,
            above=0.0,
            over_pull=over_pull if kind == "main" else 0.0,
            family=family,
            speed_mm_s=speed_mm_s,
            pulled_at="head",
            hole=Hole("head", 0, "left"),
            length_mm=0.0,
            crossings=0,
            frees="",
            clamps="at the frame",
            weaving=None,
            ties="",
            new_reference=i == 0,
        )
        for kind, reference_n, first in kinds
        for i, number in enumerate(range(first, first + MOST))
    ]
    return Plan(racquet, tuple(pulls), (), (), {}, free=True, equipment=Equipment())


def learnt(name: str, plan: Plan, done: Sequence[Done]) -> str:
    """Return the text of a racquet file from what was pulled, to be completed by hand: which strings there were, their
    references, and lengths estimated from how stiff they were. Raises ValueError if there were too few pulls."""
    mains = [d for d in done if d.pull.name.kind == "main"]
    crosses = [d for d in done if d.pull.name.kind == "cross"]
    if len(mains) < 4 or len(crosses) < 4:
        raise ValueError(
            f"{len(mains)} mains and {len(crosses)} crosses are too few to learn a racquet from: 4 of each at least."
        )
    r = plan.racquet
    family = r.pieces[0].family
    lengths = {k: [_length(d, family, k) for d in ds] for k, ds in (("main", mains), ("cross", crosses))}
    per_side = len(mains) // 2
    pairs = [lengths["main"][2 * i : 2 * i + 2] for i in range(per_side)]
    main_mm = [round(statistics.fmean(p)) for p in pairs]
    unit = {"N": 1.0, "kgf": 9.80665, "lbf": 4.4482216152605}[r.unit]
    tension = {k: statistics.median(d.pull.reference_n for d in ds) / unit for k, ds in (("m", mains), ("c", crosses))}
    out = [
        f"# Learnt from {len(done)} pulls. Lengths are estimates from stiffness: measure them, and see to holes and knots.",
        f'name = "{name}"',
        f'sport = "{r.sport}"',
        f'unit = "{r.unit}"',
        "",
        "[frame]",
        f"inside_length_mm = {max(main_mm) + 10}",
        f"inside_width_mm = {round(max(lengths['cross'])) + 10}",
        "",
        "[pattern]",
        f"mains = {2 * per_side}",
        f"crosses = {len(crosses)}",
        'first_loop = "throat"  # a guess: see which way the mains began',
        f"main_lengths_mm = {main_mm}",
        f"cross_lengths_mm = {[round(v) for v in lengths['cross']]}",
        "",
        "[string]",
        f'family = "{family}"',
        "",
        "[tension]",
        f"main = {tension['m']:.2f}",
        f"cross = {tension['c']:.2f}",
        "",
    ]
    return "\n".join(out)


def _length(d: Done, family: str, kind: str) -> float:
    k, known = d.record.get("stiffness_n_mm"), FAMILIES.get(family)
    some = SOME_MAIN_MM if kind == "main" else SOME_CROSS_MM
    return some if not k or known is None else max(80.0, min(400.0, known.ea_n / k - OUTER_MM))
