"""Lateness of the control loop beside the bench screen: ``python -m tests.benchmarks.screen [--seconds 60]``.

The loop alone, then with the bench server and 0, 1 and 5 browsers (headless Chromium, each a page of its own that shows a
pull of the simulated rig), then with one browser while reports are drawn one after another. In each run the same probe
wakes every 12.5 ms, in a process prepared as the control process prepares itself, and notes how late it was. One run a
row, one after another on the same computer; single maxima are noisy. The first row is measured again at the end.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from evenbed.control.process import ask_for_priority

PERIOD_S = 0.0125
SHOWN = 1280, 800
SERVER = Path(__file__).parents[1] / "bench" / "bench_served.py"
RACQUETS = Path(__file__).parents[1] / "bench"


def probe(seconds: float, realtime: bool) -> int:
    """Wake every period for so long and print the lateness of each, in s, as JSON."""
    given = ask_for_priority() if realtime else False
    late = []
    due = time.monotonic() + PERIOD_S
    end = due + seconds
    while due < end:
        time.sleep(max(0.0, due - time.monotonic()))
        now = time.monotonic()
        late.append(now - due)
        due += PERIOD_S
        if now > due:
            due = now + PERIOD_S
    print(json.dumps({"late_s": late, "priority": given}))
    return 0


def measure(seconds: float, realtime: bool) -> dict[str, Any]:
    """The probe in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.screen", "--probe", str(seconds)]
    command += ["--realtime"] if realtime else []
    return dict(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def quiet() -> None:
    """What reports are started with by the server: the loop comes first."""
    os.nice(10)


@contextlib.contextmanager
def server(records: Path) -> Iterator[str]:
    """A bench server; yields its link."""
    command = [sys.executable, str(SERVER), str(records), str(RACQUETS)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(10.0)


@contextlib.contextmanager
def browsers(link: str, count: int) -> Iterator[Any]:
    """So many browsers that look at a held pull; yields the page with the controls, None without any."""
    from playwright.sync_api import sync_playwright

    with contextlib.ExitStack() as stack:
        if count == 0:
            yield None
            return
        p = stack.enter_context(sync_playwright())
        first: Any = None
        for n in range(count):
            arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
            browser = p.chromium.launch(executable_path="/usr/bin/chromium", args=arguments)
            stack.callback(browser.close)
            page = browser.new_page(viewport={"width": SHOWN[0], "height": SHOWN[1]})
            page.goto(link)
            if n == 0:
                first = page
                begin(page)
            page.wait_for_selector("#bench:not([hidden])")
        yield first


def begin(page: Any) -> None:
    """A pull that is held: the trace runs, the digits change."""
    page.click("#try")
    page.wait_for_selector('#moment[data-word="arm"]')
    page.keyboard.down("Space")
    page.wait_for_selector('#moment[data-word="draw"]', timeout=30000)
    page.keyboard.up("Space")
    page.wait_for_timeout(1500)
    page.keyboard.down("Space")
    page.wait_for_timeout(160)
    page.keyboard.up("Space")
    page.wait_for_selector('#moment[data-word="clamp"]', timeout=30000)


def reports(records: Path, job: int) -> subprocess.Popen[bytes]:
    """Draw the report of a job again and again, each time in a process as the server starts it."""
    once = f"{sys.executable} -m evenbed.bench.drawing {records} kgf '' {job} > /dev/null"
    return subprocess.Popen(["sh", "-c", f"while {once}; do :; done"], start_new_session=True, preexec_fn=quiet)


def a_job(records: Path) -> int:
    """String the short racquet on a virtual clock, so that there is something to draw."""
    from evenbed.record.jobs import Jobs
    from evenbed.record.store import Store
    from evenbed.rig import default_rig
    from evenbed.work import jobs
    from evenbed.work.session import JobSession
    from evenbed_sim.scenarios.job import JobRig

    with contextlib.closing(Store(records)) as store:
        plan, text = jobs.racquet_plan(RACQUETS / "short.racquet.toml", default_rig())
        begun = jobs.begin(Jobs(store), plan, text, "kgf", True)
        rig = JobRig(plan)
        session = JobSession(begun.number, begun.job, Jobs(store), rig, clock=rig.clock)
        session.start()
        while not begun.job.over and not rig.ended:
            session.hear(rig.messages(0.1))
        return begun.number


def row(name: str, found: dict[str, Any]) -> str:
    """One line of the table, ms."""
    late = sorted(found["late_s"])
    at = [1000.0 * late[min(len(late) - 1, int(q * len(late)))] for q in (0.5, 0.99, 0.999, 1.0)]
    return f"{name:<34}{len(late):>7}" + "".join(f"{x:>9.2f}" for x in at)


def main() -> int:
    """Measure, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--realtime", action="store_true", help="with real-time priority, where permitted")
    parser.add_argument("--probe", type=float, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.probe is not None:
        return probe(asked.probe, asked.realtime)
    both = [False, True] if asked.realtime else [False]
    with tempfile.TemporaryDirectory() as folder:
        records = Path(folder)
        number = a_job(records)
        for realtime in both:
            first = measure(asked.seconds, realtime)
            if realtime and not first["priority"]:
                print("Real-time priority is not given here.")
                break
            print(
                f"\nLateness in ms, {'with' if realtime else 'without'} real-time priority, load {os.getloadavg()[0]:.1f}"
            )
            print(f"{'':<34}{'ticks':>7}{'p50':>9}{'p99':>9}{'p99.9':>9}{'max':>9}")
            print(row("loop alone", first), flush=True)
            for count in (0, 1, 5):
                with server(records) as link, browsers(link, count):
                    print(row(f"bench server, {count} browsers", measure(asked.seconds, realtime)), flush=True)
            with server(records) as link, browsers(link, 1):
                drawing = reports(records, number)
                try:
                    print(row("1 browser, reports being drawn", measure(asked.seconds, realtime)), flush=True)
                finally:
                    os.killpg(drawing.pid, signal.SIGTERM)
                    drawing.wait()
            print(row("loop alone, again", measure(asked.seconds, realtime)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
