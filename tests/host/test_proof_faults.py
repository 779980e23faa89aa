"""A motor that does not do what it is told, around the proof: it is told, nothing is let off, and the string comes down.

A stepper without feedback gives no sign of a lost step; only force against travel shows it (a fact of the drive).
"""

from __future__ import annotations

import pytest
from evenbed.head import states as st
from evenbed.head.running import NOT_AT_REST
from evenbed.head.types import Ask, Pull
from evenbed_sim import presets
from handled_rig import HandledRig, main_strand, tether

REFERENCE_N = 200.0


def held(r: HandledRig) -> HandledRig:
    """Armed, drawn, and held for a while."""
    r.arm()
    r.tap()
    assert r.until(st.HOLDING, 5.0)
    r.wait(1.0)
    return r


def hints(r: HandledRig) -> list[float]:
    return [t for t, e in r.host.events if e.name == "hint" and e.says == NOT_AT_REST]


@pytest.mark.parametrize("fault", ["motor intermittent 0.7", "motor stuck"])
def test_a_motor_that_hardly_goes_on_near_the_reference_ends_the_draw_and_is_told_of(fault: str) -> None:
    r = HandledRig(Pull(91.0), tether(2.0))
    r.arm()
    r.tap()
    assert r.until(lambda: r.rig.force_n > 0.94 * 91.0, 8.0) and r.state == st.DRAWING
    r.inject_now(fault)
    # In the draw it is believed for a while; the hold says what does not come to rest, or gets there.
    assert r.until(st.HOLDING, 8.0)
    assert r.until(lambda: bool(hints(r) or r.told("out_of_hold_travel") or abs(r.rig.force_n - 91.0) < 0.5), 12.0)


def test_a_string_that_relaxes_under_a_motor_that_hardly_goes_on_is_not_drawn_for_ever() -> None:
    r = HandledRig(Pull(107.0, family="badminton nylon"), main_strand(presets.BADMINTON_NYLON))
    r.arm()
    r.tap()
    assert r.until(lambda: r.rig.force_n > 0.93 * 107.0, 8.0) and r.state == st.DRAWING
    r.inject_now("motor stuck")
    assert r.until(st.HOLDING, 12.0), r.rig.force_n


@pytest.mark.parametrize("closed", [False, True], ids=["open", "closed"])
def test_a_dead_motor_in_the_proof_is_told_and_nothing_is_let_off(closed: bool) -> None:
    r = held(HandledRig(Pull(REFERENCE_N), tether(8.0)))
    if closed:
        r.rig.flush()
        r.rig.plant.close_clamp()
    r.inject_now("motor off")
    r.tap()
    assert r.until(st.FROZEN, 7.0)
    told = r.told("guard")
    assert [e.values["entry"] for e in told] == [55.0] and "motor stands still" in told[0].says
    assert told[0].values["travel_mm"] == pytest.approx(2 * 0.15 * REFERENCE_N / 8.0, abs=0.3)
    assert r.head.record is not None and r.head.record.proof == "stands" and r.head.record.ended == "stopped"
    assert r.rig.force_n > 0.98 * REFERENCE_N and not r.head.question
    # With the motor back, a tap lets it down.
    r.faults.repair()
    r.wait(1.0)
    r.tap()
    assert r.until(st.SLACK, 5.0) and r.rig.force_n < 1.0


def test_a_motor_that_stays_dead_is_told_again_when_it_is_to_let_down() -> None:
    r = held(HandledRig(Pull(REFERENCE_N), tether(8.0)))
    r.inject_now("motor off")
    r.tap()
    assert r.until(st.FROZEN, 7.0)
    r.wait(1.0)
    r.tap()
    assert r.until(st.EASING_OFF, 1.0) and r.until(st.FROZEN, 10.0)
    assert len(r.told("guard")) == 2 and r.rig.force_n > 0.98 * REFERENCE_N


@pytest.mark.parametrize("dead", [False, True])
def test_a_motor_that_is_dead_when_the_pedal_is_held_after_a_stop_is_told_once(dead: bool) -> None:
    r = held(HandledRig(Pull(REFERENCE_N), tether(8.0)))
    r.ask(Ask.STOP)
    r.wait(1.0)
    assert r.state == st.FROZEN
    if dead:
        r.inject_now("motor off")
    r.hold(8.0)
    r.wait(0.5)
    assert [e.values["entry"] for e in r.told("guard")] == ([55.0] if dead else [])
    assert (r.state == st.FROZEN) is dead


@pytest.mark.parametrize(("for_s", "told"), [(4.2, 0), (7.0, 1)])
def test_a_hold_that_is_kept_off_its_reference_is_told_once_after_five_seconds(for_s: float, told: int) -> None:
    # A hand that works on the string all the time: 0.8 mm of path (6 N) and back, thrice a second.
    r = held(HandledRig(Pull(REFERENCE_N), tether(8.0)))
    began = r.t_s
    for n in range(round(for_s / 0.3)):
        r.rig.flush()
        r.rig.plant.add_path(0.8 if n % 2 == 0 else -0.8, 0.15)
        r.wait(0.3)
    r.wait(2.0)
    assert len(hints(r)) == told and r.state == st.HOLDING
    assert all(5.0 < t - began < 6.0 for t in hints(r))
    assert r.rig.force_n == pytest.approx(REFERENCE_N, rel=0.01)  # and when the hand rests it is where it belongs


def test_an_ordinary_hold_says_nothing_of_it() -> None:
    r = held(HandledRig(Pull(REFERENCE_N, family="polyester", over_pull=0.1), main_strand(presets.POLYESTER)))
    r.wait(8.0)
    assert hints(r) == [] and "clamp" in r.words()


def test_where_the_travel_of_the_hold_is_used_up_that_is_told_and_not_both() -> None:
    r = held(HandledRig(Pull(REFERENCE_N, family="polyester"), main_strand(presets.POLYESTER)))
    r.inject_now("motor off")
    r.wait(15.0)
    assert len(r.told("out_of_hold_travel")) == 1 and hints(r) == []
