"""What an entry of the fault catalogue is, and what its sentences share."""

from __future__ import annotations

from dataclasses import dataclass

TRIP, STOP, REFUSAL, STATUS = "trip", "stop", "refusal", "status"
KINDS = {
    TRIP: "latched; first cause first; must be cleared, at rest and slack",
    STOP: "everything stands; reaching slack ends it",
    REFUSAL: "nothing moves; what was asked for is not done",
    STATUS: "said, no stop",
}

GET_DOWN = "To let the string down, hold the pedal; if that does nothing, press the emergency stop and turn the hand knob."
BY_HAND = (
    "The pedal cannot help: let the string down from the screen (Ctrl-C in a terminal), or press the emergency stop and "
    "turn the hand knob."
)
TRIPS = "tests/host/test_trips.py::test_a_fault_stops_the_pull_and_the_string_comes_down"


@dataclass(frozen=True)
class Entry:
    """One fault. ``event``: name under which it is told; ``says`` and ``do_next`` are filled by ``say``."""

    number: int
    name: str
    raised_by: str
    kind: str
    says: str
    do_next: str
    clears: str
    proved_by: str
    event: str = ""

    @property
    def told_as(self) -> str:
        """Name of the event."""
        return self.event or self.name
