"""The governor: where the gripper should stand, given what is known of the string and how late the reading is.

Drawing, it commands an end position: the place where the force will be the reference if the string is as stiff as it
may be. The board brakes to it along v = sqrt(2 a d), so neither a late host nor a late reading overshoots; as the
stiffness becomes known the end moves out to the true one.

Holding, it tracks what the travel does not explain, R = F - F_path(x): creep, hand-over, a push, a feed all show as motion
of R. The end position is where F_path will be F_ref - R, with R predicted over the delay by its rate. Nothing
integrates, so nothing winds up at a limit.
"""

from __future__ import annotations

from evenbed_fw import wire

from evenbed.head.align import Aligner
from evenbed.head.learning import Delay, Learner
from evenbed.head.stopbudget import Speeds
from evenbed.head.types import Go, Pull, RigModel

AIM_SHORT = 0.0015  # of the reference: a draw ends this much below it, and the hold makes up the rest
NEAR = 0.015  # of the reference: from here the hold takes over
NEAR_MM_S = 12.0
FIRST_MM = 2.0  # travelled slowly after a press, with a sound: time to take a finger away
FIRST_MM_S = 15.0
CONTACT_N = 3.0
LEAST_MM_S = 0.5
DEAD_BAND = 0.00015  # of the reference, going forward
BACK_DEAD_BAND = 0.0006  # and back: reversing wakes the friction
PIPELINE_S = 0.012  # from a reading to the motion it causes, beyond the reading's own delay


class Drawing:
    """One draw from the press to the reference."""

    def __init__(self, rig: RigModel, pull: Pull, aligner: Aligner, delay: Delay, start_mm: float, target_n: float) -> None:
        self._rig = rig
        self._pull = pull
        self._aligner = aligner
        self.learner = Learner(rig, aligner, delay)
        self._speeds = Speeds(rig)
        self.start_mm = start_mm
        self.target_n = target_n
        self.contact_mm: float | None = None

    def step(self, t_s: float, force_n: float, x_mm: float, v_mm_s: float, ceiling_n: float) -> Go:
        """Take one reading; return the next lease."""
        speed = self._pull.speed_mm_s
        if x_mm - self.start_mm < FIRST_MM:
            speed = min(speed, FIRST_MM_S)
        if self.contact_mm is None:
            if force_n < CONTACT_N:
                return Go(wire.DRAW, speed, self.start_mm + self._pull.slack_max_mm, ceiling_n)
            self.contact_mm = x_mm
        learner = self.learner
        learner.add(t_s, force_n, x_mm, v_mm_s)
        # The board bounds the speed by what it has seen; this computer also by what it believes.
        room_n = ceiling_n + self._rig.overrun_n - force_n
        speed = min(speed, max(self._speeds.allowed_mm_s(learner.k_high_n_mm, room_n), LEAST_MM_S))
        delay = learner.delay
        seen_mm = self._aligner.position(delay.delay_s)
        oldest_mm = min(seen_mm, self._aligner.position(delay.longest_s)) if v_mm_s > 0.0 else seen_mm
        ahead_s = delay.delay_s + PIPELINE_S
        gap_n = self.target_n * (1.0 - AIM_SHORT) - force_n - learner.fading_n_s * ahead_s
        if gap_n >= 0.0:
            # Short of the reference it waits rather than reverse: reversing wakes the friction.
            end = max(x_mm, oldest_mm + gap_n / learner.high_at(force_n, gap_n))
        else:
            end = seen_mm + gap_n / (learner.k_n_mm or self._rig.stiffest_n_mm)
        return Go(wire.DRAW, speed, end, ceiling_n)

    def arrived(self, force_n: float, x_mm: float, v_mm_s: float) -> bool:
        """Is the force, as predicted for now, at the reference and the carriage nearly at rest?"""
        k = self.learner.k_n_mm
        if k is None:
            # A string so stiff or so nearly tight that no slope was seen: the reading itself decides.
            return abs(v_mm_s) < 0.5 and force_n > 0.995 * self.target_n
        now_n = force_n + k * (x_mm - self._aligner.position(self.learner.delay.delay_s))
        return now_n > (1.0 - NEAR) * self.target_n and abs(v_mm_s) < NEAR_MM_S


class Path:
    """The force that travel alone would give: stiffness ``k`` on the way forward, ``k_back`` on the way back.

    Friction at crossings and grommets holds the far string still when the head reverses, so only the near piece gives,
    several times as stiff; on the way forward again until the turning point is passed. (Capstan at each node, both
    directions.)
    """

    def __init__(self, k_n_mm: float, k_back_n_mm: float, x_mm: float, band_mm: float) -> None:
        self.k_n_mm = k_n_mm
        self.k_back_n_mm = k_back_n_mm
        self.x_mm = x_mm
        self._turn = x_mm
        self._band = band_mm
        self.force_n = 0.0

    def walk(self, x_mm: float) -> float:
        """Move to ``x_mm`` and return the force there."""
        self.force_n += self.ahead(x_mm)
        self.x_mm = x_mm
        self._turn = min(max(self._turn, x_mm), x_mm + self._band)
        return self.force_n

    def ahead(self, x_mm: float) -> float:
        """Change of force from here to ``x_mm``."""
        if x_mm <= self.x_mm:
            return (x_mm - self.x_mm) * self.k_back_n_mm
        stuck = max(0.0, min(x_mm, self._turn) - self.x_mm)
        return stuck * self.k_back_n_mm + (x_mm - self.x_mm - stuck) * self.k_n_mm

    def travel(self, from_mm: float, force_n: float) -> float:
        """How far to go from ``from_mm`` for a change of ``force_n``."""
        if force_n <= 0.0:
            return force_n / self.k_back_n_mm
        stuck = max(0.0, self._turn - from_mm)
        if force_n <= stuck * self.k_back_n_mm:
            return force_n / self.k_back_n_mm
        return stuck + (force_n - stuck * self.k_back_n_mm) / self.k_n_mm


ADAPT = 0.07  # share of a surprise that is taken for stiffness
ADAPT_MM = 0.02  # travel in one period below which a surprise says little of it
ADAPT_MOST = 3.0  # of the draw's stiffness
LEAD = 0.003  # of the reference: most that the rate may add
BACK_RATIO = 4.0  # of the stiffness on the way back to that forward, where nothing has been learnt
QUICK_S = 0.35
TRACK_QUICK = (0.75, 0.30)  # alpha and beta of the tracker after a surprise
TRACK_CALM = (0.35, 0.03)
# Of the error, per reading. A string is up to twice as stiff for a small quick move as it was over the draw, and a closed
# clamp makes it stiffer still; at this gain the loop stands three to four times the stiffness it believes in.
GAIN = 0.4


class Holding:
    """Keeps the reference while the string creeps and hands work on it."""

    def __init__(
        self,
        rig: RigModel,
        aligner: Aligner,
        delay: Delay,
        k_n_mm: float,
        target_n: float,
        x_mm: float,
        rate_n_s: float = 0.0,
    ) -> None:
        self._rig = rig
        self._aligner = aligner
        self._delay = delay
        self.k_n_mm = k_n_mm
        self.target_n = target_n
        k_back = min(max(rig.stiffest_n_mm, k_n_mm), BACK_RATIO * k_n_mm)
        seen = aligner.position(delay.delay_s)
        self._path = Path(k_n_mm, k_back, seen, 0.15 * target_n / k_back)
        self._rest: float | None = None  # force that travel does not explain
        self._rate = rate_n_s  # its rate, N/s
        self._t = 0.0
        self._alert = QUICK_S
        self.end_mm = x_mm
        self.speed_mm_s = rig.hold_rate_mm_s

    @property
    def path_rate_mm_s(self) -> float:
        """How fast the string's own share of the path changes; negative: it creeps or is fed, and the head follows."""
        return self._rate / self.k_n_mm

    @property
    def drift_n_s(self) -> float:
        """Rate of the force that travel does not explain."""
        return self._rate

    @property
    def z_mm(self) -> float:
        """The string's own share of the path."""
        return (self._rest or 0.0) / self.k_n_mm

    @property
    def alert(self) -> bool:
        """Has a reading lately been far from the prediction?"""
        return self._alert > 0.0

    def step(self, t_s: float, force_n: float, x_mm: float, ceiling_n: float) -> Go:
        """Take one reading; return the next lease."""
        path = self._path
        seen = self._aligner.position(self._delay.delay_s)
        forward_mm = seen - path.x_mm
        rest = force_n - path.walk(seen)
        if self._rest is None:
            self._rest = rest
            self._t = t_s
        dt = min(max(t_s - self._t, 1e-3), 0.1)
        self._t = t_s
        predicted = self._rest + self._rate * dt
        off = rest - predicted
        if forward_mm > 0.0:
            # What the force does beyond the prediction while the head moves forward is stiffness: a string is stiffer for
            # a small quick move than it was over the draw, and must not be taken for softer than that.
            k = path.k_n_mm + ADAPT * off * forward_mm / (forward_mm * forward_mm + ADAPT_MM * ADAPT_MM)
            path.k_n_mm = min(max(k, self.k_n_mm), ADAPT_MOST * self.k_n_mm)
        if abs(off) > 0.0006 * self.target_n:
            self._alert = QUICK_S
        self._alert = max(0.0, self._alert - dt)
        alpha, beta = TRACK_QUICK if self._alert else TRACK_CALM
        self._rest = predicted + alpha * off
        self._rate += beta * off / dt
        # Over the delay, and what a gain below 1 would leave behind a steady creep.
        ahead_s = self._delay.delay_s + PIPELINE_S + self._rig.period_s * (1.0 / GAIN - 1.0)
        # Creep is led; what hands do is followed. To lead a feed would overshoot when it stops.
        most = LEAD * self.target_n
        lead_n = min(max(self._rate * ahead_s, -most), most)
        now_n = path.force_n + path.ahead(x_mm) + self._rest + lead_n
        error = self.target_n - now_n
        if error > DEAD_BAND * self.target_n or error < -BACK_DEAD_BAND * self.target_n:
            self.end_mm = x_mm + GAIN * path.travel(x_mm, error)
        return Go(wire.HOLD, self.speed_mm_s, self.end_mm, ceiling_n)
