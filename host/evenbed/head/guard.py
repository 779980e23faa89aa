"""The host's own guard, apart from the board's: the calibrated force against the ceiling, and whether it makes sense."""

from __future__ import annotations

from evenbed_fw import budget

from evenbed.head import states as st
from evenbed.head.types import RigModel, Shot

FEED_MM = 40.0  # travelled upwards under load without a rise of force
MARGIN_N = 1.0


def margin_n(rig: RigModel, shot: Shot, ceiling_n: float, k_n_mm: float) -> float:
    """What is left below ceiling + overrun if everything went wrong now: the stop budget at this speed and stiffness."""
    v_um_s = max(0, round(shot.v_mm_s * 1000.0))
    rise_n = (
        budget.rise_mn(
            round(k_n_mm + 0.5),
            v_um_s,
            round(rig.age_s * 1e6),
            round(rig.granted_s * 1e6),
            round(rig.accel_mm_s2 * 1000.0),
        )
        / 1000.0
    )
    return ceiling_n + rig.overrun_n - shot.reference_force_n - (rise_n if v_um_s else 0.0)


class Guard:
    """Checks every sample of a loaded state; returns why everything must stop, or an empty text."""

    def __init__(self, rig: RigModel) -> None:
        self._rig = rig
        self._base: tuple[float, float] | None = None

    def check(self, now_s: float, shot: Shot, ceiling_n: float, state: str) -> str:
        """Take one sample."""
        if shot.reference_force_n > ceiling_n + MARGIN_N:
            return (
                f"{shot.reference_force_n:.0f} N is above the ceiling of {ceiling_n:.0f} N "
                "(from the reference zero): this computer stops the board."
            )
        if state not in (st.DRAWING, st.PRE_STRETCHING):
            self._base = None
            return ""
        if self._base is None or shot.force_n > self._base[1] + 2.0:
            self._base = (shot.x_mm, shot.force_n)
        fed = shot.x_mm - self._base[0]
        if fed > FEED_MM:
            return (
                f"{fed:.0f} mm of travel have not raised the force above {shot.force_n:.0f} N: "
                "the gripper or a clamp lets string through, or the cell reads wrong."
            )
        return ""
