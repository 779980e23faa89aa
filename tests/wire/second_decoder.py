"""The wire read a second time, from ``hardware/protocol.md`` alone.

It shares no line with the firmware or the host, so that a mistake made in both cannot hide. Nothing of the product may
be imported here, and no library's CRC either.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

LONGEST_LINE_BYTES = 120
"""Line feed included (section 2)."""

LARGEST_NUMBER = 2**30 - 1
MOST_NUMBERS = 16
SEQ_VALUES = 10_000
BOARD_US_VALUES = 2**30
NO_GO = 10_000
"""``go`` of an ``s`` line before any lease since ``hello`` (section 4)."""

_POLYNOMIAL = 0x04C11DB7
_ALL_ONES = 0xFFFFFFFF


class Sender(Enum):
    """Who sent a line; the two directions have kinds of the same name."""

    HOST = "host"
    BOARD = "board"


class Why(Enum):
    """Why a line is not taken, in the order in which it is looked for."""

    EMPTY = "empty"
    LONG = "long"
    FORM = "form"
    CHECK = "check"
    SEQ = "seq"
    KIND = "kind"
    COUNT = "count"
    RANGE = "range"


@dataclass(frozen=True)
class Taken:
    """A line that is taken, with its fields by the names of the document."""

    kind: str
    fields: Mapping[str, int]


@dataclass(frozen=True)
class Refused:
    """A line that is not taken. ``field`` names the first one out of range, for ``Why.RANGE`` only."""

    why: Why
    field: str = ""


@dataclass(frozen=True)
class Field:
    """One number of a line and the range the document gives it, both ends included."""

    name: str
    least: int = -LARGEST_NUMBER
    most: int = LARGEST_NUMBER


_SEQ = (0, SEQ_VALUES - 1)
_BOARD_US = (0, BOARD_US_VALUES - 1)
_RAW = (-(2**23), 2**23 - 1)
_POSITION = (-(2**28), 2**28)
_FAULT = (0, 14)

HOST_LINES: Mapping[str, tuple[Field, ...]] = {
    "hello": (Field("seq", *_SEQ), Field("protocol")),
    "limits": (Field("seq", *_SEQ),),
    "arm": (Field("seq", *_SEQ), Field("ceiling_mn")),
    "ceiling": (Field("seq", *_SEQ), Field("ceiling_mn")),
    "disarm": (Field("seq", *_SEQ),),
    "go": (
        Field("seq", *_SEQ),
        Field("mode", 0, 2),
        Field("rate_steps_s", 1, LARGEST_NUMBER),
        Field("end_steps", -(2**28 - 1), 2**28 - 1),
        Field("ceiling_counts"),
        Field("expiry_ms", 1, 150),
    ),
    "stop": (Field("seq", *_SEQ),),
    "clear": (Field("seq", *_SEQ),),
    "trip": (Field("seq", *_SEQ),),
    "cell": (Field("seq", *_SEQ),),
    "propose": (
        Field("seq", *_SEQ),
        Field("zero_counts"),
        Field("gain_mcounts_n"),
        Field("rated_mcounts_n"),
        Field("limit_mn"),
    ),
}
"""Section 3. A ceiling in mN has no range here: the board answers ``no`` 4, which is more than not taking the line."""

BOARD_LINES: Mapping[str, tuple[Field, ...]] = {
    "s": (
        Field("seq", *_SEQ),
        Field("board_us", *_BOARD_US),
        Field("conversion", 0, 2**30 - 1),
        Field("raw_counts", *_RAW),
        Field("position_steps", *_POSITION),
        Field("rate_steps_s"),
        Field("state", 0, 7),
        Field("fault", *_FAULT),
        Field("flags", 0, 4095),
        Field("presses", 0, 9999),
        Field("held_ms", 0, 1_073_742),
        Field("last_ms", 0, 1_073_741),
        Field("go", 0, NO_GO),
    ),
    "board": (
        Field("seq", *_SEQ),
        Field("protocol"),
        Field("firmware"),
        Field("boot_cause"),
        Field("settings_crc", 0, 2**30 - 1),
    ),
    "limits": (
        Field("seq", *_SEQ),
        Field("zero_counts"),
        Field("gain_mcounts_n"),
        Field("limit_mn"),
        Field("overrun_mn"),
        Field("steps_mm"),
        Field("rate_max_steps_s"),
        Field("accel_steps_s2"),
        Field("period_us"),
        Field("stiffest_n_mm"),
        Field("hold_rate_steps_s"),
        Field("hold_travel_steps"),
        Field("age_us"),
        Field("granted_us"),
    ),
    "cell": (Field("seq", *_SEQ), Field("rated_mcounts_n"), Field("limit_most_mn")),
    "ok": (Field("seq", *_SEQ), Field("of", *_SEQ), Field("value")),
    "no": (Field("seq", *_SEQ), Field("of", *_SEQ), Field("reason", 1, 14)),
    "trip": (
        Field("seq", *_SEQ),
        Field("board_us", *_BOARD_US),
        Field("fault", *_FAULT),
        Field("raw_counts", *_RAW),
        Field("bound_counts"),
        Field("position_steps", *_POSITION),
        Field("rate_steps_s"),
        Field("later", 0, 2**14 - 1),
    ),
}
"""Section 4."""


def _reflected(value: int, width: int) -> int:
    result = 0
    for _ in range(width):
        result = result << 1 | value & 1
        value >>= 1
    return result


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC by long division, one bit at a time, from the definition in section 2."""
    register = _ALL_ONES
    for byte in data:
        register ^= _reflected(byte, 8) << 24
        for _ in range(8):
            top_is_set = register >> 31
            register = register << 1 & _ALL_ONES
            if top_is_set:
                register ^= _POLYNOMIAL
    return _reflected(register, 32) ^ _ALL_ONES


def _number(word: bytes) -> int | None:
    """The value of one number in its only spelling, or None."""
    if word == b"0":
        return 0
    digits = word[1:] if word[:1] == b"-" else word
    if not 1 <= len(digits) <= 10 or digits[0] not in b"123456789" or any(d not in b"0123456789" for d in digits):
        return None
    size = 0
    for digit in digits:
        size = 10 * size + digit - ord("0")
    if size > LARGEST_NUMBER:
        return None
    return -size if digits is not word else size


def lines_of(sender: Sender) -> Mapping[str, tuple[Field, ...]]:
    """The kinds one side may send, with their fields."""
    return HOST_LINES if sender is Sender.HOST else BOARD_LINES


def decode(line: bytes, sender: Sender) -> Taken | Refused:
    """What ``line``, without its line feed, says when ``sender`` has sent it. Raises nothing."""
    if not line:
        return Refused(Why.EMPTY)
    if len(line) + 1 > LONGEST_LINE_BYTES:
        return Refused(Why.LONG)
    kind, *rest = line.split(b" ")
    if not kind or any(letter not in b"abcdefghijklmnopqrstuvwxyz" for letter in kind) or not rest:
        return Refused(Why.FORM)
    *words, check = rest
    if len(words) > MOST_NUMBERS or len(check) != 8 or any(digit not in b"0123456789abcdef" for digit in check):
        return Refused(Why.FORM)
    numbers: list[int] = []
    for word in words:
        number = _number(word)
        if number is None:
            return Refused(Why.FORM)
        numbers.append(number)
    if b"%08x" % crc32(line[: -len(check) - 1]) != check:
        return Refused(Why.CHECK)
    if not numbers or not 0 <= numbers[0] < SEQ_VALUES:
        return Refused(Why.SEQ)
    fields = lines_of(sender).get(kind.decode("ascii"))
    if fields is None:
        return Refused(Why.KIND)
    if len(fields) != len(numbers):
        return Refused(Why.COUNT)
    for field, number in zip(fields, numbers, strict=True):
        if not field.least <= number <= field.most:
            return Refused(Why.RANGE, field.name)
    return Taken(kind.decode("ascii"), {f.name: n for f, n in zip(fields, numbers, strict=True)})


def seal(body: bytes) -> bytes:
    """``body`` with its check behind it, whatever ``body`` says; no line feed."""
    return b"%s %08x" % (body, crc32(body))


def encode(kind: str, *numbers: int) -> bytes:
    """A line without its line feed. Checks nothing, so that wrong lines with a good check can be made."""
    return seal(" ".join([kind, *map(str, numbers)]).encode("ascii"))


def split(stream: bytes) -> Iterator[bytes]:
    """The ended lines of ``stream``, without their line feeds; what follows the last one is not a line yet."""
    *lines, _ = stream.split(b"\n")
    yield from lines


def later_by(now: int, before: int, values: int) -> int | None:
    """How far a counter of ``values`` values went from ``before`` to ``now``; None if ``now`` is older (section 2)."""
    ahead = (now - before) % values
    return ahead if ahead < values // 2 else None
