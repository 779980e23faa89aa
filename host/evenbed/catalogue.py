"""The one catalogue of faults: whatever board, link, head or calibration can raise, and what it says.

The entries are in ``entries/``; what the board does is in ``responses.py``. ``say`` turns an entry and its values into a
sentence.
"""

from __future__ import annotations

from collections.abc import Mapping

from evenbed_fw import faults

from evenbed.entries import board, host
from evenbed.entries.entry import BY_HAND, GET_DOWN, KINDS, REFUSAL, STATUS, STOP, TRIP, Entry
from evenbed.units import show_force

ENTRIES: dict[int, Entry] = {e.number: e for e in (*board.ALL, *host.ALL)}
BY_NAME: dict[str, Entry] = {e.name: e for e in ENTRIES.values()}


def _shown(key: str, value: float | str, unit: str) -> str:
    if isinstance(value, str):
        return value
    if key.endswith("_n"):
        return show_force(value, unit)
    if key.endswith("_mm"):
        return f"{value:.0f} mm"
    if key.endswith("_s"):
        return f"{value * 1000.0:.0f} ms" if value < 0.1 else f"{value:.2f} s"
    return f"{value:g}"


OTHER_WAYS = (faults.WRONG_WAY, faults.EMERGENCY_STOP, faults.SUPPLY_LOST, faults.PEDAL)
UNKNOWN = {"wanted": "do that", "causes": "a fault is still there"}


class _Values(dict[str, str]):
    """What is not known is said to be unknown, never shown as zero."""

    def __missing__(self, key: str) -> str:
        kinds = {"_n": "an unknown force", "_s": "an unknown time", "_mm": "an unknown way"}
        return next((said for end, said in kinds.items() if key.endswith(end)), UNKNOWN.get(key, "unknown"))


def say(number: int, values: Mapping[str, float | str], unit: str = "N") -> str:
    """The sentence of entry ``number`` with its values in ``unit`` and what to do next."""
    entry = ENTRIES.get(number)
    if entry is None:
        return f"The board reports fault {number}, which this program does not know. Update it."
    shown = _Values({key: _shown(key, value, unit) for key, value in values.items()})
    return f"{entry.says.format_map(shown)} {entry.do_next.format_map(shown)}"


def say_later(later: int) -> str:
    """The faults of the bit mask ``later``, which came after the first cause; empty if none."""
    numbers = [n for n in range(1, len(faults.NAMES)) if later >> n & 1]
    if not numbers:
        return ""
    names = ", ".join(faults.NAMES[n].replace("_", " ") for n in numbers)
    # Where the way down has changed, the new one counts.
    ways = [ENTRIES[n].do_next for n in OTHER_WAYS if n in numbers][:1]
    return " ".join([f"Since then also: {names}.", *ways])


__all__ = ["BY_HAND", "ENTRIES", "GET_DOWN", "KINDS", "REFUSAL", "STATUS", "STOP", "TRIP", "Entry", "say", "say_later"]
