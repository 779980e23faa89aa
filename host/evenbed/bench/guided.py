"""The program's own guided commands, each in a process of its own: what it says goes to the page, line by line, and what is
typed there goes to it. The port is that process's alone while it runs."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

# What a command of ours begins with. It is started with interrupts blocked (see ``GuidedRun``): one that came before this
# has waited, and is heard here. Whoever starts the bench in the background of a script has interrupts ignored, and so would
# its children.
HEARS_STOP = (
    "import signal, sys\n"
    "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "try: signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])\n"
    "except KeyboardInterrupt: sys.exit(130)\n"
)
_MAIN = "try:\n from evenbed.cli.main import main\n main(prog_name='evenbed')\nexcept KeyboardInterrupt: sys.exit(130)\n"
COMMAND = (sys.executable, "-u", "-c", HEARS_STOP + _MAIN)
MOST_LINES = 400
PATIENCE_S = 20.0  # to let a string down and end
LAST_WORDS_S = 2.0  # for what an ended command has said to be read; a process that it has left may hold its output open


@dataclass(frozen=True)
class Guided:
    """One guided run as a page may begin it: the command, whether it takes a weight and where it hangs, and whether results
    are kept with the records of the user."""

    command: str
    weight: str = ""  # its option
    place: bool = False
    kept: bool = True


RUNS = {
    "check": Guided("check", weight="--weight"),
    "prove": Guided("prove", kept=False),
    "sensor": Guided("sensor"),
    "calibrate": Guided("calibrate", place=True),
    "commission": Guided("commission"),
}


def arguments(values: dict[str, Any], records: str, port: str, rig: str | None) -> list[str]:
    """The command line of a run: ``values`` as ``orders.read`` gives them, ``port`` "" for a simulated rig, ``rig`` another
    rig.toml than the user's."""
    run = RUNS[values["run"]]
    out = [run.command, *(["--port", port] if port else ["--sim"]), "--unit", values["unit"]]
    if run.command == "sensor":
        out = out[:-2]  # its figures are newtons: limits of the board
    if run.kept:
        out += ["--records", records]
    if run.weight:
        out += [run.weight, values["weight"]]
    if run.place and values["latitude"] is not None:
        out += ["--latitude", str(values["latitude"])]
    if run.command == "calibrate" and values["resume"]:
        out.append("--resume")
    if run.command == "commission" and port and rig:
        out += ["--rig", rig]
    return out


@contextlib.contextmanager
def _interrupts_wait() -> Iterator[None]:
    """What this thread starts has interrupts blocked. A stop may come before the command can hear it: while ignored it
    would be lost, otherwise it would end the command without a word, and none may be sent twice. Blocked it is kept, even
    where it is ignored (so Linux does), until the command unblocks it. Other threads, and the mask of this one, stay."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class GuidedRun:
    """One of them under way. ``changed`` is called, from a thread, whenever there is more to read or it has ended."""

    def __init__(self, command: Sequence[str], changed: Callable[[], None]) -> None:
        """Start it: a program that begins with ``HEARS_STOP``. Pictures that it draws stay in a folder of its own, which
        goes with it. Raises OSError if it cannot be started."""
        self.code: int | None = None  # its exit code, once it has ended
        self._lines: deque[str] = deque(maxlen=MOST_LINES)
        self._lock = threading.Lock()
        self._changed = changed
        self._stopped = False
        self._ended = threading.Event()
        self._folder = tempfile.TemporaryDirectory(prefix="evenbed-")
        try:
            self._process = self._start(list(command))
        except OSError:
            self._folder.cleanup()
            raise
        assert self._process.stdin is not None
        os.set_blocking(self._process.stdin.fileno(), False)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        threading.Thread(target=self._await_end, daemon=True).start()

    def _start(self, command: list[str]) -> subprocess.Popen[str]:
        with _interrupts_wait():
            return subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                encoding="utf-8",
                errors="replace",
                bufsize=1,
                cwd=self._folder.name,
                env={**os.environ, "PYTHONUTF8": "1", "NO_COLOR": "1"},
                start_new_session=True,
            )

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as said:
            for line in said:
                with self._lock:
                    self._lines.append(line.rstrip())
                self._changed()

    def _await_end(self) -> None:
        code = self._process.wait()
        self._reader.join(LAST_WORDS_S)
        self.code = code
        self._ended.set()
        self._changed()

    @property
    def lines(self) -> list[str]:
        """What it has said, the last of it."""
        with self._lock:
            return list(self._lines)

    def say(self, text: str) -> None:
        """Type one line. A command that reads nothing is not waited for: what it has no room for is dropped."""
        assert self._process.stdin is not None
        with contextlib.suppress(OSError, ValueError):  # full, or it has ended meanwhile
            os.write(self._process.stdin.fileno(), (" ".join(text.splitlines()) + "\n").encode())

    def stop(self) -> None:
        """What Ctrl-C is in a terminal: what moves is let down, what is done is kept. Asked again it changes nothing: a
        second interrupt would cut the first one's work short."""
        with self._lock:
            again, self._stopped = self._stopped, True
        if self.code is None and not again:
            with contextlib.suppress(ProcessLookupError):
                self._process.send_signal(signal.SIGINT)

    def close(self, patience_s: float = PATIENCE_S) -> bool:
        """Stop it, and wait until it has ended; False if it has not, for there is a string to be let down. A process that
        it has left, such as one that lets the string down, is not waited for."""
        self.stop()
        if not self._ended.wait(patience_s):
            return False
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        self._folder.cleanup()
        return True


class Guiding:
    """The one run under way, if there is one. ``publish`` is told all that it has said, whenever there is more."""

    def __init__(self, publish: Callable[[dict[str, Any]], None], command: Sequence[str] = COMMAND) -> None:
        self._publish = publish
        self._command = command
        self._due = threading.Event()
        self._values: dict[str, Any] = {}
        self.run: GuidedRun | None = None

    @property
    def over(self) -> bool:
        """Has the run ended?"""
        return self.run is not None and self.run.code is not None

    @property
    def facts(self) -> dict[str, Any]:
        """What all pages are to know of it."""
        return {"run": self._values["run"], "unit": self._values["unit"]}

    def begin(self, values: dict[str, Any], records: str, port: str, rig: str | None) -> None:
        """Start one; none may be under way. Raises OSError if it cannot be started."""
        self._values = values
        self.run = GuidedRun([*self._command, *arguments(values, records, port, rig)], self._due.set)
        self._due.set()

    def tell(self) -> None:
        """Publish what is new."""
        if self.run is not None and self._due.is_set():
            self._due.clear()
            self._publish({"kind": "guided", "lines": self.run.lines, "code": self.run.code})

    def leave(self, patience_s: float = PATIENCE_S) -> bool:
        """End it; False if it is still at letting down after ``patience_s``. With 0 nobody is kept waiting: ask again."""
        if self.run is not None and not self.run.close(patience_s):
            return False
        self.run = None
        self._publish({"kind": "guided", "lines": [], "code": None})
        return True
