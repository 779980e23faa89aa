"""From what is on a board to what belongs there. Pure.

Whatever changes, main.py goes first and comes last, once every other file has been verified: a board on which something is
missing, old or half written has no main.py, starts nothing and arms nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from evenbed.flash.files import BOOT, CELL, FRESH, MAIN, PACKAGES, PINS

LOOKED_AT = (BOOT, MAIN, PINS, CELL, FRESH)  # in the board's root; other files there are nobody's business


@dataclass(frozen=True)
class Changes:
    """``copy`` in this order, main.py not among them; ``remove`` what is ours and no longer belongs there; ``main``: does
    main.py have to be put there (anew)?"""

    copy: tuple[str, ...]
    remove: tuple[str, ...]
    same: int
    main: bool

    @property
    def any(self) -> bool:
        """Is there anything to do?"""
        return self.main


def sha256(data: bytes) -> str:
    """Hexadecimal digest."""
    return hashlib.sha256(data).hexdigest()


def changes(wanted: Mapping[str, bytes], there: Mapping[str, str]) -> Changes:
    """What has to be done. ``wanted``: contents by path; ``there``: SHA-256 by path, of LOOKED_AT and within PACKAGES."""
    old = [path for path in wanted if path in there and there[path] != sha256(wanted[path])]
    new = [path for path in wanted if path not in there]
    folders = tuple(f"{package}/" for package in PACKAGES)
    remove = sorted(path for path in there if path not in wanted and (path.startswith(folders) or path == FRESH))
    work = sorted(old + new)
    return Changes(
        tuple(path for path in work if path != MAIN),
        tuple(remove),
        len(wanted) - len(work),
        bool(work or remove),
    )


def foreign(there: Mapping[str, str]) -> tuple[str, ...]:
    """The programs of somebody else that the firmware would replace: main.py or boot.py where nothing else is ours."""
    ours = any("/" in path or path in (PINS, CELL, FRESH) for path in there)
    return () if ours else tuple(path for path in (BOOT, MAIN) if path in there)


def wrong(wanted: Mapping[str, bytes], there: Mapping[str, str]) -> tuple[str, ...]:
    """Paths whose content on the board is not the wanted one, or is missing."""
    return tuple(path for path in wanted if there.get(path) != sha256(wanted[path]))
