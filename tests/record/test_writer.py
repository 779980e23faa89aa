"""The writer: takes a session's messages from a socket; a session that ends without goodbye is written down as such."""

from __future__ import annotations

import contextlib
import json
import socket
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
from evenbed.control.blackbox import lines_as_text, versions
from evenbed.record.bundle import intact
from evenbed.record.keeping import Keeper
from evenbed.record.replay import replay
from evenbed.record.store import FILE, Store
from evenbed.record.writer import NO_GOODBYE, Writer
from stopped_rigs import HOLD, bring, pulled_before

BEGIN = {"kind": "session", "port": "p", "simulated": True, "pid": None, "versions": versions()}
BOARD = {"kind": "board", "firmware": "1.2.3", "protocol": 1, "settings_crc": 5, "limits": {"limit_mn": 1}}
BYE = {"kind": "bye", "how": "done"}


def event(t_s: float) -> dict[str, Any]:
    return {"kind": "event", "t_s": t_s, "name": "hint", "says": "x", "values": {}}


@pytest.fixture(scope="module")
def trip() -> list[dict[str, Any]]:
    """The messages of one trip as the control process sends them."""
    r = pulled_before()
    bring(r, HOLD)
    r.inject_now("cell stuck")
    r.wait(2.0)
    (capture,) = r.host.loop.box.take()
    lines = lines_as_text(capture.lines)
    pieces = [{"kind": "lines", "lines": lines[i : i + 100]} for i in range(0, len(lines), 100)]
    messages = [{"kind": "trip", "header": capture.header("p")}, *pieces, {"kind": "trip_end"}]
    plain: list[dict[str, Any]] = json.loads(json.dumps(messages))
    return plain


def rows(where: Path, sql: str) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(where / FILE)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def wrote(where: Path, *messages: dict[str, Any]) -> list[str]:
    """What the writer said to the user."""
    said: list[str] = []
    writer = Writer(where, said.append)
    for message in messages:
        writer.take(message)
    writer.end()
    return said


def test_a_session_with_a_trip(tmp_path: Path, trip: list[dict[str, Any]]) -> None:
    moment = {"kind": "moment", "state": "holding", "force_n": 219.0}
    assert wrote(tmp_path, BEGIN, BOARD, event(1.0), moment, *trip, {"kind": "dropped", "count": 4}, BYE) == []
    assert rows(tmp_path, "SELECT port, simulated, firmware, how, state, force_n, dropped FROM session") == [
        ("p", 1, "1.2.3", "done", "holding", 219.0, 4)
    ]
    store = Store(tmp_path)
    bundle = store.bundle(1)
    assert intact(bundle) and replay(bundle).same and bundle["whole"]
    assert [r.name for r in store.trips()] == ["stuck"]


def test_without_a_goodbye_that_is_written_down(tmp_path: Path) -> None:
    wrote(tmp_path, BEGIN, event(1.0))
    assert rows(tmp_path, "SELECT how, ended IS NOT NULL FROM session") == [(NO_GOODBYE, 1)]


def test_every_message_is_there_before_the_next_is_taken(tmp_path: Path) -> None:
    writer = Writer(tmp_path, lambda said: None)
    writer.take(BEGIN)
    for i in range(5):
        writer.take(event(float(i)))
        assert rows(tmp_path, "SELECT count(*) FROM event") == [(i + 1,)]  # seen by another connection: committed


def test_a_trip_that_was_cut_off_is_kept_and_says_so(tmp_path: Path, trip: list[dict[str, Any]]) -> None:
    wrote(tmp_path, BEGIN, *trip[:-3])
    bundle = Store(tmp_path).bundle(1)
    assert not bundle["whole"] and 0 < len(bundle["lines"]) < sum(len(m.get("lines", ())) for m in trip)


def test_a_trouble_is_said_once_and_what_was_lost_when_it_is_over(tmp_path: Path) -> None:
    said: list[str] = []
    writer = Writer(tmp_path, said.append)
    writer.take(BEGIN)
    assert writer.store is not None
    db = writer.store.db
    ((pages,),) = db.execute("PRAGMA page_count").fetchall()
    db.execute(f"PRAGMA max_page_count = {pages}")
    long = {**event(1.0), "says": "x" * 5000}
    for _ in range(6):
        writer.take(long)
    assert len(said) == 1 and "Records are not being kept" in said[0] and "full: make room" in said[0]
    assert "The pull goes on" in said[0]
    db.execute("PRAGMA max_page_count = 100000")
    writer.take(event(2.0))
    assert len(said) == 2 and "being kept again" in said[1]
    writer.take(BYE)
    assert len(said) == 2
    assert rows(tmp_path, "SELECT how FROM session") == [("done",)]


def test_a_file_that_opens_only_later_has_who_and_which_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenbed.record.writer.RETRY_S", 0.0)
    (tmp_path / FILE).write_bytes(b"no database at all, but long enough to be read as one " * 20)
    said: list[str] = []
    writer = Writer(tmp_path, said.append)
    for message in (BEGIN, BOARD, event(1.0), event(2.0)):
        writer.take(message)
    assert len(said) == 1 and "damaged" in said[0]
    (tmp_path / FILE).unlink()
    writer.take(event(3.0))
    writer.take(BYE)
    assert "being kept again" in said[1]
    assert rows(tmp_path, "SELECT firmware, how FROM session") == [("1.2.3", "done")]
    assert rows(tmp_path, "SELECT t_s FROM event") == [(3.0,)]


# --- the process ---------------------------------------------------------------------------------------------------------
def send(sock: socket.socket, *messages: dict[str, Any]) -> None:
    sock.sendall(b"".join(json.dumps(m).encode() + b"\n" for m in messages))


def test_the_process_writes_and_ends_with_the_other_side(tmp_path: Path, trip: list[dict[str, Any]]) -> None:
    keeper = Keeper(tmp_path)
    send(keeper.socket, BEGIN, BOARD, *trip, event(9.0), BYE)
    keeper.close(30.0)
    assert keeper.process.returncode == 0
    assert rows(tmp_path, "SELECT how FROM session") == [("done",)]
    assert replay(Store(tmp_path).bundle(1)).same


def test_the_process_says_what_is_wrong_over_its_socket(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    keeper = Keeper(tmp_path / "file")
    send(keeper.socket, BEGIN, event(1.0))
    keeper.socket.settimeout(30.0)
    said = json.loads(keeper.socket.recv(65536).split(b"\n")[0])["says"]
    assert "Records are not being kept" in said and "cannot be opened" in said
    keeper.close(30.0)
    assert keeper.process.returncode == 0


def test_killed_in_the_middle_it_leaves_a_whole_file(tmp_path: Path, trip: list[dict[str, Any]]) -> None:
    keeper = Keeper(tmp_path)
    keeper.socket.settimeout(30.0)
    send(keeper.socket, BEGIN, *trip, event(1.0))
    with contextlib.suppress(OSError):
        while not (tmp_path / FILE).exists() or not Store(tmp_path, make=False).trips():
            time.sleep(0.02)
        for i in range(1000):
            send(keeper.socket, *[event(float(i))] * 20, *trip)
            if i == 2:
                keeper.process.kill()  # with messages in its hands
    keeper.process.wait(30.0)
    keeper.close()
    assert rows(tmp_path, "PRAGMA integrity_check") == [("ok",)]
    store = Store(tmp_path)
    kept = store.trips()
    assert kept and all(intact(store.bundle(row.number)) for row in kept)
    assert rows(tmp_path, "SELECT ended FROM session") == [(None,)]  # nobody was left to write its end
