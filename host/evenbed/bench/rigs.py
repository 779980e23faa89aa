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

COMMAND = (sys.executable, "-m", "evenbed.cli.main", "simrig")
PORT = re.compile(r" on (\S+)")
DONE = re.compile(r"^\s*[\d.]+ s\s+-?[\d.]+ N  (.+)$")  # what hands have done, as simrig prints it


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
        self._hands: list[int] | None = None  # pulls that the hands have still before them, in their order
        self._told: tuple[str, list[int]] = ("", [])
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
                    self._heard(done.group(1))

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

    def follow(self, state: JobState) -> None:
        """Tell the hands where the job has left its plan: else they thread the plan's next string."""
        done = [d.pull.number for d in state.done]
        last = state.last
        left = [p.number for p in state.left]
        if self._hands is None:
            self._hands = [p.number for p in state.plan.pulls if p.number not in done]
        hands = self._hands
        for number in [n for n in hands if n in done]:
            hands.remove(number)
        hands[:0] = [n for n in left if n not in hands]
        kind = "back" if state.phase == TAKING_BACK else "again" if state.again else ""
        wanted = (kind, done[-1:] if kind == "back" else left[:1])
        order, about = self._told
        made = order == "again" and about == done[-1:] and last is not None and last.again
        pending = (order == "again" and not made) or (order == "back" and about == done[-1:])
        if kind and wanted != self._told:
            self.tell(kind)
        elif not kind and left and (hands[0] != left[0] or pending):
            hands.remove(left[0])
            hands.insert(0, left[0])
            self.tell(f"string {left[0]}")
        self._told = wanted

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
