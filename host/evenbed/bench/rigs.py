"""A simulated rig of the page's own: a process on a pseudo-terminal, whose pedal the page has."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from evenbed.job.marks import TAKING_BACK, JobState
from evenbed.job.planned import PlannedPull

COMMAND = (sys.executable, "-m", "evenbed.cli.main", "simrig")
PORT = re.compile(r" on (\S+)")
DONE = re.compile(r"^\s*[\d.]+ s\s+-?[\d.]+ N  (.+)$")  # what hands have done, as simrig prints it

WORDS = {"is in the gripper": "string", "once more: its tail is in the gripper": "again", "to be taken back": "back"}
GRIPPED = re.compile(f"(.+?) ({'|'.join(WORDS)})")
GOES_ON_S = 3.0  # from a string that is off to the next one in the gripper
SETTLED_S = 1.0  # the job may hear of a pull later than the hands do
PATIENT = 3  # times that hands are told the same


class RigError(Exception):
    """The simulated rig did not start; the text says why."""


class SimulatedRig:
    """``evenbed simrig`` with the pedal in our hands. ``heard`` is called, from a thread, with what its other hands do."""

    def __init__(
        self,
        arguments: Sequence[str],
        heard: Callable[[str], None],
        racquet: str = "",
        command: Sequence[str] = COMMAND,
    ) -> None:
        """Start it; ``racquet`` is the text of a racquet file that it is to string. Raises RigError."""
        self._stack = contextlib.ExitStack()
        self._down = False
        self._gripped: tuple[str, str] | None = None  # kind and label of what the hands have put into the gripper
        self._seen: tuple[str, str] | None = None
        self._wanted: tuple[str, PlannedPull] | None = None
        self._made: list[int] = []
        self._due_s = 0.0
        self._told = 0  # times, without effect
        arguments = ["--hands", "pedal", *arguments]
        if racquet:
            folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="evenbed-")))
            file = folder / "job.racquet.toml"
            file.write_text(racquet, encoding="utf-8")
            arguments += ["--racquet", str(file)]
        self._process = subprocess.Popen(
            [*command, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            bufsize=1,
            start_new_session=True,
        )
        self._stack.callback(self._stop)
        assert self._process.stdout is not None
        first = self._process.stdout.readline().strip()
        found = PORT.search(first)
        if not found:
            rest = f"{first} {self._process.stdout.read(2000).strip()}".strip()
            self._stack.close()
            raise RigError(f"The simulated rig did not start: {rest}")
        self.port = found.group(1)
        self._heard = heard
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError):  # closed
            for line in self._process.stdout:
                if done := DONE.match(line.rstrip()):
                    self.hear(done.group(1))

    def pedal(self, down: bool) -> None:
        """Press the pedal, or let go of it. Said once for each change; a rig that is gone hears nothing."""
        if down == self._down:
            return
        self._down = down
        self.tell("down" if down else "up")

    def tell(self, line: str) -> None:
        """Say something to its hands."""
        if self._process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(line + "\n")
                self._process.stdin.flush()

    def hear(self, done: str) -> None:
        """Take what its hands say that they have done."""
        if found := GRIPPED.fullmatch(done):
            self._gripped = (WORDS[found[2]], found[1])
        self._heard(done)

    def follow(self, state: JobState, now_s: float) -> None:
        """Take what the job wants next: the hands know nothing but the plan."""
        made = [d.pull.number for d in state.in_bed]
        wanted = None
        if state.phase == TAKING_BACK and state.newest is not None:
            wanted = ("back", state.newest.pull)
        elif state.left:
            wanted = ("again" if state.again else "string", state.left[0])
        if wanted != self._wanted:
            # After a pull they go on by themselves, and mostly to the right string.
            self._due_s = now_s + (0.0 if made == self._made else GOES_ON_S)
            self._told = 0
        self._wanted, self._made = wanted, made

    def steer(self, now_s: float) -> None:
        """Where the hands have gripped another string than is wanted, tell them. Call it often, while nothing is on the
        head."""
        if self._wanted is None:
            return
        kind, pull = self._wanted
        if self._gripped != self._seen:
            self._seen = self._gripped
            self._due_s = max(self._due_s, now_s + SETTLED_S)
        if self._gripped in (None, (kind, pull.label)):
            self._told = 0
        elif now_s >= self._due_s and self._told < PATIENT:
            self._told += 1
            self._due_s = now_s + GOES_ON_S
            self.tell(f"string {pull.number}" if kind == "string" else kind)

    def _stop(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(2.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def close(self) -> None:
        """End it."""
        self._stack.close()
