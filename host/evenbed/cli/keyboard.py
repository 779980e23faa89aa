"""Lines typed while the screen is repainted: nothing waits for them."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Iterator


class Keyboard:
    """Collects what is typed. ``typing`` is the line under way, for the screen to show."""

    def __init__(self, descriptor: int | None, terminal: bool) -> None:
        self._fd = descriptor
        self._terminal = terminal
        self.typing = ""

    def lines(self) -> list[str]:
        """Lines that were ended since the last call."""
        out: list[str] = []
        while self._fd is not None and select.select([self._fd], [], [], 0.0)[0]:
            try:
                data = os.read(self._fd, 1024)
            except OSError:
                data = b""
            if not data:
                self._fd = None  # nobody types any more; the pedal goes on
                break
            for ch in data.decode("utf-8", "ignore"):
                if ch in "\r\n":
                    out.append(self.typing)
                    self.typing = ""
                elif ch in "\x7f\b":
                    self.typing = self.typing[:-1]
                elif ch == "\x1b":
                    self.typing = ""
                elif ch.isprintable():
                    self.typing += ch
        return out


@contextlib.contextmanager
def keyboard() -> Iterator[Keyboard]:
    """The keyboard of this terminal, unechoed, put back afterwards; or what comes down a pipe."""
    try:
        fd = sys.stdin.fileno()
    except (OSError, ValueError, AttributeError):
        yield Keyboard(None, False)
        return
    if not sys.stdin.isatty():
        yield Keyboard(fd, False)
        return
    import termios
    import tty

    before = termios.tcgetattr(fd)
    tty.setcbreak(fd)
    try:
        yield Keyboard(fd, True)
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)
