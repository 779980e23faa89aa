"""The wire: one readable ASCII line per message, closed by a CRC-32. ``hardware/protocol.md`` is its specification.

A line is ``kind number number ... crc`` and a line feed; single spaces between; the CRC-32 (ISO-HDLC, as in zlib) of
all bytes before the last space, as eight lower-case hexadecimal digits. A line may be lost; a line whose check or
form is wrong is never believed.
"""

import binascii

MYPY = False
if MYPY:
    from collections.abc import Callable

PROTOCOL = 1
MAX_LINE = 120  # bytes, line feed included
MAX_INT = (1 << 30) - 1  # the largest integer a 32-bit MicroPython holds without allocating
TIME_WRAP_US = 1 << 30  # board time wraps here: the chip's own microsecond counter does
SEQ_WRAP = 10000
CLOSE = 10  # bytes of a check, its space and the line feed
WIDEST = 164  # bytes of the board's line "limits" with every value at its largest: more than a host believes
HEX = b"0123456789abcdef"
PAIRS = bytearray(200)  # two digits of each number below 100
for _n in range(100):
    PAIRS[2 * _n] = 48 + _n // 10
    PAIRS[2 * _n + 1] = 48 + _n % 10

# kind: names of its fields, in order. Numbers are decimal integers; the unit is in the name.
HOST_LINES = {
    "hello": ("seq", "protocol"),
    "limits": ("seq",),
    "arm": ("seq", "ceiling_mn"),
    "disarm": ("seq",),
    "ceiling": ("seq", "ceiling_mn"),
    "go": ("seq", "mode", "rate_steps_s", "end_steps", "ceiling_counts", "expiry_ms"),
    "stop": ("seq",),
    "clear": ("seq",),
    "trip": ("seq",),
    "cell": ("seq",),
    "propose": ("seq", "zero_counts", "gain_mcounts_n", "rated_mcounts_n", "limit_mn"),
}
BOARD_LINES = {
    "s": (
        "seq",
        "board_us",
        "conversion",
        "raw_counts",
        "position_steps",
        "rate_steps_s",
        "state",
        "fault",
        "flags",
        "presses",
        "held_ms",
        "last_ms",
        "go",
    ),
    "board": ("seq", "protocol", "firmware", "boot_cause", "settings_crc"),
    "limits": (
        "seq",
        "zero_counts",
        "gain_mcounts_n",
        "limit_mn",
        "overrun_mn",
        "steps_mm",
        "rate_max_steps_s",
        "accel_steps_s2",
        "period_us",
        "stiffest_n_mm",
        "hold_rate_steps_s",
        "hold_travel_steps",
        "age_us",
        "granted_us",
    ),
    "cell": ("seq", "rated_mcounts_n", "limit_most_mn"),
    "ok": ("seq", "of", "value"),
    "no": ("seq", "of", "reason"),
    "trip": ("seq", "board_us", "fault", "raw_counts", "bound_counts", "position_steps", "rate_steps_s", "later"),
}

# mode of a go
DRAW = 0  # the pedal freezes; the envelope bounds the speed
HOLD = 1  # the pedal is left to the host; slow and short
EASE = 2  # downwards only; the pedal freezes

# why a line was answered with "no"
NOT_UNDERSTOOD = 1
WRONG_STATE = 2
NO_PRESS = 3
ABOVE_LIMIT = 4
FAULT_LIVE = 5
LOADED = 6
DATA_NOT_SOUND = 7
STALE = 8
WRONG_WAY = 9
NOT_GREETED = 10
EXPIRY_TOO_LONG = 11
GAIN_IMPLAUSIBLE = 12
OUT_OF_TRAVEL = 13
SETTINGS_UNUSABLE = 14
REASONS = (
    "",
    "not understood",
    "not in this state",
    "no press of the pedal",
    "above the limit",
    "fault still present",
    "string still loaded",
    "readings not sound",
    "older than the last",
    "wrong way",
    "no hello yet",
    "expiry too long",
    "gain too far from the cell's rating",
    "end switch reached",
    "settings unusable",
)


class WireError(Exception):
    """A line that may not be believed: its check, its form, its kind or a number is wrong."""


def encode(kind: str, numbers: "list[int] | tuple[int, ...]") -> bytes:
    """Return the line for ``kind`` with these numbers, line feed included.

    Raises WireError if the line would be longer than MAX_LINE or a number is out of range.
    """
    body = kind
    for n in numbers:
        if n > MAX_INT or n < -MAX_INT:
            raise WireError("number out of range in %s: %d" % (kind, n))
        body += " %d" % n
    raw = body.encode()
    line = raw + b" %08x\n" % binascii.crc32(raw)
    if len(line) > MAX_LINE:
        raise WireError("line of %d bytes, at most %d" % (len(line), MAX_LINE))
    return line


def decode(line: bytes, kinds: "dict[str, tuple[str, ...]]") -> "tuple[str, list[int]]":
    """Return ``(kind, numbers)`` of one line (with or without its line feed).

    Raises WireError on anything that the specification does not allow.
    """
    if line[-1:] == b"\n":
        line = line[:-1]
    if len(line) > MAX_LINE - 1 or len(line) < 10 or line[-9:-8] != b" ":
        raise WireError("not a line")
    body = line[:-9]
    if b"%08x" % binascii.crc32(body) != line[-8:]:
        raise WireError("check does not match")
    words = body.split(b" ")
    try:
        kind = words[0].decode()
        numbers = [int(w) for w in words[1:]]
    except ValueError as e:
        raise WireError("not a number") from e
    fields = kinds.get(kind)
    if fields is None:
        raise WireError("unknown kind")
    if len(fields) != len(numbers):
        raise WireError("%s has %d numbers, not %d" % (kind, len(fields), len(numbers)))
    # One way to write each number: what int() lets pass beyond that (+5, 007, 1_0) is refused here.
    for word, n in zip(words[1:], numbers):
        if b"%d" % n != word or n > MAX_INT or n < -MAX_INT:
            raise WireError("number not in its plain form")
    return kind, numbers


def beginnings(buf: bytearray) -> "list[memoryview]":
    """Views of the first 0, 1, 2 ... bytes, of what can stand before a check: a slice allocates, so each is cut once."""
    view = memoryview(buf)
    views = [view] * (len(buf) - CLOSE + 1)  # of its full length: a list that grows needs twice the room
    for n in range(len(views)):
        views[n] = view[:n]
    return views


class LineWriter:
    """Builds one line at a time in a buffer of its own; allocates nothing but the CRC's integer."""

    def __init__(self) -> None:
        self.buf = bytearray(WIDEST)
        self.views = beginnings(self.buf)
        self.n = 0
        self._one = [0]

    def begin(self, kind: bytes) -> None:
        """Start a line of this kind."""
        buf = self.buf
        n = 0
        for c in kind:
            buf[n] = c
            n += 1
        self.n = n

    def num(self, value: int) -> None:
        """Append one number."""
        self._one[0] = value
        self.nums(self._one)

    def nums(self, values: "list[int] | tuple[int, ...]") -> None:
        """Append numbers."""
        buf = self.buf
        pairs = PAIRS
        n = self.n
        for value in values:
            buf[n] = 32
            n += 1
            if value < 0:
                buf[n] = 45
                n += 1
                value = -value
            if value < 10:
                buf[n] = 48 + value
                n += 1
                continue
            if value < 10000:
                i = n + (2 if value < 100 else 3 if value < 1000 else 4)
            elif value < 1000000:
                i = n + (5 if value < 100000 else 6)
            elif value < 100000000:
                i = n + (7 if value < 10000000 else 8)
            else:
                i = n + (9 if value < 1000000000 else 10)
            n = i
            # Two digits at a time, from the last.
            while value > 99:
                rest = value // 100
                at = value - rest * 100 << 1
                value = rest
                i -= 2
                buf[i] = pairs[at]
                buf[i + 1] = pairs[at + 1]
            if value > 9:
                buf[i - 2] = pairs[value << 1]
                buf[i - 1] = pairs[(value << 1) + 1]
            else:
                buf[i - 1] = 48 + value
        self.n = n

    def end(self) -> int:
        """Close the line with its CRC and line feed; return its length in bytes."""
        buf = self.buf
        n = self.n
        digits = HEX
        crc = binascii.crc32(self.views[n])
        buf[n] = 32
        i = n + 8
        while i > n:
            buf[i] = digits[crc & 15]
            crc >>= 4
            i -= 1
        buf[n + 9] = 10
        self.n = n + 10
        return self.n


class LineReader:
    """Takes bytes as they come; keeps the last good line. Allocates only the CRC's integer."""

    def __init__(self) -> None:
        self.buf = bytearray(MAX_LINE)
        self.views = beginnings(self.buf)
        self.n = 0
        self.skipping = False
        self.left = 0  # bytes that line() may still take
        self.bad = 0  # lines refused since the start
        self.kind_end = 0
        self.numbers = [0] * 16
        self.count = 0

    def byte(self, c: int) -> bool:
        """Take one byte; True when it closed a line that may be believed."""
        if c == 10:
            n = self.n
            skipping = self.skipping
            self.n = 0
            self.skipping = False
            if n == 0 and not skipping:
                return False
            if skipping or not self._check(n):
                self.bad = self.bad + 1 if self.bad < MAX_INT else self.bad
                return False
            return True
        if self.n >= MAX_LINE - 1:
            self.skipping = True
            return False
        self.buf[self.n] = c
        self.n += 1
        return False

    def line(self, read_byte: "Callable[[], int]") -> bool:
        """Take bytes until one closes a line that may be believed: True. False: none waits, or ``left`` is used up."""
        buf = self.buf
        n = self.n
        left = self.left
        while left > 0:
            left -= 1
            c = read_byte()
            if c < 0:
                break
            if c != 10 and n < MAX_LINE - 1:
                buf[n] = c
                n += 1
                continue
            self.n = n
            if self.byte(c):
                self.left = left
                return True
            n = self.n
        self.n = n
        self.left = left
        return False

    def is_kind(self, kind: bytes) -> bool:
        """Is the last good line of this kind?"""
        if len(kind) != self.kind_end:
            return False
        i = 0
        for c in kind:
            if self.buf[i] != c:
                return False
            i += 1
        return True

    def _check(self, n: int) -> bool:
        buf = self.buf
        body = n - 9
        if body < 1 or buf[body] != 32:
            return False
        digits = HEX
        i = n - 1
        crc = binascii.crc32(self.views[body])
        while i > body:
            if buf[i] != digits[crc & 15]:
                return False
            crc >>= 4
            i -= 1
        return self._numbers(body)

    def _numbers(self, body: int) -> bool:
        # The body is followed by a space, as the check has found: what runs over letters or digits ends there.
        buf = self.buf
        numbers = self.numbers
        i = 0
        while 97 <= buf[i] <= 122:
            i += 1
        if i == 0:
            return False
        self.kind_end = i
        count = 0
        while i < body:
            if buf[i] != 32 or count >= 16:
                return False
            i += 1
            c = buf[i]
            negative = c == 45
            if negative:
                i += 1
                c = buf[i]
            start = i
            value = 0
            while c < 58:
                digit = c - 48
                if digit < 0:
                    break
                # Ends at MAX_INT, before a larger integer would have to be made.
                if value > 107374181 and (value > 107374182 or digit > 3):
                    return False
                value = value * 10 + digit
                i += 1
                c = buf[i]
            if i == start or (buf[start] == 48 and (i - start > 1 or negative)):
                return False
            numbers[count] = -value if negative else value
            count += 1
        self.count = count
        return True
