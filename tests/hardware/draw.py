"""Make the drawings and the generated tables of hardware/.

``python -m tests.hardware.draw`` says what differs from the files, ``--write`` writes them anew.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

from . import picture_board, picture_mechanics, picture_place, picture_power, picture_signals
from .facts import HARDWARE, light_table, pin_table
from .sheet import Sheet

DRAWINGS: dict[str, Callable[[], Sheet]] = {
    "signals": picture_signals.draw,
    "power": picture_power.draw,
    "board": picture_board.draw,
    "mechanics": picture_mechanics.draw,
    "place": picture_place.draw,
}
TABLES = {("wiring.md", "pins"): pin_table, ("troubleshooting.md", "light"): light_table}


def with_table(text: str, name: str, rows: list[str]) -> str:
    """The text with the rows between its two markers of this name. Raises ValueError where there are none."""
    begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    pattern = re.compile(f"{re.escape(begin)}\n.*?{re.escape(end)}", re.DOTALL)
    if len(pattern.findall(text)) != 1:
        raise ValueError(f"{begin} … {end} is not there, or more than once")
    return pattern.sub(lambda _: "\n".join([begin, *rows, end]), text)


def made() -> dict[Path, str]:
    """Every file as it has to be."""
    files = {HARDWARE / "drawings" / f"{name}.svg": picture().svg() for name, picture in DRAWINGS.items()}
    for (name, marker), rows in TABLES.items():
        path = HARDWARE / name
        files[path] = with_table(files.get(path) or path.read_text(encoding="utf-8"), marker, rows())
    return files


def main(write: bool) -> int:
    """Write, or say what differs; returns how many files differed."""
    differ = [
        (path, text) for path, text in made().items() if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    for path, text in differ:
        print(f"{'written' if write else 'differs'}: {path.relative_to(HARDWARE)}")
        if write:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
    return len(differ)


if __name__ == "__main__":
    differing = main("--write" in sys.argv[1:])
    sys.exit(0 if "--write" in sys.argv[1:] or not differing else 1)
