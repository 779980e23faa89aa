"""The board's own file: which wire lies on which pin, the directions, and the limits that no host can raise.

``evenbed_board.json`` in the board's root is written by a person and by nobody else. What is missing, unknown or
contradictory in it is not guessed: the board then drives no pin and refuses to arm.
"""

import json

from evenbed_fw.settings import RANGES, Settings

FILE = "evenbed_board.json"
FORM = 1

# Name, direction, pull, what it is. Contacts go to ground: closed is low, and a broken wire is high.
ROLES = (
    ("step", "out", "external pull-down", "step pulses of the drive, one step per rising edge, 5 us"),
    ("dir", "out", "external pull-down", "direction of the drive"),
    ("enable", "out", "external, towards off", "power of the drive; at a reset the pin floats and the resistor decides"),
    ("cell_data", "in", "pull-up", "data line of the bridge converter"),
    ("cell_clock", "out", "external pull-down", "clock of the bridge converter; high for over 60 us powers it down"),
    ("pedal_pressed", "in", "pull-up", "pedal, contact closed when pressed"),
    ("pedal_rest", "in", "pull-up", "pedal, contact closed at rest"),
    ("end_low", "in", "pull-up", "end switch on the slack side, normally closed"),
    ("end_high", "in", "pull-up", "end switch on the pulling side, normally closed"),
    ("estop", "in", "pull-up", "sense contact of the emergency stop, normally closed"),
    ("supply", "in", "pull-up", "drive's supply, through an isolator that closes while it is there"),
    ("beeper", "out", "external pull-down", "active beeper, high sounds"),
    ("led", "out", "none", "status light, high is on"),
)
UART_ROLES = (
    ("uart_tx", "out", "none", "to the host's receiver, 460800 bit/s, if port is uart"),
    ("uart_rx", "in", "pull-up", "from the host's transmitter"),
)
UART_PINS = {"uart_tx": (0, 12, 16, 28), "uart_rx": (1, 13, 17)}  # of UART 0
USABLE = tuple(range(23)) + (25, 26, 27, 28)  # 23, 24 and 29 serve the module itself
# Of a rig's settings those without which no limit means anything; the others may stay at their defaults.
NEEDED = (
    "rated_mcounts_n",
    "limit_most_mn",
    "overrun_mn",
    "stiffest_n_mm",
    "steps_mm",
    "rate_max_steps_s",
    "accel_steps_s2",
)
END_STEPS_MOST = 1 << 24


class BoardFile:
    """What the file says. ``wrong``: why it cannot be used, empty if it can."""

    def __init__(self, text: str) -> None:
        self.pins: "dict[str, int]" = {}
        self.dir_up = 0
        self.enable_on = 0
        self.uart = False
        self.end_steps = 0
        self.settings = Settings()
        self.wrong = ""
        try:
            self.wrong = self._take(json.loads(text))
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            self.wrong = "%s: %s" % (FILE, error)

    def _take(self, data: "dict[str, object]") -> str:
        known = ("form", "pins", "dir_up", "enable_on", "port", "end_steps", "settings")
        for key in known:
            if key not in data:
                return "%s: %s is missing" % (FILE, key)
        for key in data:
            if key not in known:
                return "%s: %s is unknown" % (FILE, key)
        if data["form"] != FORM:
            return "%s: form %s, this firmware reads %d" % (FILE, data["form"], FORM)
        if data["port"] not in ("usb", "uart"):
            return "%s: port %s, usb or uart" % (FILE, data["port"])
        self.uart = data["port"] == "uart"
        up = data["dir_up"]
        on = data["enable_on"]
        if type(up) is not int or up not in (0, 1):
            return "%s: dir_up %s, 0 or 1" % (FILE, up)
        if type(on) is not int or on not in (0, 1):
            return "%s: enable_on %s, 0 or 1" % (FILE, on)
        self.dir_up = up
        self.enable_on = on
        return self._take_pins(data["pins"]) or self._take_settings(data["settings"], data["end_steps"])

    def _take_pins(self, pins: object) -> str:
        if not isinstance(pins, dict):
            return "%s: pins is no table" % FILE
        names = [role[0] for role in (ROLES + UART_ROLES if self.uart else ROLES)]
        used: "dict[int, str]" = {}
        for name in names:
            if name not in pins:
                return "%s: pin %s is missing" % (FILE, name)
        for name in pins:
            number = pins[name]
            if name not in [role[0] for role in ROLES + UART_ROLES]:
                return "%s: pin %s is unknown" % (FILE, name)
            if type(number) is not int or number not in USABLE:
                return "%s: pin %s %s, one of 0 to 22, 25 to 28" % (FILE, name, number)
            if number in used:
                return "%s: pin %s and %s are both %d" % (FILE, used[number], name, number)
            if self.uart and name in UART_PINS and number not in UART_PINS[name]:
                return "%s: pin %s %d, one of %s" % (FILE, name, number, UART_PINS[name])
            used[number] = name
            self.pins[name] = number
        return ""

    def _take_settings(self, values: object, end_steps: object) -> str:
        if not isinstance(values, dict):
            return "%s: settings is no table" % FILE
        for name in NEEDED:
            if name not in values:
                return "%s: setting %s is missing" % (FILE, name)
        names = [row[0] for row in RANGES]
        s = self.settings
        for name in values:
            if name not in names:
                return "%s: setting %s is unknown" % (FILE, name)
            if type(values[name]) is not int:
                return "%s: setting %s %s, a whole number" % (FILE, name, values[name])
            setattr(s, name, values[name])
        if "gain_mcounts_n" not in values:
            s.gain_mcounts_n = s.rated_mcounts_n
        if "limit_mn" not in values:
            s.limit_mn = s.limit_most_mn
        if s.unusable():
            return "%s: %s" % (FILE, s.unusable())
        s.derive()
        # The ramp brakes inside the switch's overtravel; the guard must not cut it short.
        braking = s.rate_max_steps_s * s.rate_max_steps_s // (2 * s.accel_steps_s2) + 1
        if type(end_steps) is not int or end_steps < braking or end_steps > END_STEPS_MOST:
            return "%s: end_steps %s, at least %d, the braking distance" % (FILE, end_steps, braking)
        self.end_steps = end_steps
        return ""
