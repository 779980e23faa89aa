"""Events of the catalogue: from a fault and its values to what is told."""

from __future__ import annotations

from collections.abc import Mapping

from evenbed_fw import faults, safety, wire

from evenbed.catalogue import ENTRIES, STOP, TRIP, say, say_later
from evenbed.head.types import Event, Fresh, RigModel, Shot
from evenbed.link.messages import Sample, Trip


def told(number: int, words: Mapping[str, str] | None = None, /, **values: float) -> Event:
    """The event of entry ``number``. ``fault`` stands among its values if it stopped something."""
    entry = ENTRIES.get(number)
    words = dict(words or {})
    if entry is None:
        return Event("unknown_fault", say(number, {}), {"fault": number, "entry": number})
    marks: dict[str, float] = {"entry": number}
    if entry.kind in (TRIP, STOP):
        marks["fault"] = number
    return Event(entry.told_as, say(number, {**values, **words}), {**values, **marks}, words)


def stop_event(fault: int, trip: Trip | None, rig: RigModel, force: Fresh | None, shot: Shot | None = None) -> Event:
    """Say what stopped the board. With its record its values are used, else the last force that may be used."""
    values: dict[str, float] = {}
    if trip is not None:
        values["force_n"] = (trip.raw_counts - rig.zero_counts) / rig.counts_per_n
        values["bound_n"] = (trip.bound_counts - rig.zero_counts) / rig.counts_per_n
        values["later"] = trip.later
        if shot is not None:
            age_us = (trip.board_us - shot.sample.board_us) % wire.TIME_WRAP_US
            # Readings that came after the trip say nothing of it: then the trip was judged on a reading of its own.
            values["age_s"] = age_us * 1e-6 if age_us < wire.TIME_WRAP_US // 2 else 0.0
    elif force is not None:
        values["force_n"] = force.force_n
        values["age_s"] = force.age_s
    event = told(fault, **values)
    later = say_later(trip.later) if trip is not None else ""
    return Event(event.name, f"{event.says} {later}".rstrip(), event.values, event.words)


def causes(sample: Sample | None) -> str:
    """What stands against arming or clearing, as the board's line shows it."""
    found = []
    if sample is not None:
        if sample.has(safety.F_ESTOP):
            found.append("the emergency stop is pressed")
        elif sample.has(safety.F_SUPPLY):
            found.append("the drive has no supply")
        if sample.has(safety.F_PEDAL_FAULT):
            found.append("the pedal's contacts contradict each other or come to no rest, or it is held")
        if sample.fault and sample.fault < len(faults.NAMES):
            found.append(f"the stop '{faults.NAMES[sample.fault].replace('_', ' ')}' is not cleared")
    return " and ".join(found) or "a fault is still there"
