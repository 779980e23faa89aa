"""Which files belong on a board. Decided here and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

PACKAGES = ("evenbed_fw", "evenbed_pico")
BOOT = "boot.py"
MAIN = "main.py"  # without it the board starts nothing and arms nothing
PINS = "evenbed_board.json"  # the rig's own: which wire lies on which pin, directions, limits
CELL = "evenbed_cell.txt"  # the board's own: its calibration, confirmed by a hand
FRESH = "evenbed_flash.new"  # a file on its way, until it is whole


def _root() -> Traversable:
    """Where boot.py, main.py and the reference board's pins lie: beside this module in an installed package, beside the
    firmware's packages in a checkout."""
    installed = resources.files("evenbed.flash") / "board"
    if installed.is_dir():
        return installed
    return Path(str(resources.files(PACKAGES[0]))).parent


def firmware() -> Mapping[str, bytes]:
    """The firmware by its path on the board: the packages' modules, boot.py and main.py. Not the pins."""
    found = {}
    for package in PACKAGES:
        for item in resources.files(package).iterdir():
            if item.name.endswith(".py"):
                found[f"{package}/{item.name}"] = item.read_bytes()
    for name in (BOOT, MAIN):
        found[name] = (_root() / name).read_bytes()
    return dict(sorted(found.items()))


def reference_pins() -> bytes:
    """The pins of a board that is wired as the reference board."""
    return (_root() / PINS).read_bytes()
