"""What each stop says to a person and what to do next. One entry for every fault of the board's list and of the head's.

``{force}``, ``{bound}`` and ``{age}`` are filled with values and units; ``{zero}`` names the zero they are measured from.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed_fw import faults

GET_DOWN = "To let the string down, hold the pedal; if that does nothing, turn the hand knob."


@dataclass(frozen=True)
class Entry:
    """One fault: stable name, whether it is a trip (latched defect) or a stop, what it says, what to do next."""

    name: str
    trip: bool
    says: str
    do_next: str


ENTRIES: dict[int, Entry] = {
    faults.OVER_TENSION: Entry(
        "over_tension",
        True,
        "Over-tension: {force} measured from the {zero} zero, ceiling {bound}. The motor stopped and backed off a little.",
        "Look at what the string is caught on. " + GET_DOWN,
    ),
    faults.NO_DATA: Entry(
        "no_data",
        True,
        "No reading from the load cell; the last one was {force}. The motor stands and holds.",
        "Check the cable between cell, converter and board. " + GET_DOWN,
    ),
    faults.STUCK: Entry(
        "stuck",
        True,
        "The reading is frozen at {force}: seven times the same, which no live cell gives. The motor stands and holds.",
        "Check the converter's supply and wiring. " + GET_DOWN,
    ),
    faults.SATURATED: Entry(
        "saturated",
        True,
        "The converter is at the end of its range. The motor stands and holds.",
        "Check the cell's four wires and the converter's gain. " + GET_DOWN,
    ),
    faults.IMPLAUSIBLE: Entry(
        "implausible",
        True,
        "Readings that no string can give, the last {force}. The motor stands and holds.",
        "Check the cell's cable and shield; a force that falls while pulling means swapped signal wires. " + GET_DOWN,
    ),
    faults.STRING_LOST: Entry(
        "string_lost",
        True,
        "The string is lost: the force fell to {force} at once. The motor stands; it does not follow.",
        "Eyes first: look for a broken string, an open clamp, a slipped gripper. " + GET_DOWN,
    ),
    faults.LEASE_EXPIRED: Entry(
        "lease_expired",
        True,
        "The board heard nothing from this computer for 0.15 s and froze at {force}.",
        "Close what keeps the computer busy, check the USB cable. " + GET_DOWN,
    ),
    faults.PEDAL: Entry(
        "pedal",
        True,
        "The pedal's two contacts contradict each other, or it was held for over 10 s. The motor stands at {force}.",
        "Check the pedal's plug and cable; the hand knob lets the string down.",
    ),
    faults.EMERGENCY_STOP: Entry(
        "emergency_stop",
        True,
        "Emergency stop. The drive has no power; the last reading was {force}.",
        "Make the place safe, then release the button. Nothing moves by itself. "
        "The carriage's position is not known any more. " + GET_DOWN,
    ),
    faults.SUPPLY_LOST: Entry(
        "supply_lost",
        True,
        "The drive's supply is gone; the last reading was {force}.",
        "Check the supply and its fuse. Nothing moves when it comes back. " + GET_DOWN,
    ),
    faults.PRESSED: Entry(
        "pressed", False, "Stopped by the pedal at {force}.", "Tap to let the string down, then draw again."
    ),
    faults.STOPPED: Entry("stopped", False, "Stopped at {force}.", "Tap to let the string down, then draw again."),
    faults.STRETCH: Entry(
        "stretch",
        True,
        "More travel under load than the softest string needs, at only {force}: the cell may read low, "
        "or the string slips.",
        "Look at gripper and clamps; check the cell against a known weight. " + GET_DOWN,
    ),
}
