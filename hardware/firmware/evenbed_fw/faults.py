"""The fault list of the board: number and name. What each says to a person lives in the host's catalogue."""

NONE = 0
OVER_TENSION = 1
NO_DATA = 2
STUCK = 3
SATURATED = 4
IMPLAUSIBLE = 5
STRING_LOST = 6
LEASE_EXPIRED = 7
PEDAL = 8
EMERGENCY_STOP = 9
SUPPLY_LOST = 10
PRESSED = 11  # frozen by the pedal: a stop, not a defect
STOPPED = 12  # frozen by the host's stop
STRETCH = 13  # more travel under load than any string needs: the cell may read low
WRONG_WAY = 14  # the force rises while the motor is told to let down

NAMES = (
    "none",
    "over_tension",
    "no_data",
    "stuck",
    "saturated",
    "implausible",
    "string_lost",
    "lease_expired",
    "pedal",
    "emergency_stop",
    "supply_lost",
    "pressed",
    "stopped",
    "stretch",
    "wrong_way",
)
