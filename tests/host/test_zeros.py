"""Two zeros and a calibration: what the force is counted from, and how right it is said to be."""

from __future__ import annotations

import pytest
from evenbed.control.loop import ControlLoop
from evenbed.head import states as st
from evenbed.head.reference import LEAST_N, SHIFT_N, shift_n
from evenbed.head.types import Known, Pull
from evenbed_fw import safety
from handled_rig import HandledRig, tether

# What the simulated rig's board has stored; U invented: 0.2 N at rest, 0.8 N at 100 N and in proportion.
KNOWN = Known(3, "2026-11-02T10:00:00+00:00", 21000, 8759000, 100.0, ((0.0, 0.2), (100.0, 0.8), (200.0, 1.6)))


def rig(known: Known | None = None, pull_n: float = 100.0, shift: float = 0.0) -> HandledRig:
    """A rig whose cell is off by ``shift`` N against the reference zero."""
    r = HandledRig(Pull(pull_n), tether(8.0), ceiling_n=pull_n * 1.2)
    r.rig.hang(shift)
    if known is not None:
        loop = r.host.loop
        r.host.loop = ControlLoop(pull_n * 1.2, loop._listener, known=known)
    return r


def test_u_lies_on_straight_lines_between_its_points_and_grows_beyond() -> None:
    assert KNOWN.expanded_n(0.0) == 0.2 and KNOWN.expanded_n(100.0) == 0.8
    assert KNOWN.expanded_n(50.0) == pytest.approx(0.5)
    assert KNOWN.expanded_n(400.0) == pytest.approx(3.2)


def test_how_far_a_zero_may_be_off() -> None:
    # max(1 N, 5 U), and 3 N where nothing is known of U.
    assert shift_n(None, 235.0) == SHIFT_N == 3.0
    assert shift_n(KNOWN, 10.0) == pytest.approx(5 * 0.26)
    assert shift_n(KNOWN, 0.0) == LEAST_N == 1.0


@pytest.mark.parametrize(("shift", "armed"), [(2.7, True), (3.3, False), (-2.7, True), (-3.3, False)])
def test_without_a_calibration_3_newtons_may_remain(shift: float, armed: bool) -> None:
    r = rig(shift=shift)
    r.wait(0.6)
    r.hold(2.2)
    r.wait(1.5)
    assert (r.state == st.SLACK) is armed
    if armed:
        assert r.head.working_zero_n == pytest.approx(shift, abs=0.1)


@pytest.mark.parametrize(("shift", "armed"), [(3.7, True), (4.3, False)])
def test_with_a_calibration_five_u_may_remain(shift: float, armed: bool) -> None:
    r = rig(KNOWN, shift=shift)  # 5 U = 4.0 N at 100 N
    r.wait(0.6)
    r.hold(2.2)
    r.wait(1.5)
    assert (r.state == st.SLACK) is armed, r.host.events


def test_the_pull_is_drawn_from_the_working_zero_and_limited_from_the_reference_zero() -> None:
    r = rig(shift=2.5).draw()
    r.wait(1.5)
    assert r.rig.plant.force_n == pytest.approx(100.0, rel=0.003)
    assert r.head.shot is not None and r.head.shot.reference_force_n == pytest.approx(102.5, rel=0.003)
    # The board's ceiling of 120 N counts from the reference zero: 117.5 N on the string are too much.
    r.rig.flush()
    r.rig.plant.add_path(2.6, 0.1)
    r.wait(0.6)
    assert r.told("over_tension")


def test_a_cell_that_drifts_between_pulls_is_followed_while_it_is_slack() -> None:
    r = rig().arm()
    for k in range(1, 7):
        r.rig.hang(0.15 * k)
        r.wait(2.5)
    assert r.head.working_zero_n == pytest.approx(0.9, abs=0.15)
    r.tap()
    assert r.until("holding", 5.0)
    r.wait(1.5)
    assert r.rig.plant.force_n == pytest.approx(100.0, rel=0.003)


def test_a_string_that_somebody_holds_is_no_zero() -> None:
    r = rig().arm()
    r.wait(5.0)
    r.rig.hang(1.6)  # a string pulled tight by hand: a step of more than 1 N
    r.wait(6.0)
    assert abs(r.head.working_zero_n) < 0.1 and not r.told("zero_shifted")


def test_a_zero_that_moved_too_far_is_said_once() -> None:
    r = rig(shift=2.0).draw()
    r.wait(0.8)
    r.rig.hang(4.6)
    r.hold(1.5)
    assert r.until("slack", 8.0)
    r.wait(5.0)
    # The cell's own hysteresis of 0.1 N is in it.
    assert [e.values["zero_n"] for e in r.told("zero_shifted")] == [pytest.approx(4.6, abs=0.15)]
    assert r.head.working_zero_n == pytest.approx(2.0, abs=0.1)


def test_away_from_home_no_new_zero_is_taken() -> None:
    r = rig(shift=1.0)
    r.rig.carriage.mm = 40.0  # somebody turned the screw before the board had power
    r.wait(0.4)
    r.hold(2.2)
    assert r.until("slack", 3.0)
    assert r.told("zero_not_home") and r.head.working_zero_n == 0.0


def test_a_pull_carries_its_calibration() -> None:
    r = rig(KNOWN).draw()
    said = r.told("calibration_known")
    assert "Calibration 3 of 2026-11-02: U = 0.8 N" in said[0].says
    assert r.head.record is not None
    assert r.head.record.calibration == 3 and r.head.record.expanded_n == pytest.approx(0.8)


def test_a_board_without_a_known_calibration_is_said() -> None:
    other = Known(4, "2026-11-03T10:00:00+00:00", 20000, 8759000, 100.0, KNOWN.table)
    r = rig(other).draw()
    assert "8759.0 counts/N" in r.told("calibration_unknown")[0].says
    assert r.head.record is not None and r.head.record.calibration is None and r.head.record.expanded_n is None


def test_beyond_the_weights_it_warns_and_then_refuses() -> None:
    r = rig(KNOWN, 150.0)
    r.wait(0.5)
    with pytest.raises(ValueError, match="more than 2 times the 100 N"):
        r.head.plan(Pull(201.0))
    for force_n, warned in ((119.0, 0), (121.0, 1)):
        r = rig(KNOWN, 150.0)
        r.pull = None
        r.wait(0.05)
        while r.host.loop.head is None:
            r.wait(0.01)
        r.head.plan(Pull(force_n))
        r.rig.board.hw.clock_offset_us = 0
        r.host.loop.session.forget()  # a new handshake: what is planned is judged again
        r.wait(0.6)
        assert len(r.told("beyond_calibration")) == warned
    assert r.rig.board.core.state == safety.LATCHED
