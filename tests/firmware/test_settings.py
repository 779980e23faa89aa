"""Settings that the board can reckon with, both sides of each limit; and that it never powers a drive with others."""

from __future__ import annotations

import pytest
from evenbed_fw import safety, wire
from evenbed_fw.board import Board
from evenbed_fw.hardware import I_PEDAL_A, I_PEDAL_B
from evenbed_fw.settings import RANGES, Settings
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from firmware.bench import Bench
from firmware.mpy_rig import Desk
from firmware.small import Small, make_small
from firmware.stages import SLACK, K


def with_(**values: int) -> Settings:
    s = Settings()
    for name, value in values.items():
        assert hasattr(s, name)
        setattr(s, name, value)
    return s


def test_the_defaults_and_the_order_of_the_ranges() -> None:
    s = Settings()
    assert s.unusable() == ""
    assert [getattr(s, name) for name, _, _ in RANGES] == list(s.values())


# Why each bound: 2**30 - 1 is the largest small integer (MicroPython, 32 bits: 31 bits with sign; from memory).
BOUNDS = [
    ("accel_steps_s2", 128, 1_716_399),  # 1716400 / 16 * 10 ms in us, and the part of a step/s/16 carried over
    ("rate_max_steps_s", 16_000, 107_374),  # times 10 ms in us; below: not slower than hold and let-down
    ("zero_counts", -8_388_607, 5_498_137),  # 330 N above it is the end of the range: 8388607 - 2890470
    ("period_us", 1_000, 200_000),
    ("overrun_mn", 0, 100_000),  # a rise of more than that is no safeguard
    ("age_samples", 1, 7),  # eight readings are kept
    ("stiffening_x10", 10, 255),
    ("hold_rate_steps_s", 16, 96_000),
    ("let_down_steps_s", 16, 96_000),
    ("hold_travel_steps", 0, 1 << 27),
    ("back_off_steps", 0, 16_000),  # 10 mm
    ("gain_mcounts_n", 500, 23_760_132),  # contact is two counts; as for overrun_mn
    ("rated_mcounts_n", 1, wire.MAX_INT),
    ("contact_mn", 1_000, 10_000),  # 2.5 times that is "loaded": a clear or a disarm switches off below it
    ("softest_mn_mm", 4, 330_000),  # 2**27 steps of travel; a millimetre at least
    ("limit_mn", 1_500, 330_000),  # no limit above the one that may be proposed
    ("limit_most_mn", 330_000, wire.MAX_INT),
    ("steps_mm", 480, 100_000),  # the back-off is 10 mm at most
    ("stiffest_n_mm", 20, 73_581),  # the leap that no string makes, in counts, twice
]


def test_every_value_is_bounded() -> None:
    assert {name for name, _, _ in BOUNDS} == {name for name, _, _ in RANGES}


@pytest.mark.parametrize(("name", "least", "most"), BOUNDS)
def test_both_sides_of_each_limit(name: str, least: int, most: int) -> None:
    for value in (least - 1, most + 1):
        assert with_(**{name: value}).unusable(), value
    assert with_(**{name: least}).unusable() == ""
    assert with_(**{name: most}).unusable() == ""


@pytest.mark.parametrize("name", [name for name, _, _ in RANGES])
def test_nothing_far_out_gets_through(name: str) -> None:
    for value in (-(1 << 30), 1 << 30, 1 << 40):
        s = with_(**{name: value})
        assert s.unusable().startswith(name + " ")
        s.derive()  # raises nothing, divides by nothing


EDGES = {name: (least, most) for name, least, most in BOUNDS}


@st.composite
def odd_settings(draw: st.DrawFn) -> Settings:
    """Some of the values anywhere in their ranges, the edges often; the others as they are."""
    s = Settings()
    for name, least, most in RANGES:
        if draw(st.integers(0, 3)) == 0:
            edge = st.sampled_from([max(least, EDGES[name][0]), min(most, EDGES[name][1])])
            setattr(s, name, draw(edge | st.integers(least, most)))
    return s


raws = st.integers(-8_388_608, 8_388_607) | st.sampled_from([-8_388_607, 8_388_606, 0, 1])


@settings(max_examples=300, deadline=None)
@given(odd_settings(), st.lists(st.tuples(raws, st.integers(-200_000, 200_000)), max_size=40), st.integers(1, 2**27))
def test_what_is_usable_never_leaves_the_small_integers(s: Settings, readings: list[tuple[int, int]], end: int) -> None:
    """The sampling loop and the ramp on any reading at any rate; Small raises if a result would be a large integer."""
    assume(s.unusable() == "")
    s.derive()
    b = Bench(s)
    board = Board(Desk(0, None).hw, s)
    make_small(board.ramp)
    core = b.core
    core.greeted = True
    for n in range(30):
        b.raw(int(s.zero_counts) + n % 2)
    if b.arm():
        core.state, core.enabled, core.ceiling = safety.ARMED, True, Small(s.counts(int(s.limit_mn)))
    top = int(s.rate_max_steps_s)
    core.permit = True
    b.go(rate=top, end=end)
    for raw, moved in readings:
        b.at += moved
        b.rate = max(-top, min(top, moved)) // 16 * 16
        b.raw(raw, min(int(s.period_us), 30_000))
        core.state = safety.MOVING
        core.let_down_grant(Small(b.rate))
        granted = max(0, int(core.high) - b.at)
        board.ramp.step(Small(10_000), Small(end - b.at), Small(core.cap_up), Small(min(granted, 1 << 28)))
        board.ramp.brake_steps(board.ramp.rate16)


@pytest.mark.parametrize("name", ["steps_mm", "gain_mcounts_n", "accel_steps_s2", "softest_mn_mm", "stiffest_n_mm"])
@pytest.mark.parametrize("value", [0, -1, 1 << 31])
def test_a_board_with_unusable_settings_says_so_and_powers_nothing(name: str, value: int) -> None:
    s = with_(**{name: value})
    s.derive()
    d = Desk(0, None, s)
    lines: list[tuple[str, list[int]]] = []
    d.hw.send = lambda buf, n: lines.append(wire.decode(bytes(buf[:n]), wire.BOARD_LINES))  # type: ignore[method-assign]
    d.hw.k, d.hw.slack = K, SLACK
    d.run(400)
    d.say("hello", wire.PROTOCOL)
    d.say("limits")
    d.say("arm", 100_000)
    d.run(100, (wire.DRAW, 40_000, 20_000, 8_388_607, 150))
    assert [n[2] for kind, n in lines if kind == "no"][:1] == [wire.SETTINGS_UNUSABLE]
    # What it works with are the defaults; the check sum is that of what is stored.
    told = next(n for kind, n in lines if kind == "limits")
    assert told[5] == Settings().steps_mm and told[2] == Settings().gain_mcounts_n
    assert next(n for kind, n in lines if kind == "board")[4] != Board(d.hw, Settings()).crc
    # Not even the pedal powers it, string or no string, readings or none.
    d.hw.converting = False
    d.hw.pins = d.hw.pins & ~I_PEDAL_B | I_PEDAL_A
    d.run(3_000)
    assert not d.hw.enabled and d.hw.at == 0 and d.board.core.state == safety.LATCHED
