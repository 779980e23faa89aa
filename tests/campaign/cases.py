"""What is played: one case is one rig, one string, one phase of a pull and one or two faults, all from (seed, index).

The first ``len(STRATA)`` indices of a seed meet every fault in every phase once; further indices begin again with other
values, strings and rigs. What is scattered, and how far, follows from what a rig may meet (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random

from evenbed_sim import faults
from evenbed_sim.scenario import BADMINTON, RigPlan

ARMING = "arming"
SLACK = "slack"
TAKING_UP = "taking up"
EARLY = "drawing early"
MIDDLE = "drawing middle"
NEAR = "drawing near"
REACHED = "reached"
HOLDING = "holding"
STRAIGHTENING = "straightening"
PROVING = "proving"
EASING_OFF = "easing off"
RETURNING = "returning"
FROZEN = "frozen"
TRIPPED = "tripped"

# Of the reference, where a phase is a force; seconds into the phase elsewhere.
BY_FORCE = {EARLY: (0.05, 0.25), MIDDLE: (0.3, 0.7), NEAR: (0.8, 0.99)}
BY_TIME = {
    ARMING: (0.0, 2.6),
    SLACK: (0.0, 0.3),
    TAKING_UP: (0.0, 0.25),
    REACHED: (0.0, 0.12),
    HOLDING: (0.5, 1.2),
    STRAIGHTENING: (0.0, 1.1),
    PROVING: (0.0, 3.0),
    EASING_OFF: (0.0, 0.08),
    RETURNING: (0.0, 0.2),
    FROZEN: (0.0, 0.5),
    TRIPPED: (0.0, 0.5),
}
PHASES = (*BY_TIME, *BY_FORCE)

VALUES: dict[tuple[str, str], tuple[float, ...]] = {
    ("cell", "garbage"): (0.05, 0.3, 0.9),
    ("cell", "wrong"): (-1.0, 0.5, 0.82, 0.9, 1.1, 1.3, 2.0, 10.0),
    ("cell", "slow"): (1.1, 1.6, 3.0),
    ("cell", "delayed"): (1.0, 2.0, 4.0),
    ("cell", "intermittent"): (0.1, 0.3, 0.7),
    ("motor", "wrong"): (-1.0, 0.5, 1.5),
    ("motor", "slow"): (0.7, 1.3),
    ("motor", "intermittent"): (0.1, 0.3, 0.7),
    ("pedal", "intermittent"): (0.1, 0.5),
    ("to-host", "garbage"): (0.05, 0.3, 0.9),
    ("to-board", "garbage"): (0.05, 0.3, 0.9),
    ("to-host", "delayed"): (30.0, 60.0, 140.0, 300.0),
    ("to-board", "delayed"): (30.0, 60.0, 140.0, 300.0),
    ("to-host", "intermittent"): (0.1, 0.3, 0.8),
    ("to-board", "intermittent"): (0.1, 0.3, 0.8),
    ("board", "slow"): (5.0, 15.0, 30.0),
    ("string", "slow"): (0.5, 3.0, 12.0),
}
SHORT_S = (0.03, 0.08, 0.2, 0.5, 1.0)
KINDS = tuple((part, how) for part, hows in faults.KNOWN.items() for how in sorted(hows))
STRATA = tuple((kind, phase) for phase in PHASES for kind in KINDS)

# Tethers by stiffness at the gripper (N/mm), strings by family; the reference fits each.
STRINGS: tuple[tuple[RigPlan, float, float], ...] = (
    (RigPlan(tether_n_mm=2.0), 90.0, 110.0),
    (RigPlan(tether_n_mm=4.0), 120.0, 220.0),
    (RigPlan(tether_n_mm=8.0), 120.0, 260.0),
    (RigPlan(tether_n_mm=15.0), 120.0, 260.0),
    (RigPlan(tether_n_mm=30.0), 120.0, 260.0),
    (RigPlan(tether_n_mm=60.0), 120.0, 260.0),
    (RigPlan(), 180.0, 270.0),
    (RigPlan(family="polyester"), 180.0, 270.0),
    (RigPlan(woven=True, length_mm=500.0), 180.0, 260.0),
    (RigPlan(family="polyester", woven=True, length_mm=500.0), 180.0, 260.0),
    (RigPlan(family=BADMINTON, length_mm=450.0), 85.0, 115.0),
)  # fmt: skip
RATES_HZ = (72.0, 96.0)
SECONDS = 0.3  # share of cases with a second fault
BAD_CLAMP = 0.25  # share of proofs of a clamp that does not hold
# Of the reference. Jaws that hold more let through late and little; what of that passes the benchmark of the proof counts.
SLIPS = (0.05, 0.25)


@dataclass(frozen=True)
class Case:
    """One run. ``within`` is where in the phase the fault comes: a share of the reference while drawing, else seconds."""

    plan: RigPlan
    reference_n: float
    phase: str
    within: float
    fault: str  # without its when: "cell stuck for 0.2s"
    second: str = ""
    second_after_s: float = 0.0
    clamps: bool = False  # a hold that goes well ends with clamp and proof, else with a let-down

    @property
    def family(self) -> str:
        """What the head is told of the string."""
        return "unknown" if self.plan.tether_n_mm is not None else self.plan.family

    @property
    def faults(self) -> tuple[faults.Fault, ...]:
        """The faults of the case, their when left out of account."""
        return tuple(faults.parse(f"0s {line}") for line in (self.fault, self.second) if line)

    @property
    def kind(self) -> str:
        """Part and how of the first fault."""
        return " ".join(self.fault.split()[:2])

    def told(self) -> str:
        """The case on one line."""
        p = self.plan
        what = f"tether {p.tether_n_mm:g}" if p.tether_n_mm is not None else f"{p.family}{' woven' if p.woven else ''}"
        where = f"{100 * self.within:.0f} %" if self.phase in BY_FORCE else f"{self.within:.2f} s"
        second = f" + {self.second} after {self.second_after_s:.2f} s" if self.second else ""
        return f"{self.phase} {where}: {self.fault}{second}; {what}, slack {p.slack_mm:.0f}, {self.reference_n:.0f} N"


def line(rng: Random, part: str, how: str, phase: str) -> str:
    """A fault with a value and, in half of the cases, an end."""
    values = VALUES.get((part, how))
    words = [part, how] + ([f"{rng.choice(values):g}"] if values else [])
    # A pedal that closes for a moment is a tap like any other: the rig cannot know better.
    shortest = 1.0 if (part, how) == ("pedal", "stuck") else 0.0
    if rng.random() < 0.5 and part != "string":
        words += ["for", f"{max(shortest, rng.choice(SHORT_S)):g}s"]
    return " ".join(words)


def case(seed: int, index: int) -> Case:
    """The case of this number. The same every time."""
    rng = Random(f"{seed} {index}")
    (part, how), phase = STRATA[index % len(STRATA)]
    # One string after another, shifted from fault to fault and from round to round, so that all meet.
    round_no, place = divmod(index, len(STRATA))
    string, low_n, high_n = STRINGS[(place + place // len(KINDS) + 7 * round_no + seed) % len(STRINGS)]
    reference_n = round(rng.uniform(low_n, high_n))
    clamp = None
    if phase == PROVING and rng.random() < BAD_CLAMP:
        clamp = 0.0 if rng.random() < 0.5 else round(rng.uniform(*SLIPS) * reference_n)
    plan = replace(
        string,
        slack_mm=round(max(15.0 if phase == TAKING_UP else 0.0, 60.0 * rng.random() ** 3), 1),
        seed=rng.randrange(1, 10**6),
        rate_hz=round(rng.uniform(*RATES_HZ), 1),
        settling=rng.choice((1, 2, 4, 4, 4, 6)),
        late=rng.choice((0, 0, 0, 1)),
        backlash_mm=round(rng.uniform(0.0, 0.06), 3),
        holds_without_power=rng.random() < 0.75,
        clamp_slips_above_n=clamp,
    )
    within = rng.uniform(*(BY_FORCE.get(phase) or BY_TIME[phase]))
    first = line(rng, part, how, phase)
    second, after = "", 0.0
    if rng.random() < SECONDS:
        second = line(rng, *rng.choice([kind for kind in KINDS if kind[0] != part]), phase)
        after = 0.0 if rng.random() < 0.3 else round(rng.uniform(0.05, 1.0), 2)
    return Case(plan, float(reference_n), phase, round(within, 3), first, second, after, rng.random() < 0.5)
