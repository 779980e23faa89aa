"""Stringing jobs in the store: what each began with, and its marks, one transaction each. A mark is never changed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from evenbed.job.marks import FINISHED, GIVEN_UP, Mark
from evenbed.record.store import Store, StoreError, TakenError, now_text


@dataclass(frozen=True)
class JobRow:
    """One job as it began. ``racquet`` is the text of its file, ``equipment`` what the plan was made for, ``labels`` the
    pulls of the plan in order."""

    number: int
    wall: str
    name: str
    racquet: str
    equipment: dict[str, Any]
    labels: tuple[str, ...]
    simulated: bool
    program: str
    twin_of: int | None


class Jobs:
    """The jobs of one store. Every method may raise StoreError."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def begin(
        self,
        name: str,
        racquet: str,
        equipment: dict[str, Any],
        labels: Sequence[str],
        simulated: bool,
        twin_of: int | None = None,
    ) -> int:
        """A job begins; returns its number."""
        return self._store.write(
            "INSERT INTO job (wall, name, racquet, equipment, labels, simulated, program, twin_of) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            now_text(),
            name,
            racquet,
            json.dumps(equipment),
            json.dumps(list(labels)),
            int(simulated),
            version("evenbed"),
            twin_of,
        )

    def mark(self, job: int, n: int, mark: Mark) -> str:
        """Write mark ``n`` (from 1) of a job; returns its time. Raises StoreError if another program has written that one:
        then two go on with one job."""
        at = now_text()
        try:
            self._store.write("INSERT INTO job_mark VALUES (?, ?, ?, ?, ?)", job, n, at, mark.kind, json.dumps(mark.values))
        except StoreError as e:
            if "UNIQUE" in str(e):
                raise TakenError(f"Job {job} goes on in another program: one of the two has to be closed.") from None
            raise
        return at

    def marks(self, job: int) -> list[Mark]:
        """All marks of a job, in order."""
        rows = self._store.read("SELECT kind, vals, wall FROM job_mark WHERE job = ? ORDER BY n", job)
        return [Mark(kind, json.loads(vals), wall) for kind, vals, wall in rows]

    def rows(self) -> list[JobRow]:
        """All jobs, the oldest first."""
        found = self._store.read(
            "SELECT number, wall, name, racquet, equipment, labels, simulated, program, twin_of FROM job ORDER BY number"
        )
        return [
            JobRow(n, wall, name, text, json.loads(eq), tuple(json.loads(labels)), bool(sim), program, twin)
            for n, wall, name, text, eq, labels, sim, program, twin in found
        ]

    def row(self, job: int) -> JobRow | None:
        """One job, None if there is none of this number."""
        return next((r for r in self.rows() if r.number == job), None)

    def open(self) -> list[JobRow]:
        """Jobs that are neither finished nor given up, the oldest first."""
        return [r for r in self.rows() if self.phase(r.number) not in (FINISHED, GIVEN_UP)]

    def phase(self, job: int) -> str:
        """The phase that was written last, "" if none was."""
        rows = self._store.read("SELECT vals FROM job_mark WHERE job = ? AND kind = 'phase' ORDER BY n DESC LIMIT 1", job)
        return str(json.loads(rows[0][0])["phase"]) if rows else ""
