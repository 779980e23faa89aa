"""A simulated rig of one's own, for commands that are asked for ``--sim``."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence

from evenbed.cli.view import View


@contextlib.contextmanager
def rig_process(arguments: Sequence[str]) -> Iterator[tuple[str, str, subprocess.Popen[str]]]:
    """Start ``evenbed simrig`` with ``arguments``; yields its port, its first line and the process, whose output is a pipe.
    Raises ValueError if it does not start."""
    command = [sys.executable, "-m", "evenbed.cli.main", "simrig", *arguments]
    rig = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    assert rig.stdout is not None
    first = rig.stdout.readline().strip()
    try:
        m = re.search(r" on (\S+)", first)
        if not m:
            raise ValueError("The simulated rig did not start: " + first)
        yield m.group(1), first, rig
    finally:
        rig.terminate()
        rig.wait(2.0)
        rig.stdout.close()


@contextlib.contextmanager
def simulated(arguments: Sequence[str], view: View, hands: str = "a simulated stringer presses the pedal") -> Iterator[str]:
    """The same for who only wants the name of its port; tells the first line. Raises ValueError if it does not start."""
    with rig_process(arguments) as (port, first, _):
        view.tell(f"{first} ({hands})")
        yield port
