"""What one pull was: collected while it runs, told when it is over."""

from __future__ import annotations

from dataclasses import dataclass, field

from evenbed.head.disturbance import Disturbance

NOT_PROVED = ("open", "slips", "gone")  # what a clamp's proof asks about; ``proof`` of a record may end so


@dataclass
class PullRecord:
    """One pull. Forces in N, lengths in mm, times in s since the press; None where it did not come to that.
    ``stiffness_n_mm`` is that of the whole strand: of a string pulled once more, what its first draw showed."""

    label: str
    reference_n: float
    ceiling_n: float
    contact_s: float | None = None
    reached_s: float | None = None
    steady_s: float | None = None
    clamped_s: float | None = None
    done_s: float | None = None
    draw_length_mm: float | None = None
    stiffness_n_mm: float | None = None
    delay_s: float | None = None
    take_up_mm: float | None = None
    creep_n_s: float | None = None
    loss_now_n: float | None = None
    proof: str = "not made"
    proof_ratio: float | None = None
    peak_n: float = 0.0  # indicated, drawing and holding
    proof_peak_n: float = 0.0  # indicated, in the look at the clamp: on the piece outside the frame
    least_margin_n: float = float("inf")
    force_at_clamp_n: float | None = None
    limited: bool = False
    calibration: int | None = None  # its number in the store
    expanded_n: float | None = None  # U (k = 2) of the force at the reference
    disturbances: list[Disturbance] = field(default_factory=list)
    ended: str = ""  # "let off", "let down", "no string", or the name of a stop
