"""``evenbed bench``: the bench screen in the browser."""

from __future__ import annotations

import sys
import webbrowser
from dataclasses import dataclass
from pathlib import Path

from evenbed.record.store import folder
from evenbed.units import show_force

MISSING = (
    "evenbed bench needs its extra packages: .venv/bin/pip install -e '.[bench]' (or pip install 'evenbed[bench]').\n"
    "Without them the terminal does the same work: evenbed job, evenbed pull."
)


@dataclass(frozen=True)
class BenchRequest:
    """What was asked on the command line."""

    port: str | None = None
    listen: int = 8765
    lan: bool = False
    browser: bool = True
    records: Path | None = None
    racquets: Path = Path()
    rig: Path | None = None
    despite_check: bool = False


def run(request: BenchRequest) -> int:
    """Serve until Ctrl-C; return the exit code: 0 ended, 1 could not start."""
    try:
        from evenbed.bench.opening import Means
        from evenbed.bench.serve import ServeError, serve
    except ModuleNotFoundError as e:
        if (e.name or "").partition(".")[0] not in ("starlette", "uvicorn", "wsproto", "anyio"):
            raise
        print(MISSING, file=sys.stderr)
        return 1
    means = Means(
        records=folder(request.records),
        racquets=request.racquets,
        port=request.port,
        rig=request.rig,
        despite_check=request.despite_check,
    )

    def ready(link: str, looking: list[str]) -> None:
        print(f"The bench screen:  {link}")
        for other in looking:
            print(f"To look on, from another device:  {other}")
        if request.lan and not looking:
            print("This computer has no address in a network now: nobody else can look on.")
        print("Beside the line of pull, never behind it. Ctrl-C ends.", flush=True)
        if request.browser:
            webbrowser.open(link)

    try:
        left_n = serve(means, request.listen, request.lan, ready)
    except ServeError as e:
        print(f"evenbed bench: {e}", file=sys.stderr)
        return 1
    if left_n is not None:
        print(f"! {show_force(left_n, 'kgf')} ({left_n:.0f} N) still on the string. Hold the pedal to let it down.")
    return 0
