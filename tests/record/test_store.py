"""The store: what is written is there again, one transaction a message, and every trouble is a sentence."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from evenbed.record.bundle import Bundle, BundleError
from evenbed.record.store import FILE, VERSION, Store, StoreError, folder, runs, started_at
from stopped_rigs import HOLD, Case, stopped

VERSIONS = {"program": "0.0", "python": "3"}


@pytest.fixture(scope="module")
def bundle() -> Bundle:
    return stopped(Case("cell stuck", HOLD, "stuck"))


def begun(where: Path) -> tuple[Store, int]:
    store = Store(where)
    return store, store.begin("/dev/ttyACM0", None, os.getpid(), VERSIONS)


def raw(where: Path, sql: str) -> list[tuple[object, ...]]:
    """Read by SQLite's own module, without the product."""
    db = sqlite3.connect(where / FILE)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def test_a_session_is_written_down_with_everything(tmp_path: Path, bundle: Bundle) -> None:
    store, session = begun(tmp_path)
    store.board(session, "1.2.3", 1, 12345, {"limit_mn": 330000})
    store.event(session, 1.5, "state", "holding", {"force_n": 200.0})
    store.moment(session, "holding", 201.5)
    store.pull(session, {"ended": "let off", "peak_n": 203.0})
    assert store.trip(session, bundle) == 1
    store.dropped(session, 3)
    store.dropped(session, 2)
    store.end(session, "done")
    store.end(session, "without goodbye")  # the first end counts
    store.close()
    ((port, firmware, crc, limits, state, force_n, how, dropped),) = raw(
        tmp_path, "SELECT port, firmware, settings_crc, limits, state, force_n, how, dropped FROM session"
    )
    assert (port, firmware, crc, state, force_n, how, dropped) == (
        "/dev/ttyACM0", "1.2.3", 12345, "holding", 201.5, "done", 5,
    )  # fmt: skip
    assert json.loads(str(limits)) == {"limit_mn": 330000}
    assert raw(tmp_path, "SELECT session, t_s, name, says, vals FROM event") == [
        (session, 1.5, "state", "holding", '{"force_n": 200.0}')
    ]
    ((record,),) = raw(tmp_path, "SELECT record FROM pull")
    assert json.loads(str(record))["peak_n"] == 203.0
    for (text,) in raw(tmp_path, "SELECT started FROM session UNION SELECT ended FROM session UNION SELECT wall FROM pull"):
        at = datetime.fromisoformat(str(text))
        assert at.utcoffset() == timedelta(0) and abs(datetime.now(UTC) - at) < timedelta(minutes=5)


def test_a_trip_comes_back_as_it_was(tmp_path: Path, bundle: Bundle) -> None:
    store, session = begun(tmp_path)
    numbers = [store.trip(session, bundle) for _ in range(3)]
    assert numbers == [1, 2, 3]
    assert store.bundle(2) == bundle
    row = store.trips()[1]
    assert (row.number, row.name, row.state, row.port, row.simulated) == (2, "stuck", "holding", "/dev/ttyACM0", None)
    assert row.force_n == pytest.approx(220.0, rel=0.02) and row.ceiling_n == bundle["ceiling_n"]
    # Compressed: the lines are most of it, and each carries a check sum that no compressor shortens.
    ((size,),) = raw(tmp_path, "SELECT length(bundle) FROM trip WHERE number = 1")
    assert isinstance(size, int) and size < len(json.dumps(bundle)) / 3
    with pytest.raises(KeyError):
        store.bundle(9)


def test_a_damaged_bundle_is_refused_and_the_others_are_not(tmp_path: Path, bundle: Bundle) -> None:
    store, session = begun(tmp_path)
    store.trip(session, bundle)
    store.trip(session, bundle)
    store.db.execute("UPDATE trip SET bundle = substr(bundle, 1, 500) WHERE number = 1")
    with pytest.raises(BundleError):
        store.bundle(1)
    assert store.bundle(2) == bundle


def test_the_file_is_of_a_version_and_in_wal(tmp_path: Path) -> None:
    Store(tmp_path).close()
    assert raw(tmp_path, "PRAGMA user_version") == [(VERSION,)]
    assert raw(tmp_path, "PRAGMA journal_mode") == [("wal",)]
    assert raw(tmp_path, "PRAGMA integrity_check") == [("ok",)]


def test_an_older_file_is_brought_up_and_keeps_what_it_has(tmp_path: Path) -> None:
    # Version 0 is what SQLite itself makes: no table of ours, but perhaps one of somebody's.
    db = sqlite3.connect(tmp_path / FILE)
    db.execute("CREATE TABLE mine (a)")
    db.execute("INSERT INTO mine VALUES (7)")
    db.commit()
    db.close()
    store, _ = begun(tmp_path)
    assert store.trips() == []
    assert raw(tmp_path, "SELECT a FROM mine") == [(7,)] and raw(tmp_path, "PRAGMA user_version") == [(VERSION,)]


def test_a_newer_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    Store(tmp_path).close()
    db = sqlite3.connect(tmp_path / FILE)
    db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    with pytest.raises(StoreError, match=r"newer evenbed.*update this one"):
        Store(tmp_path)
    assert raw(tmp_path, "PRAGMA user_version") == [(VERSION + 1,)]


def test_several_processes_may_make_the_file_at_once(tmp_path: Path) -> None:
    code = "import sys; from pathlib import Path; from evenbed.record.store import Store; "
    code += "s = Store(Path(sys.argv[1])); print(s.begin('p', None, None, {}))"
    command = [sys.executable, "-c", code, str(tmp_path)]
    many = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(5)]
    said = [p.communicate(timeout=60.0) for p in many]
    assert sorted(out.strip() for out, _ in said) == ["1", "2", "3", "4", "5"], said


# --- troubles ----------------------------------------------------------------------------------------------------------
def test_a_full_disk_is_said_and_leaves_the_file_whole(tmp_path: Path, bundle: Bundle) -> None:
    store, session = begun(tmp_path)
    ((pages,),) = store.db.execute("PRAGMA page_count").fetchall()
    store.db.execute(f"PRAGMA max_page_count = {pages + 4}")  # SQLite's own way to be out of room
    with pytest.raises(StoreError, match=r"full: make room"):
        for _ in range(50):
            store.trip(session, bundle)
    store.db.execute("PRAGMA max_page_count = 100000")
    store.end(session, "done")
    assert raw(tmp_path, "PRAGMA integrity_check") == [("ok",)]
    assert raw(tmp_path, "SELECT how FROM session") == [("done",)]


def test_a_file_that_is_none_is_said_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"this is no database, and long enough to be looked at " * 20)
    with pytest.raises(StoreError, match=r"damaged.*move it away"):
        Store(tmp_path)
    assert (tmp_path / FILE).read_bytes().startswith(b"this is no database")


def test_a_damaged_file_is_said(tmp_path: Path, bundle: Bundle) -> None:
    store, session = begun(tmp_path)
    for _ in range(5):
        store.trip(session, bundle)
    store.close()
    path = tmp_path / FILE
    data = bytearray(path.read_bytes())
    data[4096 : len(data) - 100] = b"\xaa" * (len(data) - 4196)
    path.write_bytes(data)
    with pytest.raises((StoreError, BundleError)):
        Store(tmp_path).trips()


def test_a_folder_that_cannot_be_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be opened"):
        Store(tmp_path / "file" / "below")


def test_a_folder_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    Store(tmp_path).close()
    db = sqlite3.connect(f"file:{tmp_path / FILE}?mode=ro", uri=True, isolation_level=None)
    store = Store(tmp_path)
    store.db = db  # as SQLite has it where the file may only be read, whoever runs this test
    with pytest.raises(StoreError, match="may not be written"):
        store.begin("port", None, None, {})


def test_a_locked_file_is_said(tmp_path: Path) -> None:
    store, session = begun(tmp_path)
    store.db.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked by another program"):
        store.moment(session, "slack", 0.0)
    other.execute("COMMIT")
    store.moment(session, "slack", 0.0)


def test_reading_makes_nothing(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        Store(tmp_path / "none", make=False)
    assert not (tmp_path / "none").exists()


# --- where and who -----------------------------------------------------------------------------------------------------
def test_the_folder_is_the_one_given_then_the_environments_then_the_users(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("EVENBED_RECORDS", str(tmp_path))
    assert folder(tmp_path / "given") == tmp_path / "given"
    assert folder() == tmp_path
    monkeypatch.delenv("EVENBED_RECORDS")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert folder().name == "evenbed"


def test_a_process_is_told_from_a_later_one_of_its_number() -> None:
    me = os.getpid()
    assert runs(me, started_at(me))
    assert not runs(me, "another boot 1")
    assert not runs(None, None)
    gone = subprocess.Popen([sys.executable, "-c", ""])
    at = started_at(gone.pid)
    gone.wait()
    assert not runs(gone.pid, at) and not runs(gone.pid, None)
