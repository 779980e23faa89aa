"""What is pulled in the benchmark: one case is one string, one rig and one pair of hands, all drawn from a seed.

A case can build its plant any number of times; every copy behaves the same. Family values are those of the two plants'
own presets; what is scattered here, and how far, follows from what a rig may meet (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random

from evenbed_sim import presets
from evenbed_sim.carriage import CarriageParams
from evenbed_sim.converter import CellParams
from evenbed_sim.plant import Plant
from evenbed_sim.rig import RigParams
from evenbed_sim.strand import Strand, StrandParams

from tests.benchmarks.second_plant import second_plant

SCATTER = 0.2
PREVIOUS_SHARE = 0.8  # of the reference: what the previous string has kept
JUMP_RATIO = 3.0
STIFFEST_N_MM = 130.0  # the board's assumption of frame and cell in series; no jump goes beyond it
CEILING_RATIO = 1.25  # session's ceiling over the reference
DELAY_SAMPLES = (0.5, 4.0)  # group delay of the converter, in its own samples


@dataclass(frozen=True)
class Row:
    """One row of the table. ``first`` builds the simulated rig's own strand (before scatter, without slack and previous
    string), ``second`` names a family of the second plant, if it has one."""

    name: str
    reference_n: float
    family: str
    first: Callable[[], StrandParams]
    second: str | None
    woven: bool = False


def _with_ea(params: StrandParams, k_string_n_mm: float) -> StrandParams:
    return replace(params, ea_n=k_string_n_mm * params.free_mm)


ROWS: tuple[Row, ...] = (
    Row("gut 620", 240.0, "gut", lambda: presets.main(presets.GUT), "gut"),
    Row("nylon 620", 240.0, "nylon", lambda: presets.main(presets.NYLON), "nylon"),
    Row("polyester 620", 240.0, "polyester", lambda: presets.main(presets.POLYESTER), "polyester"),
    Row("aramid 620", 240.0, "aramid", lambda: presets.main(presets.ARAMID), "aramid"),
    Row("polyester 420", 240.0, "polyester", lambda: presets.main(presets.POLYESTER, 420.0), "short polyester"),
    Row("badminton nylon 450", 105.0, "badminton nylon",
        lambda: presets.main(presets.BADMINTON_NYLON, 450.0), "badminton nylon"),
    Row("woven cross polyester", 240.0, "polyester", lambda: presets.cross(presets.POLYESTER), "polyester", True),
    Row("k = 2 N/mm", 105.0, "unknown", lambda: _with_ea(presets.main(presets.BADMINTON_NYLON, 450.0), 2.0), None),
    # 100 N/mm of string in series with 150 N/mm of rig: 60 N/mm at the gripper.
    Row("k = 60 N/mm", 240.0, "unknown", lambda: _with_ea(presets.main(presets.ARAMID, 300.0), 100.0), None),
)  # fmt: skip


class Stiffened:
    """A plant whose stiffness at the gripper jumps by ``ratio`` once the force has passed ``at_n``.

    From then on a millimetre of the gripper moves the string by ``ratio`` millimetres, so the force stays continuous;
    what hands do to the bed is not geared. The jump ends when the string is slack. Implements :class:`Plant`.
    """

    def __init__(self, inner: Plant, at_n: float, ratio: float = JUMP_RATIO) -> None:
        self.inner = inner
        self._at_n = at_n
        self._most = ratio
        self._ratio = 1.0
        self.force_n = inner.force_n
        self.peak_n = inner.peak_n

    def _copy(self) -> None:
        self.force_n = self.inner.force_n
        self.peak_n = self.inner.peak_n

    def advance(self, dt_s: float, dx_mm: float) -> None:
        self.inner.advance(dt_s, dx_mm * self._ratio)
        self._copy()
        if self.force_n <= 0.0:
            self._ratio = 1.0
        elif self._ratio > 1.0 or self.force_n > self._at_n:
            most = min(self._most, STIFFEST_N_MM / max(1e-6, self.inner.stiffness_n_per_mm()))
            self._ratio = max(1.0, most if self._ratio == 1.0 else min(self._ratio, most))

    def reset_peak(self) -> None:
        self.inner.reset_peak()
        self._copy()

    def stiffness_n_per_mm(self) -> float:
        return self.inner.stiffness_n_per_mm() * self._ratio

    def free_previous_clamp(self) -> None:
        self.inner.free_previous_clamp()
        self._copy()

    def add_path(self, mm: float, duration_s: float) -> None:
        self.inner.add_path(mm, duration_s)

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        self.inner.close_clamp(slips_above_n)

    def string_breaks(self) -> None:
        self.inner.string_breaks()
        self._copy()

    def gripper_slips(self, mm: float) -> None:
        self.inner.gripper_slips(mm)
        self._copy()

    def bed_tension_n(self) -> float:
        return self.inner.bed_tension_n()


@dataclass(frozen=True)
class Hands:
    """What the hands of one case do. A slipping clamp lets string through above a difference of tension: an early one
    above some per cent of the reference, a late one holds well at first."""

    push_mm: float
    push_s: float
    feed_mm: float
    feed_mm_s: float
    slips_early_n: float
    slips_late_n: float


class Case:
    """One run: ``row`` on the plant ``kind`` ("first" or "second") with everything drawn from ``seed``."""

    def __init__(self, row: Row, kind: str, seed: int, jump: bool) -> None:
        self.row = row
        self.kind = kind
        self.seed = seed
        self.jump = jump
        self.reference_n = row.reference_n
        self.ceiling_n = CEILING_RATIO * row.reference_n
        rng = Random(f"{kind} {row.name} {seed}")
        self._plant_seed = rng.getrandbits(32)
        self.rig_seed = rng.getrandbits(32)
        self.slack_mm = rng.uniform(0.0, 60.0)
        self.jump_at_n = rng.uniform(0.15, 0.5) * row.reference_n
        self.rig = RigParams(cell=_cell(rng), carriage=CarriageParams(backlash_mm=rng.uniform(0.0, 0.06)))
        self.hands = Hands(
            push_mm=rng.uniform(0.8, 1.8),
            push_s=rng.uniform(0.25, 0.5),
            feed_mm=rng.uniform(2.0, 3.0),
            feed_mm_s=rng.uniform(2.0, 5.0),
            slips_early_n=rng.uniform(0.02, 0.12) * row.reference_n,
            slips_late_n=rng.uniform(0.12, 0.8) * row.reference_n,
        )

    def __str__(self) -> str:
        return f"{self.kind}/{self.row.name}/{self.seed}" + ("/jump" if self.jump else "")

    @property
    def period_s(self) -> float:
        """Of the converter, as it really is."""
        return self.rig.cell.period_us * 1e-6

    @property
    def group_delay_s(self) -> float:
        """Of the converter: the mean over one period and over ``taps`` of them, and the whole readings it is late."""
        return (0.5 * self.rig.cell.taps + self.rig.cell.extra_delay) * self.period_s

    def plant(self) -> Plant:
        """A fresh copy of the case's plant."""
        rng = Random(self._plant_seed)
        plant: Plant
        if self.kind == "second":
            assert self.row.second is not None
            plant = second_plant(self.row.second, rng, self.slack_mm, self.row.woven)
        else:
            params = replace(
                self.row.first(),
                previous_mm=presets.PREVIOUS_MM,
                previous_tension_n=PREVIOUS_SHARE * self.reference_n,
            )
            plant = Strand(replace(presets.perturbed(params, rng, SCATTER), slack_mm=self.slack_mm))
        return Stiffened(plant, self.jump_at_n) if self.jump else plant


def _cell(rng: Random) -> CellParams:
    """A cell and converter off their nominal values: rate by a tenth, delay by two samples either way, zero, noise."""
    low, high = DELAY_SAMPLES
    taps = rng.randint(round(2.0 * low), round(2.0 * high))
    return CellParams(
        zero_counts=rng.uniform(-40000.0, 40000.0),
        period_us=1e6 / rng.uniform(72.0, 96.0),
        taps=taps,
        extra_delay=rng.randint(0, int(high - 0.5 * taps)),
        noise_counts=38.65 * rng.uniform(0.8, 1.2),
    )


def cases(row: Row, kind: str, seeds: int) -> list[Case]:
    """``seeds`` cases with an even stiffness and, in a fifth as many more, one that jumps in flight."""
    even = [Case(row, kind, seed, False) for seed in range(seeds)]
    return even + [Case(row, kind, 10000 + seed, True) for seed in range(max(1, seeds // 5))]
