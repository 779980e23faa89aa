"""The tone of a string and of a bed: what a tension sounds like, what a tone says of the tension, how it falls with time.

A bed of strings vibrates like a membrane, and its tone depends on its area far more than on its shape (Sports Engineering 4
(2001) 165). Pure. Tensions in N, lengths in mm unless the name says otherwise, tones in Hz.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from evenbed.job import forecast_strings as strings
from evenbed.job.marks import Done
from evenbed.job.planned import Expected
from evenbed.racquet.model import Racquet, StringName

J01 = 2.404825557695773  # first zero of the Bessel function J0: Abramowitz & Stegun, Table 9.5
# kg/m3: nylon, polyester (PET) and aramid as fibre tables give them; gut from memory.
DENSITY_KG_M3 = {"nylon": 1140.0, "badminton nylon": 1140.0, "polyester": 1380.0, "aramid": 1440.0, "gut": 1300.0}
U_MODEL = 0.03  # of a tone worked out: density of a coated or many-stranded string, stretch, air. Estimated, no source
# Of a loss per decade seen over seconds, on the way between clamp and gripper and under a constant force, and used for the
# bed and for days: on the simulated rig half of the truth was seen.
U_SEEN = 0.5
LEAST = 5  # pulls from which such a loss is taken
BED_HZ = (300.0, 800.0)  # where the bed of a tennis racquet sounds
DAY_S = 86400.0
# When a tone is taken: what it is called, and how long that is after the last pull.
WHEN_S = {"after the job": 900.0, "after a day": DAY_S, "after a week": 7 * DAY_S, "after a month": 30 * DAY_S}


def linear_density_kg_m(family: str, diameter_mm: float) -> float | None:
    """Mass of a metre of string, ``rho pi d**2 / 4``; None if family or diameter is not known."""
    density = DENSITY_KG_M3.get(family)
    return None if density is None or diameter_mm <= 0.0 else density * math.pi * (diameter_mm / 2000.0) ** 2


def string_hz(tension_n: float, mu_kg_m: float, length_mm: float) -> float:
    """Fundamental of a string between two fixed ends, ``sqrt(T / mu) / (2 L)``."""
    return math.sqrt(tension_n / mu_kg_m) / (2.0 * length_mm / 1000.0)


def membrane_hz(half_width_mm: float, half_length_mm: float, across_n_m: float, along_n_m: float, kg_m2: float) -> float:
    """Fundamental of an elliptical membrane drawn by ``across_n_m`` in the direction of its width and ``along_n_m`` in that
    of its length, N/m: ``(2 pi f)**2 = J01**2 (across / a**2 + along / b**2) / (2 sigma)``.

    Exact for a circle drawn alike both ways. For an ellipse it is Rayleigh's quotient of the stretched circle's shape, and
    never below the truth: 0.1 % above it at an axis ratio of 1.33, 0.4 % at 1.7. The circle of equal area would be 1.9 %
    and 6 % below.
    """
    a, b = half_width_mm / 1000.0, half_length_mm / 1000.0
    return J01 / (2.0 * math.pi) * math.sqrt((across_n_m / a**2 + along_n_m / b**2) / (2.0 * kg_m2))


# --- a bed ---------------------------------------------------------------------------------------------------------
def axes_mm(racquet: Racquet) -> tuple[float, float]:
    """Half width and half length of the ellipse with the area of the hoop and the ratio of its length to its width."""
    half_width, half_length = racquet.head_width_mm / 2.0, racquet.head_length_mm / 2.0
    if len(racquet.outline) < 3:
        return half_width, half_length
    points = racquet.outline
    half = sum((x0 + x1) * (y1 - y0) / 2.0 for (x0, y0), (x1, y1) in pairwise(points))
    scale = math.sqrt(2.0 * abs(half) / (math.pi * half_width * half_length))
    return half_width * scale, half_length * scale


def bed_hz(racquet: Racquet, tension_n: Mapping[StringName, float]) -> float | None:
    """Tone of a bed whose strings carry ``tension_n``; None if a family or diameter is not known.

    The strings' tensions are spread over the area S of the hoop (``sum(T L) / S`` each way, in N/m) and so is their mass
    (``sum(mu L) / S``), which for even spacing and like strings gives the wave speed ``sqrt(T / (2 mu))``.
    """
    along = across = mass = 0.0
    for name in racquet.names():
        piece = racquet.pieces[racquet.piece_of(name)]
        mu = linear_density_kg_m(piece.family, piece.diameter_mm)
        if mu is None or name not in tension_n:
            return None
        length = racquet.length_mm(name) / 1000.0
        mass += mu * length
        if name.kind == "main":
            along += tension_n[name] * length
        else:
            across += tension_n[name] * length
    a, b = axes_mm(racquet)
    area = math.pi * a * b / 1e6
    return membrane_hz(a, b, across / area, along / area, mass / area)


def mean_n(racquet: Racquet, tension_n: Mapping[StringName, float]) -> float:
    """Mean tension of a bed, each string counted by its length."""
    lengths = {n: racquet.length_mm(n) for n in tension_n}
    return sum(t * lengths[n] for n, t in tension_n.items()) / sum(lengths.values())


@dataclass(frozen=True)
class BedTension:
    """Mean tension that a tone says, N, and its standard uncertainty."""

    mean_n: float
    u_n: float


def bed_tension(racquet: Racquet, hz: float, u_hz: float, like_n: Mapping[StringName, float]) -> BedTension | None:
    """Mean tension of a bed that sounds at ``hz``, its strings loaded in the proportions of ``like_n``. As T goes with the
    square of f, ``dT / T = 2 df / f``. None if a family or diameter is not known."""
    sounds = bed_hz(racquet, like_n)
    if sounds is None or hz <= 0.0:
        return None
    mean = mean_n(racquet, like_n) * (hz / sounds) ** 2
    return BedTension(mean, 2.0 * mean * math.hypot(u_hz / hz, U_MODEL))


def expected_hz(racquet: Racquet, expected: Mapping[StringName, Expected]) -> tuple[float, float] | None:
    """Tone of a bed as forecast, and its standard uncertainty; None if a family or diameter is not known."""
    hz = bed_hz(racquet, {n: e.mean_n for n, e in expected.items()})
    if hz is None:
        return None
    mean = mean_n(racquet, {n: e.mean_n for n, e in expected.items()})
    u = mean_n(racquet, {n: e.u_n for n, e in expected.items()})  # strings of one bed share most of it
    return hz, hz * math.hypot(U_MODEL, u / mean / 2.0)


# --- how tension falls ---------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Relaxing:
    """Share of the force inside the frame at the clamp that a piece loses in each tenfold of time, and its standard
    uncertainty: ``usual`` for its family, ``seen`` in the creep at the clamps of ``pulls`` pulls (None if too few tell),
    and both together."""

    decade: float
    u: float
    usual: float
    u_usual: float
    seen: float | None = None
    u_seen: float | None = None
    pulls: int = 0


def held_s(record: Mapping[str, object]) -> float | None:
    """How long the head held a string at its reference before its clamp was set, s; None if it did not come to that."""
    reached, clamped = record.get("reached_s"), record.get("clamped_s")
    if not isinstance(reached, int | float) or not isinstance(clamped, int | float):
        return None
    return max(0.0, float(clamped) - float(reached))


def relaxing(done: Iterable[Done], piece: int) -> Relaxing:
    """What a piece loses with time: what is usual for its family, and the creep rate q that the head saw at each clamp,
    ``ln(10) q t / F`` with t the time held (tension at fixed length falls as ``C ln t``), each by its uncertainty."""
    of_piece = [d for d in done if d.pull.piece == piece]
    family = strings.family(of_piece[0].pull.family if of_piece else "unknown")
    # The family's figure is of the force one second after the draw.
    at_clamp = 1.0 - family.decade * math.log10(strings.HELD_S)
    usual, u_usual = family.decade / at_clamp, family.u_decade / at_clamp
    found = []
    for d in of_piece:
        q, force, held = d.record.get("creep_n_s"), d.record.get("force_at_clamp_n"), held_s(d.record)
        if q is not None and force and held and not d.again:
            found.append(math.log(10.0) * max(0.0, float(q)) * held / float(force))
    if len(found) < LEAST:
        return Relaxing(usual, u_usual, usual, u_usual)
    seen = statistics.median(found)
    scatter = 1.4826 * statistics.median(abs(v - seen) for v in found) / math.sqrt(len(found))
    u_seen = max(1e-4, math.hypot(scatter, U_SEEN * seen))
    weight = 1.0 / u_usual**2 + 1.0 / u_seen**2
    both = (usual / u_usual**2 + seen / u_seen**2) / weight
    return Relaxing(both, 1.0 / math.sqrt(weight), usual, u_usual, seen, u_seen, len(found))


def decades(held: float, age_s: float) -> float:
    """Tenfolds of time that a string has relaxed ``age_s`` after its clamp was set, held for ``held`` s before."""
    start = max(held, 0.3)
    return math.log10((max(0.0, age_s) + start) / start)


@dataclass(frozen=True)
class Fall:
    """What a tone is multiplied by between two times, and the standard uncertainty of that."""

    ratio: float
    u: float


def fall(
    racquet: Racquet,
    done: Sequence[Done],
    delivered: Mapping[StringName, Expected],
    before_s: Mapping[int, float],
    from_s: float,
    to_s: float,
) -> Fall | None:
    """How the tone changes from ``from_s`` to ``to_s`` after the last pull: as ``sqrt(T)``, T the mean of all strings, each
    relaxing since it was clamped itself, ``before_s`` (by number of its pull) before the last one. ``delivered`` says what
    each has lost otherwise. None if too little is known."""
    pieces = {d.pull.piece: relaxing(done, d.pull.piece) for d in done}

    def ratio(sign: float) -> float | None:
        sums = [0.0, 0.0]
        for d in done:
            r = pieces[d.pull.piece]
            held, since = held_s(d.record) or strings.HELD_S, before_s.get(d.pull.number, 0.0)
            for name in (d.pull.name, *d.pull.also):
                if name not in delivered:
                    continue
                e = delivered[name]
                lost = dict(e.losses)
                fixed = e.mean_n + lost.get("relaxation", 0.0)
                inside = fixed + sum(n for what, n in e.losses if what not in ("friction", "relaxation"))
                for i, after_s in enumerate((from_s, to_s)):
                    gone = (r.decade + sign * r.u) * inside * decades(held, since + after_s)
                    sums[i] += max(0.0, fixed - gone) * racquet.length_mm(name)
        return math.sqrt(sums[1] / sums[0]) if sums[0] > 0.0 else None

    middle, lower = ratio(0.0), ratio(1.0)
    if middle is None or lower is None:
        return None
    return Fall(middle, abs(middle - lower))
