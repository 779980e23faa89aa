"""The working zero: taken at the home position, at rest, still, and near the reference zero; and watched.

The limit of the force always counts from the reference zero; the working zero only takes a small drift off what is shown
and drawn to.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed.head.types import Known, RigModel, Shot

STILL_S = 0.4
PATIENCE_S = 5.0
NOISE_N = 0.5  # peak to peak
SHIFT_N = 3.0  # from the reference zero, where no calibration is known
LEAST_N = 1.0  # a shift that is always let pass, and the furthest from the zero taken at arming
SHIFT_U = 5.0  # or this many U, where a calibration is known
HOME_MM = 2.0
AGAIN_S = 1.0  # of standing still, slack, for a new zero between two pulls
LET_OFF_S = 4.0  # so soon after the way back there is surely no string under tension
ZERO_FAR, ZERO_MOVING, ZERO_NO_READINGS, ZERO_NOT_HOME, ZERO_SHIFTED = 71, 72, 73, 74, 75  # of the catalogue


def shift_n(known: Known | None, force_n: float) -> float:
    """How far the working zero may lie from the reference zero at arming, N."""
    return SHIFT_N if known is None else max(LEAST_N, SHIFT_U * known.expanded_n(force_n))


def at_home(shot: Shot, home_mm: float | None) -> bool:
    """Is the carriage at its slack-side end? Only there is an empty head told from one with a string."""
    return home_mm is not None and abs(shot.x_mm - home_mm) <= HOME_MM


@dataclass(frozen=True)
class Zero:
    """The working zero in N from the reference zero, or the catalogue's number of why there is none. ``kept``: away from
    home no new one is taken."""

    zero_n: float
    refused: int = 0
    kept: bool = False


class Referencing:
    """Waits until the empty gripper is still. ``limit_n``: furthest from the reference zero; ``before_n``: the working
    zero so far."""

    def __init__(self, rig: RigModel, now_s: float, limit_n: float = SHIFT_N, before_n: float = 0.0) -> None:
        self._rig = rig
        self._begun_s = now_s
        self.limit_n = limit_n
        self._before_n = before_n
        self._window: list[tuple[float, float]] = []

    def step(self, now_s: float, shot: Shot, home: bool) -> Zero | None:
        """Take one sample; return the zero when there is one, or the reason when there will be none."""
        window = self._window
        if not shot.sample.sound:
            window.clear()  # what the board does not believe is no zero
            return Zero(0.0, ZERO_NO_READINGS) if now_s - self._begun_s > PATIENCE_S else None
        window.append((now_s, shot.reference_force_n))
        forces = [f for _, f in window]
        mean = sum(forces) / len(forces)
        if max(forces) - min(forces) > NOISE_N:
            window.clear()
        elif now_s - window[0][0] >= STILL_S:
            if abs(mean) > self.limit_n:
                return Zero(mean, ZERO_FAR)
            return Zero(mean) if home else Zero(self._before_n, kept=True)
        if now_s - self._begun_s > PATIENCE_S:
            return Zero(mean, ZERO_MOVING)
        return None


class ZeroWatch:
    """Between two pulls: takes the zero anew while the head stands slack at home, and notices when it has moved too far.

    ``limit_n``: furthest from the reference zero. More than LEAST_N from the zero taken at arming is no drift: a string may
    have been pulled tight by hand, slowly.
    """

    def __init__(self, now_s: float, limit_n: float) -> None:
        self._begun_s = now_s
        self._limit_n = limit_n
        self._window: list[tuple[float, float]] = []
        self.shifted_n: float | None = None  # set once, when the zero lies further off than it may

    def step(self, now_s: float, shot: Shot, home: bool, zero_n: float) -> float | None:
        """Take one sample; ``zero_n`` is the zero taken at arming. Returns a new one, N, if there is one."""
        window = self._window
        if not shot.sample.sound or not home or shot.v_mm_s != 0.0:
            window.clear()
            return None
        window.append((now_s, shot.reference_force_n))
        forces = [f for _, f in window]
        if max(forces) - min(forces) > NOISE_N:
            window.clear()
            return None
        if now_s - window[0][0] < AGAIN_S:
            return None
        mean = sum(forces) / len(forces)
        window.clear()
        if abs(mean) <= self._limit_n and abs(mean - zero_n) <= LEAST_N:
            return mean
        # Later it may be a string that somebody has pulled tight by hand: that is no shift of the zero.
        if now_s - self._begun_s < LET_OFF_S and self.shifted_n is None:
            self.shifted_n = mean
        return None
