"""A pseudo-terminal as the simulated rig's USB serial port. Linux and macOS only."""

from __future__ import annotations

import os
import tty


class PtyPort:
    """The rig's end of a pseudo-terminal; any serial program opens ``name``."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.name = os.ttyname(self._slave)

    def fileno(self) -> int:
        """Descriptor to wait on."""
        return self._master

    def write(self, data: bytes) -> None:
        """Send to whoever has the port open. What does not fit is lost, as on a port that nobody reads."""
        try:
            os.write(self._master, data)
        except (BlockingIOError, OSError):
            return

    def read(self) -> bytes:
        """Bytes that have come; none is fine."""
        try:
            return os.read(self._master, 65536)
        except (BlockingIOError, OSError):
            return b""

    def close(self) -> None:
        """Close both ends: an open program sees the port vanish."""
        os.close(self._master)
        os.close(self._slave)
