"""Opening the board's port, with errors that say what to do."""

from __future__ import annotations

import os
from pathlib import Path

import serial
from serial.tools import list_ports

BAUD = 460800  # over a UART; USB serial ignores it
CONTROL = b"evenbed.control.process"


class PortError(Exception):
    """The port cannot be opened or has gone; the text says why and what to do."""


def ports() -> list[str]:
    """Serial ports of this computer, the likeliest first."""
    found = sorted(list_ports.comports(), key=lambda p: (p.vid is None, p.device))
    return [f"{p.device} ({p.description})" if p.description != "n/a" else p.device for p in found]


def open_port(name: str) -> serial.Serial:
    """Open ``name``: a device such as /dev/ttyACM0 or COM3, or any URL pyserial takes. Reads never wait.

    Raises PortError.
    """
    try:
        port = serial.serial_for_url(name, baudrate=BAUD, timeout=0, write_timeout=0.05, do_not_open=True)
        if hasattr(port, "exclusive"):
            port.exclusive = True
        port.open()
    except (serial.SerialException, OSError, ValueError) as e:
        raise PortError(_why(name, e)) from None
    return port


def control_process(name: str, processes: Path = Path("/proc")) -> int | None:
    """The process of another control process that has this port open, as far as this system shows it."""
    port = os.path.realpath(name)
    for folder in processes.glob("[0-9]*"):
        try:
            if int(folder.name) == os.getpid() or CONTROL not in (folder / "cmdline").read_bytes():
                continue
            if any(str(fd.readlink()) == port for fd in (folder / "fd").iterdir()):
                return int(folder.name)
        except OSError:
            continue  # it has ended meanwhile, or is somebody else's
    return None


def in_use(name: str) -> str:
    """What to say where another evenbed works on this port, "" where none is seen to."""
    pid = control_process(name)
    if pid is None:
        return ""
    return (
        f"Another evenbed (process {pid}) uses {name} and goes on with it: nothing was started here. End that one first; "
        "if its window is gone, let the string down with the pedal, and it ends by itself."
    )


def _why(name: str, error: Exception) -> str:
    text = str(error)
    number = getattr(error, "errno", None)
    if number == 2:
        text = "there is no such port"  # pyserial wraps the system's words into its own
    if "lock" in text or "busy" in text.lower() or getattr(error, "errno", None) in (11, 16):
        return (
            in_use(name)
            or f"{name} is in use by another program: close it (another evenbed, a serial monitor), then try again."
        )
    if getattr(error, "errno", None) == 13 or "Permission" in text:
        return f"No permission for {name}. On Linux add yourself to its group (ls -l {name} shows it) and log in again."
    found = ports()
    there = "Ports here: " + "; ".join(found) if found else "This computer has no serial port now: is the board plugged in?"
    return f"{name} cannot be opened ({text or type(error).__name__}). {there}"
