"""On the real clock: a stop is kept by the processes as they are, and a killed session is told at the next start.

A computer that stalls for over 0.15 s makes the board freeze by itself; that too is a stop that is kept, so nothing here
depends on which stop it was.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

# The crash campaign's helpers live beside the tests, in no installed package; plain pytest does not look there.
sys.path.insert(0, str(Path(__file__).parents[2]))

from evenbed.record.bundle import intact
from evenbed.record.replay import replay
from evenbed.record.store import Store

from tests.benchmarks.crash import COMMAND, Output, child, one_run, processes, start

LATEST_S = 60.0  # a hang, not a measure of speed
TRIES = 4


@pytest.fixture
def env(records_of_their_own: Path) -> dict[str, str]:
    return {**os.environ, "EVENBED_RECORDS": str(records_of_their_own)}


@pytest.fixture
def mine() -> Iterator[list[int]]:
    with processes() as pids:
        yield pids


def rig_and_pull(env: dict[str, str], mine: list[int], *words: str) -> tuple[Output, str, Output]:
    rig = start(["simrig", "--board", *words], env)
    mine.append(rig.process.pid)
    found = rig.wait(r"Simulated rig on (\S+)", LATEST_S)
    assert found is not None, rig.lines
    port = found.group(1)
    pull = start(["pull", "24kgf", "--port", port], env)
    mine.append(pull.process.pid)
    return rig, port, pull


def test_a_stop_is_in_the_list_and_replays(records_of_their_own: Path, env: dict[str, str], mine: list[int]) -> None:
    _, _, pull = rig_and_pull(env, mine, "--fault", "150N string off")
    assert pull.process.wait(LATEST_S) == 3, pull.lines
    store = Store(records_of_their_own)
    row = store.trips()[-1]
    bundle = store.bundle(row.number)
    assert intact(bundle) and bundle["whole"]
    again = replay(bundle)
    assert again.same, again.differences
    assert row.name in again.stops
    done = subprocess.run([*COMMAND, "trips", "replay", "1"], env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "The same verdict." in done.stdout, done.stdout + done.stderr
    ((how,),) = store.db.execute("SELECT how FROM session").fetchall()
    assert how == "done"


def test_a_killed_control_process_is_told_at_the_next_start(env: dict[str, str], mine: list[int]) -> None:
    for attempt in range(TRIES):
        run = one_run("control", 7 + attempt)
        if not run.stalled:
            break
    assert run.wrong == [], run.wrong
    assert "ended without goodbye" in run.said


def test_without_a_writer_the_pull_goes_on(env: dict[str, str], mine: list[int]) -> None:
    _, _, pull = rig_and_pull(env, mine)
    assert pull.wait("Armed", LATEST_S) is not None, pull.lines
    writer = child(pull.process.pid, "evenbed.record.writer")
    assert writer is not None
    os.kill(writer, signal.SIGKILL)
    assert pull.wait("Records are not being kept: .* The pull goes on", LATEST_S) is not None, pull.lines
    assert pull.wait("Ready. String in the gripper", LATEST_S) is not None, pull.lines
    assert sum("Records are not being kept" in line for line in pull.lines) == 1


def test_records_that_cannot_be_kept_stop_no_pull(records_of_their_own: Path, env: dict[str, str], mine: list[int]) -> None:
    records_of_their_own.parent.joinpath("file").write_text("")
    bad = {**env, "EVENBED_RECORDS": str(records_of_their_own.parent / "file" / "below")}
    _, _, pull = rig_and_pull(bad, mine)
    assert pull.wait("Records are not being kept: .*cannot be opened", LATEST_S) is not None, pull.lines
    assert pull.wait("Ready. String in the gripper", LATEST_S) is not None, pull.lines
    pull.process.send_signal(signal.SIGINT)
    pull.process.wait(LATEST_S)
    assert "Traceback" not in "\n".join(pull.lines)
