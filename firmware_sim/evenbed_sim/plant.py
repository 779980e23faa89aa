"""What the simulated rig asks of a plant: the string between its far end and the gripper, and what hands do to it.

A plant is everything mechanical on the string's side of the gripper. The carriage, the cell, the converter and
the board are modelled elsewhere; a plant only hears how far the gripper moved and how long that took.
"""

from __future__ import annotations

from typing import Protocol


class Plant(Protocol):
    """The string, its friction, its clamps and the frame, as felt at the gripper.

    ``force_n`` is the true force at the gripper now; ``peak_n`` the largest since :meth:`reset_peak`, true between
    the calls too. Positive ``dx_mm`` pulls. A slack string has force 0.
    """

    force_n: float
    peak_n: float

    def advance(self, dt_s: float, dx_mm: float) -> None:
        """Let ``dt_s`` pass (> 0) while the gripper moves ``dx_mm`` at constant speed.

        Contact inside the step is found exactly: slack is used up first, the rest of the step stretches.
        """

    def reset_peak(self) -> None:
        """Start ``peak_n`` again from the present force."""

    def stiffness_n_per_mm(self) -> float:
        """Tangent stiffness now at the gripper for pulling (short-time), N/mm; 0 while slack."""

    # --- what hands do -------------------------------------------------------------------------------------
    def free_previous_clamp(self) -> None:
        """The hand-over: open the previous clamp; the previous string joins the free length at once."""

    def add_path(self, mm: float, duration_s: float) -> None:
        """Straightening a cross: over the next ``duration_s`` the path inside the bed grows by ``mm`` (a push, > 0)
        or shrinks (a feed, < 0), at constant rate. Calls queue one after another."""

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        """Set the new clamp at the frame's edge. With ``slips_above_n`` it lets string through whenever the tensions
        on its two sides differ by more than that (0: open jaws)."""

    def string_breaks(self) -> None:
        """The string parts at the gripper's side: the force is gone at once and stays 0."""

    def gripper_slips(self, mm: float) -> None:
        """The gripper lets ``mm`` of string through at once."""

    def bed_tension_n(self) -> float:
        """True tension of the string just inside the frame (what the bed keeps), N."""
