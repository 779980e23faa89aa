"""What the terminal does after a stop and on Ctrl-C: it stays until the string is down, or says what is on it and the way
out, and it judges nothing on one reading."""

from __future__ import annotations

import os
import signal
from typing import Any

import pytest
from evenbed.cli.interrupts import Interrupts
from evenbed.cli.leaving import DOWN_S, GAP_S, Lately, left_on, way_out
from evenbed.cli.letdown import after_ctrl_c, see_it_down
from evenbed.cli.prove import clear_own_trip
from evenbed.cli.pull import PullRequest, Session
from evenbed.control.status import Status
from evenbed.head.types import Ask
from evenbed_fw import faults
from evenbed_fw.safety import ARMED, F_ENABLED, F_ESTOP, F_PEDAL_FAULT, F_SOUND, F_SUPPLY, MOVING
from handled_rig import HandledRig, tether
from windowed import Windowed

REFERENCE_N = 220.0
LOADED_N = 10.0  # the board calls a string loaded above: 2.5 times its contact force of 4 N (evenbed_fw.settings)
LOAD = F_ENABLED | F_SOUND


def pulled(w: Windowed) -> Session:
    """The window of one pull, on a rig that holds it already."""
    session = Session(PullRequest(REFERENCE_N, "N"), w.view, w.control, w.interrupts, w.clock)
    session._press_s = w.r.t_s
    return session


def moment(t_s: float, force_n: float | None, **values: Any) -> Status:
    """One status; what is not given is that of a tripped head that stands."""
    flags = LOAD if force_n is not None else F_ENABLED
    shown = {"state": "tripped", "flags": flags, "fault": faults.NO_DATA, "standing": True, **values}
    return {"kind": "status", "t_s": t_s, "reference_force_n": force_n, "force_n": force_n, **shown}  # type: ignore[return-value,typeddict-item]


def seen(*forces_n: float | None, **values: Any) -> Lately:
    """Statuses in a row, 40 ms apart."""
    lately = Lately()
    for i, force_n in enumerate(forces_n):
        lately.hear(moment(0.04 * i, force_n, **values))
    return lately


# --- what is known for a while -------------------------------------------------------------------------------------
LONG = 2 + int(DOWN_S / 0.04)


def test_down_needs_sound_unloaded_standing_readings_without_an_exception() -> None:
    assert seen(*[2.0] * LONG).down
    assert not seen(*[2.0] * (LONG - 4)).down
    assert not seen(*[2.0] * LONG, 230.0, 2.0).down
    assert not seen(*[2.0] * LONG, None, 2.0).down
    assert not seen(*[LOADED_N + 0.1] * LONG).down and seen(*[LOADED_N] * LONG).down
    assert not seen(*[2.0] * LONG, standing=False).down
    assert not seen(*[2.0] * LONG, flags=F_ENABLED).down


def test_what_was_between_two_statuses_far_apart_is_not_taken_for_down() -> None:
    lately = seen(2.0)
    lately.hear(moment(GAP_S + DOWN_S, 2.0))
    assert not lately.down


def test_one_late_status_makes_no_force_unknown() -> None:
    assert seen(*[230.0] * 20, None).known
    assert not seen(*[230.0] * 20, *[None] * 20).known
    assert not seen(None).known


# --- the way out ---------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("flags", "fault", "force_n", "has", "never"),
    [
        (LOAD, faults.STRETCH, 230.0, ("hold the pedal", "hand knob"), ("Ctrl-C",)),
        (F_ENABLED, faults.NO_DATA, None, ("hold the pedal", "hand knob"), ("Ctrl-C",)),
        (LOAD | F_PEDAL_FAULT, faults.PEDAL, 230.0, ("run this again and press Ctrl-C", "hand knob"), ("hold the",)),
        (F_ENABLED | F_PEDAL_FAULT, faults.NO_DATA, None, ("emergency stop", "hand knob"), ("hold the", "Ctrl-C")),
        (F_SOUND | F_ESTOP, faults.EMERGENCY_STOP, 230.0, ("hand knob", "release it first", "power again"), ("Ctrl-C",)),
        (F_SOUND | F_SUPPLY, faults.SUPPLY_LOST, 230.0, ("hand knob", "restore it first", "power again"), ("Ctrl-C",)),
        (F_SOUND | F_ESTOP | F_PEDAL_FAULT, faults.PEDAL, 230.0, ("hand knob", "pedal cannot"), ("hold the", "Ctrl-C")),
        (LOAD, faults.WRONG_WAY, 230.0, ("emergency stop", "hand knob"), ("hold the", "Ctrl-C")),
    ],
)  # fmt: skip
def test_the_way_out_is_one_that_the_board_lets_go(
    flags: int, fault: int, force_n: float | None, has: tuple[str, ...], never: tuple[str, ...]
) -> None:
    # SAFETY.md section 4: the pedal, but for no power, a broken pedal and a motor that turns the wrong way; the hand knob
    # in all of them.
    lately = seen(*[force_n] * 20, flags=flags, fault=fault)
    for text in (way_out(lately, False), left_on(lately, "N")):
        assert all(part in text for part in has), text
        assert not any(part.lower() in text.lower() for part in never), text


def test_with_a_broken_pedal_who_is_still_there_presses_ctrl_c() -> None:
    lately = seen(*[230.0] * 20, flags=LOAD | F_PEDAL_FAULT, fault=faults.PEDAL)
    assert "run this again" not in way_out(lately, True) and "press Ctrl-C" in way_out(lately, True)


def test_between_slack_and_loaded_it_is_taken_out_by_hand() -> None:
    # The board lets nothing down that it does not call loaded: a hold of the pedal would mean arming.
    text = left_on(seen(*[9.0] * 20), "N")
    assert "9.0 N" in text and "take it out" in text and "pedal" not in text
    restarted = left_on(seen(*[9.0] * 20), "N", gone=True)
    assert "last heard 9.0 N" in restarted and "take it out" in restarted and "pedal" not in restarted
    assert "still on the string" in left_on(seen(*[LOADED_N + 0.1] * 20), "N")
    assert left_on(seen(*[1.0] * 20), "N") == ""


def test_one_reading_among_garbage_is_no_force() -> None:
    text = left_on(seen(*[None, 2.0] * 20), "N")
    assert "not sound" in text and "look at the string" in text and "hold the pedal" in text
    assert "not sound" in left_on(seen(*[230.0] * 20, None, 60.0), "N")


def test_where_nothing_was_armed_nobody_is_sent_to_look_at_a_string() -> None:
    lately = seen(*[None] * 20, state="unarmed", flags=0, fault=0)
    assert left_on(lately, "N") == "" and left_on(Lately(), "N") == ""


def test_a_board_that_is_gone_has_a_force_last_heard() -> None:
    text = left_on(seen(230.0), "N", gone=True)
    assert "last heard 230.0 N" in text and "hold the pedal" in text and "hand knob" in text


# --- signals -------------------------------------------------------------------------------------------------------
def test_signals_are_counted_and_break_into_nothing() -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with Interrupts() as interrupts:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGINT):
            os.kill(os.getpid(), number)
        assert [interrupts.taken() for _ in range(4)] == [True, True, True, False]
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


# --- a pull --------------------------------------------------------------------------------------------------------
def test_two_signals_at_once_let_down_and_freeze() -> None:
    w = Windowed(HandledRig(plant=tether(6.0)).draw())
    w.ctrl_c(0.5, 0.5, 4.0)
    assert pulled(w).run() == 130
    assert w.control.asked == [Ask.LET_DOWN, Ask.STOP]
    assert w.r.rig.force_n > LOADED_N


def test_ctrl_c_lets_a_held_string_down_and_disarms() -> None:
    w = Windowed(HandledRig().draw())
    w.ctrl_c(0.5)
    session = pulled(w)
    assert session.run() == 130 and w.r.state == "unarmed" and w.r.rig.force_n < LOADED_N
    assert left_on(session.lately, "N") == ""


def test_a_board_that_does_not_disarm_keeps_nobody() -> None:
    w = Windowed(HandledRig().draw())
    w.ctrl_c(0.5)
    w.control.asks = lambda ask: ask is not Ask.DISARM  # as refused: what was stretched pulls again
    assert pulled(w).run() == 130 and w.r.state == "slack"


@pytest.mark.parametrize("seed", range(1, 7))
def test_garbage_is_no_slack_string(seed: int) -> None:
    w = Windowed(HandledRig(seed=seed).draw(), patience_s=120.0)
    w.inject(1.0, "cell garbage")
    session = pulled(w)
    assert session.run() == 3 and w.r.rig.force_n > 150.0
    assert "The string is slack." not in w.said
    assert left_on(session.lately, "N")


def test_after_a_trip_it_ends_once_the_pedal_has_let_it_down() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(1.0, "cell stuck for 0.5s")
    w.at(4.0, lambda: w.r.press(True))
    w.at(38.0, lambda: w.r.press(False))
    session = pulled(w)
    assert session.run() == 3 and w.r.rig.force_n < LOADED_N and w.r.rig.hw.rate == 0
    assert "still on the string" not in left_on(session.lately, "N")


def test_its_own_way_down_is_over_before_it_ends() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(1.0, "cell stuck for 0.5s")
    w.ctrl_c(4.0)
    assert pulled(w).run() == 3 and w.control.asked == [Ask.LET_DOWN]
    assert w.said.count("The string is slack.") == 1
    core = w.r.rig.board.core
    assert core.state not in (MOVING, ARMED) and w.r.rig.hw.rate == 0 and w.r.rig.force_n < LOADED_N
    assert not core.later >> faults.LEASE_EXPIRED & 1


def test_a_way_down_that_ends_too_soon_is_told_and_asked_for_again() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(1.0, "cell stuck for 0.5s")
    w.ctrl_c(4.0, 12.0)
    for t_s, down in ((4.4, True), (4.6, False)):  # a tap stops it
        w.at(t_s, lambda down=down: w.r.press(down))  # type: ignore[misc]
    assert pulled(w).run() == 3 and w.control.asked == [Ask.LET_DOWN, Ask.LET_DOWN]
    assert w.said.count("It stands, with") == 1 and "hand knob" in w.said
    assert w.r.rig.force_n < LOADED_N


def test_with_no_readings_ctrl_c_says_the_way_out_and_stays() -> None:
    w = Windowed(HandledRig().draw(), patience_s=200.0)
    w.inject(1.0, "cell off")
    w.ctrl_c(3.0, 100.0)
    session = pulled(w)
    assert session.run() == 130 and w.r.t_s > 100.0
    assert w.control.asked == []
    for part in (
        "nothing can be let down from here",
        "force is not known",
        "hold the pedal",
        "hand knob",
        "once more leaves",
    ):
        assert part in w.said, (part, w.said)
    assert "look at the string" in left_on(session.lately, "N")


def test_it_stays_until_it_is_known_to_be_slack() -> None:
    w = Windowed(HandledRig().draw(), patience_s=200.0)
    w.inject(1.0, "cell off for 4s")
    w.ctrl_c(3.0)
    w.at(80.0, lambda: w.r.press(True))
    w.at(110.0, lambda: w.r.press(False))
    assert pulled(w).run() == 3 and w.r.rig.force_n < LOADED_N


def test_one_late_status_ends_no_session() -> None:
    w = Windowed(HandledRig().draw(), patience_s=200.0)
    w.inject(1.0, "pedal wrong for 0.5s")
    through = w.control.messages

    def late(wait_s: float) -> list[dict[str, Any]]:
        got = through(wait_s)
        for message in got[-1:]:
            if message["kind"] == "status" and 19.0 < w.r.t_s - begun_s < 19.5:
                message.update(force_n=None, reference_force_n=None)  # it came when the last reading was too old
        return got

    w.control.messages = late  # type: ignore[method-assign]
    begun_s = w.r.t_s
    assert pulled(w).run() == 3
    assert w.r.t_s - begun_s > 55.0  # as long as one waits for who lets it down


def test_without_power_ctrl_c_says_that_it_has_to_come_back_first() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(1.0, "estop on")
    w.ctrl_c(3.0, 5.0)
    assert pulled(w).run() == 130 and w.control.asked == []
    assert "emergency stop is pressed" in w.said and "hand knob" in w.said and "release it first" in w.said


def test_with_a_broken_pedal_it_comes_down_from_the_screen() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(1.0, "pedal wrong")
    w.ctrl_c(3.0)
    assert pulled(w).run() == 3 and w.r.rig.force_n < LOADED_N


# --- commands that only have to end --------------------------------------------------------------------------------
def test_a_command_ends_when_the_string_is_down() -> None:
    w = Windowed(HandledRig().draw())
    w.ctrl_c(0.0)
    w._pass(0.0)
    lately = Lately()
    for message in w.control.messages(0.2):
        if message["kind"] == "status":
            lately.hear(message)  # type: ignore[arg-type]
    assert "Nothing is on the head any more." in see_it_down(w.control, w.view, lately, w.interrupts)
    assert w.r.rig.force_n < LOADED_N and w.r.rig.hw.rate == 0


def test_a_command_that_has_seen_nothing_looks_first() -> None:
    w = Windowed(HandledRig().draw())
    assert "Nothing is on the head any more." in after_ctrl_c(w.control, w.view)
    assert w.control.asked == [Ask.LET_DOWN] and w.r.rig.force_n < LOADED_N
    idle = Windowed(HandledRig().arm())
    assert after_ctrl_c(idle.control, idle.view) == "Ctrl-C." and idle.control.asked == []


def test_a_command_whose_board_is_gone_does_not_wait_for_it() -> None:
    w = Windowed(HandledRig().draw())
    w.at(0.5, lambda: w.r.inject_now("board off"))
    assert "last heard" in after_ctrl_c(w.control, w.view) and w.r.rig.force_n > LOADED_N


def test_a_command_that_is_left_says_what_is_on() -> None:
    w = Windowed(HandledRig().draw())
    w.inject(0.1, "estop on")
    w.ctrl_c(2.0, 4.0)
    lately = Lately()
    while not w.interrupts.waiting:
        for message in w.control.messages(0.1):
            if message["kind"] == "status":
                lately.hear(message)  # type: ignore[arg-type]
    said = see_it_down(w.control, w.view, lately, w.interrupts)
    assert "still on the string" in said and "hand knob" in said


# --- the trip that was asked for ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("slack", [True, False])
def test_the_deliberate_trip_is_cleared_once_the_string_is_slack_and_not_before(slack: bool) -> None:
    w = Windowed(HandledRig().draw())
    w.r.host.loop.set_ceiling(60.0)
    w.r.wait(1.5)
    assert w.r.state == "tripped"
    if slack:
        assert w.r.let_down_by_pedal()
    clear_own_trip(w.control, seen(*[200.0] * 2))
    assert w.r.state == ("unarmed" if slack else "tripped") and w.control.asked == ([Ask.CLEAR] if slack else [])
    assert (w.r.rig.force_n > LOADED_N) is not slack
