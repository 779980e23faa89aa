"""A string as a chain of stretching segments with friction where it turns, solved step by step.

Numbered from the far end to the gripper. Segment ``i`` holds a stretch ``e_mm``; string may pass node ``i`` from
segment ``i`` to ``i + 1`` or back, but only when the tensions differ by more than the capstan ratio exp(mu*theta)
(Euler-Eytelwein), whichever way it goes. Within a step every segment answers affinely to its stretch measure,

    force = k * (a + b * measure(e)),

because all segments share one relaxation series. So a run of sliding nodes is one equation in one tension, solved
by Newton steps (exact in one for straight-line segments); which nodes slide is found by trying and correcting.

A string cannot push. Since the ratio over a node is finite, one slack segment means that the whole run between two
locked nodes is slack; how much is kept in ``slack_mm`` and must be drawn in before any force returns.
"""

from __future__ import annotations

import math

from evenbed_sim.viscoelastic import PronySeries

_RATIO_TOLERANCE = 1e-9
_MOVE_TOLERANCE_MM = 1e-10
_ROUNDING_MM = 1e-12
_LEAST_SLOPE = 1e-7
_NEWTON_LIMIT = 60
_NEWTON_TOLERANCE = 1e-7
_NEARLY_SLACK_N = 1.0


class Segment:
    """A stretch of string; ``k_n_per_mm`` at the one-second scale and small strain, after the toe.

    The measure is ``x + stiffening x^2 / 2`` of ``x = e - toe (1 - exp(-e/toe))``: the toe costs ``toe_mm`` of
    travel in all, ``stiffening_per_mm`` is the relative rise of the tangent per mm.
    """

    __slots__ = ("arms", "e_mm", "force_n", "k_n_per_mm", "measure_mm", "slack_mm", "stiffening_per_mm", "toe_mm")

    def __init__(self, k_n_per_mm: float, toe_mm: float, stiffening_per_mm: float, arms: int) -> None:
        self.k_n_per_mm = k_n_per_mm
        self.toe_mm = toe_mm
        self.stiffening_per_mm = stiffening_per_mm
        self.e_mm = 0.0
        self.measure_mm = 0.0
        self.slack_mm = 0.0
        self.force_n = 0.0
        self.arms = [0.0] * arms

    def measure(self, e_mm: float) -> tuple[float, float]:
        """The measure (mm) at a stretch and its slope; below zero a toe gives nothing at all."""
        toe = self.toe_mm
        if toe > 0.0:
            if e_mm <= 0.0:
                return 0.0, 0.0
            loss = math.expm1(-e_mm / toe)
            x, slope = e_mm + toe * loss, -loss
        else:
            x, slope = e_mm, 1.0
        bend = self.stiffening_per_mm * x
        if bend <= 0.0:
            return x, slope
        return x * (1.0 + 0.5 * bend), slope * (1.0 + bend)

    def stretch(self, measure_mm: float) -> float:
        """The stretch (mm) that has this measure."""
        c = self.stiffening_per_mm
        x = measure_mm
        if c > 0.0 and measure_mm > 0.0:
            x = 2.0 * measure_mm / (1.0 + math.sqrt(1.0 + 2.0 * c * measure_mm))
        toe = self.toe_mm
        if toe <= 0.0:
            return x
        if x <= 0.0:
            return 0.0
        # e - toe (1 - exp(-e/toe)) is convex: Newton from the right of the root falls on it without overshoot.
        e = x + toe
        for _ in range(_NEWTON_LIMIT):
            loss = math.expm1(-e / toe)
            move = (e + toe * loss - x) / -loss
            e -= move
            if move <= 1e-14 * e:
                break
        return e


class Node:
    """A turn of the string: ``ratio`` = exp(mu*theta) >= 1. ``locked`` is a closed clamp: nothing passes, unless
    the two sides differ by more than ``slips_above_n`` beyond what the turn itself holds."""

    __slots__ = ("locked", "ratio", "slip", "slips_above_n")

    def __init__(self, turn: float) -> None:
        self.ratio = math.exp(turn)
        self.slip = 0
        self.locked = False
        self.slips_above_n: float | None = None


class Chain:
    """Segments, the nodes between them (one fewer), and a spring of ``end_mm_per_n`` behind the last segment."""

    def __init__(self, series: PronySeries, segments: list[Segment], nodes: list[Node], end_mm_per_n: float) -> None:
        if len(nodes) != len(segments) - 1:
            raise ValueError("a chain has one node between each two segments")
        self.series = series
        self.segments = segments
        self.nodes = nodes
        self.end_mm_per_n = end_mm_per_n
        n = len(segments)
        self._a = [0.0] * n
        self._b = 1.0
        self._x = [0.0] * n
        self._e = [0.0] * n
        self._f = [0.0] * n
        self._m = [0.0] * n
        self._slack = [0.0] * n

    def step(self, dt_s: float, path_mm: list[float]) -> None:
        """Let ``dt_s`` (>= 0) pass while the path of each segment grows by its ``path_mm`` at a constant rate."""
        decay, ramp, b = self.series.step(dt_s)
        memory = b - self.series.equilibrium
        segments, a = self.segments, self._a
        self._b = b
        for i, s in enumerate(segments):
            s.arms = arms = [h * d for h, d in zip(s.arms, decay)]  # noqa: B905 - same length, hot
            a[i] = sum(arms) - memory * s.measure_mm
            self._x[i] = s.e_mm - s.slack_mm + path_mm[i]
        # Where the gripper stands: the last segment's stretch and what the spring behind it gave way.
        self._x[-1] += segments[-1].force_n * self.end_mm_per_n
        lo = 0
        slipping = -1
        for j, node in enumerate(self.nodes):
            if node.locked:
                self._solve(lo, j + 1)
                lo = j + 1
                if node.slips_above_n is not None:
                    slipping = j
        self._solve(lo, len(segments))
        if slipping >= 0:
            self._slip_clamp(slipping)
        for s, e, m, f, slack in zip(segments, self._e, self._m, self._f, self._slack):  # noqa: B905
            rise = m - s.measure_mm
            if rise:
                s.arms = [h + r * rise for h, r in zip(s.arms, ramp)]  # noqa: B905
            s.e_mm, s.measure_mm, s.force_n, s.slack_mm = e, m, f if f > 0.0 else 0.0, slack

    # --- one run between locked nodes ----------------------------------------------------------------------
    def _solve(self, lo: int, hi: int) -> None:
        nodes, f, x, e, slack = self.nodes, self._f, self._x, self._e, self._slack
        limit = 4 * (hi - lo) + 4
        checked = self.segments[hi - 1].force_n < _NEARLY_SLACK_N
        if checked and self._all_slack(lo, hi):
            return
        for attempt in range(limit):
            i = lo
            found = True
            while i < hi:
                j = i
                while j < hi - 1 and (nodes[j].slip or nodes[j].ratio <= 1.0):
                    j += 1
                found = self._solve_block(i, j + 1) and found
                i = j + 1
            if not checked and (not found or min(f[lo:hi]) <= 0.0):
                checked = True
                if self._all_slack(lo, hi):
                    return
            moved = 0.0
            right = True
            for j in range(lo, hi - 1):
                node = nodes[j]
                moved += e[j] - x[j]
                ratio = node.ratio
                if ratio <= 1.0:
                    continue
                slip = node.slip
                if slip == 0:
                    if f[j + 1] > ratio * f[j] + _RATIO_TOLERANCE * abs(f[j + 1]):
                        node.slip, right = 1, False
                    elif f[j] > ratio * f[j + 1] + _RATIO_TOLERANCE * abs(f[j]):
                        node.slip, right = -1, False
                elif slip * moved < -_MOVE_TOLERANCE_MM:
                    node.slip, right = 0, False
                if not right and attempt > limit // 2:
                    # Correcting all nodes at once can chase its tail; one at a time cannot.
                    break
            if right:
                break
        for i in range(lo, hi):
            slack[i] = 0.0

    def _all_slack(self, lo: int, hi: int) -> bool:
        """Whether the run has no tension left; if so, set it to that."""
        segments, a, b = self.segments, self._a, self._b
        free = [segments[i].stretch(-a[i] / b) for i in range(lo, hi)]
        left = sum(free) - sum(self._x[lo:hi])
        if left < -_ROUNDING_MM:
            return False
        for i in range(lo, hi):
            self._e[i] = free[i - lo]
            self._m[i] = -a[i] / b
            self._f[i] = 0.0
            self._slack[i] = 0.0
        self._slack[hi - 1] = max(0.0, left)
        for j in range(lo, hi - 1):
            self.nodes[j].slip = 0
        return True

    def _solve_block(self, lo: int, hi: int) -> bool:
        """Segments lo..hi-1 joined by sliding nodes: all their tensions are fixed ratios of the first one's.
        False if the Newton steps found no tension (the run may be slack)."""
        segments, a, b, x = self.segments, self._a, self._b, self._x
        e, f, m = self._e, self._f, self._m
        end = self.end_mm_per_n if hi == len(segments) else 0.0
        if hi - lo == 1 and end == 0.0:
            s = segments[lo]
            e[lo] = x[lo]
            m[lo], _ = s.measure(x[lo])
            f[lo] = s.k_n_per_mm * (a[lo] + b * m[lo])
            return True
        share = [1.0]
        total = x[lo]
        before = segments[lo].e_mm
        give = 1.0 / segments[lo].k_n_per_mm
        for j in range(lo, hi - 1):
            node = self.nodes[j]
            share.append(share[-1] * node.ratio if node.slip >= 0 else share[-1] / node.ratio)
            total += x[j + 1]
            before += segments[j + 1].e_mm
            give += 1.0 / segments[j + 1].k_n_per_mm
        spread = (total - before) / give
        for i in range(lo, hi):
            e[i] = segments[i].e_mm + spread / segments[i].k_n_per_mm
        for _ in range(_NEWTON_LIMIT):
            gap = total
            softness = end * share[-1]
            slopes = []
            for i in range(lo, hi):
                s = segments[i]
                m[i], slope = s.measure(e[i])
                kb = s.k_n_per_mm * b
                slope = kb * slope if slope > _LEAST_SLOPE else kb * _LEAST_SLOPE
                slopes.append(slope)
                f[i] = force = s.k_n_per_mm * (a[i] + b * m[i])
                gap += force / slope - e[i]
                softness += share[i - lo] / slope
            tension = gap / softness
            worst = 0.0
            for i in range(lo, hi):
                miss = share[i - lo] * tension - f[i]
                e[i] += miss / slopes[i - lo]
                if miss < 0.0:
                    miss = -miss
                if miss > worst:
                    worst = miss
            if worst <= _NEWTON_TOLERANCE * (abs(tension) + 1e-3):
                # The last move left along the tangent too: what remains is of second order in the miss.
                for i in range(lo, hi):
                    now = share[i - lo] * tension
                    m[i] += (now - f[i]) / (segments[i].k_n_per_mm * b)
                    f[i] = now
                return True
        return False

    # --- a clamp that lets through -------------------------------------------------------------------------
    def _slip_clamp(self, j: int) -> None:
        """Let string through the clamp at node ``j`` until the difference is what it still holds."""
        f = self._f
        ratio = self.nodes[j].ratio
        hold = self.nodes[j].slips_above_n or 0.0

        def excess(way: float) -> float:
            if way > 0.0:
                return f[j + 1] - ratio * f[j] - hold
            return f[j] - ratio * f[j + 1] - hold

        way = 1.0 if excess(1.0) > 0.0 else -1.0
        over = excess(way)
        if over <= 0.0:
            return
        x_in, x_out = self._x[j], self._x[j + 1]
        lo = max((i + 1 for i in range(j) if self.nodes[i].locked), default=0)

        def passed(mm: float) -> float:
            self._x[j], self._x[j + 1] = x_in + way * mm, x_out - way * mm
            self._solve(lo, j + 1)
            self._solve(j + 1, len(self.segments))
            return excess(way)

        low, high = 0.0, over / self.segments[j + 1].k_n_per_mm
        at_low, at_high = over, passed(high)
        while at_high > 0.0:
            low, at_low = high, at_high
            high *= 2.0
            at_high = passed(high)
        for _ in range(_NEWTON_LIMIT):
            mm = low + (high - low) * at_low / (at_low - at_high)
            value = passed(mm)
            if abs(value) <= 1e-9 * (1.0 + hold) or high - low < 1e-12:
                return
            # Illinois: halve the end that stays, or a curved side is approached from one end only.
            if value > 0.0:
                low, at_low, at_high = mm, value, 0.5 * at_high
            else:
                high, at_high, at_low = mm, value, 0.5 * at_low
