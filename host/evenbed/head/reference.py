"""The working zero: taken at arming, at rest, still, and near the reference zero."""

from __future__ import annotations

from dataclasses import dataclass

from evenbed.head.types import RigModel, Shot

STILL_S = 0.4
PATIENCE_S = 5.0
NOISE_N = 0.5  # peak to peak
SHIFT_N = 3.0  # from the reference zero
ZERO_FAR, ZERO_MOVING, ZERO_NO_READINGS = 71, 72, 73  # of the catalogue


@dataclass(frozen=True)
class Zero:
    """The working zero in N from the reference zero, or the catalogue's number of why there is none."""

    zero_n: float
    refused: int = 0


class Referencing:
    """Waits until the empty gripper is still."""

    def __init__(self, rig: RigModel, now_s: float) -> None:
        self._rig = rig
        self._begun_s = now_s
        self._window: list[tuple[float, float]] = []

    def step(self, now_s: float, shot: Shot) -> Zero | None:
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
            if abs(mean) > SHIFT_N:
                return Zero(mean, ZERO_FAR)
            return Zero(mean)
        if now_s - self._begun_s > PATIENCE_S:
            return Zero(mean, ZERO_MOVING)
        return None
