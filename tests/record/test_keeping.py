"""What the next start says about a session that ended without goodbye, and what it does not say."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from evenbed.record.keeping import what_happened
from evenbed.record.store import FILE, Store, started_at

PORT = "/dev/ttyACM0"
GONE = 2**22 - 3  # above Linux's highest process number as it is set by default; never running here


def session(
    where: Path,
    how: str | None,
    state: str | None = "holding",
    force_n: float | None = 235.4,
    pid: int = GONE,
    port: str = PORT,
) -> int:
    store = Store(where)
    number = store.begin(port, None, pid, {})
    if state is not None:
        store.moment(number, state, force_n)
    if how is not None:
        store.end(number, how)
    store.close()
    return number


def test_nothing_is_said_without_records_or_after_a_goodbye(tmp_path: Path) -> None:
    assert what_happened(tmp_path / "none", "kgf", PORT) == []
    assert not (tmp_path / "none").exists()
    session(tmp_path, "done")
    session(tmp_path, "done: no such port")
    assert what_happened(tmp_path, "kgf", PORT) == []


@pytest.mark.parametrize("how", ["without goodbye", None])
def test_a_killed_session_is_said_once_with_state_force_and_what_to_check(tmp_path: Path, how: str | None) -> None:
    session(tmp_path, how)
    (said,) = what_happened(tmp_path, "kgf", PORT)
    for part in (PORT, "ended without goodbye", "'holding'", "24.00 kgf", "froze by itself", "look at the string", "pedal"):
        assert part in said, said
    assert ("its last entry" in said) == (how is None)
    assert what_happened(tmp_path, "kgf", PORT) == []


def test_a_slack_head_needs_less(tmp_path: Path) -> None:
    session(tmp_path, "without goodbye", "slack", 0.1)
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "'slack' with 0.1 N" in said and "Check that the head is slack" in said and "froze" not in said


def test_an_unknown_force_is_not_taken_for_none(tmp_path: Path) -> None:
    session(tmp_path, "without goodbye", "tripped", None)
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "an unknown force" in said and "look at the string" in said


def test_before_any_board_answered(tmp_path: Path) -> None:
    session(tmp_path, "without goodbye", None)
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "no board had answered yet" in said


def test_a_closed_window_is_said_as_such(tmp_path: Path) -> None:
    session(tmp_path, "window gone", "slack", 0.0)
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "lost its window" in said and "'slack'" in said


def test_a_session_that_runs_is_left_alone_unless_it_has_this_port(tmp_path: Path) -> None:
    number = session(tmp_path, None, pid=os.getpid())
    store = Store(tmp_path)
    assert store.untold()[0].pid_started == started_at(os.getpid())
    assert what_happened(tmp_path, "N", "/dev/other") == []
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "still runs without records" in said and str(os.getpid()) in said
    # It is no end: when it has one, that is said.
    assert what_happened(tmp_path, "N", PORT) == [said]
    store.end(number, "without goodbye")
    store.db.execute("UPDATE session SET pid = ?, pid_started = NULL", (GONE,))
    assert "ended without goodbye" in what_happened(tmp_path, "N", PORT)[0]


def test_of_many_only_the_last_two_are_said_and_none_again(tmp_path: Path) -> None:
    for i in range(5):
        session(tmp_path, "without goodbye", "holding", 100.0 + i)
    said = what_happened(tmp_path, "N", PORT)
    assert ["103.0 N" in said[0], "104.0 N" in said[1], len(said)] == [True, True, 2]
    assert what_happened(tmp_path, "N", PORT) == []


def test_records_that_cannot_be_read_are_a_sentence(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"not a database, but of some length to be looked at " * 30)
    (said,) = what_happened(tmp_path, "N", PORT)
    assert "Earlier records cannot be read" in said and "damaged" in said
