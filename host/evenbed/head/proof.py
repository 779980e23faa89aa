"""Proving the clamp: does the new clamp hold, before the tension is gone?

Easing alone cannot tell: friction reverses, and an open strand first eases as stiffly as a closed one. A small look
upwards can. Right after take-up every crossing is about to slip forwards, so a pull of one percent stretches the whole
strand if the clamp is open, and only the piece between clamp and gripper if it is closed: a stiffness well above the
draw's. Then the head eases slowly and holds the force against that stiffness: string that creeps through the jaws
shows as force that does not fall as it should.
"""

from __future__ import annotations

from collections import deque

from evenbed_fw import wire

from evenbed.head.types import Go, RigModel

LOOK = 0.01  # of the reference
LOOK_S = 0.3
BASE_S = 0.06  # readings averaged before and after the look
CLOSED_RATIO = 1.25  # stiffness of the look over the draw's: closed above this, where the rig's normal is not learnt
WATCH = 0.25  # of the reference: eased under watch
WATCH_PER_DELAY = 0.02  # of the reference, eased per dead time
SLIP = 0.012  # of the reference: force that should be gone and is not


class ProofBook:
    """The rig's normal: looks that were followed by an honest ease-off."""

    def __init__(self) -> None:
        self._ratios: deque[float] = deque(maxlen=20)

    @property
    def learnt(self) -> bool:
        """Enough looks to know what a closed clamp looks like on this rig?"""
        return len(self._ratios) >= 3

    def add(self, ratio: float) -> None:
        """Take the ratio of a clamp that proved to hold."""
        self._ratios.append(ratio)

    @property
    def threshold(self) -> float:
        """Ratio above which a clamp counts as closed."""
        if not self.learnt:
            return CLOSED_RATIO
        ordered = sorted(self._ratios)
        middle = ordered[len(ordered) // 2]
        return max(1.15, min(CLOSED_RATIO, 1.0 + 0.35 * (middle - 1.0)))


class ClampProof:
    """One proof. ``step`` returns the lease; ``verdict`` is "" while it runs, then "holds", "open" or "slips"."""

    def __init__(
        self, rig: RigModel, reference_n: float, k_n_mm: float, delay_s: float, book: ProofBook, t_s: float, x_mm: float
    ) -> None:
        self._rig = rig
        self._reference_n = reference_n
        self._k = k_n_mm
        self._delay_s = delay_s
        self._book = book
        self._t0 = t_s
        self._x0 = x_mm
        self._before: list[tuple[float, float]] = []
        self._after: deque[tuple[float, float]] = deque(maxlen=max(3, round(BASE_S / rig.period_s)))
        self._anchor: tuple[float, float] | None = None
        self.verdict = ""
        self.ratio = 0.0
        self.k_look_n_mm = 0.0
        self.end_mm = x_mm

    @property
    def learnt(self) -> bool:
        """Was the rig's normal known, or is a pass "not yet judged"?"""
        return self._book.learnt

    def step(self, t_s: float, force_n: float, seen_mm: float, x_mm: float, ceiling_n: float) -> Go:
        """Take one reading: force, the position it belongs to, and the position now."""
        rise_mm = LOOK * self._reference_n / self._k
        speed = self._rig.hold_rate_mm_s
        if self._anchor is None:
            if t_s - self._t0 < BASE_S:
                self._before.append((seen_mm, force_n))
                return Go(wire.HOLD, speed, self._x0, ceiling_n)
            self.end_mm = self._x0 + rise_mm
            soft = min(ceiling_n, self._reference_n * (1.0 + 1.5 * LOOK))
            if t_s - self._t0 > BASE_S + LOOK_S - BASE_S:
                self._after.append((seen_mm, force_n))
            if t_s - self._t0 < BASE_S + LOOK_S:
                return Go(wire.HOLD, speed, self.end_mm, soft)
            self._judge()
            return Go(wire.HOLD, speed, x_mm, soft)
        return self._watch(force_n, seen_mm, x_mm, ceiling_n)

    def _judge(self) -> None:
        n = len(self._before)
        m = len(self._after)
        x0 = sum(p[0] for p in self._before) / n
        f0 = sum(p[1] for p in self._before) / n
        x1 = sum(p[0] for p in self._after) / m
        f1 = sum(p[1] for p in self._after) / m
        moved = x1 - x0
        self.k_look_n_mm = (f1 - f0) / moved if moved > 1e-4 else 0.0
        self.ratio = self.k_look_n_mm / self._k
        if self.ratio < self._book.threshold:
            self.verdict = "open"
        self._anchor = (x1, f1)

    def _watch(self, force_n: float, seen_mm: float, x_mm: float, ceiling_n: float) -> Go:
        assert self._anchor is not None
        x1, f1 = self._anchor
        if not self.verdict:
            expected = f1 - self.k_look_n_mm * (x1 - seen_mm)
            if force_n - expected > SLIP * self._reference_n:
                self.verdict = "slips"
            elif f1 - force_n > WATCH * self._reference_n:
                self.verdict = "holds"
                self._book.add(self.ratio)
        if self.verdict and self.verdict != "holds":
            self.end_mm = x_mm
            return Go(wire.HOLD, self._rig.hold_rate_mm_s, x_mm, ceiling_n)
        rate = WATCH_PER_DELAY * self._reference_n / self._delay_s / max(self.k_look_n_mm, self._k)
        rate = min(rate, self._rig.hold_rate_mm_s)
        self.end_mm = x_mm - rate * 0.1
        return Go(wire.HOLD, rate, self.end_mm, ceiling_n)
