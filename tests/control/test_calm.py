"""What people are told when the same thing happens again and again: common practice in alarm displays, no source."""

from __future__ import annotations

from evenbed.cli.words import sentence
from evenbed.control.calm import Calm
from evenbed.head.stops import told
from evenbed.head.types import Event


def lost() -> Event:
    return told(41, silent_s=0.25)


def entries(calm: Calm, times: list[float]) -> list[float]:
    """Which entry each loss was told by; 0 where it is no news."""
    heard = [calm.take(t, lost()) for t in times]
    assert all(e.name == "link_lost" for e in heard)  # windows hear of every one
    return [0.0 if quiet(e) else e.values["entry"] for e in heard]


def quiet(event: Event) -> bool:
    return sentence(event.name, event.says, event.values) is None


def test_a_cable_that_comes_and_goes_is_told_as_such() -> None:
    assert entries(Calm(), [0.0, 5.0, 10.0, 11.0, 12.0, 30.0]) == [41, 41, 44, 0, 0, 0]
    event = Calm().take(0.0, lost())
    assert event == lost()


def test_fewer_losses_in_a_minute_are_told_again() -> None:
    assert entries(Calm(), [0.0, 10.0, 20.0, 30.0, 85.0, 144.0, 205.0]) == [41, 41, 44, 0, 41, 41, 41]


def test_a_trip_that_the_board_still_has_is_told_once() -> None:
    calm = Calm()
    trip = told(7, force_n=200.0, bound_n=233.0, later=0.0, age_s=0.01)
    assert calm.take(0.0, trip) is trip
    calm.take(1.0, lost())
    again = told(7, force_n=200.0, bound_n=233.0, later=0.0, age_s=0.3)
    for t in (2.0, 3.0):
        heard = calm.take(t, again)
        assert quiet(heard) and heard.values["fault"] == 7  # a window that was away learns what stands
    other = told(7, force_n=190.0, bound_n=233.0, later=0.0)
    assert calm.take(4.0, other) is other
    # Without a loss between them the same values are another trip.
    assert calm.take(5.0, other) is other


def test_the_guards_word_stands() -> None:
    calm = Calm()
    guard, stopped = told(55, travel_mm=16.0, force_n=200.0), told(12, force_n=200.0)
    assert calm.take(0.0, guard) is guard
    assert calm.take(0.1, Event("state", "frozen")) == Event("state", "frozen")
    assert quiet(calm.take(0.1, stopped))
    assert calm.take(9.0, stopped) is stopped  # the next one is somebody's
    calm.take(10.0, guard)
    calm.take(11.0, Event("state", "easing_off"))
    assert calm.take(12.0, stopped) is stopped
