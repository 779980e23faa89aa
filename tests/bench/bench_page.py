"""One page of the bench screen as a test sees it, and a foot on the space bar."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

TAP_MS = 160
RELEASED_MS = 200  # the board counts a press only after it has seen the pedal released for 100 ms
LONG_MS = 30000


def wait_for(what: Callable[[], Any], seconds: float = 30.0) -> None:
    """Wait until it is so, at most so long."""
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


class Screen:
    """One page, and a foot on the space bar."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.errors: list[str] = []
        page.on("pageerror", lambda e: self.errors.append(str(e)))
        page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)

    def word(self, *words: str) -> str:
        """Wait for one of these words; which it is."""
        wanted = ", ".join(f'#moment[data-word="{w}"]' for w in words)
        try:
            self.page.wait_for_selector(wanted, timeout=LONG_MS)
        except Exception as e:
            raise AssertionError(f"{words} awaited in vain; the page shows:\n{self.page.inner_text('body')}") from e
        return self.now

    @property
    def now(self) -> str:
        return str(self.page.get_attribute("#moment", "data-word"))

    def shows(self, selector: str) -> bool:
        return bool(self.page.is_visible(selector))

    def press(self, ms: int) -> None:
        self.page.wait_for_timeout(RELEASED_MS)
        self.page.keyboard.down("Space")
        self.page.wait_for_timeout(ms)
        self.page.keyboard.up("Space")

    def tap(self) -> None:
        self.press(TAP_MS)

    def arm(self) -> None:
        self.word("arm")
        self.page.wait_for_timeout(RELEASED_MS)
        self.page.keyboard.down("Space")
        self.word("wait", "draw")  # held as long as it takes: a busy computer's simulated rig is slow
        self.page.keyboard.up("Space")
        self.word("draw")

    def try_a_pull(self) -> None:
        """From the beginning to the tap that draws."""
        self.page.click("#try")
        self.arm()
        self.page.wait_for_timeout(1000)
        self.tap()

    def hands(self, what: str) -> None:
        """Wait until the simulated hands have done something."""
        self.page.wait_for_selector(f'#sim-hands:has-text("{what}")', timeout=LONG_MS)


def check_access(screen: Screen) -> None:
    """Nothing that axe-core knows to be wrong (WCAG 2.2, A and AA)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = axe.Axe().run(screen.page, options={"runOnly": {"type": "tag", "values": tags}})
    wrong = {v["id"]: [n["html"][:120] for n in v["nodes"]] for v in found.response["violations"]}
    assert not wrong, wrong
