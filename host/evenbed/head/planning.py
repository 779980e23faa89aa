"""What may be planned: a pull under the ceiling and inside the calibration, a ceiling under the rig's limit."""

from __future__ import annotations

from evenbed.head.types import Known, Pull

BEYOND = 2.0  # times the highest weight of the calibration: nothing is planned above
ROOM = 0.02  # of the reference: so far at least below the ceiling, or noise would trip it


def check(pull: Pull | None, ceiling_n: float, known: Known | None) -> None:
    """Raises ValueError, for a person, if the pull is none, too near the ceiling, or beyond the calibration."""
    if pull is None:
        return
    top = pull.reference_n * (1.0 + pull.over_pull)
    if not 0.0 < pull.reference_n < float("inf"):
        raise ValueError("a pull needs a reference above 0 N")
    if not 0.0 <= pull.over_pull <= 0.5 or not 0.0 <= pull.over_pull_s <= 60.0:
        raise ValueError("pre-stretch goes up to 50 % and 60 s")
    if not 1.0 <= pull.speed_mm_s <= 1000.0 or not 1.0 <= pull.slack_max_mm <= 1000.0:
        raise ValueError("speed (mm/s) and slack (mm) must lie between 1 and 1000")
    if known is not None and top > BEYOND * known.top_n:
        raise ValueError(
            f"{top:.0f} N is more than {BEYOND:.0f} times the {known.top_n:.0f} N that calibration {known.number} was made "
            "with: calibrate with more weight, or lower the reference"
        )
    if top > ceiling_n - ROOM * pull.reference_n:
        raise ValueError(
            f"{top:.0f} N is too near the session's ceiling of {ceiling_n:.0f} N: lower the reference, or arm with a "
            "higher ceiling"
        )


def fits(pull: Pull | None, ceiling_n: float) -> bool:
    """May it be planned under that ceiling?"""
    try:
        check(pull, ceiling_n, None)
    except ValueError:
        return False
    return True


def check_ceiling(ceiling_n: float, limit_n: float, present_n: float | None) -> None:
    """Raises ValueError for a ceiling that is none, above the rig's limit, or above the present one (None: unarmed)."""
    if not 0.0 < ceiling_n <= limit_n:
        raise ValueError(f"a ceiling lies above 0 N and at or below the rig's limit of {limit_n:.0f} N")
    if present_n is not None and ceiling_n > present_n:
        raise ValueError(
            f"the ceiling of {present_n:.0f} N is raised only unarmed: let off, disarm, then set {ceiling_n:.0f} N"
        )
