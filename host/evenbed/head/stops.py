"""From a fault number to a sentence with its values."""

from __future__ import annotations

from evenbed.head.catalogue import ENTRIES
from evenbed.head.types import Event, Force, Fresh, RigModel
from evenbed.link.messages import Trip


def stop_event(fault: int, trip: Trip | None, rig: RigModel, force: Force) -> Event:
    """Say what stopped the head. With the board's record its values are used, else the last force that may be used."""
    entry = ENTRIES.get(fault)
    if entry is None:
        return Event("unknown_fault", f"The board reports fault {fault}, which this program does not know. Update it.")
    values: dict[str, float] = {"fault": fault}
    shown = "an unknown force"
    bound = "the ceiling"
    if trip is not None:
        force_n = (trip.raw_counts - rig.zero_counts) / rig.counts_per_n
        bound_n = (trip.bound_counts - rig.zero_counts) / rig.counts_per_n
        values.update(force_n=force_n, bound_n=bound_n, later=trip.later)
        shown, bound = f"{force_n:.0f} N", f"{bound_n:.0f} N"
    elif isinstance(force, Fresh):
        values["force_n"] = force.force_n
        shown = f"{force.force_n:.0f} N"
    text = entry.says.format(force=shown, bound=bound, zero="reference")
    return Event(entry.name, f"{text} {entry.do_next}", values)
