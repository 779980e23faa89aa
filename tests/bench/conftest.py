"""A real browser and a bench server for it. Without either the tests are skipped, and say which is missing."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_page import Screen

HERE = Path(__file__).parent
CHROMIUM = shutil.which("chromium")
# A name that somebody has made to point to this computer, and that it takes for its own.
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--host-resolver-rules=MAP rebound.example 127.0.0.1",
]


# Of a module, not of the session: while it is open its event loop runs in this thread, and no other can.
@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium here: apt-get install chromium")
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install -e '.[test]'")
    with api.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def serve(tmp_path: Path, records_of_their_own: Path) -> Iterator[Callable[..., str]]:
    """Start a server with options for its simulated rig; returns its link."""
    running: list[subprocess.Popen[str]] = []

    def start(*options: str) -> str:
        command = [sys.executable, str(HERE / "bench_served.py"), str(records_of_their_own), str(HERE), *options]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(server)
        assert server.stdout is not None
        return server.stdout.readline().strip()

    yield start
    for server in running:
        server.send_signal(signal.SIGINT)
    for server in running:
        try:
            server.wait(10.0)
        except subprocess.TimeoutExpired:
            server.kill()
            raise


@pytest.fixture
def open_screen(browser: Any) -> Iterator[Callable[..., Screen]]:
    contexts: dict[str, Any] = {}

    def start(link: str, **options: Any) -> Screen:
        if not contexts:
            contexts["one"] = browser.new_context(viewport={"width": 1280, "height": 800}, **options)
        page = contexts["one"].new_page()
        screen = Screen(page)
        page.goto(link)
        page.wait_for_selector("#begin:not([hidden]), #bench:not([hidden])")
        return screen

    yield start
    for context in contexts.values():
        context.close()
