"""The governor: where the gripper should stand, given what is known of the string and how late the reading is.

Drawing, it commands an end position: the place where the force will be the reference if the string is as stiff as it
may be. The board brakes to it along v = sqrt(2 a d), so neither a late host nor a late reading overshoots; as the
stiffness becomes known the end moves out to the true one.

Holding, it tracks z = F/k - x, the string's own share of the path: creep, hand-over, a push, a feed all show as motion of
z. The end position is F_ref/k - z, predicted over the delay by the rate of z. Nothing integrates, so nothing winds up at
a limit.
"""

from __future__ import annotations

from evenbed_fw import wire

from evenbed.head.align import Aligner
from evenbed.head.learning import Delay, Learner
from evenbed.head.types import Go, Pull, RigModel

AIM_SHORT = 0.0015  # of the reference: a draw ends this much below it, and the hold makes up the rest
FIRST_MM = 2.0  # travelled slowly after a press, with a sound: time to take a finger away
FIRST_MM_S = 15.0
CONTACT_N = 3.0
DEAD_BAND = 0.00015  # of the reference
PIPELINE_S = 0.012  # from a reading to the motion it causes, beyond the reading's own delay


class Drawing:
    """One draw from the press to the reference."""

    def __init__(
        self, rig: RigModel, pull: Pull, aligner: Aligner, delay: Delay, start_mm: float, target_n: float
    ) -> None:
        self._rig = rig
        self._pull = pull
        self._aligner = aligner
        self.learner = Learner(rig, aligner, delay)
        self.start_mm = start_mm
        self.target_n = target_n
        self.contact_mm: float | None = None
        self.limiting = False

    def step(self, force_n: float, x_mm: float, v_mm_s: float, ceiling_n: float) -> Go:
        """Take one reading; return the next lease."""
        speed = self._pull.speed_mm_s
        if x_mm - self.start_mm < FIRST_MM:
            speed = min(speed, FIRST_MM_S)
        if self.contact_mm is None:
            if force_n < CONTACT_N:
                return Go(wire.DRAW, speed, self.start_mm + self._pull.slack_max_mm, ceiling_n)
            self.contact_mm = x_mm
        learner = self.learner
        learner.add(force_n, v_mm_s)
        delay = learner.delay
        seen_mm = self._aligner.position(delay.delay_s)
        oldest_mm = min(seen_mm, self._aligner.position(delay.longest_s)) if v_mm_s > 0.0 else seen_mm
        gap_n = self.target_n * (1.0 - AIM_SHORT) - force_n
        if gap_n >= 0.0:
            end = oldest_mm + gap_n / learner.high_at(force_n, gap_n)
        else:
            end = seen_mm + gap_n / (learner.k_n_mm or self._rig.stiffest_n_mm)
        return Go(wire.DRAW, speed, end, ceiling_n)

    def arrived(self, force_n: float, x_mm: float, v_mm_s: float) -> bool:
        """Is the force, as predicted for now, at the reference and the carriage nearly at rest?"""
        k = self.learner.k_n_mm
        if k is None or abs(v_mm_s) > 6.0:
            # A string so stiff or so nearly tight that no slope was seen: the reading itself decides.
            return abs(v_mm_s) < 0.5 and force_n > 0.995 * self.target_n
        now_n = force_n + k * (x_mm - self._aligner.position(self.learner.delay.delay_s))
        return now_n > (1.0 - 0.004) * self.target_n


class Holding:
    """Keeps the reference while the string creeps and hands work on it."""

    def __init__(self, rig: RigModel, aligner: Aligner, delay: Delay, k_n_mm: float, target_n: float) -> None:
        self._rig = rig
        self._aligner = aligner
        self._delay = delay
        self.k_n_mm = k_n_mm
        self.target_n = target_n
        self._z: float | None = None
        self._rate = 0.0  # of z, mm/s
        self._t = 0.0
        self._alert = 0.0  # seconds for which the tracker stays quick
        self.end_mm: float | None = None
        self.speed_mm_s = rig.hold_rate_mm_s

    @property
    def path_rate_mm_s(self) -> float:
        """How fast the string's own share of the path changes; negative: it creeps or is fed, and the head follows."""
        return self._rate

    @property
    def z_mm(self) -> float:
        """The string's own share of the path."""
        return self._z or 0.0

    @property
    def alert(self) -> bool:
        """Has a reading lately been far from the prediction?"""
        return self._alert > 0.0

    def step(self, t_s: float, force_n: float, x_mm: float, v_mm_s: float, ceiling_n: float) -> Go:
        """Take one reading; return the next lease."""
        k = self.k_n_mm
        seen = self._aligner.position(self._delay.delay_s)
        z = force_n / k - seen
        if self._z is None:
            self._z = z
            self._t = t_s
        dt = min(max(t_s - self._t, 1e-3), 0.1)
        self._t = t_s
        predicted = self._z + self._rate * dt
        off = z - predicted
        band = 0.0006 * self.target_n / k
        if abs(off) > band:
            self._alert = 0.35
        self._alert = max(0.0, self._alert - dt)
        alpha, beta = (0.75, 0.35) if self._alert else (0.35, 0.03)
        self._z = predicted + alpha * off
        self._rate += beta * off / dt
        ahead = self._delay.delay_s + PIPELINE_S
        target = self.target_n / k - (self._z + self._rate * ahead)
        if self.end_mm is None:
            self.end_mm = x_mm
        dead = DEAD_BAND * self.target_n / k
        if abs(target - self.end_mm) > dead:
            self.end_mm = target
        return Go(wire.HOLD, self.speed_mm_s, self.end_mm, ceiling_n)
