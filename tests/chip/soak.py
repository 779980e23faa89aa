"""Too long for every run. From the folder tests: ``python -m chip.soak``, options --minutes N, --budget.

The soak draws strings for an hour of the rig's time in a heap of 64 KiB: nothing may be left behind. The budget times the
passes of the loop on the unix port and scales them to the chip: writing or reading one line took 1.5 ms in bytecode of a
chip of this kind at 125 MHz, measured on other code, and the yardstick is 4.33 such lines (counted in instructions, before
lines were made cheaper). What is C on the chip is not in it, nor is collecting garbage after each 64th reading. Nobody has
timed this code on a chip.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from chip import test_chip_micropython as host

STRING_S = 3.55  # of the rig's time, one string of mpy_world
CHIP_YARDSTICK_US = 4.33 * 1500.0 * 125 / 200  # at the board's 200 MHz
PERIOD_US = 12500.0


def main() -> None:
    """Run what was asked for."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--minutes", type=float, default=60.0)
    ask.add_argument("--budget", action="store_true")
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        compiled = host.compile_into(Path(folder))
        if asked.budget:
            budget(compiled)
            return
        strings = round(asked.minutes * 60 / STRING_S)
        start = time.monotonic()
        before, after, facts = host.soak(strings, compiled)
        took = time.monotonic() - start
        print(f"{strings} strings in {strings * STRING_S / 60:.1f} min of the rig's time ({took:.0f} s here)")
        print(f"heap in use: {before} bytes after the first string, {after} after the last; {facts}")
        raise SystemExit(after > before)


def budget(compiled: Path) -> None:
    """Print the times of the passes, here and scaled."""
    text = f"from chip import mpy_budget\nmpy_budget.main({host.BOARD.read_text()!r})"
    run = host.unix(text, compiled, heap="256wK")
    assert run.returncode == 0, run.stdout + run.stderr
    rows = [line.rsplit(" ", 1) for line in run.stdout.decode().splitlines()]
    us = {name: float(value) for name, value in rows}
    scale = CHIP_YARDSTICK_US / us.pop("yardstick")
    print(f"1 us here is about {scale:.0f} us on the chip at 200 MHz; a reading every {PERIOD_US / 1000} ms")
    for name, value in us.items():
        there = value * scale
        print(f"{name:20s} {value:5.0f} us here   about {there / 1000:5.2f} ms on the chip, {there / PERIOD_US:4.0%}")


if __name__ == "__main__":
    main()
