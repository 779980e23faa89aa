"""Calibrations, which one is in use, checks and health tests: kept for ever, never overwritten."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from evenbed.calibration.document import Document, document
from evenbed.record.store import Store, now_text


@dataclass(frozen=True)
class Kept:
    """A calibration in the store."""

    number: int
    document: Document


@dataclass(frozen=True)
class Measured:
    """A check or a health test in the store: ``kind`` is "check", "sensor", "prove" or
    "commission"; ``values`` are numbers, in N, s."""

    number: int
    wall: str
    kind: str
    calibration: int | None
    verdict: str
    says: str
    values: dict[str, Any]


class Calibrations:
    """The calibrations of one store. Every method may raise StoreError; those that read a document, DocumentError."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def keep(self, made: Document) -> int:
        """Keep a calibration; returns its number. It is not in use by that."""
        return self._store.write(
            "INSERT INTO calibration (wall, document) VALUES (?, ?)", now_text(), json.dumps(made.plain())
        )

    def use(self, number: int, why: str) -> None:
        """From now on calibration ``number`` is in use; going back to an older one is a new line of the log."""
        self._store.write("INSERT INTO calibration_use (wall, number, why) VALUES (?, ?, ?)", now_text(), number, why)

    def uses(self) -> list[tuple[str, int, str]]:
        """The log of what was in use: since when (UTC), which, why."""
        return [tuple(row) for row in self._store.read("SELECT wall, number, why FROM calibration_use ORDER BY rowid")]

    def in_use(self) -> Kept | None:
        """The calibration in use, None if there is none."""
        uses = self.uses()
        return self.get(uses[-1][1]) if uses else None

    def get(self, number: int) -> Kept | None:
        """Calibration ``number``."""
        rows = self._store.read("SELECT document FROM calibration WHERE number = ?", number)
        return Kept(number, document(json.loads(rows[0][0]))) if rows else None

    def all(self) -> list[Kept]:
        """All of them, oldest first."""
        rows = self._store.read("SELECT number, document FROM calibration ORDER BY number")
        return [Kept(number, document(json.loads(text))) for number, text in rows]

    def pulls_since(self, since: datetime | None) -> int:
        """Pulls that were recorded after a moment; all of them without one."""
        after = since.astimezone(UTC).isoformat(timespec="milliseconds") if since is not None else ""
        return int(self._store.read("SELECT count(*) FROM pull WHERE wall > ?", after)[0][0])

    # --- a run that was left
    def save_draft(self, draft: dict[str, Any]) -> None:
        """Keep the run under way, in place of the last one."""
        self._store.write(
            "INSERT OR REPLACE INTO draft (id, wall, document) VALUES (1, ?, ?)", now_text(), json.dumps(draft)
        )

    def draft(self) -> tuple[str, dict[str, Any]] | None:
        """When it was left, and the run."""
        rows = self._store.read("SELECT wall, document FROM draft WHERE id = 1")
        return (rows[0][0], json.loads(rows[0][1])) if rows else None

    def drop_draft(self) -> None:
        """The run is over."""
        self._store.write("DELETE FROM draft WHERE id = 1")

    # --- checks and health tests
    def measured(self, kind: str, calibration: int | None, verdict: str, says: str, values: dict[str, Any]) -> int:
        """Keep one; returns its number."""
        return self._store.write(
            "INSERT INTO measured (wall, kind, calibration, verdict, says, vals) VALUES (?, ?, ?, ?, ?, ?)",
            now_text(),
            kind,
            calibration,
            verdict,
            says,
            json.dumps(values),
        )

    def list_measured(self, kind: str, calibration: int | None = None) -> list[Measured]:
        """Those of a kind, oldest first; with ``calibration``, those made with it."""
        rows = self._store.read(
            "SELECT number, wall, kind, calibration, verdict, says, vals FROM measured WHERE kind = ? "
            "AND (? IS NULL OR calibration = ?) ORDER BY number",
            kind,
            calibration,
            calibration,
        )
        return [Measured(row[0], row[1], row[2], row[3], row[4], row[5], json.loads(row[6])) for row in rows]
