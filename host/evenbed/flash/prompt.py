"""A board's MicroPython prompt, by mpremote's transport. Everything that can go wrong with the cable raises PromptError."""

from __future__ import annotations

import contextlib
import json
import struct
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from evenbed.flash.files import PACKAGES

BANNER = b"raw REPL; CTRL-B to exit\r\n"
ANSWER_S = 5.0
PROMPT_S = 0.3
CHUNK = 1024  # bytes of a file in one command; the board holds it four times over

WHO = """
import json, sys
print(json.dumps([getattr(sys.implementation, "_machine", sys.platform), list(sys.implementation[1])[:3],
    [m for m in sys.modules if m.startswith("evenbed_")]]))
"""
LOOK = """
import binascii, hashlib, os
def _look(path):
    h = hashlib.sha256()
    b = bytearray(512)
    with open(path, "rb") as f:
        while True:
            n = f.readinto(b)
            if not n:
                break
            h.update(memoryview(b)[:n])
    print(str(binascii.hexlify(h.digest()), "ascii"), path)
def _walk(folder):
    for e in os.ilistdir(folder):
        path = folder + "/" + e[0]
        if e[1] == 0x4000:
            _walk(path)
        else:
            _look(path)
for e in os.ilistdir():
    if e[1] == 0x4000:
        if e[0] in {packages}:
            _walk(e[0])
    elif e[0] in {files}:
        _look(e[0])
"""


class PromptError(Exception):
    """The prompt is gone or did not do what it was asked; the text says what happened."""


@dataclass(frozen=True)
class Who:
    """What runs at the prompt: the machine as it names itself, MicroPython's version, and whether evenbed's program has run
    since the board's last reset."""

    machine: str
    version: str
    ran: bool


@contextlib.contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except TransportExecError as e:
        last = e.error_output.strip().splitlines()
        raise PromptError(f"the board says: {last[-1] if last else 'nothing'}") from None
    except (TransportError, serial.SerialException, OSError, ValueError, struct.error) as e:
        raise PromptError(f"the board does not answer ({e})") from None


class Prompt:
    """The prompt on one port, kept from other programs until ``close``. Raises PromptError if the port cannot be opened."""

    def __init__(self, port_name: str) -> None:
        with _told():
            self._transport = SerialTransport(port_name)
            self._serial: serial.Serial = self._transport.serial
            self._serial.write_timeout = ANSWER_S
            self._serial.timeout = ANSWER_S

    def reach(self, seconds: float) -> bool:
        """Interrupt what runs and ask for the prompt, again and again; True as soon as it is there.

        A program that does not want to be interrupted, such as an armed board's, is not.
        """
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            with _told():
                self._serial.write(b"\r\x03")
                time.sleep(0.05)
                self._serial.read(self._serial.in_waiting)
                # An interrupt may still be under way: only a command that went through shows that the prompt is there.
                if self._answers(b"\r\x01", BANNER) and self._answers(b"0\x04", b">OK\x04\x04"):
                    return True
        return False

    def _answers(self, said: bytes, wanted: bytes) -> bool:
        self._serial.write(said)
        self._serial.timeout = PROMPT_S
        heard = self._serial.read_until(wanted, 4096)
        self._serial.timeout = ANSWER_S
        return heard.endswith(wanted)

    def run(self, code: str) -> str:
        """Run ``code`` there; return what it printed."""
        with _told():
            return bytes(self._transport.exec(code)).decode(errors="replace")

    def who(self) -> Who:
        """What runs here."""
        try:
            machine, version, modules = json.loads(self.run(WHO))
            return Who(str(machine), ".".join(str(n) for n in version), bool(modules))
        except (ValueError, TypeError) as e:
            raise PromptError(f"the board does not answer as MicroPython ({e})") from None

    def look(self, files: Sequence[str], folders: Sequence[str] = PACKAGES) -> dict[str, str]:
        """SHA-256 by path, worked out on the board: of ``files`` in its root and of everything within ``folders``."""
        text = self.run(LOOK.format(packages=repr(tuple(folders)), files=repr(tuple(files))))
        found = {}
        for line in text.splitlines():
            digest, _, path = line.partition(" ")
            found[path] = digest
        return found

    def read(self, path: str) -> bytes:
        """A file's content."""
        with _told():
            return bytes(self._transport.fs_readfile(path))

    def write(self, path: str, data: bytes) -> None:
        """Write a file."""
        with _told():
            self._transport.fs_writefile(path, data, chunk_size=CHUNK)

    def rename(self, path: str, to: str) -> None:
        """Rename a file; one that has the new name is gone at the same moment. Makes the folder if there is none."""
        folder = to.rpartition("/")[0]
        make = f"if {folder!r} not in os.listdir():\n os.mkdir({folder!r})\n" if folder else ""
        self.run(f"import os\n{make}os.rename({path!r}, {to!r})")

    def remove(self, path: str) -> None:
        """Remove a file."""
        with _told():
            self._transport.fs_rmfile(path)

    def reset(self) -> None:
        """Reset the chip, as if power had gone, and close. The port may go away for a moment."""
        with contextlib.suppress(PromptError), _told():
            self._transport.exec_raw_no_follow("import machine\nmachine.reset()")
            until = time.monotonic() + ANSWER_S
            # Not flush(): of a port that has gone by then it raises an error of the operating system's own kind.
            while self._serial.out_waiting and time.monotonic() < until:
                time.sleep(0.005)
        self.close()

    def close(self) -> None:
        """Give the port back."""
        with contextlib.suppress(OSError, serial.SerialException):
            self._serial.close()
