"""The bench server: the page, its files, one WebSocket, and what may be saved. A window on the control process, no more."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anyio
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.convertors import Convertor, register_url_convertor
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from evenbed.bench.guard import Guard, Keys, hosts_for
from evenbed.bench.hub import Hub, Page
from evenbed.bench.opening import Means
from evenbed.bench.orders import Order, Refused, allowed, read
from evenbed.bench.place import Place
from evenbed.head.types import Ask
from evenbed.record import bundle as bundles
from evenbed.record.bundle import BundleError
from evenbed.record.store import Store, StoreError
from evenbed.report.page import STYLE
from evenbed.units import UNITS

STATIC = Path(__file__).parent / "static"
NICE = 10
BEAT_S = 0.5  # so often a page hears from us, whatever else there is
DRAW_S = 60.0
STYLES = "/report.css"
TRY_AGAIN_LATER = 1013
# The next page is asked for by this one, not by whatever held the link: only so a strict cookie goes with it.
ENTERED = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/">'
    '<link rel="icon" href="/static/icon.svg"><title>evenbed</title>'
    '<p><a href="/">To the bench screen</a></p></html>'
)


class KeptNumber(Convertor[int]):
    """A number in the records. One that no record can have (the database counts to 2**63) is no address here: 404."""

    regex = "[0-9]{1,18}"

    def convert(self, value: str) -> int:
        """Its value."""
        return int(value)

    def to_string(self, value: int) -> str:
        """As it stands in the address."""
        return str(value)


register_url_convertor("kept", KeptNumber())


def _stand_back() -> None:
    """Lower the priority of this thread alone (Linux): pages wait for the control loop, never the other way round."""
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICE)


@dataclass(frozen=True)
class Settings:
    """Where the server listens and by which other names it is known."""

    port: int
    others: tuple[str, ...] = ()

    @property
    def cookie(self) -> str:
        """Name of the cookie: the cookies of one computer are shared by all its ports."""
        return f"evenbed-{self.port}"


class Bench:
    """The server's state: pages, place, keys."""

    def __init__(self, means: Means, settings: Settings, keys: Keys | None = None) -> None:
        self.means = means
        self.settings = settings
        self.keys = keys or Keys()
        self.hub = Hub()
        self._drawing = asyncio.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self.place = Place(means, self._publish)

    def _publish(self, message: dict[str, Any]) -> None:
        """From any thread."""
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # closed
                self._loop.call_soon_threadsafe(self.hub.publish, message)

    @contextlib.asynccontextmanager
    async def life(self, _: Starlette) -> AsyncIterator[None]:
        """Of the server."""
        self._loop = asyncio.get_running_loop()
        self.place.start()
        _stand_back()  # after the place's thread: what that starts, the control process above all, does not stand back
        try:
            yield
        finally:
            await run_in_threadpool(self.place.stop)

    def app(self) -> ASGIApp:
        """The guarded application."""
        routes = [
            Route("/", self._page),
            Route("/enter", self._enter),
            Route("/trip/{number:kept}", self._trip),
            Route("/report/{number:kept}", self._report),
            Route("/report/{number:kept}/file", self._report_file),
            Route("/compare/{number:kept}/{other:kept}", self._compare),
            Route(STYLES, self._styles),
            Route("/favicon.ico", self._icon),
            WebSocketRoute("/live", self._live),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        inner = Starlette(routes=routes, lifespan=self.life)
        return Guard(inner, self.keys, hosts_for(self.settings.port, self.settings.others), self.settings.cookie)

    # --- pages ------------------------------------------------------------------------------------------------
    async def _page(self, request: Request) -> Response:
        return FileResponse(STATIC / "index.html", media_type="text/html; charset=utf-8")

    async def _enter(self, request: Request) -> Response:
        role = self.keys.role_of_link(request.query_params.get("key", ""))
        if role is None:
            return PlainTextResponse("This link is from an earlier start: open the one that 'evenbed bench' printed.", 403)
        response = HTMLResponse(ENTERED)
        response.set_cookie(self.settings.cookie, self.keys.cookies[role], httponly=True, samesite="strict", path="/")
        return response

    async def _trip(self, request: Request) -> Response:
        number = request.path_params["number"]
        try:
            text = await run_in_threadpool(self._bundle, number)
        except FileNotFoundError:
            return PlainTextResponse("There are no records yet.", 404)
        except (StoreError, BundleError) as e:
            return PlainTextResponse(str(e), 409)
        except KeyError:
            return PlainTextResponse(f"There is no trip {number}.", 404)
        name = f'attachment; filename="evenbed-trip-{number}.json"'
        return Response(text, media_type="application/json", headers={"content-disposition": name})

    def _bundle(self, number: int) -> str:
        with contextlib.closing(Store(self.means.records, make=False)) as store:
            b = store.bundle(number)
        return json.dumps({**b, "samples": bundles.sample_rows(b)}, indent=1)

    async def _report(self, request: Request) -> Response:
        return await self._drawn(request, STYLES, request.path_params["number"])

    async def _report_file(self, request: Request) -> Response:
        number = request.path_params["number"]
        response = await self._drawn(request, "", number)
        if response.status_code == 200:
            response.headers["content-disposition"] = f'attachment; filename="evenbed-job-{number}.html"'
        return response

    async def _compare(self, request: Request) -> Response:
        return await self._drawn(request, STYLES, request.path_params["number"], request.path_params["other"])

    async def _icon(self, request: Request) -> Response:
        return FileResponse(STATIC / "icon.svg", media_type="image/svg+xml")

    async def _styles(self, request: Request) -> Response:
        return Response(STYLE, media_type="text/css; charset=utf-8")

    async def _drawn(self, request: Request, styles: str, *numbers: int) -> Response:
        """Drawn by another process, one at a time. What is shown here has its styles from here: none may be inline."""
        unit = request.query_params.get("unit", "")
        if unit not in ("", *UNITS):
            return PlainTextResponse(f"The unit is one of {', '.join(UNITS)}.", 404)
        async with self._drawing:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "evenbed.bench.drawing", str(self.means.records), unit, styles, *map(str, numbers),
                stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            try:
                page, why = await asyncio.wait_for(process.communicate(), DRAW_S)
            except TimeoutError:
                process.kill()
                await process.wait()
                return PlainTextResponse(f"It was not drawn within {DRAW_S:.0f} s.", 503)
        if process.returncode != 0:
            said = why.decode(errors="replace").strip().splitlines()
            return PlainTextResponse(said[-1] if said else "It could not be drawn.", 404)
        return Response(page, media_type="text/html; charset=utf-8")

    # --- the live line ----------------------------------------------------------------------------------------
    async def _live(self, ws: WebSocket) -> None:
        await ws.accept()
        page = self.hub.join(ws.state.role)
        try:
            async with anyio.create_task_group() as group:

                async def until_over(deed: Callable[[WebSocket, Page], Awaitable[None]]) -> None:
                    with contextlib.suppress(WebSocketDisconnect, RuntimeError):  # gone while something was sent
                        await deed(ws, page)
                    group.cancel_scope.cancel()

                for deed in (self._send, self._beat, self._receive):
                    group.start_soon(until_over, deed)
        finally:
            if self.hub.leave(page):
                self.place.pedal(False)  # nobody's foot is on it any more
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await ws.close(TRY_AGAIN_LATER)

    async def _send(self, ws: WebSocket, page: Page) -> None:
        while (text := await page.next()) is not None:
            await ws.send_text(text)

    async def _beat(self, ws: WebSocket, page: Page) -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            page.put('{"kind":"beat"}', moment=False)

    async def _receive(self, ws: WebSocket, page: Page) -> None:
        loop = asyncio.get_running_loop()

        def answer(message: dict[str, Any]) -> None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(page.put, json.dumps(message))

        while True:
            try:
                order = read(await ws.receive_text())
            except Refused as e:
                answer({"kind": "refused", "text": str(e)})
                continue
            except (WebSocketDisconnect, KeyError):  # gone, or bytes instead of a text
                return
            why = allowed(order, page.role == "controls", self.hub.holds(page)) or self._do(order, page, answer)
            if why:
                answer({"kind": "refused", "text": why})

    def _do(self, order: Order, page: Page, answer: Any) -> str:
        if order.kind == "take":
            self.place.pedal(False)  # what another page has down does not pass on
            self.hub.take(page)
        elif order.kind == "release":
            self.place.pedal(False)
            self.hub.release(page)
        elif order.kind == "pedal":
            return self.place.pedal(order.values["down"])
        elif order.kind == "ask":
            ask: Ask = order.values["ask"]
            return self.place.ask(ask)
        elif order.kind != "alive":
            self.place.post(order, answer)
        return ""
