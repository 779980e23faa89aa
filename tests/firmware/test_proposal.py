"""A calibration that is offered over the wire becomes one only by a hand on the pedal (hardware/protocol.md section 9)."""

from __future__ import annotations

import binascii
from collections.abc import Callable

import pytest
from evenbed_fw import safety, wire
from evenbed_fw.settings import Settings

from firmware import stages
from firmware.mpy_rig import AT_REST, PRESSED, Desk

ZERO, GAIN, RATED, LIMIT = 1_200, 8_900_000, 8_759_000, 280_000
OFFER = (ZERO, GAIN, RATED, LIMIT)


def desk(greeted: bool = True) -> Desk:
    """A latched board with sound readings of nothing."""
    d = stages.fresh()
    if greeted:
        d.say("hello", wire.PROTOCOL)
        d.run(10)
    return d


def answer(d: Desk, *numbers: int) -> tuple[int, ...]:
    """Answer to a proposal: () for ok, else the reason."""
    said: list[tuple[str, list[int]]] = []
    send = d.hw.send

    def listen(buf: bytearray, n: int) -> None:
        said.append(wire.decode(bytes(buf[:n]), wire.BOARD_LINES))
        send(buf, n)

    d.hw.send = listen  # type: ignore[method-assign]
    d.say("propose", *(numbers or OFFER))
    d.run(10)
    d.hw.send = send  # type: ignore[method-assign]
    (kind, n) = next(pair for pair in said if pair[0] in ("ok", "no"))
    if kind == "ok":
        assert n[2] == (numbers or OFFER)[3]
        return ()
    return (n[2],)


def foot(d: Desk, down: bool, ms: int) -> None:
    d.hw.pins = PRESSED if down else AT_REST
    d.run(ms)


def settings(d: Desk) -> tuple[int, int, int, int]:
    s = d.board.settings
    return s.zero_counts, s.gain_mcounts_n, s.rated_mcounts_n, s.limit_mn


def test_an_offer_alone_changes_nothing() -> None:
    d = desk()
    before = d.board.settings.values()
    assert answer(d) == ()
    d.run(5_000)
    assert d.board.settings.values() == before and not hasattr(d.hw, "stored")


def test_two_seconds_on_the_pedal_make_it_a_setting_and_store_it() -> None:
    d = desk()
    assert answer(d) == ()
    foot(d, True, 2_100)
    assert settings(d) == OFFER
    assert d.hw.stored == d.board.settings.crc_text()
    # CRC-32 of the text, shifted right by two (hardware/protocol.md section 9).
    assert d.board.crc == binascii.crc32(d.hw.stored.encode()) >> 2
    # Worked out anew: 100 N are 890 000 counts now.
    assert d.board.settings.counts(100_000) == 890_000 and d.board.settings.contact_counts == 35_600
    # The press that confirmed moves nothing, however long it lasts.
    foot(d, True, 3_000)
    assert d.board.core.state == safety.LATCHED and d.hw.at == 0 and not d.hw.enabled
    foot(d, False, 500)
    assert d.board.core.sound


def test_with_the_new_settings_it_arms_under_the_new_limit() -> None:
    d = desk()
    answer(d)
    foot(d, True, 2_100)
    foot(d, False, 1_000)
    d.say("arm", LIMIT + 1)
    d.run(20)
    assert d.board.core.state == safety.LATCHED
    d.say("arm", LIMIT)
    d.run(20)
    assert d.board.core.state == safety.ARMED


@pytest.mark.parametrize(
    ("ms", "taken"),
    [(1_900, False), (2_100, True)],  # 2 s, and 20 ms for which a press must stand
)
def test_a_shorter_press_confirms_nothing(ms: int, taken: bool) -> None:
    d = desk()
    answer(d)
    foot(d, True, ms)
    foot(d, False, 300)
    assert (settings(d) == OFFER) is taken


def test_a_press_that_began_before_the_offer_confirms_nothing() -> None:
    d = desk()
    foot(d, True, 300)
    answer(d)
    foot(d, True, 4_000)
    assert settings(d) != OFFER


def hello(d: Desk) -> None:
    d.say("hello", wire.PROTOCOL)
    d.run(10)


def arms(d: Desk) -> None:
    d.say("arm", 100_000)
    d.run(20)
    d.say("disarm")
    d.run(20)


def late(d: Desk) -> None:
    d.run(30_100)


def no_readings(d: Desk) -> None:
    d.hw.converting = False
    d.run(200)
    d.hw.converting = True
    d.run(300)


@pytest.mark.parametrize("how", [hello, arms, late, no_readings])
def test_an_offer_is_void(how: Callable[[Desk], None]) -> None:
    d = desk()
    assert answer(d) == ()
    how(d)
    assert d.board.core.state == safety.LATCHED and not d.board.core.offered
    foot(d, True, 2_500)
    assert settings(d) != OFFER


def test_the_last_offer_counts() -> None:
    d = desk()
    answer(d)
    answer(d, 1_000, 8_800_000, RATED, 250_000)
    foot(d, True, 2_100)
    assert settings(d) == (1_000, 8_800_000, RATED, 250_000)


@pytest.mark.parametrize(
    ("offer", "reason"),
    [
        ((ZERO, 0, RATED, LIMIT), wire.SETTINGS_UNUSABLE),
        ((ZERO, GAIN, RATED, 0), wire.SETTINGS_UNUSABLE),
        ((9_000_000, GAIN, RATED, LIMIT), wire.SETTINGS_UNUSABLE),
        # 20 % either way of the rating, itself included.
        ((ZERO, RATED * 12 // 10 + 1, RATED, LIMIT), wire.GAIN_IMPLAUSIBLE),
        ((ZERO, RATED * 8 // 10 - 1, RATED, LIMIT), wire.GAIN_IMPLAUSIBLE),
        ((ZERO, RATED * 12 // 10, RATED, LIMIT), 0),
        ((ZERO, RATED * 8 // 10, RATED, LIMIT), 0),
        ((ZERO, GAIN, RATED, 330_001), wire.ABOVE_LIMIT),
        ((ZERO, GAIN, RATED, 330_000), 0),
        # The head must be empty by the zero that is offered: 10 N are 89 000 counts of it.
        ((ZERO + 95_000, GAIN, RATED, LIMIT), wire.LOADED),
        ((ZERO - 95_000, GAIN, RATED, LIMIT), wire.LOADED),
        ((ZERO + 80_000, GAIN, RATED, LIMIT), 0),
    ],
)
def test_what_is_refused(offer: tuple[int, int, int, int], reason: int) -> None:
    d = desk()
    assert answer(d, *offer) == ((reason,) if reason else ())
    assert d.board.core.offered is (reason == 0)


def test_where_it_is_refused() -> None:
    assert answer(desk(greeted=False)) == (wire.NOT_GREETED,)
    assert answer(stages.armed()) == (wire.WRONG_STATE,)
    assert answer(stages.holding()) == (wire.WRONG_STATE,)
    d = desk()
    d.hw.converting = False
    d.run(100)
    assert answer(d) == (wire.DATA_NOT_SOUND,)


def test_a_limit_above_the_rigs_own_is_never_taken() -> None:
    s = Settings()
    s.limit_most_mn = s.limit_mn = 200_000
    s.derive()
    d = Desk(0, None, s)
    d.run(400)
    d.say("hello", wire.PROTOCOL)
    d.run(10)
    assert answer(d, ZERO, GAIN, RATED, 200_001) == (wire.ABOVE_LIMIT,)
    assert answer(d, ZERO, GAIN, RATED, 200_000) == ()


def test_without_an_offer_a_long_press_lets_down_as_ever() -> None:
    d = stages.holding()
    d.say("stop")
    d.run(1_000)
    foot(d, True, 1_500)
    assert d.board.core.state == safety.EASING


def test_a_string_that_comes_on_voids_an_offer_and_the_pedal_lets_down() -> None:
    d = desk()
    assert answer(d) == ()
    d.hw.bias = 20 * 8_900
    d.run(100)
    assert not d.board.core.offered
    foot(d, True, 2_500)
    assert settings(d) != OFFER and d.board.core.state == safety.EASING


def test_a_string_that_pulls_is_no_zero() -> None:
    d = desk()
    d.hw.bias = 100 * 8_759
    d.run(200)
    assert answer(d, 100 * 8_759, GAIN, RATED, LIMIT) == (wire.LOADED,)
    # A fifth of 280 N are 498 400 counts.
    d.hw.bias = 0
    d.run(200)
    assert answer(d, 499_000, GAIN, RATED, LIMIT) == (wire.LOADED,)


def test_a_board_that_cannot_reckon_with_its_settings_takes_no_offer() -> None:
    s = Settings()
    s.softest_mn_mm = 0
    d = Desk(0, None, s)
    d.run(400)
    d.say("hello", wire.PROTOCOL)
    d.run(10)
    assert answer(d) == (wire.SETTINGS_UNUSABLE,)
