"""hardware/protocol.md says what the second decoder does, and its example is a true and consistent session."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from .record_example import DOCUMENT, in_document, record
from .second_decoder import (
    BOARD_LINES,
    BOARD_US_VALUES,
    HOST_LINES,
    NO_GO,
    SEQ_VALUES,
    Refused,
    Sender,
    Taken,
    crc32,
    decode,
    later_by,
)

DRAW, HOLD, EASE = 0, 1, 2
LATCHED, ARMED, MOVING, HOLDING, FROZEN, EASING, BACKING, CUT = range(8)
PRESSED, STOPPED = 11, 12
PEDAL, ENABLED, GREETED = 1, 32, 1024
TAP_MS = 700
HELD_MS = 1000
FROZEN_US = 300_000

Line = dict[str, int]

# Section 5, table of transitions: from, to -> what may bring it about.
TRANSITIONS: dict[tuple[int, int], tuple[str, ...]] = {
    (LATCHED, ARMED): ("arm",),
    (LATCHED, EASING): ("held",),
    (ARMED, LATCHED): ("disarm",),
    (ARMED, EASING): ("held",),
    (ARMED, MOVING): ("draw", "ease"),
    (ARMED, FROZEN): ("fault",),
    (MOVING, HOLDING): ("hold",),
    (MOVING, ARMED): ("slack",),
    (MOVING, LATCHED): ("slack",),
    (MOVING, FROZEN): ("fault",),
    (MOVING, BACKING): ("fault",),
    (HOLDING, MOVING): ("ease",),
    (HOLDING, FROZEN): ("fault",),
    (HOLDING, BACKING): ("fault",),
    (BACKING, FROZEN): ("rest", "fault"),
    (FROZEN, MOVING): ("ease",),
    (FROZEN, EASING): ("held",),
    (FROZEN, LATCHED): ("clear",),
    (EASING, FROZEN): ("released", "slack", "fault"),
    (EASING, ARMED): ("slack",),
    (EASING, LATCHED): ("slack",),
    (CUT, EASING): ("held",),
    (CUT, LATCHED): ("clear",),
}


def document() -> str:
    return DOCUMENT.read_text("utf-8")


@dataclass(frozen=True)
class Row:
    """A line of the block, or (``said`` None) the number of lines left out at this place."""

    sender: Sender
    said: Taken | None
    left_out: int = 0


def rows() -> list[Row]:
    """The wire block through the second decoder."""
    found = []
    for text in in_document(document()).splitlines():
        if gap := re.fullmatch(r"# \.\.\. (\d+) lines?", text):
            found.append(Row(Sender.BOARD, None, int(gap[1])))
        elif text.startswith(("> ", "< ")):
            sender = Sender.HOST if text[0] == ">" else Sender.BOARD
            said = decode(text[2:].encode("ascii"), sender)
            assert not isinstance(said, Refused), (text, said)
            found.append(Row(sender, said))
        else:
            assert text.startswith("# "), text
    return found


def said() -> list[tuple[Sender, Taken]]:
    return [(row.sender, row.said) for row in rows() if row.said]


def s_lines() -> list[Line]:
    return [dict(line.fields) for _, line in said() if line.kind == "s"]


# --- the block -------------------------------------------------------------------------------------------------
def test_block_is_what_the_script_records() -> None:
    assert in_document(document()) == record(), "python -m tests.wire.record_example --write"


def test_block_shows_every_kind_but_one() -> None:
    kinds = {(sender, line.kind) for sender, line in said()}
    # ``ceiling`` is not part of the session.
    assert {kind for sender, kind in kinds if sender is Sender.HOST} == set(HOST_LINES) - {"ceiling"}
    assert {kind for sender, kind in kinds if sender is Sender.BOARD} == set(BOARD_LINES)


def test_sequence_numbers_account_for_every_line() -> None:
    expected = {Sender.HOST: 0, Sender.BOARD: 0}
    missing = 0
    for row in rows():
        if row.said is None:
            missing += row.left_out
            continue
        seq = row.said.fields["seq"]
        ahead = later_by(seq, expected[row.sender], SEQ_VALUES)
        assert ahead is not None, row
        # Lines of the other side that were left out may still be to come.
        assert ahead <= missing, row
        missing -= ahead
        expected[row.sender] = (seq + 1) % SEQ_VALUES
    last = rows()[-1]
    assert missing == (last.left_out if last.said is None else 0)


def test_every_line_is_answered_once_and_by_the_right_kind() -> None:
    open_lines: dict[int, Taken] = {}
    accepted: set[int] = set()
    for sender, line in said():
        if sender is Sender.HOST:
            open_lines[line.fields["seq"]] = line
            continue
        if line.kind == "s":
            if line.fields["go"] != NO_GO:
                accepted.add(line.fields["go"])
            continue
        if line.kind in ("ok", "no"):
            asked = open_lines.pop(line.fields["of"])
            assert asked.kind not in ("hello", "limits", "cell", "trip")
            assert line.kind == "no" or asked.kind != "go"
        else:
            kind = {"board": "hello"}.get(line.kind, line.kind)
            (seq,) = [seq for seq, asked in open_lines.items() if asked.kind == kind]
            asked = open_lines.pop(seq)
        if line.kind == "ok":
            ceiling = asked.fields.get("ceiling_mn", asked.fields.get("limit_mn"))
            assert line.fields["value"] == 0 if ceiling is None else 0 < line.fields["value"] <= ceiling
        if line.kind == "board":
            assert line.fields["protocol"] == asked.fields["protocol"] == 1
    # What is left is a lease, and the s lines name it.
    assert {asked.kind for asked in open_lines.values()} == {"go"}
    assert set(open_lines) <= accepted


def test_refusals_fit_the_state() -> None:
    state = fault = board_us = fault_us = 0
    asked: dict[int, Taken] = {}
    reasons = []
    for sender, line in said():
        if sender is Sender.HOST:
            asked[line.fields["seq"]] = line
        elif line.kind == "s":
            board_us = line.fields["board_us"]
            if line.fields["fault"] != fault:
                fault, fault_us = line.fields["fault"], board_us
            state = line.fields["state"]
        elif line.kind == "no":
            of, reason = asked[line.fields["of"]], line.fields["reason"]
            reasons.append(reason)
            mode = of.fields.get("mode")
            # Section 4, table of reasons.
            if reason == 3:
                assert (of.kind, mode, state) == ("go", DRAW, ARMED)
            elif reason == 6:
                assert (of.kind, state) == ("clear", FROZEN)
            else:
                assert reason == 2
                early = state == FROZEN and mode == EASE and board_us - fault_us < FROZEN_US
                assert early or (state, mode) == (HOLDING, DRAW)
    assert sorted(reasons) == [2, 2, 3, 6]


def steps() -> Iterator[tuple[Line, Line, list[Taken], dict[int, Taken]]]:
    """Two ``s`` lines that follow each other in the block, the board's answers between them and all lines asked."""
    asked: dict[int, Taken] = {}
    answers: list[Taken] = []
    before: Line | None = None
    for sender, line in said():
        if sender is Sender.HOST:
            asked[line.fields["seq"]] = line
        elif line.kind == "s":
            now = dict(line.fields)
            if before is not None:
                yield before, now, answers, asked
            before, answers = now, []
        else:
            answers.append(line)


def happened(name: str, before: Line, now: Line, answers: list[Taken], asked: dict[int, Taken]) -> bool:
    """Did ``name`` of TRANSITIONS happen between two ``s`` lines?"""
    if name in ("arm", "disarm", "clear"):
        return any(a.kind == "ok" and asked[a.fields["of"]].kind == name for a in answers)
    if name in ("draw", "hold", "ease"):
        go = asked.get(now["go"])
        tapped = now["presses"] != 0 and 0 < now["last_ms"] < TAP_MS
        return (
            now["go"] != before["go"]
            and go is not None
            and go.fields["mode"] == {"draw": DRAW, "hold": HOLD, "ease": EASE}[name]
            and (name != "draw" or tapped)
        )
    if name == "fault":
        return now["fault"] not in (0, before["fault"]) and before["fault"] in (0, PRESSED, STOPPED)
    if name == "held":
        return now["held_ms"] >= HELD_MS
    if name == "released":
        return now["held_ms"] == 0
    if name == "rest":
        return now["rate_steps_s"] == 0
    assert name == "slack"
    return force_n(now) < 10.0  # section 5, "loaded": 10 N by default


def limits() -> Line:
    (line,) = [line for sender, line in said() if sender is Sender.BOARD and line.kind == "limits"]
    return dict(line.fields)


def force_n(s: Line) -> float:
    """Section 4."""
    rig = limits()
    return (s["raw_counts"] - rig["zero_counts"]) * 1000 / rig["gain_mcounts_n"]


def test_states_follow_the_table() -> None:
    walked = []
    for before, now, answers, asked in steps():
        edge = before["state"], now["state"]
        if edge[0] == edge[1]:
            continue
        walked.append(edge)
        assert edge in TRANSITIONS, (before, now)
        assert any(happened(name, before, now, answers, asked) for name in TRANSITIONS[edge]), (before, now)
    assert walked == [
        *((LATCHED, ARMED), (ARMED, MOVING), (MOVING, HOLDING), (HOLDING, FROZEN), (FROZEN, MOVING), (MOVING, ARMED)),
        *((ARMED, LATCHED), (LATCHED, ARMED), (ARMED, MOVING), (MOVING, FROZEN), (FROZEN, EASING), (EASING, FROZEN)),
        (FROZEN, LATCHED),
    ]


PROMISED = {"arm": ARMED, "disarm": LATCHED, "clear": LATCHED, "stop": FROZEN, "propose": LATCHED}


def test_ok_is_followed_by_what_it_promises() -> None:
    for _, now, answers, asked in steps():
        for answer in answers:
            if answer.kind == "ok":
                kind = asked[answer.fields["of"]].kind
                assert now["state"] == PROMISED[kind]


def test_one_reading_fits_the_next() -> None:
    rig = limits()
    for before, now, _, _ in steps():
        elapsed_us = later_by(now["board_us"], before["board_us"], BOARD_US_VALUES)
        assert elapsed_us
        readings = now["conversion"] - before["conversion"]
        # Section 9: a period may be 10 % longer than nominal; a board may be late with one by a pass of its loop.
        assert 1 <= readings <= elapsed_us / rig["period_us"] + 1
        assert readings >= elapsed_us / (rig["period_us"] * 10 / 9) - 1
        assert abs(now["position_steps"] - before["position_steps"]) <= rig["rate_max_steps_s"] * elapsed_us / 1e6
        assert abs(now["rate_steps_s"]) <= rig["rate_max_steps_s"]
        assert now["rate_steps_s"] % 16 == 0
        assert later_by(now["presses"], before["presses"], SEQ_VALUES) in (0, 1)
        if before["go"] != NO_GO:
            assert later_by(now["go"], before["go"], SEQ_VALUES) is not None
        if now["state"] in (FROZEN, EASING) and before["state"] == now["state"]:
            assert now["position_steps"] <= before["position_steps"] or before["rate_steps_s"] > 0


@pytest.mark.parametrize("s", s_lines(), ids=lambda s: str(s["seq"]))
def test_flags_fit_the_rest_of_the_line(s: Line) -> None:
    assert bool(s["flags"] & ENABLED) == (s["state"] not in (LATCHED, CUT))
    assert bool(s["flags"] & PEDAL) == (s["held_ms"] > 0)
    assert s["flags"] & GREETED or s["go"] == NO_GO
    assert s["state"] not in (MOVING, HOLDING) or s["go"] != NO_GO
    assert s["rate_steps_s"] == 0 or s["flags"] & ENABLED


def test_no_reading_is_above_the_ceiling() -> None:
    (ceiling_mn,) = {line.fields["ceiling_mn"] for sender, line in said() if line.kind == "arm"}
    assert max(force_n(s) for s in s_lines()) <= ceiling_mn / 1000
    assert max(force_n(s) for s in s_lines()) > 90.0, "the pull was one"


def test_trip_record_is_that_of_the_fault() -> None:
    (trip,) = [line.fields for sender, line in said() if sender is Sender.BOARD and line.kind == "trip"]
    first = next(s for s in s_lines() if s["fault"] == trip["fault"])
    assert trip["fault"] == 7
    assert trip["later"] == 0
    age_us = later_by(first["board_us"], trip["board_us"], BOARD_US_VALUES)
    assert age_us is not None
    assert age_us < 40_000, "one silence of an s line, 30 ms, and a pass of the loop (section 4)"
    rig = limits()
    ceiling_mn = (trip["bound_counts"] - rig["zero_counts"]) * 1_000_000 // rig["gain_mcounts_n"]
    (arm, *_) = [line.fields["seq"] for sender, line in said() if sender is Sender.HOST and line.kind == "arm"]
    assert ceiling_mn == next(line.fields["value"] for _, line in said() if line.kind == "ok" and line.fields["of"] == arm)


# --- the tables ------------------------------------------------------------------------------------------------
def section(number: int) -> str:
    return document().split(f"\n## {number}. ")[1].split("\n## ")[0]


def table(text: str, heading: str) -> list[list[str]]:
    """Cells of the rows below the table heading that begins with ``heading``."""
    lines = text.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(heading)) + 2
    found = []
    for line in lines[start:]:
        if not line.startswith("|"):
            break
        found.append([cell.strip() for cell in line.strip("|").split("|")])
    return found


def test_fields_of_each_line_are_those_of_the_decoder() -> None:
    for text, lines in ((section(3), HOST_LINES), (section(4), BOARD_LINES)):
        listed = {
            row[0].strip("`"): tuple(row[1].strip("`").split()) if row[1] != "–" else ()
            for row in table(text, "| line | fields after `seq` |")
        }
        if lines is BOARD_LINES:
            listed["s"] = tuple(row[0].strip("`") for row in table(text, "| field | unit | range |"))[1:]
        assert listed == {kind: tuple(f.name for f in fields[1:]) for kind, fields in lines.items()}


def value(words: str) -> int:
    """An integer as the document writes it: plain, or with powers of two."""
    assert re.fullmatch(r"[-0-9^() ]+", words), words
    sign = -1 if words.startswith("-(") else 1
    terms = re.findall(r"(-?)(\d+)(?:\^(\d+))?", words.replace("- ", "-"))
    total = 0
    for minus, base, power in terms:
        size: int = int(base) ** int(power or 1)
        total += -size if minus else size
    return sign * total


def test_ranges_are_those_of_the_decoder() -> None:
    checked = set()
    for text, heading, kind, lines in (
        (section(3), "| field of `go` |", "go", HOST_LINES),
        (section(4), "| field | unit | range |", "s", BOARD_LINES),
    ):
        fields = {f.name: f for f in lines[kind]}
        for row in table(text, heading):
            name = row[0].strip("`")
            if " .. " in row[2]:
                least, most = row[2].split(" .. ")
                assert (value(least), value(most)) == (fields[name].least, fields[name].most), row
                checked.add((kind, name))
    assert len(checked) >= 14


def test_flags_states_faults_and_reasons_are_counted_through() -> None:
    assert [int(row[0]) for row in table(section(4), "| bit | flag |")] == [1 << bit for bit in range(12)]
    assert [int(row[0]) for row in table(section(4), "| reason |")] == list(range(1, 15))
    assert [int(row[0]) for row in table(section(5), "| | state |")] == list(range(8))
    assert [int(row[0]) for row in table(section(8), "| | name |")] == list(range(1, 15))


def test_transitions_are_those_of_the_document() -> None:
    """Every pair of states in the document's table is in TRANSITIONS, and the other way round; but for the way to 7."""
    pairs: set[tuple[int, int]] = set()
    for start, _, end in table(section(5), "| from | by | to |"):
        if origin := re.match(r"(\d)(?: as \w+)?(?:, (\d)\b)?", start):
            pairs |= {(int(state), int(end)) for state in origin.groups() if state}
        else:
            assert (start, end) in [("power-up", "0"), ("any but a slack 0", "7")]
    assert {(a, b) for a, b in pairs if a != b} == set(TRANSITIONS)


def test_default_settings_have_the_check_the_document_gives() -> None:
    values = [row[2] for row in table(section(9), "| setting |")]
    given = re.search(r"the defaults give (\d+)", section(9))
    assert given
    assert crc32(" ".join(values).encode("ascii")) >> 2 == int(given[1])


def test_longest_s_line_is_as_long_as_the_document_says() -> None:
    given = re.search(r"The longest `s` line has (\d+) bytes", section(1))
    assert given
    widest = 0
    for field in BOARD_LINES["s"]:
        least, most = (-96000, 96000) if field.name == "rate_steps_s" else (field.least, field.most)
        widest += 1 + max(len(str(least)), len(str(most)))
    assert int(given[1]) == len("s") + widest + len(" 01234567\n")
