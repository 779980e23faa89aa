"""A strand in the gripper as a whole racquet needs it: cut at its crossings, caught on something, held by a clamp outside
the frame, and drawn without a rig where only what it leaves in the bed matters."""

from __future__ import annotations

import math

from evenbed_sim import presets
from evenbed_sim.habits import SNAG_TURN
from evenbed_sim.strand import Strand, StrandParams
from evenbed_sim.stringer import Habits

PARTS = 3
STEP_S = 0.05
REPLAY_MM_S = 40.0
GAIN = 0.2  # of a hold, for each step: about as slow as the head
PROOF_S = 2.0


class GrippedStrand(Strand):
    """A strand that keeps the time for which it was held. With ``lifts`` the previous clamp sits outside the frame and
    comes free by itself when the head pulls harder than the string behind it."""

    def __init__(self, params: StrandParams, lifts: bool = False) -> None:
        super().__init__(params)
        self.held_s = 0.0
        self.clamped_peak_n: float | None = None  # the peak until the clamp was set
        self._lifts = lifts
        self._top_n = 0.0

    def advance(self, dt_s: float, dx_mm: float) -> None:
        """See ``Strand.advance``."""
        super().advance(dt_s, dx_mm)
        if self._lifts and self._segments[1].force_n >= self._segments[0].force_n:
            self._lifts = False
            self.free_previous_clamp()
        self._top_n = max(self._top_n, self.force_n)
        if not self._clamp.locked and self.force_n > 0.9 * self._top_n:
            self.held_s += dt_s

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        """See ``Strand.close_clamp``."""
        if self.clamped_peak_n is None:
            self.clamped_peak_n = self.peak_n
        super().close_clamp(slips_above_n)

    @property
    def clamped(self) -> bool:
        """Is the new clamp set?"""
        return self._clamp.locked

    @property
    def handed_over(self) -> bool:
        """Is the previous clamp open?"""
        return bool(self._first) and not self._chain.nodes[0].locked


def cut(mm: float, preset: presets.StringPreset, woven: int) -> tuple[list[float], list[float]]:
    """The parts of one string inside the frame, and the turns between them that its crossings add up to."""
    if not woven:
        return [mm], []
    turn = preset.mu_string * presets._CROSSING_ANGLE_RAD * woven / (PARTS - 1)
    return [mm / PARTS] * PARTS, [turn] * (PARTS - 1)


def caught(mm: float, lengths: list[float], turns: list[float], at: float) -> tuple[list[float], list[float]]:
    """The same string caught at a share of its length: at the crossing next to it, or in the middle of a main."""
    if len(lengths) == 1:
        return [at * mm, (1.0 - at) * mm], [SNAG_TURN]
    node = min(int(at * len(turns)), len(turns) - 1)
    return lengths, [SNAG_TURN if i == node else turn for i, turn in enumerate(turns)]


def draw_by_hand(strand: GrippedStrand, force_n: float, hands: Habits, held_s: float) -> None:
    """Draw a strand as the head would have, hold it, clamp it and let it off, without a rig."""
    dx = REPLAY_MM_S * STEP_S
    while strand.force_n < force_n:
        left_mm = (force_n - strand.force_n) / max(1.0, strand.stiffness_n_per_mm())
        strand.advance(STEP_S, min(dx, max(1e-3, left_mm)))
    if hands.frees_clamp:
        strand.free_previous_clamp()
    if hands.straighten:
        strand.add_path(hands.push_mm, hands.push_s)
        strand.add_path(-hands.feed_mm, hands.feed_s)
    for _ in range(max(1, math.ceil(held_s / STEP_S))):
        k = max(1.0, strand.stiffness_n_per_mm())
        strand.advance(STEP_S, GAIN * (force_n - strand.force_n) / k)
    strand.held_s = held_s
    strand.close_clamp()
    strand.advance(PROOF_S, 0.0)
    while strand.force_n > 0.0:
        strand.advance(STEP_S, -dx)
