"""The string between its far end and the gripper, as the simulated rig's plant.

From the far end: the previous string (behind its clamp until the hand-over), the turn round the frame, the parts
inside the frame with the crossings lumped into nodes between them, the turn at the frame's edge, where the new
clamp is set, and the outer part to the gripper. Frame and cell give like one spring behind the gripper.

String that passes a node takes no stretch history with it, and segment lengths stay what they were: both are
effects of the order of the strain (a few per cent).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from evenbed_sim.chain import Chain, Node, Segment
from evenbed_sim.viscoelastic import log_law_series

_LEAST_SPLIT_S = 1e-9
_STIFFNESS_SCALE_S = 0.01
_GONE_MM = 1e6
_SET_BY_RAMP_S = 0.5


@dataclass(frozen=True)
class StrandParams:
    """One string on the rig. Lengths mm, forces N; ``*_turn`` are mu*theta of a friction node (>= 0).

    ``ea_n`` is EA at the one-second scale and small strain; ``loss_per_decade`` and ``fast_ratio`` as in
    :func:`~evenbed_sim.viscoelastic.log_law_series`; ``stiffening`` the relative rise of the tangent per unit of
    strain; ``toe_mm`` the travel lost in all before the string is straight. ``crossing_turns`` lie between the
    ``inside_mm`` parts. ``previous_mm`` 0 means there is no previous string. ``feed_relief`` scales the crossings'
    mu*theta while a straightening feeds string; ``drawback_mm`` goes from the inside part as the head lets go.
    """

    ea_n: float
    loss_per_decade: float
    inside_mm: tuple[float, ...]
    outer_mm: float
    crossing_turns: tuple[float, ...] = ()
    edge_turn: float = 0.0
    round_turn: float = 0.0
    previous_mm: float = 0.0
    previous_tension_n: float = 0.0
    previous_age_s: float = 30.0
    fast_ratio: float | None = None
    stiffening: float = 0.0
    toe_mm: float = 0.0
    slack_mm: float = 0.0
    k_rig_n_per_mm: float = 150.0
    feed_relief: float = 0.3
    drawback_mm: float = 0.5

    def __post_init__(self) -> None:
        positive = (self.ea_n, self.outer_mm, self.k_rig_n_per_mm, *self.inside_mm)
        never_negative = (
            self.loss_per_decade, self.edge_turn, self.round_turn, self.previous_mm, self.previous_tension_n,
            self.stiffening, self.toe_mm, self.slack_mm, self.feed_relief, self.drawback_mm, *self.crossing_turns,
        )  # fmt: skip
        if not self.inside_mm or len(self.crossing_turns) != len(self.inside_mm) - 1:
            raise ValueError("crossing_turns must lie between the inside parts")
        if not all(0.0 < v < math.inf for v in positive) or not all(0.0 <= v < math.inf for v in never_negative):
            raise ValueError("strand parameters out of range")

    @property
    def free_mm(self) -> float:
        """Free length from the far end of the inside to the gripper, the previous string not counted."""
        return math.fsum(self.inside_mm) + self.outer_mm

    @property
    def k_string_n_per_mm(self) -> float:
        """EA/L of the free length: one-second scale, small strain, no friction, the rig's own give not counted."""
        return self.ea_n / self.free_mm


class Strand:
    """A :class:`~evenbed_sim.plant.Plant` built from :class:`StrandParams`.

    ``peak_n`` is taken at the ends of steps and wherever one is cut (contact, the ends of a push): within a piece of
    constant speed a rising force has no peak of its own.
    """

    def __init__(self, params: StrandParams) -> None:
        self.params = params
        series = log_law_series(params.loss_per_decade, params.fast_ratio)
        lengths = [*params.inside_mm, params.outer_mm]
        turns = [*params.crossing_turns, params.edge_turn]
        self._first = 0
        if params.previous_mm > 0.0:
            lengths.insert(0, params.previous_mm)
            turns.insert(0, params.round_turn)
            self._first = 1
        segments = [
            Segment(params.ea_n / mm, params.toe_mm * mm / params.free_mm, params.stiffening / mm, len(series.weights))
            for mm in lengths
        ]
        nodes = [Node(turn) for turn in turns]
        self._chain = Chain(series, segments, nodes, 1.0 / params.k_rig_n_per_mm)
        self._segments = segments
        self._outer = segments[-1]
        self._clamp = nodes[-1]
        self._crossings = nodes[self._first : -1]
        inside = math.fsum(params.inside_mm)
        self._share = [mm / inside for mm in params.inside_mm]
        self._none = [0.0] * len(segments)
        self._pushes: deque[list[float]] = deque()
        self._feeding = False
        self._clamped_at_n = 0.0
        self._drawn_back = 1.0
        self._creeps_mm_s = 0.0
        self._outer.slack_mm = params.slack_mm
        if self._first:
            nodes[0].locked = True
            self._load_previous(segments[0])
        self.force_n = 0.0
        self.peak_n = 0.0

    def _load_previous(self, s: Segment) -> None:
        """Stretch the previous string so that, after its age, it has its tension now."""
        p, series = self.params, self._chain.series
        unit = series.equilibrium + sum(series.after_ramp_and_hold(1.0, _SET_BY_RAMP_S, p.previous_age_s))
        s.measure_mm = p.previous_tension_n / (s.k_n_per_mm * unit)
        s.arms = series.after_ramp_and_hold(s.measure_mm, _SET_BY_RAMP_S, p.previous_age_s)
        s.e_mm = s.stretch(s.measure_mm)
        s.force_n = p.previous_tension_n

    # --- time ----------------------------------------------------------------------------------------------
    def advance(self, dt_s: float, dx_mm: float) -> None:
        """See :meth:`Plant.advance`. Raises ValueError unless ``dt_s`` > 0 and both are finite."""
        if not 0.0 < dt_s < math.inf or not math.isfinite(dx_mm):
            raise ValueError(f"cannot advance by {dt_s} s and {dx_mm} mm")
        if not self._pushes and self._outer.slack_mm <= 0.0:
            self._move(dt_s, dx_mm, 0.0)
            return
        speed = dx_mm / dt_s
        left = dt_s
        while left > 0.0:
            part, push_speed = left, 0.0
            if self._pushes:
                push_mm, push_s = self._pushes[0]
                push_speed = push_mm / push_s
                part = min(part, push_s)
            slack = self._slack_ahead()
            closing = speed if self._clamp.locked else speed + push_speed
            if slack > 0.0 and closing > 0.0 and slack / closing < part:
                part = max(slack / closing, _LEAST_SPLIT_S)
            part = min(part, left)
            self._move(part, speed * part, push_speed * part)
            if self._pushes:
                self._pushes[0][0] -= push_speed * part
                self._pushes[0][1] -= part
                if self._pushes[0][1] <= _LEAST_SPLIT_S:
                    self._pushes.popleft()
            left -= part

    def _slack_ahead(self) -> float:
        slack = 0.0
        for i in range(len(self._segments) - 1, -1, -1):
            slack += self._segments[i].slack_mm
            if i > 0 and self._chain.nodes[i - 1].locked:
                break
        return slack

    def _move(self, dt_s: float, dx_mm: float, push_mm: float) -> None:
        path = self._none.copy()
        path[-1] = dx_mm
        if push_mm:
            for i, share in enumerate(self._share, self._first):
                path[i] = push_mm * share
        if (push_mm < 0.0) != self._feeding:
            self._relieve(push_mm < 0.0)
        if self._drawn_back < 1.0:
            # One step late, and what is left at once when the outer part goes slack.
            let_go = 1.0 - self.force_n / self._clamped_at_n
            if let_go > self._drawn_back:
                mm = self.params.drawback_mm * (let_go - self._drawn_back)
                path[-2] -= mm
                path[-1] += mm
                self._drawn_back = let_go
        if self._creeps_mm_s and self._clamp.locked:
            mm = self._creeps_mm_s * dt_s * max(0.0, self.bed_tension_n() - self.force_n) / self._clamped_at_n
            path[-2] -= mm
            path[-1] += mm
        self._step(dt_s, path)
        if self._drawn_back < 1.0 and self.force_n <= 0.0:
            path = self._none.copy()
            path[-1] = self.params.drawback_mm * (1.0 - self._drawn_back)
            path[-2] = -path[-1]
            self._drawn_back = 1.0
            self._step(0.0, path)

    def _step(self, dt_s: float, path: list[float]) -> None:
        self._chain.step(dt_s, path)
        self.force_n = force_n = self._outer.force_n
        if force_n > self.peak_n:
            self.peak_n = force_n

    def _relieve(self, feeding: bool) -> None:
        turns = self.params.crossing_turns
        relief = self.params.feed_relief if feeding else 1.0
        for node, turn in zip(self._crossings, turns, strict=True):
            node.ratio = math.exp(turn * relief)
        self._feeding = feeding

    def reset_peak(self) -> None:
        """See :meth:`Plant.reset_peak`."""
        self.peak_n = self.force_n

    def stiffness_n_per_mm(self) -> float:
        """See :meth:`Plant.stiffness_n_per_mm`; short-time means within 10 ms."""
        if self.force_n <= 0.0:
            return 0.0
        b = self._chain.series.step(_STIFFNESS_SCALE_S).total
        give = self._chain.end_mm_per_n
        share = 1.0
        for i in range(len(self._segments) - 1, -1, -1):
            s = self._segments[i]
            give += share / (s.k_n_per_mm * b * max(s.measure(s.e_mm)[1], 1e-9))
            if i == 0:
                break
            node = self._chain.nodes[i - 1]
            if node.locked or s.force_n < node.ratio * self._segments[i - 1].force_n * (1.0 - 1e-6):
                break
            share /= node.ratio
        return 1.0 / give

    # --- hands ---------------------------------------------------------------------------------------------
    def free_previous_clamp(self) -> None:
        """See :meth:`Plant.free_previous_clamp`. Raises RuntimeError if there is no closed previous clamp."""
        if not self._first or not self._chain.nodes[0].locked:
            raise RuntimeError("there is no previous clamp to open")
        self._chain.nodes[0].locked = False
        self._step(0.0, self._none)

    def add_path(self, mm: float, duration_s: float) -> None:
        """See :meth:`Plant.add_path`. Raises ValueError unless ``duration_s`` > 0 and both are finite."""
        if not 0.0 < duration_s < math.inf or not math.isfinite(mm):
            raise ValueError(f"cannot change the path by {mm} mm in {duration_s} s")
        self._pushes.append([mm, duration_s])

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        """See :meth:`Plant.close_clamp`. Raises ValueError if ``slips_above_n`` is negative."""
        if slips_above_n is not None and not slips_above_n >= 0.0:
            raise ValueError("a clamp cannot slip above a negative difference")
        self._clamp.slips_above_n = slips_above_n
        self._creeps_mm_s = 0.0
        # Jaws that hold nothing are no clamp at all: the turn at the frame's edge is all there is.
        self._clamp.locked = slips_above_n != 0.0
        self._drawn_back = 1.0
        if self._clamp.locked and self.force_n > 0.0:
            self._clamped_at_n = self.force_n
            self._drawn_back = 0.0
        # Jaws that open, or hold less than they have to, let go at once.
        self._step(0.0, self._none)

    def clamp_creeps(self, mm_s: float) -> None:
        """From now on string comes through the closed jaws, at ``mm_s`` if the whole tension pulls at it and in proportion
        with less. Raises RuntimeError if no clamp has been set on a loaded string, ValueError for a negative speed."""
        if not self._clamp.locked or self._clamped_at_n <= 0.0:
            raise RuntimeError("there is no clamp on a loaded string")
        if not 0.0 <= mm_s < math.inf:
            raise ValueError("string creeps through the jaws outwards only")
        self._creeps_mm_s = mm_s

    def string_breaks(self) -> None:
        """See :meth:`Plant.string_breaks`."""
        self._outer.slack_mm += _GONE_MM
        self._step(0.0, self._none)

    def gripper_slips(self, mm: float) -> None:
        """See :meth:`Plant.gripper_slips`. Raises ValueError if ``mm`` is negative."""
        if not 0.0 <= mm < math.inf:
            raise ValueError("the gripper can only let string through outwards")
        path = self._none.copy()
        path[-1] = -mm
        self._step(0.0, path)

    # --- truth, for the scorer -----------------------------------------------------------------------------
    def bed_tension_n(self) -> float:
        """See :meth:`Plant.bed_tension_n`."""
        return self._segments[-2].force_n

    def tensions_n(self) -> tuple[float, ...]:
        """Tension of every segment from the far end to the gripper, N; the previous string first if there is one."""
        return tuple(s.force_n for s in self._segments)

    @property
    def slack_mm(self) -> float:
        """Travel of the gripper left before the outer part is taut, mm."""
        return self._slack_ahead()
