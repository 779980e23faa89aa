"""Processes that may outlive the command that started them: nobody who reads that command's output waits for them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

# Starts one on a port that stays open, and says where its output and its errors go.
CONTROL = (
    "import os, sys\n"
    "from evenbed.control.client import ControlClient\n"
    "there, port = os.openpty()\n"
    "one = ControlClient(os.ttyname(port), 250.0)\n"
)
KEEPER = (
    "import os, sys\nfrom pathlib import Path\nfrom evenbed.record.keeping import Keeper\none = Keeper(Path(sys.argv[1]))\n"
)
SAYS = "print(*(os.readlink(f'/proc/{one.process.pid}/fd/{n}') for n in (1, 2)), sep='\\n')\none.close()\n"


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc; these processes are Linux's")
@pytest.mark.parametrize("program", [CONTROL, KEEPER], ids=["control process", "keeper"])
def test_it_holds_no_pipe_of_the_command_and_its_errors_still_go_to_a_file(program: str, tmp_path: Path) -> None:
    command = [sys.executable, "-c", program + SAYS, str(tmp_path / "records")]
    piped = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=60.0)
    assert piped.stdout.splitlines() == [os.devnull, os.devnull]
    errors = tmp_path / "errors"
    with errors.open("w") as file:
        kept = subprocess.run(command, stdout=subprocess.PIPE, stderr=file, text=True, timeout=60.0)
    assert kept.stdout.splitlines() == [os.devnull, str(errors)]
