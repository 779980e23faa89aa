"""What the records say before a pull: one line for what is overdue, a refusal after a failed check, the calibration."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from evenbed.calibration.budget import Term
from evenbed.calibration.document import Document
from evenbed.calibration.steps import Cell, Series, Step, ratiometric
from evenbed.calibration.weights import standard_place
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store
from evenbed.work.readiness import readiness

CELL = Cell(490.3325, 2.0, ratiometric(128.0))
GAIN = CELL.rated_counts_n


def made(days_ago: float) -> Document:
    """A calibration with one weight of 200 N, invented."""
    term = (Term("weights", 0.2, "rectangular", shared="set"),)
    steps = [
        Step(0.0, (), "up", 21000.0, 38.0, 240, 0.0),
        Step(200.0, term, "up", 21000.0 + 200.0 * GAIN, 38.0, 240, 60.0),
        Step(0.0, (), "down", 21000.0, 38.0, 240, 120.0),
    ]
    when = datetime.now(UTC) - timedelta(days=days_ago)
    return Document(when.isoformat(), "somebody", standard_place(), CELL, (Series(tuple(steps)),))


def store(where: Path, days_ago: float = 1.0) -> tuple[Store, Calibrations]:
    opened = Store(where)
    kept = Calibrations(opened)
    kept.use(kept.keep(made(days_ago)), "a test")
    return opened, kept


def test_an_empty_folder_says_what_to_do(tmp_path: Path) -> None:
    found = readiness(tmp_path / "none", False)
    assert found.known is None and not found.refused
    assert "evenbed calibrate" in found.lines[0] and "evenbed check" in found.lines[0]
    assert not (tmp_path / "none").exists()


def test_the_calibration_in_use_goes_along(tmp_path: Path) -> None:
    opened, kept = store(tmp_path)
    kept.measured("check", 1, "pass", "x", {})
    opened.close()
    found = readiness(tmp_path, False)
    assert found.known is not None and found.lines == []
    assert found.known.number == 1 and found.known.zero_counts == 21000
    # 50 kgf, 2 mV/V, gain 128: 2**32/1000 counts at capacity (derived).
    assert found.known.gain_mcounts_n == round(2**32 / 490.3325)
    assert 0.2 < found.known.expanded_n(200.0) < 2.0


@pytest.mark.parametrize(("days", "due"), [(364.0, False), (366.0, True)])
def test_a_year_old_calibration_is_one_line(tmp_path: Path, days: float, due: bool) -> None:
    opened, kept = store(tmp_path, days)
    kept.measured("check", 1, "pass", "x", {})
    opened.close()
    assert bool(readiness(tmp_path, False).lines) is due


def test_a_failed_check_refuses_until_it_is_overridden_or_made_good(tmp_path: Path) -> None:
    opened, kept = store(tmp_path)
    kept.measured("check", 1, "fail", "The reading is 6 N off.", {})
    opened.close()
    found = readiness(tmp_path, False)
    assert "6 N off" in found.refused and "--despite-check" in found.refused
    despite = readiness(tmp_path, True)
    assert not despite.refused and "written down" in despite.lines[-1]
    opened = Store(tmp_path)
    kept = Calibrations(opened)
    assert [m.kind for m in kept.list_measured("despite")] == ["despite"]
    kept.use(1, "calibrated anew")
    opened.close()
    assert not readiness(tmp_path, False).refused


def test_a_damaged_file_is_not_taken_for_a_passed_check(tmp_path: Path) -> None:
    (tmp_path / "records.db").write_bytes(b"this is no database" * 100)
    found = readiness(tmp_path, False)
    assert "cannot be read" in found.refused and "--despite-check" in found.refused
    despite = readiness(tmp_path, True)
    assert not despite.refused and "cannot be read" in despite.lines[0]


@pytest.mark.parametrize("junk", ["[]", "{", '{"format": "evenbed calibration 1"}', '{"format": 3}'])
def test_a_damaged_calibration_raises_nothing(tmp_path: Path, junk: str) -> None:
    opened, kept = store(tmp_path)
    kept.use(opened.write("INSERT INTO calibration (wall, document) VALUES ('x', ?)", junk), "a test")
    opened.close()
    assert "cannot be read" in readiness(tmp_path, False).refused
