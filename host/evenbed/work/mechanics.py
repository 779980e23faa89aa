"""What the control process has to know of the rig's mechanics, from rig.toml: measured values before stated ones."""

from __future__ import annotations

from evenbed.control.loop import Mechanics
from evenbed.rig import Rig


def mechanics(rig: Rig) -> Mechanics:
    """Travel, and the delay of the reading where commissioning has measured it; the loop's own guess where not."""
    guess = Mechanics()
    delay, doubt = rig.delay_periods, rig.delay_doubt_periods
    if delay is None:
        return Mechanics(travel_mm=rig.travel_mm)
    return Mechanics(rig.travel_mm, delay, guess.delay_doubt_periods if doubt is None else doubt)
