"""One conversation with a board: handshake, silence, reboot, wraps, lost and repeated lines, and the two clocks."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from evenbed.link.clock import WINDOW, ClockFit
from evenbed.link.messages import BoardInfo, Limits, No, Ok, Sample, Trip, message
from evenbed.link.recorder import KEEP_S, Recorder
from evenbed.link.session import RETRY_S, SILENT_S, LinkError, Ready, Rebooted, Session, Silent
from evenbed_fw import safety, wire

PERIOD_US = 12500
LIMITS = (21000, 8759000, 330000, 40000, 1600, 96000, 1280000, PERIOD_US, 130, 9600, 32000, 41664, 27776)
GREETED = safety.F_SOUND | safety.F_GREETED


class FakeBoard:
    """Writes the board's lines, numbered and stamped."""

    def __init__(self) -> None:
        self.seq = 0
        self.us = 1000

    def line(self, kind: str, *numbers: int) -> bytes:
        raw = wire.encode(kind, (self.seq, *numbers))
        self.seq = (self.seq + 1) % wire.SEQ_WRAP
        return raw

    def sample(self, flags: int = GREETED, raw: int = 21000) -> bytes:
        self.us = (self.us + PERIOD_US) % wire.TIME_WRAP_US
        return self.line("s", self.us, 0, raw, 0, 0, safety.ARMED, 0, flags, 0, 0, 0, wire.SEQ_WRAP)

    def info(self, protocol: int = wire.PROTOCOL) -> bytes:
        return self.line("board", protocol, 10203, 0, 12345)

    def limits(self) -> bytes:
        return self.line("limits", *LIMITS)


def asked(session: Session) -> list[tuple[str, list[int]]]:
    return [wire.decode(line, wire.HOST_LINES) for line in session.take().splitlines()]


def greeted(board: FakeBoard | None = None, now_s: float = 0.0) -> tuple[Session, FakeBoard]:
    """A session with the handshake behind it."""
    board = board or FakeBoard()
    session = Session()
    session.receive(now_s, board.sample(safety.F_SOUND))
    session.receive(now_s, board.info())
    events = session.receive(now_s, board.limits())
    assert any(isinstance(e, Ready) for e in events)
    session.receive(now_s, board.sample())
    session.take()
    return session, board


# --- handshake ---------------------------------------------------------------------------------------------------
def test_handshake_asks_in_order_and_each_thing_once() -> None:
    board, session = FakeBoard(), Session()
    session.receive(0.0, b"")
    assert asked(session) == [("hello", [0, wire.PROTOCOL])]
    session.receive(0.1, board.sample(safety.F_SOUND))
    assert asked(session) == []  # not before its time
    session.receive(0.1, board.info())
    assert asked(session) == [("limits", [1])]
    assert not session.ready
    events = session.receive(0.11, board.limits())
    ready = next(e for e in events if isinstance(e, Ready))
    assert session.ready
    assert ready.board.version == "1.2.3"
    assert (ready.limits.limit_n, ready.limits.overrun_n, ready.limits.counts_per_n) == (330.0, 40.0, 8759.0)
    # For good: the board goes on talking and is asked nothing more.
    for i in range(60):
        assert not any(isinstance(e, (Ready, Silent, Rebooted)) for e in session.receive(0.12 + 0.0125 * i, board.sample()))
    assert asked(session) == []


def test_questions_are_repeated_until_they_are_answered() -> None:
    board, session = FakeBoard(), Session()
    times: list[tuple[float, str]] = []

    def pass_time(start_s: float, for_s: float, talk: bool = True) -> None:
        for i in range(round(for_s / 0.01)):
            now = start_s + 0.01 * i
            session.receive(now, board.sample(safety.F_SOUND) if talk else b"")
            times.extend((now, kind) for kind, _ in asked(session))

    pass_time(0.0, 1.0)
    assert [kind for _, kind in times] == ["hello"] * len(times)
    assert 4 <= len(times) <= 1.0 / RETRY_S + 1
    session.receive(1.0, board.info())
    times.clear()
    pass_time(1.0, 1.0)
    assert {kind for _, kind in times} == {"limits"}
    assert 3 <= len(times) <= 1.0 / RETRY_S + 2
    gaps = np.diff([t for t, _ in times])
    assert gaps.min() > RETRY_S - 1e-9


def test_every_line_of_the_host_has_its_own_number_through_the_wrap() -> None:
    session = Session()
    numbers = [session.ask(0.0, "stop") for _ in range(wire.SEQ_WRAP + 3)]
    assert numbers[:3] == numbers[-3:] == [0, 1, 2]
    sent = [n[0] for _, n in asked(session)]
    assert sent == numbers
    assert session.take() == b""


def test_limits_that_nobody_can_place_do_not_spoil_the_handshake() -> None:
    # A late answer to an earlier question may come before the board has said who it is.
    board, session = FakeBoard(), Session()
    session.receive(0.0, board.limits())
    session.receive(0.01, board.info())
    assert not session.ready
    assert ("limits", [1]) in asked(session)
    assert any(isinstance(e, Ready) for e in session.receive(0.02, board.limits()))


@pytest.mark.parametrize(
    ("protocol", "who"),
    [(wire.PROTOCOL - 1, "board's firmware"), (wire.PROTOCOL + 1, "program on this computer")],
)
def test_another_version_is_refused_and_the_older_side_is_named(protocol: int, who: str) -> None:
    board, session = FakeBoard(), Session()
    with pytest.raises(LinkError) as error:
        session.receive(0.0, board.info(protocol))
    text = str(error.value)
    assert f"protocol {protocol}" in text and str(wire.PROTOCOL) in text
    assert f"Update the {who}" in text


def test_lines_come_in_any_pieces() -> None:
    board = FakeBoard()
    data = board.sample(safety.F_SOUND) + board.info() + board.limits() + board.sample()
    whole, pieces = Session(), Session()
    expected = whole.receive(0.0, data)
    got = [e for i in range(len(data)) for e in pieces.receive(0.0, data[i : i + 1])]
    assert got == expected
    assert pieces.ready and pieces.bad_lines == 0


# --- what is lost, repeated or broken ------------------------------------------------------------------------------
def test_a_broken_line_is_counted_and_never_believed() -> None:
    session, board = greeted()
    rng = Random(3)
    for _ in range(200):
        line = bytearray(board.sample(raw=123456))
        line[rng.randrange(len(line) - 1)] ^= 1 << rng.randrange(7)
        before = session.bad_lines + session.lost_lines
        events = session.receive(0.1, bytes(line))
        # A flip may make a line feed of a byte: then there are two broken lines.
        assert not any(isinstance(e, (Sample, Ok, No, Trip)) for e in events)
        assert session.bad_lines + session.lost_lines >= before
    assert session.bad_lines >= 199


def test_lost_lines_are_counted_and_answers_are_not() -> None:
    session, board = greeted()
    assert session.lost_lines == 0
    session.receive(0.0, board.sample() + board.line("ok", 1, 0) + board.line("no", 2, 3) + board.sample())
    assert session.lost_lines == 0
    for _ in range(7):
        board.sample()
    session.receive(0.1, board.sample())
    assert session.lost_lines == 7


def test_lost_lines_are_counted_across_the_wrap_of_the_number() -> None:
    board = FakeBoard()
    board.seq = wire.SEQ_WRAP - 6
    session, board = greeted(board)
    session.receive(0.0, board.sample())
    board.sample()
    board.sample()
    assert board.seq < 10
    session.receive(0.1, board.sample())
    assert session.lost_lines == 2


def test_a_repeated_line_is_heard_once() -> None:
    session, board = greeted()
    line = board.sample(raw=99)
    assert len(session.receive(0.0, line)) == 1
    assert session.receive(0.01, line) == []
    assert session.receive(0.02, line + line) == []
    late = board.sample()
    session.receive(0.03, board.sample())
    assert session.receive(0.04, late) == []  # overtaken on its way: no news, and no reboot
    assert session.ready


def test_a_wire_that_repeats_itself_is_silent() -> None:
    session, board = greeted()
    line = board.sample()
    events = [e for i in range(40) for e in session.receive(0.0125 * i, line)]
    assert sum(isinstance(e, Silent) for e in events) == 1
    assert not session.ready


# --- silence and reboot -----------------------------------------------------------------------------------------------
def test_silence_is_told_once_and_the_handshake_begins_anew() -> None:
    session, board = greeted()
    assert session.receive(SILENT_S - 0.01, b"") == []
    events = session.receive(SILENT_S + 0.01, b"")
    assert [type(e) for e in events] == [Silent]
    assert events[0].silent_s == pytest.approx(SILENT_S + 0.01)  # type: ignore[union-attr]
    assert asked(session)[0][0] == "hello"
    assert session.receive(SILENT_S + 0.02, b"") == []
    # It comes back: nothing counts before both questions are answered again.
    session.receive(5.0, board.sample())
    assert not session.ready
    session.receive(5.0, board.info())
    assert any(isinstance(e, Ready) for e in session.receive(5.0, board.limits()))


def test_nothing_heard_at_all_is_not_told_as_silence() -> None:
    session = Session()
    assert all(session.receive(0.1 * i, b"") == [] for i in range(50))


@pytest.mark.parametrize("ran_us", [30_000_000, 400_000_000, 700_000_000, 1_073_000_000])
def test_a_reboot_is_seen_whatever_the_time_was(ran_us: int) -> None:
    board = FakeBoard()
    board.us = ran_us
    board.seq = 4321
    session, _ = greeted(board)
    anew = FakeBoard()
    events = session.receive(0.1, anew.sample(safety.F_SOUND))
    assert any(isinstance(e, Rebooted) for e in events)
    assert not session.ready
    assert asked(session)[0][0] == "hello"


def test_a_reboot_right_after_the_first_is_seen_too() -> None:
    board = FakeBoard()
    session, board = greeted(board)
    for _ in range(20):
        session.receive(0.1, board.sample())
    anew = FakeBoard()
    events = [e for _ in range(60) for e in session.receive(0.2, anew.sample(safety.F_SOUND))]
    assert sum(isinstance(e, Rebooted) for e in events) == 1


def test_the_wrap_of_the_boards_time_is_no_reboot() -> None:
    board = FakeBoard()
    board.us = wire.TIME_WRAP_US - 10 * PERIOD_US
    session, board = greeted(board)
    first = session.clock.latest_s
    for i in range(40):
        events = session.receive(0.0125 * i, board.sample())
        assert [type(e) for e in events] == [Sample]
    assert session.clock.latest_s - first == pytest.approx(40 * PERIOD_US * 1e-6, abs=1e-9)
    assert session.lost_lines == 0 and session.ready


# --- typed lines -----------------------------------------------------------------------------------------------------
def test_every_line_of_the_board_has_a_type() -> None:
    board = FakeBoard()
    assert isinstance(message(board.sample()), Sample)
    assert isinstance(message(board.info()), BoardInfo)
    assert isinstance(message(board.limits()), Limits)
    assert message(board.line("ok", 7, 233000)) == Ok(7, 233000)
    no = message(board.line("no", 7, wire.LOADED))
    assert isinstance(no, No) and no.says == wire.REASONS[wire.LOADED]
    assert No(1, 99).says == "reason 99"
    assert message(board.line("trip", 5, 1, 6, 7, 8, 9, 0)) == Trip(5, 1, 6, 7, 8, 9, 0)
    with pytest.raises(wire.WireError):
        message(wire.encode("go", (1, 0, 1, 1, 1, 1)))  # a line of the host's


# --- the two clocks --------------------------------------------------------------------------------------------------
def synthetic(count: int, drift_ppm: float, seed: int, start_s: float = 0.0) -> list[tuple[float, float, float]]:
    """(board time, true host time, arrival) of lines 12.5 ms apart; lateness at least 0.4 ms, exponential above."""
    rng = Random(seed)
    out = []
    for i in range(count):
        true = 100.0 + start_s + i * 0.0125
        board = (start_s + i * 0.0125) * (1.0 - drift_ppm * 1e-6)
        out.append((board, true, true + 0.0004 + rng.expovariate(1.0 / 0.0015)))
    return out


@pytest.mark.parametrize("drift_ppm", [0.0, 80.0, -200.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_fit_is_the_least_squares_line_through_the_promptest(drift_ppm: float, seed: int) -> None:
    fit, points = ClockFit(), synthetic(1200, drift_ppm, seed)
    for i, (board, _, arrival) in enumerate(points):
        fit.add(board, arrival)
        if i < 40 or (i + 1) % 40 != 39:
            continue  # the promptest line is looked for every 40 lines
        window = np.array([(b, a) for b, _, a in points[max(0, i + 1 - WINDOW) : i + 1]])
        middle = window.mean(axis=0)
        slope = np.polyfit(window[:, 0] - middle[0], window[:, 1] - middle[1], 1)[0]
        late = window[:, 1] - middle[1] - slope * (window[:, 0] - middle[0])
        expected = middle[1] + slope * (board - middle[0]) + late.min()
        assert fit.drift_ppm == pytest.approx((slope - 1.0) * 1e6, abs=0.01)
        assert fit.host_time(board) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("drift_ppm", [0.0, 100.0, -100.0])
def test_a_time_of_the_board_is_late_by_the_least_latency_at_most(drift_ppm: float) -> None:
    fit = ClockFit()
    for i, (board, true, arrival) in enumerate(synthetic(1500, drift_ppm, 7)):
        fit.add(board, arrival)
        if i > 100:
            # Arrivals themselves wander by milliseconds.
            assert -2e-4 < fit.host_time(board) - true < 1e-3
    assert fit.drift_ppm == pytest.approx(drift_ppm, abs=60.0)


def test_the_fit_is_as_good_after_ten_hours() -> None:
    fit = ClockFit()
    fit.add(0.0, 100.0)
    for board, true, arrival in synthetic(WINDOW + 200, 50.0, 3, start_s=36000.0):
        fit.add(board, arrival)
        last = fit.host_time(board) - true
    assert -2e-4 < last < 1e-3


def test_time_before_the_first_line_is_refused() -> None:
    with pytest.raises(ValueError, match="no line"):
        ClockFit().host_time(1.0)


def test_unwrapped_time_grows_through_every_wrap() -> None:
    fit = ClockFit()
    us, before = 5, -1.0
    for i in range(400):
        now = fit.unwrap(us)
        assert now > before
        assert now == pytest.approx((5 + i * 50_000_000) * 1e-6, abs=1e-6)
        before, us = now, (us + 50_000_000) % wire.TIME_WRAP_US


# --- the recorder -----------------------------------------------------------------------------------------------------
def test_the_recorder_keeps_the_last_ten_seconds_both_ways() -> None:
    recorder = Recorder()
    for i in range(3001):
        recorder.add(0.01 * i, "<" if i % 2 else ">", b"%d\n" % i)
    kept = recorder.lines()
    assert KEEP_S == 10.0
    assert kept[-1] == (30.0, ">", b"3000\n")
    assert kept[0][0] == pytest.approx(20.0, abs=0.011)
    assert [t for t, _, _ in kept] == sorted(t for t, _, _ in kept)
    kept.clear()
    assert recorder.lines()  # a copy was handed out


def test_the_session_records_what_it_hears_and_says() -> None:
    board, session = FakeBoard(), Session()
    session.receive(0.0, b"")
    broken = b"s 1 2 3 00000000\n"
    line = board.sample()
    session.receive(0.1, line + broken)
    lines = session.recorder.lines()
    assert [way for _, way, _ in lines] == [">", "<", "<"]
    assert [raw for _, _, raw in lines[1:]] == [line, broken]
