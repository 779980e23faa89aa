"""The product's decoders and the second one give the same verdict and the same values on the same bytes.

Refusals for form are one for ``wire.decode`` (WireError); which one it was does not matter. Ranges are judged where the
document says so: by the board in ``go`` and ``seq``; a host need not (hardware/protocol.md section 2).
"""

from __future__ import annotations

from dataclasses import astuple

import pytest
from evenbed.link.messages import BoardInfo, CellRating, Limits, No, Ok, Sample, Trip, message
from evenbed_fw import faults, safety, wire
from hypothesis import example, given, settings
from hypothesis import strategies as st

from .bare_board import HELLO_SEQ, by_board
from .second_decoder import (
    BOARD_LINES,
    HOST_LINES,
    LARGEST_NUMBER,
    LONGEST_LINE_BYTES,
    MOST_NUMBERS,
    SEQ_VALUES,
    Refused,
    Sender,
    Taken,
    Why,
    decode,
    encode,
    later_by,
    lines_of,
    seal,
    split,
)
from .test_second_decoder import vectors

DRAW = 0
NOT_BELIEVED = {Why.EMPTY, Why.LONG, Why.FORM, Why.CHECK}
OF_BOARD = {"s": Sample, "board": BoardInfo, "limits": Limits, "cell": CellRating, "ok": Ok, "no": No, "trip": Trip}
PRODUCT = {Sender.HOST: wire.HOST_LINES, Sender.BOARD: wire.BOARD_LINES}


# --- the product's side, in the second decoder's terms ---------------------------------------------------------
def by_decode(line: bytes, sender: Sender) -> tuple[str, list[int]] | None:
    """Kind and numbers by ``wire.decode``, None if it refuses. Anything but WireError passes through."""
    try:
        return wire.decode(line, PRODUCT[sender])
    except wire.WireError:
        return None


def by_reader(stream: bytes) -> list[tuple[str, list[int]]]:
    """What ``wire.LineReader`` believes of a stream; it knows no kinds."""
    reader = wire.LineReader()
    believed = []
    for byte in stream:
        if reader.byte(byte):
            believed.append((bytes(reader.buf[: reader.kind_end]).decode(), reader.numbers[: reader.count]))
    return believed


def by_message(line: bytes) -> tuple[type, tuple[int, ...]] | None:
    """Type and values by ``evenbed.link.messages.message``, None if it refuses."""
    try:
        said = message(line)
    except wire.WireError:
        return None
    return type(said), tuple(said) if isinstance(said, Sample) else astuple(said)


# --- the comparison --------------------------------------------------------------------------------------------
def numbers_of(line: bytes) -> list[int]:
    """The numbers of a line of good form, the check left out."""
    return [int(word) for word in line.split(b" ")[1:-1]]


def is_fresh(seq: int) -> bool:
    """Is ``seq`` newer than the board's ``hello``?"""
    return later_by(seq, HELLO_SEQ, SEQ_VALUES) not in (None, 0)


def compare(line: bytes) -> set[str]:
    """Assert one verdict on ``line`` (no line feed in it), in both directions; return the verdicts."""
    seen = set()
    read = by_reader(line + b"\n")
    for sender in Sender:
        verdict = decode(line, sender)
        seen.add(verdict.kind if isinstance(verdict, Taken) else verdict.why.value)
        decoded = by_decode(line, sender)
        assert by_decode(line + b"\n", sender) == decoded
        if isinstance(verdict, Taken):
            assert decoded == (verdict.kind, list(verdict.fields.values()))
            assert read == [decoded]
        elif verdict.why in NOT_BELIEVED:
            assert decoded is None
            assert read == []
        else:
            # The reader knows no kinds: that is the board's business.
            assert read == [(line.split(b" ")[0].decode(), numbers_of(line))]
            known = lines_of(sender).get(read[0][0])
            if known is None or len(known) != len(read[0][1]):
                assert decoded is None
            else:
                assert verdict.why in (Why.RANGE, Why.SEQ)
                assert decoded == read[0]
    said = by_message(line)
    decoded = by_decode(line, Sender.BOARD)
    if decoded is None:
        assert said is None
    else:
        kind, numbers = decoded
        # All but the s line leave the number of the line to the session.
        assert said == (OF_BOARD[kind], tuple(numbers if kind == "s" else numbers[1:]))
    return seen


def compare_board(line: bytes) -> None:
    """Assert that a board answers ``line`` as the document says of a latched board."""
    verdict = decode(line, Sender.HOST)
    answers = [(a.kind, *list(a.fields.values())[1:]) for a in by_board(line)]
    if isinstance(verdict, Taken):
        if verdict.kind in ("board", "limits", "cell", "trip", "hello"):
            assert [a[0] for a in answers] == ["board" if verdict.kind == "hello" else verdict.kind]
            return
        seq = verdict.fields["seq"]
        # Sections 3 and 4: no reading has come, so nothing can be armed, cleared or moved.
        not_in_this_state, above_limit, not_sound = 2, 4, 7
        expected: dict[str, tuple[object, ...]] = {
            "stop": ("ok", seq, 0),
            "disarm": ("no", seq, not_in_this_state),
            "ceiling": ("no", seq, not_in_this_state),
            "clear": ("no", seq, not_sound),
            "go": ("no", seq, not_sound),
        }
        if verdict.kind == "arm":
            in_limit = 0 < verdict.fields["ceiling_mn"] <= 330_000  # section 9, limit_mn by default
            expected["arm"] = ("no", seq, not_sound if in_limit else above_limit)
        if verdict.kind == "propose" and is_fresh(seq):
            f = verdict.fields
            plausible = f["gain_mcounts_n"] == f["rated_mcounts_n"] == 8_759_000 and abs(f["zero_counts"]) < 5_000_000
            reason = answers[0][2]
            # Limit, unusable, gain, and with all of these fine no sound reading: in this order (section 4).
            assert answers == [("no", seq, reason)] and reason in (14, 12, 4, not_sound)
            if plausible:
                assert reason == (4 if f["limit_mn"] > 330_000 else not_sound if f["limit_mn"] >= 1500 else 14)
            return
        if verdict.kind == "go" and not is_fresh(seq):
            assert answers == []
        elif verdict.kind in ("arm", "disarm", "ceiling", "clear", "propose") and not is_fresh(seq):
            assert answers == [("no", seq, 8)]
        else:
            assert answers == [expected[verdict.kind]]
        return
    if verdict.why in NOT_BELIEVED or verdict.why is Why.SEQ:
        assert answers == []
        return
    numbers = numbers_of(line)
    not_understood, expiry_too_long = 1, 11
    reason = not_understood
    if verdict.why is Why.RANGE:
        if not is_fresh(numbers[0]):
            assert answers == []
            return
        if not 1 <= numbers[5] <= 150:
            reason = expiry_too_long
    assert answers == [("no", numbers[0], reason)]


# --- lines and what is done to them ----------------------------------------------------------------------------
wild = st.integers(-LARGEST_NUMBER, LARGEST_NUMBER)
edges = st.sampled_from(
    [0, 1, -1, 9, 10, 99, 9999, 10_000, 10_001, 2**23, 2**28, -(2**28), LARGEST_NUMBER, -LARGEST_NUMBER]
)


@st.composite
def good_lines(draw: st.DrawFn) -> bytes:
    """A line of either side with every number in its range; may be too long."""
    sender = draw(st.sampled_from(Sender))
    kind = draw(st.sampled_from(sorted(lines_of(sender))))
    numbers = [draw(st.integers(f.least, f.most) | st.sampled_from([f.least, f.most])) for f in lines_of(sender)[kind]]
    return encode(kind, *numbers)


@st.composite
def loose_lines(draw: st.DrawFn) -> bytes:
    """A known or unknown kind with any numbers, in any number, and the right check."""
    kind = draw(st.sampled_from(sorted({*HOST_LINES, *BOARD_LINES})) | st.text("abcxyz", min_size=1, max_size=8))
    count = draw(
        st.sampled_from([len(f) for f in (HOST_LINES.get(kind), BOARD_LINES.get(kind)) if f] + [0, 1, 2, 15, 16, 17])
    )
    size = draw(st.sampled_from([edges, wild, st.integers(-9, 9), st.integers(0, 9)]))
    return encode(kind, *draw(st.lists(size, min_size=count, max_size=count)))


odd_words = st.sampled_from(
    b"|-0|+1|01|00|-|1_0|\t1|1\r|0x1|1e1|1.0|\xb2|\xd9\xa1|--1| 1".split(b"|")
    + b"1073741823 -1073741823 1073741824 -1073741824 9999999999 10737418230 9999999999999999999999".split()
)


@st.composite
def odd_lines(draw: st.DrawFn) -> bytes:
    """A good line with one word replaced, and the check made anew: only the form can be at fault."""
    words = draw(good_lines()).split(b" ")[:-1]
    words[draw(st.integers(0, len(words) - 1))] = draw(odd_words)
    return seal(b" ".join(words))


@st.composite
def bent_lines(draw: st.DrawFn) -> bytes:
    """A good line after an accident on the way."""
    line = bytearray(draw(good_lines() | loose_lines()))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(line)))
        what = draw(st.sampled_from(["flip", "cut", "drop", "insert", "end", "join", "carriage return"]))
        if what == "flip" and at < len(line):
            line[at] ^= 1 << draw(st.integers(0, 7))
        elif what == "cut":
            del line[at:]
        elif what == "drop":
            del line[at : at + 1]
        elif what == "insert":
            line[at:at] = draw(st.binary(min_size=1, max_size=3))
        elif what == "end":
            line += draw(st.sampled_from([b" ", b"\r", b"\x00", b"0", b" 0"]))
        elif what == "join":
            line += draw(st.sampled_from([b"", b" "])) + draw(good_lines())
        elif what == "carriage return":
            line = bytearray(line.replace(b" ", b"\r", 1))
    return bytes(line).replace(b"\n", b"\x0b")


garbage = st.binary(max_size=200).map(lambda raw: raw.replace(b"\n", b"\r"))
sealed_garbage = st.binary(max_size=115).map(lambda raw: seal(raw.replace(b"\n", b" ")))


@given(good_lines())
@settings(max_examples=400, deadline=None)
def test_good_lines(line: bytes) -> None:
    seen = compare(line)
    # A line that is in range is taken by its receiver unless it is too long.
    assert seen & {*HOST_LINES, *BOARD_LINES} or seen == {Why.LONG.value}


@given(loose_lines() | odd_lines() | bent_lines() | garbage | sealed_garbage)
@example(encode("x", *[0] * MOST_NUMBERS))
@example(encode("x", *[0] * (MOST_NUMBERS + 1)))
@example(encode("ok", 1, 1, LARGEST_NUMBER))
@example(seal(b"a" * (LONGEST_LINE_BYTES - 12) + b" 1"))
@example(seal(b"a" * (LONGEST_LINE_BYTES - 11) + b" 1"))
@example(b"" + seal(b""))
@settings(max_examples=1500, deadline=None)
def test_any_lines(line: bytes) -> None:
    compare(line)


@given(st.lists(good_lines() | bent_lines() | garbage, max_size=8), st.binary(max_size=20))
@settings(max_examples=300, deadline=None)
def test_streams(lines: list[bytes], rest: bytes) -> None:
    stream = b"".join(line + b"\n" for line in lines) + rest
    believed = []
    for line in split(stream):
        verdict = decode(line, Sender.HOST)
        if not (isinstance(verdict, Refused) and verdict.why in NOT_BELIEVED):
            believed.append((line.split(b" ")[0].decode(), numbers_of(line)))
    assert by_reader(stream) == believed


@given(good_lines() | loose_lines() | odd_lines() | bent_lines() | garbage)
@example(encode("go", 1, 3, 0, 2**28, 0, 151))
@example(encode("go", HELLO_SEQ, 0, 1, 0, 0, 100))
@example(encode("go", 9999, 0, 1, 0, 0, 151))
@example(encode("go", 9999, 0, 1, 2**28, 0, 150))
@example(encode("go", 1, 0, 1, 0, 0))
@settings(max_examples=600, deadline=None)
def test_board_answers_as_the_document_says(line: bytes) -> None:
    compare_board(line)


@pytest.mark.parametrize(
    ("earlier", "seq", "fresh"),
    [
        # hardware/protocol.md section 6, "Fresh": newer than every line since hello, whatever its kind and its answer.
        ([], 5501, True),
        ([], 5500, False),
        ([], 499, True),
        ([], 500, False),
        ([encode("stop", 5502)], 5501, False),
        ([encode("stop", 5502)], 5503, True),
        ([encode("limits", 5502)], 5502, False),
        ([encode("arm", 5502, 0)], 5501, False),
        ([encode("nonsense", 5502, 1, 2)], 5501, False),
        ([encode("go", 5502, 9, 9, 9, 9, 9)], 5501, False),
        ([encode("go", 5502, 1)], 5501, True),
        ([encode("stop", 5499)], 5501, True),
        ([encode("stop", 5502), encode("hello", 5501, 1)], 5502, True),
        ([encode("stop", 5502)[:-1] + b"x"], 5501, True),
        ([encode("stop", 9999), encode("stop", 3)], 2, False),
        ([encode("stop", 9999), encode("stop", 3)], 4, True),
    ],
)
def test_a_lease_is_taken_only_when_fresh(earlier: list[bytes], seq: int, fresh: bool) -> None:
    before = by_board(b"".join(line + b"\n" for line in earlier))
    after = by_board(b"".join(line + b"\n" for line in [*earlier, encode("go", seq, DRAW, 16, 0, 0, 100)]))
    not_sound = 7
    assert after[: len(before)] == before
    assert [(a.kind, a.fields["of"], a.fields["reason"]) for a in after[len(before) :]] == (
        [("no", seq, not_sound)] if fresh else []
    )


@pytest.mark.parametrize("line", sorted({line for _, _, line in vectors()}))
def test_frozen_vectors(line: bytes) -> None:
    compare(line)
    compare_board(line)


def test_product_writes_what_the_second_decoder_takes() -> None:
    writer = wire.LineWriter()
    for sender, verdict, line in vectors():
        taken = decode(line, sender)
        if not isinstance(taken, Taken):
            continue
        numbers = list(taken.fields.values())
        assert wire.encode(taken.kind, numbers) == line + b"\n", verdict
        writer.begin(taken.kind.encode())
        for number in numbers:
            writer.num(number)
        assert bytes(writer.buf[: writer.end()]) == line + b"\n", verdict


def test_product_encodes_nothing_that_would_be_refused() -> None:
    for numbers in ([2**30, 0], [-(2**30), 0], [1] * 60):
        with pytest.raises(wire.WireError):
            wire.encode("ok", numbers)


def test_fields_have_the_names_of_the_document() -> None:
    for sender in Sender:
        names = {kind: tuple(f.name for f in fields) for kind, fields in lines_of(sender).items()}
        assert names == PRODUCT[sender]


def test_numbers_have_the_meaning_of_the_document() -> None:
    # hardware/protocol.md sections 2, 4, 5 and 8, retyped from its tables.
    assert wire.PROTOCOL == 1
    assert wire.MAX_LINE == LONGEST_LINE_BYTES
    assert faults.NAMES[1:] == (
        *("over_tension", "no_data", "stuck", "saturated", "implausible", "string_lost", "lease_expired"),
        *("pedal", "emergency_stop", "supply_lost", "pressed", "stopped", "stretch", "wrong_way"),
    )
    assert safety.STATES == ("latched", "armed", "moving", "holding", "frozen", "easing", "backing", "cut")
    assert wire.REASONS[1:] == (
        *("not understood", "not in this state", "no press of the pedal", "above the limit", "fault still present"),
        *("string still loaded", "readings not sound", "older than the last", "wrong way", "no hello yet"),
        *("expiry too long", "gain too far from the cell's rating", "end switch reached", "settings unusable"),
    )
    flags = (
        "PEDAL",
        "ESTOP",
        "SUPPLY",
        "END_LOW",
        "END_HIGH",
        "ENABLED",
        "LIMITING",
        "SOUND",
        "CONTACT",
        "HOMED",
        "GREETED",
    )
    assert [getattr(safety, f"F_{name}") for name in (*flags, "PEDAL_FAULT")] == [1 << bit for bit in range(12)]
    assert (wire.DRAW, wire.HOLD, wire.EASE) == (0, 1, 2)
