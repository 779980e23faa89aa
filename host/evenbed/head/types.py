"""What goes into the head and what comes out of it. No ports, no clocks."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise

from evenbed.link.messages import Sample


@dataclass(frozen=True)
class Fresh:
    """A force that may be used: value, age, and which zero it is measured from ("reference" or "working")."""

    force_n: float
    age_s: float
    zero: str


@dataclass(frozen=True)
class Stale:
    """No force that may be used, and why."""

    why: str


Force = Fresh | Stale


@dataclass(frozen=True)
class RigModel:
    """What the head knows of the machine, in its own units. Built from the board's limits and rig.toml."""

    zero_counts: float
    counts_per_n: float
    steps_per_mm: float
    limit_n: float
    period_s: float
    rate_max_mm_s: float
    accel_mm_s2: float
    hold_rate_mm_s: float
    hold_travel_mm: float
    stiffest_n_mm: float
    overrun_n: float
    age_s: float
    granted_s: float
    travel_mm: float = 300.0  # between the end switches
    delay_s: float = 0.025  # of the reading, where nothing has been learnt: group delay of the converter
    delay_doubt_s: float = 0.025  # half width of what it may be


@dataclass(frozen=True)
class Known:
    """The calibration that the board's settings came from: its number, when it was made, what it set, its highest weight
    and a table of (force, expanded uncertainty U for k = 2), N."""

    number: int
    made: str
    zero_counts: int
    gain_mcounts_n: int
    top_n: float
    table: tuple[tuple[float, float], ...]

    def expanded_n(self, force_n: float) -> float:
        """U at a force, N, on straight lines between the points of the table; beyond it, in proportion."""
        for (f0, u0), (f1, u1) in pairwise(self.table):
            if force_n <= f1:
                return u0 + (u1 - u0) * (force_n - f0) / (f1 - f0)
        force, u = self.table[-1]
        return u * force_n / force


@dataclass(frozen=True)
class Pull:
    """What one pull is to be. ``family`` chooses the threshold of steady; ``over_pull`` > 0 is pre-stretch (0.1: 10 %
    above the reference, held ``over_pull_s``). ``stiffness_n_mm`` is what its string showed when it was drawn before, N/mm:
    one pulled once more begins at its old clamp, and only the stub is drawn. ``back``: it is taken back, its clamp is
    opened and none is set; a tap proves nothing, and the pedal held lets it down."""

    reference_n: float
    family: str = "unknown"
    speed_mm_s: float = 60.0
    slack_max_mm: float = 90.0
    over_pull: float = 0.0
    over_pull_s: float = 2.0
    label: str = ""
    woven: bool = False
    stiffness_n_mm: float | None = None
    back: bool = False


class Ask(Enum):
    """What a person at a screen may ask. None of these raises a force."""

    STOP = "stop"
    LET_DOWN = "let down"
    CLEAR = "clear"
    DISARM = "disarm"
    ARM = "arm"


@dataclass(frozen=True)
class Go:
    """A lease on motion, host units: mode of the wire, speed, where to, force ceiling."""

    mode: int
    speed_mm_s: float
    end_mm: float
    ceiling_n: float


@dataclass(frozen=True)
class Say:
    """A single line to the board: "arm" and "ceiling" (with a force), "disarm", "stop", "clear", "trip"."""

    kind: str
    value_n: float = 0.0


Command = Go | Say


@dataclass(frozen=True)
class Event:
    """Something worth telling: a stable name, a sentence, and the values and words it speaks of. ``entry`` among the values
    is its number in the catalogue, if it has one."""

    name: str
    says: str
    values: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Step:
    """What one step of the head decided."""

    commands: list[Command]
    events: list[Event]


@dataclass
class Shot:
    """One sample as the head sees it, host units."""

    t_s: float  # board time: even, for differences
    taken_s: float  # the same moment on the host's clock
    sample: Sample
    force_n: float  # from the working zero
    reference_force_n: float  # from the reference zero
    x_mm: float
    v_mm_s: float
