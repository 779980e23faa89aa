"""What the records say before a pull: the calibration in use, what is overdue, and a check that failed."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from evenbed.calibration.checking import overdue, refusal
from evenbed.calibration.document import DocumentError
from evenbed.head.types import Known
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store, StoreError


@dataclass
class Readiness:
    """The calibration in use, lines to tell, and why nothing is to be armed (empty: it may)."""

    known: Known | None = None
    lines: list[str] = field(default_factory=list)
    refused: str = ""


def readiness(where: Path, despite: bool, now: datetime | None = None) -> Readiness:
    """Look into the records of one folder. ``despite``: a failed check is overridden, and that is written down."""
    now = now or datetime.now(UTC)
    found = Readiness()
    try:
        store = Store(where, make=despite)
    except FileNotFoundError:
        found.lines.append(overdue(None, None, now))
        return found
    except StoreError as e:
        return _unreadable(found, str(e), despite)
    try:
        _look(Calibrations(store), found, despite, now)
    except (StoreError, DocumentError) as e:
        _unreadable(found, str(e), despite)
    except (ValueError, TypeError, AttributeError, KeyError) as e:
        _unreadable(found, f"an entry is damaged ({e}).", despite)
    finally:
        store.close()
    return found


def _unreadable(found: Readiness, why: str, despite: bool) -> Readiness:
    """Absent means unsafe: nobody knows whether the last check failed."""
    said = f"The records cannot be read: {why}"
    if despite:
        found.lines.append(said)
    else:
        found.refused = f"{said} So nobody knows whether the last check failed. --despite-check arms all the same."
    return found


def _look(kept: Calibrations, found: Readiness, despite: bool, now: datetime) -> None:
    used = kept.in_use()
    since = datetime.fromisoformat(kept.uses()[-1][0]) if used is not None else None
    if used is not None:
        found.known = used.document.known(used.number)
    checks = kept.list_measured("check")
    last = checks[-1] if checks else None
    made = datetime.fromisoformat(used.document.made) if used is not None else None
    due = overdue(made, datetime.fromisoformat(last.wall) if last is not None else None, now, kept.pulls_since(since))
    if due:
        found.lines.append(due)
    why = refusal(last, since)
    if why and despite:
        kept.measured("despite", used.number if used is not None else None, "fail", f"Armed all the same. {why}", {})
        found.lines.append("The last check failed; armed all the same, and written down.")
    elif why:
        found.refused = why
