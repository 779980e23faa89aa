"""The way to the writer: never waited for, bounded, events given up before trips, and its end told once."""

from __future__ import annotations

import json
import select
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "host"))

from evenbed.control.blackbox import Capture
from evenbed.control.outbox import EVENTS, PIECE, TRIPS, Outbox
from evenbed.head.types import Pull
from handled_rig import HandledRig


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
    yield ours, theirs
    ours.close()
    theirs.close()


@pytest.fixture(scope="module")
def capture() -> Capture:
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    r.inject_now("cell stuck")
    r.wait(2.0)
    return r.host.loop.box.take()[0]


def read_all(box: Outbox, there: socket.socket) -> list[dict[str, object]]:
    """Everything that is waiting, read at the other end."""
    there.setblocking(False)
    data = b""
    while True:
        box.drain()
        if select.select([there], [], [], 0.0)[0]:
            data += there.recv(1 << 20)
        elif not box.waiting:
            return [json.loads(line) for line in data.splitlines()]


def event(i: int) -> dict[str, object]:
    return {"kind": "event", "t_s": float(i), "name": "n", "says": "x" * 200, "values": {}}


def test_messages_arrive_in_order(ends: tuple[socket.socket, socket.socket]) -> None:
    box = Outbox(ends[0])
    for i in range(500):
        box.put(event(i))
    got = read_all(box, ends[1])
    assert [m["t_s"] for m in got] == [float(i) for i in range(500)]
    assert not box.waiting and box.dropped == 0


def test_a_writer_that_does_not_read_holds_nothing_up(ends: tuple[socket.socket, socket.socket]) -> None:
    box = Outbox(ends[0])
    for i in range(3 * EVENTS):
        box.put(event(i))
        assert box.drain() == []
    assert box.dropped > 0 and box.waiting
    # It reads again: what was dropped is told, what was kept arrives, in order.
    lost = box.dropped
    got = read_all(box, ends[1])
    assert sum(int(str(m["count"])) for m in got if m["kind"] == "dropped") == lost
    times = [m["t_s"] for m in got if m["kind"] == "event"]
    assert times == sorted(times, key=lambda t: float(str(t))) and len(times) == 3 * EVENTS - lost


def test_events_are_given_up_before_trips(ends: tuple[socket.socket, socket.socket], capture: Capture) -> None:
    box = Outbox(ends[0])
    for i in range(2 * EVENTS):
        box.put(event(i))
    for _ in range(TRIPS):
        box.put_trip(capture, "port")
    dropped = box.dropped
    assert dropped == EVENTS
    box.put_trip(capture, "port")
    assert box.dropped == dropped + 1
    got = read_all(box, ends[1])
    assert [m["kind"] for m in got].count("trip") == TRIPS == [m["kind"] for m in got].count("trip_end")


def test_a_trip_goes_out_in_pieces_that_make_the_whole(ends: tuple[socket.socket, socket.socket], capture: Capture) -> None:
    box = Outbox(ends[0])
    box.put_trip(capture, "/dev/ttyACM0")
    got = read_all(box, ends[1])
    assert got[0]["kind"] == "trip" and got[-1]["kind"] == "trip_end"
    pieces = [m["lines"] for m in got if m["kind"] == "lines"]
    assert all(len(p) <= PIECE for p in pieces)  # type: ignore[arg-type]
    lines = [line for p in pieces for line in p]  # type: ignore[attr-defined]
    assert [(t, w, text.encode("latin-1")) for t, w, text in lines] == list(capture.lines)


def test_the_end_of_the_writer_is_told_once(ends: tuple[socket.socket, socket.socket]) -> None:
    box = Outbox(ends[0])
    box.put(event(1))
    ends[1].close()
    said = box.drain() + box.drain() + box.drain()
    assert len(said) == 1 and "Records are not being kept" in said[0] and "The pull goes on" in said[0]
    box.put(event(2))
    assert not box.waiting and box.socket is None and box.drain() == []


def test_what_the_writer_says_is_passed_on(ends: tuple[socket.socket, socket.socket]) -> None:
    box = Outbox(ends[0])
    ends[1].send(b'{"says": "The disk')
    assert box.drain() == []
    ends[1].send(b' is full."}\n')
    assert box.drain() == ["The disk is full."]


def test_without_a_writer_everything_is_forgotten(capture: Capture) -> None:
    box = Outbox(None)
    box.put(event(1))
    box.put_trip(capture, "port")
    assert not box.waiting and box.drain() == [] and box.dropped == 0
    box.finish(0.1)
