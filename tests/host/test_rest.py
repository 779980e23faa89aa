"""Plugs pulled while the head rests: nothing trips there, but somebody has to say what is wrong."""

from __future__ import annotations

import pytest
from evenbed.head import states as st
from evenbed.head.rest import QUIET_S
from evenbed.head.types import Ask
from handled_rig import HandledRig

# Armed, a converter that is stuck or out of its mind is a stop of the board's.
CELL = [(False, "off"), (False, "stuck"), (False, "garbage"), (True, "off")]


@pytest.mark.parametrize(("armed", "how"), CELL)
def test_a_cell_that_goes_while_the_head_rests_is_told_once(armed: bool, how: str) -> None:
    r = HandledRig()
    if armed:
        r.arm()
    r.wait(2.0)
    r.inject_now(f"cell {how} for 8s")
    r.wait(QUIET_S - 0.5)
    assert not r.told("no_readings")
    r.wait(5.0)
    (said,) = r.told("no_readings")
    assert "cell" in said.says and r.state == (st.SLACK if armed else st.UNARMED)
    r.wait(2.0)
    assert r.head.line is not None and r.head.line.sound
    r.inject_now("cell off")
    r.wait(QUIET_S + 1.0)
    assert len(r.told("no_readings")) == 2  # sound in between: that is another loss


def test_a_cell_that_goes_under_a_frozen_string_is_told_with_the_way_down() -> None:
    r = HandledRig().draw()
    r.ask(Ask.STOP)
    r.wait(1.0)
    r.inject_now("cell off")
    r.wait(QUIET_S + 1.0)
    (said,) = r.told("no_readings")
    assert "pedal held" in said.says and r.state == st.FROZEN
    assert r.let_down_by_pedal()


def test_a_slow_start_of_the_readings_says_nothing() -> None:
    r = HandledRig()
    r.wait(QUIET_S + 1.0)
    r.inject_now("cell off for 2s")
    r.wait(4.0)
    assert not r.told("no_readings")


def test_a_board_that_goes_while_nothing_is_armed_is_told() -> None:
    r = HandledRig()
    r.wait(1.0)
    r.inject_now("to-host off for 3s")
    r.wait(2.0)
    (said,) = r.told("board_missing")
    assert "USB" in said.says and not r.told("link_lost") and r.state == st.UNARMED
    r.wait(3.0)
    assert len(r.told("connected")) == 2 and len(r.told("board_missing")) == 1
    assert not r.told("no_readings")
    r.arm()
    assert r.state == st.SLACK


def test_armed_it_is_the_stop_that_is_told() -> None:
    r = HandledRig().arm()
    r.inject_now("to-host off")
    r.wait(2.0)
    assert len(r.told("link_lost")) == 1 and not r.told("board_missing")


def test_garbage_is_not_called_a_string_again_and_again() -> None:
    r = HandledRig()
    r.wait(1.0)
    r.inject_now("cell garbage")
    r.wait(20.0)
    assert len(r.told("loaded")) <= 1 and len(r.told("no_readings")) == 1


def test_what_is_not_heard_is_not_held_against_the_cell() -> None:
    r = HandledRig()
    r.wait(2.0)
    r.inject_now("cell off for 7s")
    r.wait(1.5)
    r.inject_now("to-host off for 4s")
    r.wait(8.0)
    assert r.told("board_missing") and not r.told("no_readings")
