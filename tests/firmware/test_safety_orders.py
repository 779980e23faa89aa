"""What the host may ask: arming, ceilings, leases, permits, clearing; and every reason to refuse."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.settings import Settings
from hypothesis import given
from hypothesis import strategies as st

from firmware.bench import Bench, armed, drawing, easing, frozen, holding, latched

# --- arm, disarm, ceilings -----------------------------------------------------------------------------------


def ungreeted() -> Bench:
    b = latched()
    b.core.greeted = False
    return b


def with_gain(ratio_percent: int) -> Callable[[], Bench]:
    def make() -> Bench:
        s = Settings()
        s.gain_mcounts_n = s.rated_mcounts_n * ratio_percent // 100
        s.derive()
        return latched(s)

    return make


def with_accel(steps_s2: int) -> Callable[[], Bench]:
    def make() -> Bench:
        s = Settings()
        s.accel_steps_s2 = steps_s2
        s.derive()
        return latched(s)

    return make


def with_input(name: str) -> Callable[[], Bench]:
    def make() -> Bench:
        b = latched()
        setattr(b, name, True)
        return b

    return make


def few_readings(n: int) -> Callable[[], Bench]:
    def make() -> Bench:
        b = Bench()
        b.core.greeted = True
        return b.read(0.0, n)

    return make


@pytest.mark.parametrize(
    ("make", "answer"),
    [
        (latched, 0),
        (ungreeted, wire.NOT_GREETED),
        (armed, wire.WRONG_STATE),
        (drawing, wire.WRONG_STATE),
        (frozen, wire.WRONG_STATE),
        (with_input("estop"), wire.FAULT_LIVE),
        (with_input("supply"), wire.FAULT_LIVE),
        (with_input("pedal_fault"), wire.FAULT_LIVE),
        (with_accel(0), wire.SETTINGS_UNUSABLE),
        (with_gain(79), wire.GAIN_IMPLAUSIBLE),  # of the cell's rating: +-20 %
        (with_gain(80), 0),
        (with_gain(120), 0),
        (with_gain(121), wire.GAIN_IMPLAUSIBLE),
        (few_readings(19), wire.DATA_NOT_SOUND),
        (few_readings(20), 0),
        (lambda: latched().tick(34_721), wire.DATA_NOT_SOUND),
        (lambda: latched().read(9.9, 3), 0),
        (lambda: latched().read(10.1, 3), wire.LOADED),
    ],
)
def test_arm(make: Callable[[], Bench], answer: int) -> None:
    b = make()
    before = (b.core.state, b.core.enabled)
    assert b.arm() == answer
    if answer:
        assert (b.core.state, b.core.enabled) == before
    else:
        assert (b.core.state, b.core.enabled, b.core.permit) == (safety.ARMED, True, False)


@pytest.mark.parametrize("ceiling_mn", [330_001, 0, -1, wire.MAX_INT, -wire.MAX_INT])
def test_arm_refuses_a_ceiling_outside_the_limit(ceiling_mn: int) -> None:
    b = latched()
    assert b.arm(ceiling_mn) == wire.ABOVE_LIMIT and not b.core.enabled


@given(st.integers(1, 330_000))
def test_ceiling_is_rounded_down(ceiling_mn: int) -> None:
    b = latched()
    b.s.gain_mcounts_n = 8_759_123
    assert b.arm(ceiling_mn) == 0
    assert b.core.ceiling * 1_000_000 <= ceiling_mn * 8_759_123
    assert b.s.millinewtons(b.core.ceiling) <= ceiling_mn


def test_ceiling_only_goes_down_until_the_next_arm() -> None:
    b = armed()
    assert b.core.lower_ceiling(250_001) == wire.ABOVE_LIMIT
    assert b.core.lower_ceiling(250_000) == 0
    assert b.core.lower_ceiling(200_000) == 0
    assert b.core.ceiling == b.counts(200.0)
    assert b.core.lower_ceiling(200_001) == wire.ABOVE_LIMIT
    assert b.core.lower_ceiling(0) == wire.ABOVE_LIMIT
    assert b.core.ceiling == b.counts(200.0)
    assert b.core.disarm() == 0
    assert b.core.lower_ceiling(100_000) == wire.WRONG_STATE
    assert b.arm(300_000) == 0


def test_a_ceiling_lowered_under_the_force_backs_off() -> None:
    b = holding(200.0)
    assert b.core.lower_ceiling(150_000) == 0
    assert b.core.soft <= b.core.ceiling
    assert b.read(200.0).core.state == safety.BACKING and b.core.fault == faults.OVER_TENSION


def test_disarm_at_rest_and_slack_only() -> None:
    for make in (latched, drawing, holding, easing, frozen):
        b = make()
        state, enabled = b.core.state, b.core.enabled
        assert b.core.disarm() == wire.WRONG_STATE
        assert (b.core.state, b.core.enabled) == (state, enabled)
    b = armed().read(10.1, 2)
    assert b.core.disarm() == wire.LOADED and b.core.enabled
    b.read(9.9, 2)
    assert b.core.disarm() == 0
    assert (b.core.state, b.core.enabled) == (safety.LATCHED, False)


def test_missing_readings_do_not_make_a_string_slack() -> None:
    b = armed().read(50.0, 2)
    for n in range(4):
        b.raw(int(b.core.raw) + n, 40_000)
        assert b.core.disarm() == wire.DATA_NOT_SOUND
        assert b.core.loaded()


def test_disarm_needs_sound_readings() -> None:
    """Without them nobody knows whether a screw that does not hold would let a string go."""
    b = armed()
    b.tick(34_720)  # two and a half of the slowest periods
    assert b.core.disarm() == 0
    b = armed()
    b.tick(34_721)
    assert b.core.disarm() == wire.DATA_NOT_SOUND
    assert (b.core.state, b.core.enabled) == (safety.ARMED, True)
    b.read(0.0, 4)  # the converter settles
    assert b.core.disarm() == wire.DATA_NOT_SOUND
    b.read(0.0)
    assert b.core.disarm() == 0 and not b.core.enabled


# --- go --------------------------------------------------------------------------------------------------------


def tapped() -> Bench:
    return armed().tap()


def test_go_needs_the_greeting() -> None:
    b = armed().tap()
    b.core.greeted = False
    assert b.go() == wire.NOT_GREETED and b.core.state == safety.ARMED


@pytest.mark.parametrize(
    ("newest", "seq", "taken"),
    [
        (5, 6, True), (5, 5, False), (5, 4, False), (5, 5004, True), (5, 5005, False),
        (9_999, 0, True), (9_999, 9_998, False), (0, 9_999, False), (4_000, 8_999, True), (4_000, 9_000, False),
    ],
)  # fmt: skip
def test_go_stale_repeated_reordered(newest: int, seq: int, taken: bool) -> None:
    b = drawing()
    b.core.line_seq = newest
    end, lease_us = int(b.core.end), int(b.core.lease_us)
    b.wait(1000)
    assert b.go(seq=seq, end=77) == (0 if taken else wire.STALE)
    assert (b.core.end, b.core.lease_us) == ((77, b.now_us) if taken else (end, lease_us))


@pytest.mark.parametrize(
    ("what", "answer"),
    [
        ({"expiry_ms": 0}, wire.EXPIRY_TOO_LONG),
        ({"expiry_ms": 1}, 0),
        ({"expiry_ms": 150}, 0),
        ({"expiry_ms": 151}, wire.EXPIRY_TOO_LONG),
        ({"mode": 3}, wire.NOT_UNDERSTOOD),
        ({"mode": -1}, wire.NOT_UNDERSTOOD),
        ({"rate": 0}, wire.NOT_UNDERSTOOD),
        ({"rate": -5}, wire.NOT_UNDERSTOOD),
        ({"rate": 1}, 0),
        ({"end": 1 << 28}, wire.NOT_UNDERSTOOD),
        ({"end": (1 << 28) - 1}, 0),
        ({"end": -(1 << 28)}, wire.NOT_UNDERSTOOD),
        ({"soft": wire.MAX_INT}, 0),
        ({"soft": -wire.MAX_INT}, 0),
    ],
)
def test_go_limits_of_its_numbers(what: dict[str, int], answer: int) -> None:
    for make in (tapped, drawing):
        b = make()
        before = (b.core.state, int(b.core.end), int(b.core.lease_us))
        assert b.go(**what) == answer  # type: ignore[arg-type]
        if answer:
            assert (b.core.state, b.core.end, b.core.lease_us) == before
        else:
            assert b.core.soft <= b.core.ceiling and b.core.rate <= b.s.rate_max_steps_s


@pytest.mark.parametrize(
    ("make", "mode", "answer"),
    [
        (latched, wire.DRAW, wire.WRONG_STATE),
        (latched, wire.EASE, wire.WRONG_STATE),
        (armed, wire.DRAW, wire.NO_PRESS),
        (armed, wire.HOLD, wire.WRONG_STATE),
        (armed, wire.EASE, 0),
        (drawing, wire.DRAW, 0),
        (drawing, wire.HOLD, 0),
        (drawing, wire.EASE, 0),
        (holding, wire.HOLD, 0),
        (holding, wire.DRAW, wire.WRONG_STATE),
        (holding, wire.EASE, 0),
        (easing, wire.DRAW, wire.WRONG_WAY),
        (easing, wire.HOLD, wire.WRONG_WAY),
        (easing, wire.EASE, 0),
        (frozen, wire.DRAW, wire.WRONG_STATE),
        (frozen, wire.HOLD, wire.WRONG_STATE),
        (frozen, wire.EASE, 0),
    ],
)
def test_go_in_each_state(make: Callable[[], Bench], mode: int, answer: int) -> None:
    b = make()
    state = b.core.state
    assert b.go(mode=mode, end=b.at) == answer
    if answer:
        assert b.core.state == state
    else:
        assert b.core.state == (safety.HOLDING if mode == wire.HOLD else safety.MOVING)


@pytest.mark.parametrize("state", [safety.EASING, safety.BACKING, safety.CUT])
def test_go_is_refused_while_the_board_itself_moves_or_is_cut(state: int) -> None:
    b = frozen()
    b.core.state = state
    for mode in (wire.DRAW, wire.HOLD, wire.EASE):
        assert b.go(mode=mode, end=b.at) == wire.WRONG_STATE


def test_frozen_thaws_downwards_only_and_not_at_once() -> None:
    b = holding(100.0)
    b.core.stop(b.now_us, b.at, 0)
    b.quiet(290)
    assert b.go(mode=wire.EASE, end=b.at - 10) == wire.WRONG_STATE  # what was on its way
    b.quiet(20)
    assert b.go(mode=wire.EASE, end=b.at + 1) == wire.WRONG_WAY
    assert b.go(mode=wire.EASE, end=b.at - 10) == 0


def test_go_needs_sound_readings_to_begin() -> None:
    for make in (tapped, frozen):
        b = make()
        b.tick(34_721)
        assert b.go(mode=wire.EASE, end=b.at) == wire.DATA_NOT_SOUND


def test_draw_is_refused_at_the_end_switch_and_keeps_its_permit() -> None:
    b = armed().tap()
    assert b.go(high=True) == wire.OUT_OF_TRAVEL and b.core.permit
    assert b.go() == 0


def test_ease_end_above_becomes_the_position() -> None:
    b = drawing()
    assert b.go(mode=wire.EASE, end=b.at + 500) == 0
    assert b.core.end == b.at


def test_hold_caps_its_travel() -> None:
    """The cap of its speed is the board's: test_board.py."""
    b = drawing()
    entry = b.at
    assert b.go(mode=wire.HOLD, rate=96_000, end=b.at + 500_000) == 0
    assert b.core.end == entry + 32_000  # hardware/protocol.md section 9: 20 mm at 1600 steps/mm
    # Renewing from farther up does not move the cap, and neither does asking for a draw in between.
    b.at += 20_000
    b.read(100.0)
    assert b.go(mode=wire.DRAW) == wire.WRONG_STATE
    assert b.go(mode=wire.HOLD, rate=5, end=b.at + 500_000) == 0
    assert b.core.end == entry + b.s.hold_travel_steps
    assert b.go(mode=wire.HOLD, end=b.at - 70_000) == 0
    assert b.core.end == b.at - 70_000


def test_force_ceiling_of_a_lease_leaves_only_the_braking_way() -> None:
    b = drawing(100.0)
    soft = b.counts(100.0)
    b.rate = 16_000
    assert b.go(soft=soft) == 0
    b.raw(soft - 1)
    assert b.core.high > b.at + 1000
    b.raw(soft)
    # v^2/(2a) = 100 steps, kinematics; rounded up
    assert b.at + 100 <= b.core.high <= b.at + 102
