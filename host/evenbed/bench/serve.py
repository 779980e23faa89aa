"""``evenbed bench``: where it listens, the links, and the server until Ctrl-C."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable

import uvicorn

from evenbed.bench.app import Bench, Settings
from evenbed.bench.guard import Keys
from evenbed.bench.opening import Means

LOOPBACK = "127.0.0.1"
MOST_BYTES = 8192  # of one message of a page


class ServeError(Exception):
    """The server cannot listen; the text says why and what to do."""


def own_addresses() -> list[str]:
    """Addresses by which other devices of the same network reach this computer."""
    found: list[str] = []
    for family, far in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as s:
                s.connect((far, 9))  # of an example network: nothing is sent
                found.append(s.getsockname()[0])
        except OSError:
            continue
    return [a for a in dict.fromkeys(found) if not a.startswith(("127.", "::1", "fe80"))]


def listen(port: int, lan: bool) -> socket.socket:
    """A listening socket; port 0 takes any free one. Raises ServeError."""
    s = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        s.bind(("0.0.0.0" if lan else LOOPBACK, port))
        s.listen(64)  # from now on a browser waits instead of being refused
    except OSError as e:
        s.close()
        raise ServeError(
            f"Port {port} of this computer cannot be listened on ({e.strerror}): choose another with --listen."
        ) from None
    return s


def serve(means: Means, port: int, lan: bool, ready: Callable[[str, list[str]], None]) -> float | None:
    """Serve until Ctrl-C; returns the force that is left on a real rig's string, N, None if there is none.

    ``ready`` gets the link of this computer and those to look on from others. Raises ServeError.
    """
    listening = listen(port, lan)
    port = listening.getsockname()[1]
    others = [a for a in own_addresses() if ":" not in a] if lan else []
    keys = Keys()
    bench = Bench(means, Settings(port, tuple(others)), keys)
    config = uvicorn.Config(
        bench.app(),
        log_level="error",
        access_log=False,
        lifespan="on",
        ws="wsproto",
        ws_max_size=MOST_BYTES,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=2,
    )
    links = [f"http://{a}:{port}/enter?key={keys.view}" for a in others]
    ready(f"http://{LOOPBACK}:{port}/enter?key={keys.controls}", links)
    with listening, contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listening])
    return bench.place.left_loaded_n
