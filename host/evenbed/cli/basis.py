"""What a check or a test of the measurement stands on: the calibration in use, if the board reckons with it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenbed.calibration.document import Document, DocumentError
from evenbed.head.types import Known
from evenbed.link.messages import Limits
from evenbed.record.calibrations import Calibrations, Kept
from evenbed.record.store import Store, StoreError


@dataclass(frozen=True)
class Basis:
    """The calibration in use with its document and number; all None, and ``why`` said, where there is none that the board
    reckons with."""

    known: Known | None
    document: Document | None
    why: str

    @property
    def number(self) -> int | None:
        """Its number in the records."""
        return self.known.number if self.known is not None else None


def matches(known: Known, limits: Limits) -> bool:
    """Does the board reckon with what this calibration set?"""
    return (known.zero_counts, known.gain_mcounts_n) == (limits.zero_counts, limits.gain_mcounts_n)


def in_use(where: Path) -> Kept | str:
    """The calibration that the records say is in use, or why there is none."""
    try:
        store = Store(where, make=False)
    except FileNotFoundError:
        return "No calibration is in use."
    except StoreError as e:
        return f"The records cannot be read: {e}"
    try:
        return Calibrations(store).in_use() or "No calibration is in use."
    except (StoreError, DocumentError) as e:
        return f"The calibration in use cannot be read: {e}"
    finally:
        store.close()


def basis(where: Path, limits: Limits) -> Basis:
    """The calibration in use, if this board reckons with it. What cannot be read is said, and counts as none."""
    kept = in_use(where)
    if isinstance(kept, str):
        return Basis(None, None, kept)
    try:
        known = kept.document.known(kept.number)
    except DocumentError as e:
        return Basis(None, None, f"The calibration in use cannot be read: {e}")
    if not matches(known, limits):
        return Basis(
            None,
            None,
            f"The board reckons with {limits.counts_per_n:.2f} counts/N from {limits.zero_counts}, not with calibration "
            f"{known.number} ({known.gain_mcounts_n / 1000.0:.2f} from {known.zero_counts}): hand it over again.",
        )
    return Basis(known, kept.document, "")


def keep(
    where: Path, kind: str, number: int | None, verdict: str, says: str, values: dict[str, object]
) -> tuple[int | None, str]:
    """Write a check or a test down; returns its number, or why it was not written."""
    try:
        store = Store(where)
    except StoreError as e:
        return None, f"It is not kept: {e}"
    try:
        return Calibrations(store).measured(kind, number, verdict, says, values), ""
    except StoreError as e:
        return None, f"It is not kept: {e}"
    finally:
        store.close()
