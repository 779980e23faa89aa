"""The pages that look on, and the one that holds the controls. Nobody is waited for: a slow page misses moments.

Everything here runs in the server's event loop; other threads come in by ``call_soon_threadsafe``.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from typing import Any

from evenbed.bench.guard import Role

BACKLOG = 256  # messages a page may be behind in; then it is cut off, and starts anew when it comes back
STATE_KINDS = ("place", "job", "bed", "stop", "record", "guided", "away")  # of these the latest is all there is to know


class Page:
    """One page: what it has still to be sent. Of moments only the newest is kept."""

    def __init__(self, number: int, role: Role) -> None:
        self.number = number
        self.role = role
        self.lagging = False
        self._waiting: deque[str] = deque()
        self._moment: str | None = None
        self._due = asyncio.Event()

    def put(self, text: str, moment: bool = False) -> None:
        """Queue one message; a ``moment`` replaces the one before."""
        if moment:
            self._moment = text
        elif len(self._waiting) < BACKLOG:
            self._waiting.append(text)
        else:
            self.lagging = True
        self._due.set()

    async def next(self) -> str | None:
        """The next message to send, as soon as there is one; None once the page is too far behind."""
        while True:
            if self.lagging:
                return None
            if self._waiting:
                return self._waiting.popleft()
            if self._moment is not None:
                text, self._moment = self._moment, None
                return text
            self._due.clear()
            await self._due.wait()


class Hub:
    """All pages. ``holder`` is the number of the page with the controls, None if nobody has them."""

    def __init__(self) -> None:
        self.pages: dict[int, Page] = {}
        self.holder: int | None = None
        self._count = 0
        self._latest: dict[str, str] = {}

    def join(self, role: Role) -> Page:
        """A page has come: it is told who it is, and all that is to be known now. It holds nothing."""
        self._count += 1
        page = Page(self._count, role)
        self.pages[page.number] = page
        page.put(json.dumps({"kind": "you", "number": page.number, "role": role}))
        for text in self._latest.values():
            page.put(text)
        self._tell_holder()
        return page

    def leave(self, page: Page) -> bool:
        """A page has gone. Returns whether it held the controls: then nobody does."""
        self.pages.pop(page.number, None)
        held = self.holder == page.number
        if held:
            self.holder = None
        self._tell_holder()
        return held

    def take(self, page: Page) -> bool:
        """Give the controls to ``page``, from whoever had them; False for a page that may only look."""
        if page.role != "controls" or page.number not in self.pages:
            return False
        self.holder = page.number
        self._tell_holder()
        return True

    def release(self, page: Page) -> None:
        """``page`` gives the controls back."""
        if self.holder == page.number:
            self.holder = None
            self._tell_holder()

    def holds(self, page: Page) -> bool:
        """Does ``page`` hold the controls?"""
        return self.holder is not None and self.holder == page.number

    def _tell_holder(self) -> None:
        text = json.dumps({"kind": "controls", "holder": self.holder, "pages": len(self.pages)})
        for page in self.pages.values():
            page.put(text)

    def publish(self, message: dict[str, Any]) -> None:
        """Tell every page."""
        kind = message["kind"]
        text = json.dumps(message, separators=(",", ":"))
        if kind in STATE_KINDS:
            # Who comes later is told what is so, not that it has just happened.
            self._latest[kind] = json.dumps({k: v for k, v in message.items() if k != "fresh"}, separators=(",", ":"))
        moment = kind == "status"
        for page in self.pages.values():
            page.put(text, moment)

    def forget(self, *kinds: str) -> None:
        """What was latest of these kinds is so no longer."""
        for kind in kinds:
            self._latest.pop(kind, None)
