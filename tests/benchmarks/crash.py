"""Kill -9 at random moments, on the real clock: does the board stand in time, are the records whole, does the next start
say what happened?

    python -m tests.benchmarks.crash --runs 200

Each run has a simulated rig on a pseudo-terminal in a process of its own, ``evenbed pull`` on it, and a victim: the control
process, the writer of the records, or the terminal (``evenbed pull`` itself). What the board did is read from what the
simulated rig prints of it. A computer that stalls for over 0.15 s makes the board freeze by itself: such a run is counted
apart and made again.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from evenbed.record.bundle import intact
from evenbed.record.store import FILE, Store
from evenbed_fw.safety import EXPIRY_MAX_MS
from evenbed_fw.settings import Settings

COMMAND = [sys.executable, "-m", "evenbed.cli.main"]
VICTIMS = {"control": "evenbed.control.process", "writer": "evenbed.record.writer", "terminal": ""}
LOADED_SHARE = 0.75  # of the kills fall into the pull, the rest before it
PULL_S = 7.0  # after the stringer's tap
ARMING_S = 8.0
MOVING = ("moving", "holding")
LEASE = "lease_expired"
PATIENCE_S = 25.0
BOARD = re.compile(r"([\d.]+) s +(-?[\d.]+) N  BOARD (\w+) (\w+) (moves|stands) at ([\d.]+) silent ([\d.]+) s")


def bounds_s() -> tuple[float, float]:
    """From the host's last line: until the board is frozen, and until the motor stands. Lease, the loop's own pass; then
    the granted steps, and the way to brake from full speed, which may not be longer."""
    s = Settings()
    frozen = EXPIRY_MAX_MS / 1000.0 + 0.005
    return frozen, frozen + s.granted_us * 1e-6 + s.rate_max_steps_s / s.accel_steps_s2


@dataclass(frozen=True)
class BoardLine:
    """What the simulated rig says of its board: rig time, force (N), state, fault, motion, host time, silence."""

    t_s: float
    force_n: float
    state: str
    fault: str
    moves: bool
    at_s: float
    silent_s: float


@dataclass
class Output:
    """Everything a process prints, as it comes."""

    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def wait(self, pattern: str, within_s: float) -> re.Match[str] | None:
        """The first line with ``pattern``, waiting for it."""
        until = time.monotonic() + within_s
        while True:
            for line in list(self.lines):
                if found := re.search(pattern, line):
                    return found
            if time.monotonic() > until or (self.process.poll() is not None and not self._more()):
                return None
            time.sleep(0.01)

    def _more(self) -> bool:
        before = len(self.lines)
        time.sleep(0.05)
        return len(self.lines) > before

    def board(self) -> list[BoardLine]:
        """What the board did so far."""
        out = []
        for line in list(self.lines):
            if m := BOARD.search(line):
                t, force, state, fault, motion, at, silent = m.groups()
                out.append(BoardLine(float(t), float(force), state, fault, motion == "moves", float(at), float(silent)))
        return out


def start(words: list[str], env: dict[str, str]) -> Output:
    """One of evenbed's commands."""
    process = subprocess.Popen(
        [*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True, env=env
    )
    return Output(process)


def child(of: int, module: str) -> int | None:
    """The child process of ``of`` that runs ``module``."""
    for entry in Path("/proc").iterdir():
        if not entry.name.isdecimal():
            continue
        with suppress(OSError, IndexError):
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == of and module.encode() in (entry / "cmdline").read_bytes():
                return int(entry.name)
    return None


def alive(pid: int) -> bool:
    """Does it run, and is more than its entry left?"""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


@contextmanager
def processes() -> Iterator[list[int]]:
    """Process numbers of this run; whatever is left of them at its end is ended."""
    mine: list[int] = []
    try:
        yield mine
    finally:
        for pid in mine:
            with suppress(OSError):
                if alive(pid):
                    os.kill(pid, signal.SIGKILL)


@dataclass
class Run:
    """What became of one run. ``wrong`` and ``late`` are empty if everything was as it must be, and in time."""

    victim: str
    board_state: str = ""
    head_state: str = ""
    stalled: bool = False
    frozen_s: float | None = None  # from the host's last line, rig's clock
    stands_s: float | None = None
    wall_s: float | None = None  # from the kill to the freeze, this computer's clock
    events: int = 0
    trips: int = 0
    said: str = ""
    wrong: list[str] = field(default_factory=list)
    late: list[str] = field(default_factory=list)


def one_run(victim: str, seed: int) -> Run:
    """One rig, one pull, one kill."""
    rng = Random(seed)
    run = Run(victim)
    with tempfile.TemporaryDirectory(prefix="evenbed-crash-") as folder, processes() as mine:
        env = {**os.environ, "EVENBED_RECORDS": folder}
        rig = start(["simrig", "--board", "--seed", str(seed)], env)
        mine.append(rig.process.pid)
        found = rig.wait(r"Simulated rig on (\S+)", 20.0)
        assert found is not None, rig.lines
        port = found.group(1)
        pull = start(["pull", "24kgf", "--port", port, "--family", "nylon"], env)
        mine.append(pull.process.pid)
        if pull.wait("Board with firmware", 20.0) is None:
            run.wrong.append(f"the pull did not begin: {pull.lines}")
            return run
        control, writer = (child(pull.process.pid, VICTIMS[name]) for name in ("control", "writer"))
        assert control is not None and writer is not None
        mine += [control, writer]
        if rng.random() < LOADED_SHARE:
            rig.wait("taps to draw", PATIENCE_S)
            time.sleep(rng.uniform(0.1, PULL_S))
        else:
            time.sleep(rng.uniform(0.0, ARMING_S))
        board = rig.board()
        run.board_state = board[-1].state if board else ""
        run.stalled = any(b.fault == LEASE for b in board)
        if pull.process.poll() is not None or run.stalled:
            run.stalled = True
            return run
        killed_s = time.monotonic()
        os.kill({"control": control, "writer": writer, "terminal": pull.process.pid}[victim], signal.SIGKILL)
        {"control": _after_control, "writer": _after_writer, "terminal": _after_terminal}[victim](
            run, rig, pull, control, killed_s
        )
        _check_records(run, Path(folder), writer)
        if not run.stalled:
            _check_next_start(run, port, env, mine)
        rig.process.send_signal(signal.SIGTERM)
        with suppress(subprocess.TimeoutExpired):
            rig.process.wait(5.0)
    return run


def _settle(rig: Output, killed_s: float, for_s: float) -> list[BoardLine]:
    """What the board did since the kill; the first entry is where it stood."""
    time.sleep(for_s)
    lines = rig.board()
    before = [b for b in lines if b.at_s <= killed_s]
    return before[-1:] + [b for b in lines if b.at_s > killed_s]


def _after_control(run: Run, rig: Output, pull: Output, control: int, killed_s: float) -> None:
    lines = _settle(rig, killed_s, 1.2)
    at_kill, after = lines[0], lines[1:]
    frozen_most, stands_most = bounds_s()
    if at_kill.state in MOVING or any(b.state in MOVING for b in after[:1]):
        froze = next((b for b in after if b.state not in MOVING), None)
        stands = next((b for b in after if b.state not in MOVING and not b.moves), None)
        if froze is None or stands is None:
            run.wrong.append(f"not frozen 1.2 s after the kill: {after}")
            return
        if froze.fault == LEASE:
            run.frozen_s, run.wall_s, run.stands_s = froze.silent_s, froze.at_s - killed_s, stands.silent_s
            if froze.silent_s > frozen_most:
                run.late.append(f"frozen {froze.silent_s:.3f} s after the last line, at most {frozen_most:.3f}")
            if stands.silent_s > stands_most:
                run.late.append(f"standing {stands.silent_s:.3f} s after the last line, at most {stands_most:.3f}")
        # Otherwise it stopped for a reason of its own first: an end that was reached, a press.
    elif any(b.state in MOVING for b in after):
        run.wrong.append(f"something moved without a control process: {after}")
    try:
        pull.process.wait(PATIENCE_S)
    except subprocess.TimeoutExpired:
        run.wrong.append("the terminal did not end")
    if "control process has ended" not in " ".join(pull.lines):
        run.wrong.append(f"the terminal did not say it: {pull.lines[-3:]}")


def _goes_on(run: Run, rig: Output, control: int, lines: list[BoardLine]) -> None:
    """The control process must be untouched: it holds what it held, or has ended at rest."""
    if any(b.fault == LEASE for b in lines):
        if alive(control):
            run.stalled = True  # it was there and too late: this computer was busy
        else:
            run.wrong.append(f"the control process ended with a lease running: {lines}")
    elif not alive(control) and lines[-1].state in MOVING:
        run.wrong.append(f"no control process and the board {lines[-1].state}")


def _until_gone(pid: int, within_s: float = PATIENCE_S) -> bool:
    until = time.monotonic() + within_s
    while alive(pid) and time.monotonic() < until:
        time.sleep(0.05)
    return not alive(pid)


def _after_writer(run: Run, rig: Output, pull: Output, control: int, killed_s: float) -> None:
    if pull.wait("Records are not being kept", 3.0) is None:
        run.wrong.append(f"the terminal did not say that records are not kept: {pull.lines[-3:]}")
    _goes_on(run, rig, control, _settle(rig, killed_s, 0.5))
    for _ in range(3):  # Ctrl-C as a person would: lets down, freezes, leaves
        if pull.process.poll() is None:
            pull.process.send_signal(signal.SIGINT)
            with suppress(subprocess.TimeoutExpired):
                pull.process.wait(6.0)
    if pull.process.poll() is None or not _until_gone(control):
        run.wrong.append("the session did not end")


def _after_terminal(run: Run, rig: Output, pull: Output, control: int, killed_s: float) -> None:
    _goes_on(run, rig, control, _settle(rig, killed_s, 1.0))
    pull.process.wait(PATIENCE_S)
    if not _until_gone(control):
        run.wrong.append("the control process did not end although the stringer let the string off")
    last = rig.board()[-1]
    if last.moves or last.state in MOVING:
        run.wrong.append(f"its end left the board {last.state}")


def _check_records(run: Run, folder: Path, writer: int) -> None:
    _until_gone(writer)
    path = folder / FILE
    if not path.exists():
        run.wrong.append("there are no records at all")
        return
    with closing(sqlite3.connect(path)) as db:
        verdict = db.execute("PRAGMA integrity_check").fetchall()
        if verdict != [("ok",)]:
            run.wrong.append(f"integrity: {verdict}")
        events = db.execute("SELECT says, vals FROM event").fetchall()
        run.events = len(events)
        for _, values in events:
            json.loads(values)
        states = [row[0] for row in db.execute("SELECT state FROM session")]
        run.head_state = states[-1] if states and states[-1] else ""
    with closing(Store(folder)) as store:
        for row in store.trips():
            run.trips += 1
            if not intact(store.bundle(row.number)):
                run.wrong.append(f"trip {row.number} is not what was sealed")


def _check_next_start(run: Run, port: str, env: dict[str, str], mine: list[int]) -> None:
    again = start(["pull", "24kgf", "--port", port], env)
    mine.append(again.process.pid)
    again.wait("^Pull to", 20.0)
    said = [line for line in again.lines if "session on" in line]
    run.said = said[-1] if said else ""
    expected = {"control": "ended without goodbye", "writer": "ended without goodbye", "terminal": "lost its window"}
    if expected[run.victim] not in run.said:
        run.wrong.append(f"the next start says: {again.lines}")
    elif run.head_state and f"'{run.head_state.replace('_', ' ')}'" not in run.said:
        run.wrong.append(f"the next start names another state than {run.head_state}: {run.said}")
    for pid in (child(again.process.pid, module) for module in VICTIMS.values() if module):
        if pid is not None:
            mine.append(pid)
    again.process.send_signal(signal.SIGINT)
    with suppress(subprocess.TimeoutExpired):
        again.process.wait(8.0)


def show(runs: list[Run]) -> None:
    """The table."""
    frozen_most, stands_most = bounds_s()

    def worst(values: list[float | None]) -> str:
        known = [v for v in values if v is not None]
        return f"{1000.0 * max(known):.0f} ms" if known else "-"

    print(f"\n{'victim':<10}{'runs':>5}{'wrong':>7}{'stalled':>9}", end="")
    print(f"{'frozen':>9}{'stands':>9}{'from kill':>11}{'trips':>7}  said")
    for victim in VICTIMS:
        these = [r for r in runs if r.victim == victim and not r.stalled]
        stalled = sum(r.stalled for r in runs if r.victim == victim)
        if not these and not stalled:
            continue
        print(
            f"{victim:<10}{len(these):>5}{sum(bool(r.wrong + r.late) for r in these):>7}{stalled:>9}"
            f"{worst([r.frozen_s for r in these]):>9}{worst([r.stands_s for r in these]):>9}"
            f"{worst([r.wall_s for r in these]):>11}{sum(r.trips for r in these):>7}  "
            f"{sum(bool(r.said) for r in these)} of {len(these)}"
        )
    print(
        f"\nfrozen, stands: worst time from the host's last line, by the rig's clock; at most {1000 * frozen_most:.0f} and "
        f"{1000 * stands_most:.0f} ms.\nfrom kill: worst time from the kill to the freeze, by this computer's clock."
    )
    states = Counter((r.victim, r.board_state, r.head_state) for r in runs if not r.stalled)
    print("killed in (board, head at its last entry):")
    for (victim, board, head), n in sorted(states.items()):
        print(f"  {victim:<10}{board:<10}{head or '-':<16}{n:>4}")
    for r in runs:
        for what in r.wrong + r.late:
            print(f"WRONG {r.victim}: {what}")


def main() -> int:
    """Entry point; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=20, help="kills that count; stalled runs are made again")
    parser.add_argument("--victim", choices=list(VICTIMS), help="only this one")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    victims = [asked.victim] if asked.victim else list(VICTIMS)
    runs: list[Run] = []
    seed = asked.seed
    while sum(not r.stalled for r in runs) < asked.runs and len(runs) < 3 * asked.runs:
        victim = victims[sum(not r.stalled for r in runs) % len(victims)]
        run = one_run(victim, seed)
        seed += 1
        runs.append(run)
        note = "stalled" if run.stalled else "WRONG" if run.wrong + run.late else "ok"
        print(f"{len(runs):>4} {victim:<10}{run.board_state:<10}{run.head_state:<16}{note}", flush=True)
    show(runs)
    return int(any(r.wrong + r.late for r in runs if not r.stalled))


if __name__ == "__main__":
    sys.exit(main())
