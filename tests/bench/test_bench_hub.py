"""Pages and controls: nobody is waited for, one page at a time has the controls, and what a page may say."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

pytest.importorskip("starlette", reason="evenbed[bench] is not installed")

from evenbed.bench import orders
from evenbed.bench.hub import BACKLOG, Hub, Page
from evenbed.head.types import Ask


async def drain(page: Page) -> list[dict[str, object]]:
    out = []
    with contextlib.suppress(TimeoutError):
        while (text := await asyncio.wait_for(page.next(), 0.01)) is not None:
            out.append(json.loads(text))
    return out


def in_a_loop(test: Callable[[], Awaitable[None]]) -> Callable[[], None]:
    def run() -> None:
        with ThreadPoolExecutor(1) as thread:
            thread.submit(lambda: asyncio.run(test())).result()  # type: ignore[arg-type]

    run.__name__ = test.__name__
    return run


@in_a_loop
async def test_a_slow_page_gets_the_newest_moment_and_no_pile_of_old_ones() -> None:
    hub = Hub()
    page = hub.join("view")
    await drain(page)
    for n in range(5000):
        hub.publish({"kind": "status", "n": n})
    assert [m["n"] for m in await drain(page)] == [4999]
    assert not page.lagging


@in_a_loop
async def test_a_page_that_stands_still_is_cut_off_and_the_others_are_not() -> None:
    hub = Hub()
    dead, live = hub.join("controls"), hub.join("controls")
    await drain(live)
    for n in range(BACKLOG + 1):
        hub.publish({"kind": "line", "n": n})
        assert (await drain(live))[0]["n"] == n
    assert dead.lagging and not live.lagging
    assert await dead.next() is None


@in_a_loop
async def test_who_comes_later_is_told_where_things_are_and_holds_nothing() -> None:
    hub = Hub()
    first = hub.join("controls")
    assert hub.take(first)
    hub.publish({"kind": "place", "at": "starting"})
    hub.publish({"kind": "place", "at": "work"})
    hub.publish({"kind": "status", "n": 1})
    told = await drain(hub.join("controls"))
    assert [m["kind"] for m in told] == ["you", "place", "controls"]
    assert told[1]["at"] == "work" and told[2]["holder"] == first.number


@in_a_loop
async def test_the_controls_are_taken_openly_and_fall_to_nobody_when_their_page_goes() -> None:
    hub = Hub()
    a, b, looking = hub.join("controls"), hub.join("controls"), hub.join("view")
    assert hub.holder is None and not hub.holds(a)
    assert hub.take(a) and hub.holds(a)
    assert not hub.take(looking) and hub.holds(a)
    assert hub.take(b) and not hub.holds(a) and hub.holds(b)
    assert [m["holder"] for m in await drain(a) if m["kind"] == "controls"][-1] == b.number  # and it is told
    hub.release(a)
    assert hub.holds(b)
    assert not hub.leave(a)
    assert hub.leave(b) and hub.holder is None
    assert not hub.take(b)  # gone


# --- what a page may say ---------------------------------------------------------------------------------------


def test_no_order_draws() -> None:
    """On a real rig only the wired pedal starts a draw: there is nothing a page could say that does. "say" types a line to
    a guided command: those draw at the pedal too, as in a terminal."""
    kinds = set(orders._READ)
    assert kinds == {"take", "release", "leave", "look", "alive", "pedal", "ask", "act", "say", "begin", "unit"}
    assert {a.value for a in Ask} == {"stop", "let down", "clear", "disarm", "arm"}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nonsense",
        "[]",
        "null",
        "7",
        "[" * 4000,
        '{"do":"draw"}',
        '{"do":["take"]}',
        '{"do":"pedal","down":"yes"}',
        '{"do":"ask","what":"draw"}',
        '{"do":"act","action":"__init__"}',
        '{"do":"act","action":"choose","number":-1}',
        '{"do":"act","action":"choose","number":true}',
        '{"do":"act","action":"tension","string":"main","force":"24"}',
        '{"do":"unit","unit":"stone"}',
        '{"do":"begin","what":"pull","reference":"24"}',
        '{"do":"begin","what":"job","racquet":7}',
        '{"do":"begin","what":"guided","run":"flash","unit":"N"}',
        '{"do":"begin","what":"guided","run":"check","unit":"N","weight":"--gauge"}',
        '{"do":"begin","what":"free","main":"24","sport":"tennis"}',
        '{"do":"say","text":7}',
        '{"do":"say","text":"5kg\\u0000"}',
        '{"do":"say","text":"\\ud800"}',
        '{"do":"act","action":"note","text":"\\udfff"}',
        '{"do":"act","action":"note","text":"' + "x" * 501 + '"}',
        '{"do":"look","x":"' + "y" * 5000 + '"}',
    ],
    ids=lambda t: t[:40],
)
def test_what_is_not_understood_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(orders.Refused) as e:
        orders.read(text)
    assert str(e.value).endswith((".", "kgf, 24lbf or 24N."))


def test_what_is_typed_may_have_lines_and_any_language() -> None:
    for text in ("zweimal geprüft\n\tund gut", "五キロ", "5\u00a0kg 👍"):
        for order in ({"do": "say", "text": text}, {"do": "act", "action": "note", "text": text}):
            assert orders.read(json.dumps(order)).values["text"] == text


def test_a_bare_number_is_no_tension() -> None:
    # 52 kgf typed for 52 lbf is a broken frame (common practice, no source).
    with pytest.raises(orders.Refused, match="has no unit"):
        orders.read('{"do":"begin","what":"pull","reference":"52"}')
    assert orders.read('{"do":"begin","what":"pull","reference":"52 lbf"}').values["unit"] == "lbf"


def test_who_may_say_what() -> None:
    stop, down, press = (
        orders.read(t)
        for t in ('{"do":"ask","what":"stop"}', '{"do":"ask","what":"let down"}', '{"do":"pedal","down":true}')
    )
    look, take = orders.read('{"do":"look"}'), orders.read('{"do":"take"}')
    for order in (stop, down, press, take):
        assert orders.allowed(order, controls=False, holds=False)
    assert not orders.allowed(look, controls=False, holds=False)
    assert not orders.allowed(stop, controls=True, holds=False)  # anybody at this computer may stop
    assert orders.allowed(down, controls=True, holds=False) and orders.allowed(press, controls=True, holds=False)
    assert not orders.allowed(down, controls=True, holds=True)
    own = orders.read('{"do":"act","action":"tension","string":"main","number":3,"side":"left","force":"23kgf"}')
    assert str(own.values["name"]) == "main 3 left" and own.values["newtons"] == pytest.approx(23 * 9.80665)
