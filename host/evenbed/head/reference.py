"""The working zero: taken at arming, at rest, still, and near the reference zero."""

from __future__ import annotations

from dataclasses import dataclass

from evenbed.head.types import RigModel, Shot

STILL_S = 0.4
PATIENCE_S = 5.0
NOISE_N = 0.5  # peak to peak
SHIFT_N = 3.0  # from the reference zero


@dataclass(frozen=True)
class Zero:
    """The working zero in N from the reference zero, or why there is none."""

    zero_n: float
    refused: str = ""


class Referencing:
    """Waits until the empty gripper is still."""

    def __init__(self, rig: RigModel, now_s: float) -> None:
        self._rig = rig
        self._begun_s = now_s
        self._window: list[tuple[float, float]] = []

    def step(self, now_s: float, shot: Shot) -> Zero | None:
        """Take one sample; return the zero when there is one, or the reason when there will be none."""
        window = self._window
        window.append((now_s, shot.reference_force_n))
        forces = [f for _, f in window]
        mean = sum(forces) / len(forces)
        if max(forces) - min(forces) > NOISE_N:
            window.clear()
        elif now_s - window[0][0] >= STILL_S:
            if abs(mean) > SHIFT_N:
                return Zero(
                    mean,
                    f"The empty head shows {mean:+.1f} N; at most {SHIFT_N:.0f} N may remain from the calibration. "
                    "Take everything off the gripper; if it stays, calibrate.",
                )
            return Zero(mean)
        if now_s - self._begun_s > PATIENCE_S:
            return Zero(mean, f"The reading moved by more than {NOISE_N} N for {PATIENCE_S:.0f} s. Hands off the gripper.")
        return None
