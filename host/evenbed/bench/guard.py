"""Who may connect: exact Host, Origin = Host, a key in a cookie; whoever comes from elsewhere may only look.

A page of another site in the same browser can send requests here, and a name that is made to point to this computer makes
them look like our own (DNS rebinding). Neither gets the Host and the Origin right at once, nor has the key.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Literal

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

Role = Literal["controls", "view"]
POLICY_VIOLATION = 1008
# Everything comes from this server and from nowhere else; nothing inline.
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
    "cache-control": "no-cache",
}
NO_KEY = (
    "This page needs the link that 'evenbed bench' printed in its terminal: it carries a key, and every start makes a new "
    "one. Open that link again."
)
NOT_OURS = "This request did not come from the bench page of this computer, and is refused."


@dataclass(frozen=True)
class Keys:
    """The keys of one start: those in the links, and those that the cookies carry then."""

    controls: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    view: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    cookies: dict[Role, str] = field(
        default_factory=lambda: {"controls": secrets.token_urlsafe(24), "view": secrets.token_urlsafe(24)}
    )

    def role_of_link(self, key: str) -> Role | None:
        """What the key of a link allows."""
        if hmac.compare_digest(key.encode(), self.controls.encode()):
            return "controls"
        return "view" if hmac.compare_digest(key.encode(), self.view.encode()) else None

    def role_of_cookie(self, value: str) -> Role | None:
        """What a cookie allows."""
        return next((r for r, v in self.cookies.items() if hmac.compare_digest(value.encode(), v.encode())), None)


def is_loopback(address: str) -> bool:
    """Is this an address of this computer's own loop?"""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(ip, "ipv4_mapped", None)
    return (mapped or ip).is_loopback


def hosts_for(port: int, others: tuple[str, ...] = ()) -> frozenset[str]:
    """The Host headers that are right: this computer's loop, and the ``others`` by which it is known."""
    names = ("127.0.0.1", "localhost", "[::1]", *(f"[{o}]" if ":" in o else o for o in others))
    return frozenset(f"{name}:{port}".lower() for name in names)


class Guard:
    """The outermost layer. Refuses, or puts the ``role`` into the scope's state and adds the headers.

    ``entry`` is the path that gives out cookies: it is reached without one. ``cookie`` is the name of ours: the cookies of
    one computer are shared by all its ports.
    """

    def __init__(self, app: ASGIApp, keys: Keys, hosts: frozenset[str], cookie: str, entry: str = "/enter") -> None:
        self._app = app
        self._keys = keys
        self._hosts = hosts
        self._cookie = cookie
        self._entry = entry

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        role = self.role(scope, headers)
        refusal = self._refusal(scope, headers, role)
        if refusal and scope["type"] == "websocket":
            await WebSocketClose(POLICY_VIOLATION, "refused")(scope, receive, send)
        elif refusal:
            await PlainTextResponse(refusal, 403, HEADERS)(scope, receive, send)
        else:
            scope.setdefault("state", {})["role"] = role
            await self._app(scope, receive, self._with_headers(send) if scope["type"] == "http" else send)

    def role(self, scope: Scope, headers: Headers) -> Role | None:
        """What the cookies of this request allow where it comes from."""
        found: Role | None = None
        for value in headers.getlist("cookie"):
            try:
                morsel = SimpleCookie(value).get(self._cookie)
            except CookieError:
                continue
            if morsel is not None:
                found = self._keys.role_of_cookie(morsel.value) or found
        client = scope.get("client")
        near = client is not None and is_loopback(client[0])
        return "view" if found == "controls" and not near else found

    def _refusal(self, scope: Scope, headers: Headers, role: Role | None) -> str:
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return NOT_OURS
        ours = [f"http://{hosts[0].lower()}"]
        if [o.lower() for o in origins] != ours and (origins or scope["type"] == "websocket"):
            return NOT_OURS
        if scope["type"] == "http" and scope["method"] not in ("GET", "HEAD"):
            return NOT_OURS  # there is nothing to post to
        if scope["type"] == "http" and scope["path"] == self._entry:
            return ""
        return "" if role is not None else NO_KEY

    def _with_headers(self, send: Send) -> Send:
        async def wrapped(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name.lower() for name, _ in message["headers"]}
                message["headers"] += [(n.encode(), v.encode()) for n, v in HEADERS.items() if n.encode() not in own]
            await send(message)

        return wrapped
