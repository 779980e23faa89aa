"""Who may connect. What has to be refused: requests that a foreign page, a foreign name or another computer makes.

Checked against: RFC 9112, 3.2 (more than one Host field is refused); OWASP Web Security Testing Guide, WSTG-CLNT-10 (a
WebSocket from a foreign Origin) and WSTG-CONF-12 (no 'unsafe-…' in the Content-Security-Policy); numbers from memory.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import pytest

pytest.importorskip("starlette", reason="evenbed[bench] is not installed")
from evenbed.bench.app import STATIC, Bench, Settings
from evenbed.bench.guard import Keys, hosts_for, is_loopback
from evenbed.bench.opening import Means
from evenbed.bench.orders import read
from evenbed.bench.place import ONLY_STOP
from evenbed.record.store import Store
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

PORT = 8765
LAN = "192.0.2.7"
HERE = f"127.0.0.1:{PORT}"
LINE = f"ws://{HERE}/live"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(Means(tmp_path / "records", tmp_path), Settings(PORT, (LAN,)))


def client_of(bench: Bench, host: str = HERE, address: str = "127.0.0.1") -> TestClient:
    return TestClient(bench.app(), base_url=f"http://{host}", client=(address, 50000))


@pytest.fixture
def entered(bench: Bench) -> Iterator[TestClient]:
    with client_of(bench) as client:
        assert client.get("/enter", params={"key": bench.keys.controls}).status_code == 200
        yield client


def origin(host: str = HERE) -> dict[str, str]:
    return {"origin": f"http://{host}"}


def test_without_a_key_there_is_nothing_to_see(bench: Bench) -> None:
    with client_of(bench) as client:
        for path in ("/", "/static/main.js", "/trip/1", "/report/1", "/report/1/file", "/compare/1/2", "/report.css"):
            answer = client.get(path)
            assert answer.status_code == 403
            assert "evenbed bench" in answer.text
        for key in ("", "nonsense", bench.keys.cookies["controls"], bench.keys.view + "x", "ключ"):
            assert client.get("/enter", params={"key": key}).status_code == 403
        with pytest.raises(WebSocketDisconnect), client.websocket_connect(LINE, headers=origin()):
            pass


def test_the_key_gives_a_cookie_that_no_script_and_no_foreign_page_gets(bench: Bench) -> None:
    with client_of(bench) as client:
        cookie = client.get("/enter", params={"key": bench.keys.controls}).headers["set-cookie"].lower()
        assert "httponly" in cookie and "samesite=strict" in cookie
        assert bench.keys.controls.lower() not in cookie  # what is in the browser's history is not what is in the cookie
        assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:9", f"127.0.0.1.evil:{PORT}"]
)
def test_a_name_that_was_made_to_point_here_is_refused(entered: TestClient, host: str) -> None:
    assert entered.get("/", headers={"host": host}).status_code == 403
    with pytest.raises(WebSocketDisconnect), entered.websocket_connect(LINE, headers={"host": host, **origin(host)}):
        pass


def test_two_hosts_are_refused(bench: Bench) -> None:
    told: list[dict[str, object]] = []

    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, object]) -> None:
        told.append(message)

    cookie = f"{bench.settings.cookie}={bench.keys.cookies['controls']}".encode()
    headers = [(b"host", HERE.encode()), (b"host", b"evil.example"), (b"cookie", cookie)]
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "headers": headers,
        "client": ("127.0.0.1", 1),
        "query_string": b"",
    }
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(bench.app()(scope, receive, send))).result()  # type: ignore[arg-type]
    assert told[0]["status"] == 403


@pytest.mark.parametrize(
    "foreign",
    [
        "http://evil.example",
        f"http://localhost:{PORT}",
        f"https://{HERE}",
        "http://127.0.0.1:3000",
        "null",
        f"http://{HERE}/",
        "",
    ],
)
def test_a_page_from_elsewhere_gets_no_line(entered: TestClient, foreign: str) -> None:
    with pytest.raises(WebSocketDisconnect), entered.websocket_connect(LINE, headers={"origin": foreign}):
        pass
    assert entered.get("/trip/1", headers={"origin": foreign}).status_code == 403


def test_a_line_without_an_origin_is_refused_and_with_ours_it_stands(entered: TestClient) -> None:
    with pytest.raises(WebSocketDisconnect), entered.websocket_connect(LINE):
        pass
    with entered.websocket_connect(LINE, headers=origin()) as line:
        assert line.receive_json() == {"kind": "you", "number": 1, "role": "controls"}


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_nothing_can_be_posted(entered: TestClient, method: str) -> None:
    assert entered.request(method, "/", headers=origin()).status_code == 403
    assert entered.request(method, "/enter").status_code == 403


def test_everything_that_is_sent_has_the_strict_policy(entered: TestClient) -> None:
    answers = [entered.get(p) for p in ("/", "/static/main.js", "/enter", "/nowhere")]
    answers.append(entered.get("/", headers={"host": "evil.example"}))
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe" not in policy
        assert "*" not in policy and "http" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_the_page_names_nothing_from_outside_and_holds_nothing_inline() -> None:
    for file in STATIC.iterdir():
        text = file.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|(?<![:\w])//[a-z0-9]+\.[a-z]", text), file.name
    page = (STATIC / "index.html").read_text("utf-8")
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", page)


@pytest.mark.parametrize("number", [2**63, 2**70, "9" * 5000])
def test_a_number_that_no_record_has_is_not_found(bench: Bench, entered: TestClient, number: int | str) -> None:
    Store(bench.means.records).close()
    for path in ("/trip/{}", "/report/{}", "/report/{}/file", "/compare/1/{}", "/compare/{}/1"):
        assert entered.get(path.format(7)).status_code == 404
        answer = entered.get(path.format(number))
        assert answer.status_code == 404 and "Error" not in answer.text, path


def test_what_a_command_under_way_does_not_hear_is_answered_with_a_word(bench: Bench) -> None:
    page = bench.hub.join("controls")
    stops: list[int] = []
    bench.place._guiding.run = SimpleNamespace(stop=lambda: stops.append(1))  # type: ignore[assignment]
    assert bench._do(read('{"do":"ask","what":"arm"}'), page, None) == ONLY_STOP and not stops
    assert bench._do(read('{"do":"ask","what":"stop"}'), page, None) == "" and stops


# --- from other devices --------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["view", "controls"])
def test_another_device_only_looks_whatever_key_it_has(bench: Bench, key: str) -> None:
    there = f"{LAN}:{PORT}"
    with client_of(bench, there, "192.0.2.20") as client:
        assert client.get("/enter", params={"key": getattr(bench.keys, key)}).status_code == 200
        with client.websocket_connect(f"ws://{there}/live", headers=origin(there)) as line:
            assert line.receive_json()["role"] == "view"
            for order in (
                '{"do":"take"}',
                '{"do":"ask","what":"stop"}',
                '{"do":"pedal","down":true}',
                '{"do":"leave"}',
            ):
                line.send_text(order)
            refused = 0
            while refused < 4:
                message = line.receive_json()
                refused += message["kind"] == "refused"
                assert message.get("holder") is None

    assert bench.hub.holder is None


def test_a_looking_link_looks_on_this_computer_too(bench: Bench) -> None:
    with client_of(bench) as client:
        client.get("/enter", params={"key": bench.keys.view})
        with client.websocket_connect(LINE, headers=origin()) as line:
            assert line.receive_json()["role"] == "view"


def test_addresses_of_the_loop() -> None:
    # IANA special-purpose address registries: 127.0.0.0/8 and ::1 are loopback, ::ffff:0:0/96 carries IPv4.
    assert all(is_loopback(a) for a in ("127.0.0.1", "127.255.0.3", "::1", "::ffff:127.0.0.1"))
    assert not any(
        is_loopback(a) for a in ("192.168.1.4", "0.0.0.0", "::", "fe80::1%eth0", "::ffff:10.0.0.1", "testclient", "")
    )


def test_every_start_has_keys_of_its_own() -> None:
    a, b = Keys(), Keys()
    assert len({a.controls, a.view, *a.cookies.values(), b.controls, b.view, *b.cookies.values()}) == 8
    assert all(len(k) >= 32 for k in (a.controls, a.view, *a.cookies.values()))
    assert "[2001:db8::5]:80" in hosts_for(80, ("2001:db8::5",))
