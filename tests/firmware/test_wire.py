"""The wire: what is written is read, and what is not exactly a line is never believed."""

from __future__ import annotations

import binascii
import re

import pytest
from evenbed_fw import wire
from hypothesis import example, given, settings
from hypothesis import strategies as st

ALL_KINDS = {**wire.HOST_LINES, **wire.BOARD_LINES}
# "limits" and "trip" are said by both sides, with different fields.
BOTH = [wire.HOST_LINES, wire.BOARD_LINES]

plain_int = st.integers(-wire.MAX_INT, wire.MAX_INT) | st.sampled_from(
    [0, 1, -1, 9, 10, -10, 999999999, 10**9, -(10**9), wire.MAX_INT, -wire.MAX_INT]
)
# Fields of the widest lines stay narrow enough for MAX_LINE.
narrow_int = st.integers(-99999, 99999)


@st.composite
def messages(draw: st.DrawFn) -> tuple[str, list[int], dict[str, tuple[str, ...]]]:
    kinds = draw(st.sampled_from(BOTH))
    kind = draw(st.sampled_from(sorted(kinds)))
    n = len(kinds[kind])
    numbers = draw(st.lists(plain_int if n < 9 else narrow_int, min_size=n, max_size=n))
    return kind, numbers, kinds


def closed(body: bytes) -> bytes:
    """``body`` with the check that belongs to it, so that only its form can be at fault."""
    return body + b" %08x" % binascii.crc32(body)


def read(data: bytes, reader: wire.LineReader | None = None) -> list[tuple[str, list[int]]]:
    """What a LineReader believes of these bytes."""
    r = reader or wire.LineReader()
    found = []
    for c in data:
        if r.byte(c):
            found.append((bytes(r.buf[: r.kind_end]).decode(), r.numbers[: r.count]))
    return found


def decoded(line: bytes, kinds: dict[str, tuple[str, ...]]) -> tuple[str, list[int]] | None:
    try:
        return wire.decode(line, kinds)
    except wire.WireError:
        return None


def same_verdict(line: bytes) -> bool:
    """Do decode and LineReader judge this line (no line feed in it) alike? Returns whether anybody believed it."""
    believed = read(line + b"\n")
    assert len(believed) <= 1
    any_decoded = False
    for kinds in BOTH:
        said = decoded(line, kinds)
        # decode also knows the kinds and their fields; the reader leaves that to the board.
        expected = [m for m in believed if m[0] in kinds and len(m[1]) == len(kinds[m[0]])]
        assert ([said] if said else []) == expected
        any_decoded = any_decoded or said is not None
    return any_decoded


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # CRC-32/ISO-HDLC: poly 04C11DB7, init and xorout FFFFFFFF, reflected. Source: the catalogue of parametrised CRC
        # algorithms (RevEng), entry CRC-32/ISO-HDLC, field "check".
        (b"123456789", "cbf43926"),
        # derived: zlib.crc32 of the same bytes
        (b"", "00000000"),
        (b"\x00", "d202ef8d"),
    ],
)
def test_check_is_the_catalogued_crc32(data: bytes, crc: str) -> None:
    # Divided out bit by bit, so that the value does not rest on the library that the firmware uses.
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xEDB88320 if register & 1 else 0)
    assert f"{register ^ 0xFFFFFFFF:08x}" == crc == f"{binascii.crc32(data):08x}"


def test_lines_carry_that_check() -> None:
    line = wire.encode("stop", [7])
    assert line == b"stop 7 " + b"%08x\n" % binascii.crc32(b"stop 7")
    assert re.fullmatch(rb"stop 7 [0-9a-f]{8}\n", line)


def test_residue_of_a_whole_line_is_the_catalogued_one() -> None:
    # Residue DEBB20E3 before xorout, hence 2144DF1C after it. Source: as above, field "residue".
    body = b"go 1 0 40000 19000 2100000 150"
    assert binascii.crc32(body + binascii.crc32(body).to_bytes(4, "little")) == 0xDEBB20E3 ^ 0xFFFFFFFF


@given(messages())
def test_written_is_read(message: tuple[str, list[int], dict[str, tuple[str, ...]]]) -> None:
    kind, numbers, kinds = message
    line = wire.encode(kind, numbers)
    assert len(line) <= wire.MAX_LINE
    assert wire.decode(line, kinds) == wire.decode(line[:-1], kinds) == (kind, numbers)
    assert read(line) == [(kind, numbers)]
    w = wire.LineWriter()
    w.begin(kind.encode())
    for n in numbers:
        w.num(n)
    assert bytes(w.buf[: w.end()]) == line


@given(st.lists(messages(), max_size=4), st.binary(max_size=40))
def test_reader_goes_on_after_anything(said: list[tuple[str, list[int], dict[str, tuple[str, ...]]]], junk: bytes) -> None:
    lines = [wire.encode(kind, numbers) for kind, numbers, _ in said]
    expected = [(kind, numbers) for kind, numbers, _ in said]
    reader = wire.LineReader()
    assert read(junk + b"\n", reader) == []
    assert read(b"".join(lines), reader) == expected
    assert read(b"x" * 1000 + b"\n", reader) == []
    assert read(b"".join(lines), reader) == expected
    assert read(b"\n".join(lines) + b"\n\n", reader) == expected  # empty lines say nothing and are no fault


def test_refused_lines_are_counted_empty_ones_not() -> None:
    r = wire.LineReader()
    read(b"\n\n", r)
    assert r.bad == 0
    read(b"go\n" + b"y" * 500 + b"\n" + closed(b"go 007") + b"\n" + wire.encode("stop", [1]), r)
    assert r.bad == 3


@given(messages(), st.binary(min_size=1, max_size=8))
def test_junk_at_either_end_is_not_believed(
    message: tuple[str, list[int], dict[str, tuple[str, ...]]], junk: bytes
) -> None:
    kind, numbers, kinds = message
    line = wire.encode(kind, numbers)[:-1]
    for spoilt in (line + junk, junk + line):
        if b"\n" not in spoilt:
            assert not same_verdict(spoilt)
        else:
            assert decoded(spoilt, kinds) in (None, (kind, numbers))  # the latter: a lone line feed at the end
            assert read(spoilt + b"\n") in ([], [(kind, numbers)])


FLIPPED = [
    wire.encode("go", [4711, 0, 40000, 19000, 2100000, 150]),
    wire.encode("s", [12, 1073741823, 88, -8388608, 19000, -40000, 2, 13, 4095, 3, 1001, 150, 10000]),
    wire.encode("arm", [3, 250000]),
    wire.encode("stop", [0]),
]


@pytest.mark.parametrize("line", FLIPPED)
def test_any_one_byte_changed_is_never_believed(line: bytes) -> None:
    kinds = wire.BOARD_LINES if line[:2] == b"s " else wire.HOST_LINES
    original = wire.decode(line, kinds)
    for at in range(len(line) - 1):
        for value in range(256):
            if value == line[at]:
                continue
            spoilt = line[:at] + bytes([value]) + line[at + 1 :]
            assert decoded(spoilt, kinds) is None, (at, value)
            assert read(spoilt) == [], (at, value)
    assert read(line) == [original]


@given(st.sampled_from(FLIPPED), st.data())
def test_bursts_lost_and_doubled_bytes_are_never_believed(line: bytes, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(line) - 2))
    # Up to 32 bits in a row in error: a CRC-32 finds every one of them.
    burst = data.draw(st.binary(min_size=1, max_size=4))
    flipped = bytes(c ^ b for c, b in zip(line[at:], burst, strict=False))
    for spoilt in (
        line[:at] + flipped + line[at + len(flipped) :],
        line[:at] + line[at + 1 :],
        line[: at + 1] + line[at:],
    ):
        if spoilt in (line, line[:-1]) or spoilt[:-1] == line[:-1]:
            continue
        assert decoded(spoilt, ALL_KINDS) is None
        assert decoded(spoilt, wire.HOST_LINES) is None
        assert read(spoilt + b"\n") == []


ODD_NUMBERS = [
    b"+5", b"007", b"00", b"-0", b"-00", b"-01", b"1_0", b"_1", b"1_", b"", b"-", b"--1", b"+-1", b" 5", b"5 ", b"\t5",
    b"5\r",
    b"\x0b5", b"\x005", b"5\x00", b"0x5", b"0b1", b"1e3", b"1.0", b"1073741824", b"-1073741824", b"1073741829",
    b"9999999999", b"10737418230", b"99999999999999999999", b"0" * 60, b"0" * 60 + b"1", "٣".encode(), "５".encode(),
    b"\xff", b"\xb2", b"nan", b"None", b"1;", b"1,2",
]  # fmt: skip


@pytest.mark.parametrize("word", ODD_NUMBERS)
@pytest.mark.parametrize("shape", [b"stop %b", b"arm 1 %b", b"arm %b 1"])
def test_only_the_plain_form_of_a_number_is_believed(word: bytes, shape: bytes) -> None:
    # With its check in order: the form alone must be refused.
    assert not same_verdict(closed(shape % word))
    assert read(closed(shape % word) + b"\n") == []


@pytest.mark.parametrize("n", [0, 1, -1, 10, -10, 1073741823, -1073741823, 999999999, 1000000000, 1073741819])
def test_plain_numbers_up_to_the_last_are_believed(n: int) -> None:
    assert same_verdict(closed(b"stop %d" % n))


token = (
    st.sampled_from(ODD_NUMBERS)
    | st.binary(max_size=5)
    | plain_int.map(lambda n: b"%d" % n)
    | st.integers(-(1 << 70), 1 << 70).map(lambda n: b"%d" % n)
    | st.text("0123456789-+_ ", max_size=13).map(str.encode)
)
heads = st.sampled_from([k.encode() for k in sorted(ALL_KINDS)]) | st.binary(max_size=6)


@settings(max_examples=800)
@given(heads, st.lists(token, max_size=15))
@example(b"go", [b"1073741824"] * 6)
@example(b"Go", [b"1"] * 6)
@example(b"", [b"1"])
@example(b"s", [b"0"] * 14)
@example(b"s", [b"0"] * 15)
@example("é".encode(), [b"1"])
def test_decode_and_reader_give_the_same_verdict_when_the_check_is_right(head: bytes, tokens: list[bytes]) -> None:
    body = b" ".join([head, *tokens])
    if b"\n" not in body:
        same_verdict(closed(body))


@settings(max_examples=500)
@given(st.binary(max_size=200))
def test_garbage_raises_nothing_but_wire_error(data: bytes) -> None:
    assert decoded(data, ALL_KINDS) is None or len(data) >= 10
    reader = wire.LineReader()
    for c in data:
        reader.byte(c)
    if b"\n" not in data:
        same_verdict(data)


@pytest.mark.parametrize("length", range(100, 140))
def test_longest_line_is_the_same_for_both(length: int) -> None:
    """A kind of letters alone makes a well-formed body of any length."""
    letters = length - len(b" 1 12345678")
    kind = "k" * letters
    line = closed(kind.encode() + b" 1")
    assert len(line) == length
    long_kinds: dict[str, tuple[str, ...]] = {kind: ("seq",)}
    fits = length + 1 <= wire.MAX_LINE
    assert (decoded(line, long_kinds) is not None) == fits
    assert bool(read(line + b"\n")) == fits
    if fits:
        assert wire.encode(kind, [1]) == line + b"\n"
    else:
        with pytest.raises(wire.WireError):
            wire.encode(kind, [1])


def test_widest_line_of_the_board_fits() -> None:
    """Every field of an s line at its widest. A pedal's time wraps with the clock, positions stay below 2**29."""
    widest = [9999, 2**30 - 1, wire.MAX_INT, -8388608, -(2**29), -107374, 7, 13, 4095, 9999, 1073742, 1073741, 10000]
    line = wire.encode("s", widest)
    assert len(line) <= wire.MAX_LINE
    w = wire.LineWriter()
    w.begin(b"s")
    for n in widest:
        w.num(n)
    assert bytes(w.buf[: w.end()]) == line


@pytest.mark.parametrize("n", [wire.MAX_INT + 1, -wire.MAX_INT - 1, 1 << 40])
def test_encode_refuses_what_the_board_could_not_hold(n: int) -> None:
    with pytest.raises(wire.WireError):
        wire.encode("stop", [n])


def test_reasons_and_fields_are_complete() -> None:
    numbers = [v for k, v in vars(wire).items() if k.isupper() and isinstance(v, int)]
    assert len(wire.REASONS) == max(n for n in numbers if n < 50) + 1
    for kinds in BOTH:
        for kind, fields in kinds.items():
            assert re.fullmatch("[a-z]+", kind) and fields[0] == "seq" and len(set(fields)) == len(fields) <= 14
