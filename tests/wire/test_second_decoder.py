"""The second decoder against the values of hardware/protocol.md and against its own frozen vectors."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from .second_decoder import (
    BOARD_LINES,
    HOST_LINES,
    LARGEST_NUMBER,
    LONGEST_LINE_BYTES,
    Refused,
    Sender,
    Taken,
    Why,
    crc32,
    decode,
    encode,
    later_by,
    split,
)

VECTORS = Path(__file__).with_name("vectors.txt")
_ROW = re.compile(r'(host|board) \| ([a-z0-9_=\- ]+) \| "(.*)"')


def vectors() -> list[tuple[Sender, str, bytes]]:
    """The rows of vectors.txt: sender, verdict in words, line."""
    rows = []
    for text in VECTORS.read_text("ascii").splitlines():
        if text and not text.startswith("#"):
            row = _ROW.fullmatch(text)
            assert row, text
            line = re.sub(r"\\x([0-9a-f]{2})", lambda m: chr(int(m[1], 16)), row[3]).encode("latin-1")
            rows.append((Sender(row[1]), row[2], line))
    return rows


def in_words(verdict: Taken | Refused) -> str:
    """A verdict as vectors.txt writes it."""
    if isinstance(verdict, Taken):
        return " ".join([verdict.kind, *(f"{name}={number}" for name, number in verdict.fields.items())])
    return f"refused {verdict.why.value} {verdict.field}".strip()


def test_crc_has_its_check_value() -> None:
    # hardware/protocol.md section 2; public catalogues of CRCs give the same for CRC-32/ISO-HDLC (from memory).
    assert crc32(b"123456789") == 0xCBF43926
    assert crc32(b"") == 0
    # hardware/protocol.md section 2, the whole line.
    assert encode("hello", 0, 1) == b"hello 0 1 f1f8fed7"


@pytest.mark.parametrize(("sender", "verdict", "line"), vectors())
def test_frozen_vectors(sender: Sender, verdict: str, line: bytes) -> None:
    assert in_words(decode(line, sender)) == verdict


def test_vectors_show_every_kind_and_every_refusal() -> None:
    seen = {(sender, verdict.split()[0]) for sender, verdict, _ in vectors()}
    wanted = {(Sender.HOST, kind) for kind in HOST_LINES} | {(Sender.BOARD, kind) for kind in BOARD_LINES}
    assert wanted <= seen
    refusals = {verdict.split()[1] for _, verdict, _ in vectors() if verdict.startswith("refused")}
    assert refusals == {why.value for why in Why}


def test_encode_and_decode_are_inverse() -> None:
    for sender, verdict, line in vectors():
        taken = decode(line, sender)
        if isinstance(taken, Taken):
            assert encode(taken.kind, *taken.fields.values()) == line, verdict


def test_stream_is_cut_at_line_feeds_only() -> None:
    assert list(split(b"\na b\r\n\nrest")) == [b"", b"a b\r", b""]


@pytest.mark.parametrize(
    ("now", "before", "values", "ahead"),
    [
        # hardware/protocol.md section 2, counters: 1 .. 4999 newer, 0 the same, the rest older; below 2^29 later.
        (1, 0, 10000, 1),
        (0, 9999, 10000, 1),
        (4999, 0, 10000, 4999),
        (5000, 0, 10000, None),
        (9999, 0, 10000, None),
        (7, 7, 10000, 0),
        (2**29 - 1, 0, 2**30, 2**29 - 1),
        (2**29, 0, 2**30, None),
        (3, 2**30 - 4, 2**30, 7),
    ],
)
def test_counters_wrap(now: int, before: int, values: int, ahead: int | None) -> None:
    assert later_by(now, before, values) == ahead


def test_no_line_that_can_be_said_is_too_long() -> None:
    def widest(least: int, most: int) -> int:
        return max(least, most, key=lambda n: len(str(n)))

    for lines in (HOST_LINES, BOARD_LINES):
        for kind, fields in lines.items():
            # A rate is a setting of the rig, at most 96000 steps/s by default (hardware/protocol.md section 9); a
            # ``limits`` line of nothing but largest numbers is none of any rig.
            if kind != "limits":
                numbers = [96000 if f.name == "rate_steps_s" else widest(f.least, f.most) for f in fields]
                assert len(encode(kind, *numbers)) + 1 <= LONGEST_LINE_BYTES, kind
    assert LARGEST_NUMBER == 1073741823
