"""The rig as ``rig.toml`` describes it: what it is built of, what it may do, what commissioning found.

``load()`` gives the rig at hand, ``update(path, {"table.key": value})`` changes a file and keeps its comments.
"""

from evenbed.rig.check import RigError, as_data, changed
from evenbed.rig.file import ENV, load, parsed, read, update, where, write
from evenbed.rig.tables import Clamps, Result, Rig, default_rig

__all__ = [
    "ENV",
    "Clamps",
    "Result",
    "Rig",
    "RigError",
    "as_data",
    "changed",
    "default_rig",
    "load",
    "parsed",
    "read",
    "update",
    "where",
    "write",
]
