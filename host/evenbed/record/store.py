"""The records: one SQLite file in the user's data folder. Each message of a session is one transaction.

The schema has a version (PRAGMA user_version); an older file is brought up step by step, a newer one is refused. Times of
the wall are ISO 8601, UTC; forces in N. SQLite's own troubles come out as ``StoreError`` with a sentence.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs

from evenbed.record.bundle import Bundle, pack, unpack

FILE = "records.db"
ENV = "EVENBED_RECORDS"
BUSY_S = 2.0
MIGRATIONS = (  # step n brings a file of version n to version n + 1
    """
    CREATE TABLE session (
        id INTEGER PRIMARY KEY, started TEXT NOT NULL, ended TEXT, how TEXT, port TEXT NOT NULL, simulated INTEGER,
        pid INTEGER, pid_started TEXT, program TEXT, python TEXT, firmware TEXT, protocol INTEGER, settings_crc INTEGER,
        limits TEXT, moment TEXT, state TEXT, force_n REAL, dropped INTEGER NOT NULL DEFAULT 0,
        told INTEGER NOT NULL DEFAULT 0);
    CREATE TABLE event (
        session INTEGER NOT NULL REFERENCES session(id), t_s REAL NOT NULL, name TEXT NOT NULL, says TEXT NOT NULL,
        vals TEXT NOT NULL);
    CREATE INDEX event_of ON event(session, t_s);
    CREATE TABLE pull (session INTEGER NOT NULL REFERENCES session(id), wall TEXT NOT NULL, record TEXT NOT NULL);
    CREATE TABLE trip (
        number INTEGER PRIMARY KEY AUTOINCREMENT, session INTEGER NOT NULL REFERENCES session(id), wall TEXT NOT NULL,
        name TEXT NOT NULL, says TEXT NOT NULL, state TEXT NOT NULL, force_n REAL, ceiling_n REAL, bundle BLOB NOT NULL);
    """,
    """
    CREATE TABLE calibration (number INTEGER PRIMARY KEY AUTOINCREMENT, wall TEXT NOT NULL, document TEXT NOT NULL);
    CREATE TRIGGER calibration_stays BEFORE UPDATE ON calibration
        BEGIN SELECT RAISE(ABORT, 'a calibration is never changed'); END;
    CREATE TRIGGER calibration_kept BEFORE DELETE ON calibration
        BEGIN SELECT RAISE(ABORT, 'a calibration is kept'); END;
    CREATE TABLE calibration_use (
        wall TEXT NOT NULL, number INTEGER NOT NULL REFERENCES calibration(number), why TEXT NOT NULL);
    CREATE TABLE draft (id INTEGER PRIMARY KEY CHECK (id = 1), wall TEXT NOT NULL, document TEXT NOT NULL);
    CREATE TABLE measured (
        number INTEGER PRIMARY KEY AUTOINCREMENT, wall TEXT NOT NULL, kind TEXT NOT NULL,
        calibration INTEGER REFERENCES calibration(number), verdict TEXT NOT NULL, says TEXT NOT NULL, vals TEXT NOT NULL);
    """,
    """
    CREATE TABLE job (
        number INTEGER PRIMARY KEY AUTOINCREMENT, wall TEXT NOT NULL, name TEXT NOT NULL, racquet TEXT NOT NULL,
        equipment TEXT NOT NULL, labels TEXT NOT NULL, simulated INTEGER NOT NULL, program TEXT NOT NULL,
        twin_of INTEGER REFERENCES job(number));
    CREATE TABLE job_mark (
        job INTEGER NOT NULL REFERENCES job(number), n INTEGER NOT NULL, wall TEXT NOT NULL, kind TEXT NOT NULL,
        vals TEXT NOT NULL, PRIMARY KEY (job, n));
    CREATE TRIGGER job_mark_stays BEFORE UPDATE ON job_mark
        BEGIN SELECT RAISE(ABORT, 'a mark is never changed'); END;
    CREATE TRIGGER job_mark_kept BEFORE DELETE ON job_mark
        BEGIN SELECT RAISE(ABORT, 'a mark is kept'); END;
    """,
)
VERSION = len(MIGRATIONS)


class StoreError(Exception):
    """The records cannot be read or written; the text says why and what to do. ``passes``: trying again may help."""

    passes = True


class TakenError(StoreError):
    """Another program writes what is ours to write."""

    passes = False


@dataclass(frozen=True)
class TripRow:
    """One line of the list of trips. ``force_n`` is the force that stopped it, None if unknown."""

    number: int
    wall: str
    name: str
    says: str
    state: str
    force_n: float | None
    ceiling_n: float | None
    port: str
    simulated: bool | None


@dataclass(frozen=True)
class SessionRow:
    """One session as it is written down. ``ended`` is None while it runs, or where nobody could write its end."""

    id: int
    started: str
    ended: str | None
    how: str | None
    port: str
    pid: int | None
    pid_started: str | None
    moment: str | None
    state: str | None
    force_n: float | None


def now_text() -> str:
    """Now by the clock on the wall, ISO 8601, UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def folder(given: str | Path | None = None) -> Path:
    """Where the records are: what was given, else EVENBED_RECORDS, else the user's data folder."""
    chosen = given or os.environ.get(ENV)
    return Path(chosen) if chosen else platformdirs.user_data_path("evenbed", appauthor=False)


def why(error: Exception, path: Path) -> str:
    """A sentence for an error of SQLite or of the system."""
    text = str(error)
    code = getattr(error, "sqlite_errorname", "") or ""
    if code.startswith("SQLITE_FULL") or "full" in text or getattr(error, "errno", None) == 28:
        return f"The disk of {path} is full: make room."
    if code.startswith(("SQLITE_READONLY", "SQLITE_PERM")) or isinstance(error, PermissionError):
        return f"{path} may not be written: check the folder's permissions, or choose another with --records."
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) or "locked" in text:
        return f"{path} is locked by another program: close what has it open."
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "malformed" in text or "not a database" in text:
        return f"{path} is damaged or is no record of evenbed's: move it away, and a new one is begun."
    if code.startswith("SQLITE_CANTOPEN") or isinstance(error, OSError):
        return f"{path} cannot be opened ({text}): check the folder, or choose another with --records."
    return f"{path}: {text}."


class Store:
    """The records in one folder. Not shared between threads; several processes may have it open."""

    def __init__(self, where: Path, make: bool = True) -> None:
        """Open the file, and ``make`` it if it is missing. Raises StoreError; FileNotFoundError if it is missing and none
        is to be made."""
        self.path = where / FILE
        if not make and not self.path.exists():
            raise FileNotFoundError(self.path)
        with self._plainly():
            where.mkdir(parents=True, exist_ok=True)
            self.db = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            with self._plainly():
                self.db.execute("PRAGMA foreign_keys = ON")
                self.db.execute("PRAGMA journal_mode = WAL")
                self.db.execute("PRAGMA synchronous = FULL")
                self._migrate()
        except BaseException:
            self.db.close()
            raise

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as e:
            raise StoreError(why(e, self.path)) from None

    def _migrate(self) -> None:
        version = self.db.execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            raise StoreError(
                f"{self.path} was written by a newer evenbed (schema {version}, here {VERSION}): update this one."
            )
        if version == VERSION:
            return
        # One transaction: a file is of one version or of the next, never between, whoever else opens it now.
        self.db.execute("BEGIN IMMEDIATE")
        try:
            version = self.db.execute("PRAGMA user_version").fetchone()[0]
            for statement in "".join(MIGRATIONS[version:]).split(";\n"):  # a trigger has others inside
                self.db.execute(statement)
            self.db.execute(f"PRAGMA user_version = {VERSION}")
        except BaseException:
            self.db.execute("ROLLBACK")
            raise
        self.db.execute("COMMIT")

    def close(self) -> None:
        """Close the file; what is written is written."""
        self.db.close()

    def write(self, sql: str, *values: Any) -> int:
        """Carry out one statement; returns the number of the new row. Raises StoreError."""
        with self._plainly():
            return int(self.db.execute(sql, values).lastrowid or 0)

    def read(self, sql: str, *values: Any) -> list[Any]:
        """All rows of a question. Raises StoreError."""
        with self._plainly():
            return self.db.execute(sql, values).fetchall()

    # --- writing: each call is one transaction -------------------------------------------------------------------
    def begin(self, port: str, simulated: bool | None, pid: int | None, versions: dict[str, str]) -> int:
        """A session begins; returns its number."""
        return self.write(
            "INSERT INTO session (started, port, simulated, pid, pid_started, program, python) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            now_text(),
            port,
            simulated,
            pid,
            started_at(pid) if pid is not None else None,
            versions.get("program"),
            versions.get("python"),
        )

    def board(self, session: int, firmware: str, protocol: int, settings_crc: int, limits: dict[str, Any]) -> None:
        """Which board answered."""
        self.write(
            "UPDATE session SET firmware = ?, protocol = ?, settings_crc = ?, limits = ? WHERE id = ?",
            firmware,
            protocol,
            settings_crc,
            json.dumps(limits),
            session,
        )

    def moment(self, session: int, state: str, force_n: float | None) -> None:
        """In which state the head is now and with which force."""
        self.write(
            "UPDATE session SET moment = ?, state = ?, force_n = ? WHERE id = ?", now_text(), state, force_n, session
        )

    def event(self, session: int, t_s: float, name: str, says: str, values: dict[str, Any]) -> None:
        """Something was told."""
        self.write("INSERT INTO event VALUES (?, ?, ?, ?, ?)", session, t_s, name, says, json.dumps(values))

    def pull(self, session: int, record: dict[str, Any]) -> None:
        """A pull is over."""
        self.write("INSERT INTO pull VALUES (?, ?, ?)", session, now_text(), json.dumps(record))

    def trip(self, session: int, bundle: Bundle) -> int:
        """A stop that nobody asked for; returns its number."""
        return self.write(
            "INSERT INTO trip (session, wall, name, says, state, force_n, ceiling_n, bundle) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            session,
            bundle["made"],
            bundle["name"],
            bundle["says"],
            bundle["state"],
            bundle["force_n"],
            bundle["ceiling_n"],
            pack(bundle),
        )

    def dropped(self, session: int, count: int) -> None:
        """So many messages were not written, because the writer was too slow."""
        self.write("UPDATE session SET dropped = dropped + ? WHERE id = ?", count, session)

    def end(self, session: int, how: str) -> None:
        """The session is over."""
        self.write("UPDATE session SET ended = ?, how = ? WHERE id = ? AND ended IS NULL", now_text(), how, session)

    def mark_told(self, sessions: list[int]) -> None:
        """How these ended has been said to somebody."""
        for session in sessions:
            self.write("UPDATE session SET told = 1 WHERE id = ?", session)

    # --- reading ---------------------------------------------------------------------------------------------------
    def trips(self) -> list[TripRow]:
        """All trips, the oldest first."""
        rows = self.read(
            "SELECT number, wall, name, says, trip.state, trip.force_n, ceiling_n, port, simulated FROM trip "
            "JOIN session ON session.id = trip.session ORDER BY number"
        )
        return [
            TripRow(
                number, wall, name, says, state, force_n, ceiling_n, port, None if simulated is None else bool(simulated)
            )
            for number, wall, name, says, state, force_n, ceiling_n, port, simulated in rows
        ]

    def bundle(self, number: int) -> Bundle:
        """The bundle of one trip. Raises KeyError if there is none of this number, BundleError if it is damaged."""
        rows = self.read("SELECT bundle FROM trip WHERE number = ?", number)
        if not rows:
            raise KeyError(number)
        return unpack(rows[0][0])

    def untold(self) -> list[SessionRow]:
        """Sessions that are open, or that ended without a goodbye that anybody has heard of; the oldest first."""
        rows = self.read(
            "SELECT id, started, ended, how, port, pid, pid_started, moment, state, force_n FROM session "
            "WHERE told = 0 AND (ended IS NULL OR how NOT LIKE 'done%') ORDER BY id"
        )
        return [SessionRow(*row) for row in rows]


def started_at(pid: int) -> str | None:
    """When a process began, in a form that no other process of this number shares; None where the system does not say."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        return f"{boot} {stat.rsplit(')', 1)[1].split()[19]}"
    except (OSError, IndexError):
        return None


def runs(pid: int | None, pid_started: str | None) -> bool:
    """Does that very process still run?"""
    if pid is None:
        return False
    if pid_started is not None:
        return started_at(pid) == pid_started and not _is_zombie(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _is_zombie(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except (OSError, IndexError):
        return True
