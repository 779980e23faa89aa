"""What the loop keeps for a stop: since the last rest, no further than ten minutes, and only of stops nobody asked for."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "host"))

from evenbed.control.blackbox import LEAST_S, start_from
from evenbed.head import start as head_start
from evenbed.head.head import Head
from evenbed.head.types import Ask, Pull
from evenbed.link.recorder import KEEP_S, MOST_S, Recorder
from handled_rig import HandledRig


def holding_for(hold_s: float, fault: str = "cell stuck") -> HandledRig:
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    r.wait(hold_s)
    r.inject_now(fault)
    r.wait(2.0)
    return r


# --- which stops ------------------------------------------------------------------------------------------------------
def test_stops_that_were_asked_for_are_not_kept() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).arm()
    r.press(True)
    r.wait(0.15)
    r.press(False)
    assert r.until("drawing", 2.0)
    r.wait(0.2)
    r.tap()
    assert r.state == "frozen" and r.told("pressed")
    r.wait(2.0)
    assert r.host.loop.box.take() == []
    assert r.let_down_by_pedal()
    r.until("slack", 5.0)
    r.wait(1.5)
    r.tap()
    assert r.until("drawing", 2.0)
    r.ask(Ask.STOP)
    r.wait(2.0)
    assert r.told("stopped") and r.host.loop.box.take() == []


def test_a_trip_is_kept_once_with_the_state_it_found() -> None:
    r = holding_for(1.0)
    (capture,) = r.host.loop.box.take()
    assert (capture.first.name, capture.state) == ("stuck", "holding")
    assert capture.force_n == pytest.approx(200.0, rel=0.02)
    assert any(line.startswith(b"trip ") for _, way, line in capture.lines if way == "<")
    r.wait(LEAST_S + 5.0)
    assert r.host.loop.box.take() == []


def test_a_stop_that_is_due_is_kept_when_the_loop_ends() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    r.inject_now("estop on")
    assert r.until(lambda: bool(r.told("emergency_stop")), 3.0)
    assert r.host.loop.box.take() == []
    r.host.loop.end(r.t_s)
    (capture,) = r.host.loop.box.take()
    assert capture.first.name == "emergency_stop"
    r.host.loop.end(r.t_s)
    assert r.host.loop.box.take() == []


# --- how far back ---------------------------------------------------------------------------------------------------
def test_a_long_hold_is_kept_back_to_the_rest_before_it() -> None:
    (capture,) = holding_for(45.0).host.loop.box.take()
    assert capture.whole and capture.made_s - capture.lines[0][0] > 45.0
    assert capture.start.head is not None and capture.start.head.state in ("slack", "unarmed")
    assert capture.lines[0][0] >= capture.start.t_s


def test_a_short_pull_is_kept_with_ten_seconds_at_least() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).arm()
    r.wait(60.0)
    r.tap()
    assert r.until("holding", 5.0)
    r.inject_now("cell off")
    r.wait(2.0)
    (capture,) = r.host.loop.box.take()
    assert KEEP_S <= capture.made_s - capture.start.t_s < KEEP_S + 6.0


def test_beyond_ten_minutes_the_beginning_is_given_up_and_that_is_said() -> None:
    recorder = Recorder()
    recorder.held_from_s = 0.0
    for i in range(7100):
        recorder.add(0.1 * i, "<", b"x")
    kept = recorder.lines()
    assert kept[0][0] == pytest.approx(709.9 - MOST_S, abs=0.11)
    assert recorder.lost_s is not None and recorder.lost_s < kept[0][0]
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    # As if the hold had lasted longer than is kept.
    recorder = r.host.loop.session.recorder
    recorder.lost_s = r.t_s - 1.0
    r.inject_now("cell stuck")
    r.wait(2.0)
    (capture,) = r.host.loop.box.take()
    assert not capture.whole


def test_at_rest_nothing_piles_up() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).arm()
    r.wait(120.0)
    lines = r.host.loop.session.recorder.lines()
    assert lines[-1][0] - lines[0][0] < KEEP_S + 5.0


# --- where a head stood ----------------------------------------------------------------------------------------------
def test_every_field_of_the_head_is_carried_over_or_known_to_be_made_anew() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).arm()
    handled = {*head_start.BY_HAND, *head_start.MADE_ANEW}
    plain = {n for n, v in vars(r.head).items() if isinstance(v, head_start.PLAIN)}
    assert set(vars(r.head)) - plain <= handled
    assert all(isinstance(v, head_start.PLAIN) for v in vars(r.head.pedal).values())


def test_a_restored_head_is_the_head_it_was() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    r.wait(2.0)
    r.ask(Ask.LET_DOWN)
    assert r.until("slack", 8.0)
    r.wait(1.0)
    assert head_start.at_rest(r.head)
    r.head.proofs.near = ("gut", 24.5, 220.0)
    there = head_start.snapshot(r.head)
    again = head_start.restore(r.head.rig, there)
    assert again.proofs.near == ("gut", 24.5, 220.0)
    assert head_start.snapshot(again) == there
    assert again.state == "slack" and again.delays.delay == r.head.delays.delay and again.force == r.head.force
    assert again.working_zero_n == r.head.working_zero_n and again.home_mm == r.head.home_mm


@pytest.mark.parametrize("state", ["taking_up", "drawing", "holding", "frozen", "tripped", "nonsense"])
def test_no_head_begins_in_the_middle_of_a_pull(state: str) -> None:
    r = HandledRig(Pull(200.0, family="nylon")).arm()
    there = asdict(head_start.snapshot(r.head))
    with pytest.raises(ValueError, match="no head can go on"):
        head_start.restore(r.head.rig, head_start.HeadStart(**{**there, "state": state}))


def test_a_head_in_a_pull_or_waiting_for_an_answer_is_not_at_rest() -> None:
    r = HandledRig(Pull(200.0, family="nylon")).draw()
    assert not head_start.at_rest(r.head)
    r = HandledRig(Pull(200.0, family="nylon"))
    r.wait(0.5)
    assert head_start.at_rest(r.head)
    r.host.loop.ask(Ask.ARM)
    r.host.loop.receive(r.t_s, b"")
    assert not head_start.at_rest(r.head)


def test_a_start_survives_json() -> None:
    import json

    (capture,) = holding_for(12.0).host.loop.box.take()
    data = json.loads(json.dumps(asdict(capture.start)))
    again = start_from(data)
    assert json.loads(json.dumps(asdict(again))) == data
    assert isinstance(again.rig, type(capture.start.rig)) and again.link.limits == capture.start.link.limits
    assert isinstance(head_start.restore(capture.start.rig, again.head), Head)  # type: ignore[arg-type]
