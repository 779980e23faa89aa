"""``evenbed flash``: the firmware onto the board."""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from pathlib import Path

from evenbed_pico.pins import BoardFile

from evenbed.control.port import PortError
from evenbed.flash.files import reference_pins
from evenbed.flash.places import PlaceError, choose, places

REFERENCE = "reference"


@dataclass(frozen=True)
class FlashOptions:
    """What was asked on the command line."""

    port: str | None = None
    pins: str | None = None
    dry_run: bool = False
    no_string: bool = False
    unit: str = "N"


class PinsError(Exception):
    """A pins file that cannot go on a board; the text says why."""


def pins_text(name: str | None) -> bytes | None:
    """The pins file to copy: None for none, ``reference``, or a file's name. Raises PinsError."""
    if name is None:
        return None
    if name == REFERENCE:
        return reference_pins()
    try:
        data = Path(name).read_bytes()
        wrong = BoardFile(data.decode()).wrong
    except (OSError, UnicodeDecodeError) as e:
        raise PinsError(f"--pins {name}: {getattr(e, 'strerror', None) or 'not a text file'}.") from None
    if wrong:
        raise PinsError(f"--pins {name}: the board could not use it and would not arm. {wrong}.")
    return data


def run(options: FlashOptions) -> int:
    """Print what is done; return the exit code."""
    if importlib.util.find_spec("mpremote") is None:
        print("evenbed flash needs mpremote: pip install 'evenbed[flash]'")
        return 1
    from evenbed.flash.flashing import FlashError, Flashing, FlashRequest

    try:
        pins = pins_text(options.pins)
        port = options.port or choose(places())
    except (PinsError, PlaceError) as e:
        print(f"evenbed flash: {e}")
        return 2
    try:
        Flashing(FlashRequest(port, pins, options.dry_run, options.no_string, options.unit), print).run()
    except (FlashError, PortError) as e:
        print(f"evenbed flash: {e}")
        return 130 if getattr(e, "stopped", False) else 1
    return 0
