"""Which events are told in a terminal, and how."""

from __future__ import annotations

from collections.abc import Mapping

from evenbed.catalogue import say, say_later

SAID = {
    "referencing": "Armed. Taking the working zero: hands off the gripper.",
    "slack": "Ready. String in the gripper? Tap the pedal to draw.",
    "taking_up": "Taking up the slack.",
    "drawing": "Contact: drawing.",
    "pre_stretching": "Pre-stretching.",
    "holding": "At the reference: holding.",
    "proving_clamp": "Proving the clamp.",
    "easing_off": "Letting off.",
    "unarmed": "Not armed. Hold the pedal for two seconds to arm.",
}


def sentence(
    name: str, says: str, values: Mapping[str, float], words: Mapping[str, str] | None = None, unit: str = "N"
) -> str | None:
    """The line for one event with its forces in ``unit``, or None where it needs none."""
    if values.get("quiet"):  # no news: control/calm.py
        return None
    if name == "state":
        return SAID.get(says)
    if "entry" in values:
        later = say_later(int(values.get("later", 0)))
        return f"{say(int(values['entry']), {**values, **(words or {})}, unit)} {later}".rstrip()
    if name == "steady":
        return "Steady: clamping now loses little."
    if name == "disturbance":
        way = "gave back" if values["path_mm"] > 0 else "took up"
        return f"{says.capitalize()}: the head {way} {abs(values['path_mm']):.1f} mm."
    if name == "pull_done":
        return None
    return says
