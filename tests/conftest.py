"""No test writes into the user's own records, or reads the user's own rig.toml."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def records_of_their_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The folder that everything started by this test keeps its records in."""
    where = tmp_path / "records"
    monkeypatch.setenv("EVENBED_RECORDS", str(where))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return where
