"""A simulated rig of one's own, for commands that are asked for ``--sim``."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence

from evenbed.cli.view import View


@contextlib.contextmanager
def simulated(arguments: Sequence[str], view: View, hands: str = "a simulated stringer presses the pedal") -> Iterator[str]:
    """Start ``evenbed simrig`` with ``arguments``; yields the name of its port. Raises ValueError if it does not start."""
    command = [sys.executable, "-m", "evenbed.cli.main", "simrig", *arguments]
    rig = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    assert rig.stdout is not None
    first = rig.stdout.readline()
    m = re.search(r" on (\S+)", first)
    if not m:
        raise ValueError("the simulated rig did not start: " + first)
    view.tell(f"{first.strip()} ({hands})")
    try:
        yield m.group(1)
    finally:
        rig.terminate()
        rig.wait(2.0)
        rig.stdout.close()
