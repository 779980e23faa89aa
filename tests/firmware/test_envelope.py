"""The envelope against its formula in hardware/protocol.md, section 6, in exact fractions."""

from __future__ import annotations

from fractions import Fraction

import pytest
from evenbed_fw.envelope import RING, Envelope
from evenbed_fw.settings import LOOP_US, SPEEDS, Settings

from firmware.small import Small, make_small, small_settings

CEILING_N, FORCE_N = 270, 200


def allowed_mm_s(s: Settings, gone_mm: Fraction) -> Fraction:
    """Fastest step of the table for which everything stands before ceiling + overrun; both conditions of the page."""
    k, top, a = s.stiffest_n_mm, Fraction(s.rate_max_steps_s, s.steps_mm), Fraction(s.accel_steps_s2, s.steps_mm)
    room_n = CEILING_N + Fraction(s.overrun_mn, 1000) - FORCE_N
    best = Fraction(0)
    for i in range(SPEEDS + 1):
        v = top * i / SPEEDS
        aged = v * Fraction(s.age_us + s.granted_us, 10**6) + v * v / (2 * a)
        come = gone_mm + v * Fraction(LOOP_US + s.granted_us, 10**6) + v * v / (2 * a)
        if k * aged <= room_n and k * come <= room_n:
            best = v
    return best


@pytest.mark.parametrize("gone_steps", [0, 200, 400, 800, 1200, 1350, 2000])
def test_travel_made_while_the_reading_aged_counts(gone_steps: int) -> None:
    s = Settings()
    e = Envelope(s)
    e.ceiling = e.soft = s.counts(CEILING_N * 1000)
    e.ring_position = [-gone_steps] * RING
    e._grant(s.counts(FORCE_N * 1000), 0, 0)
    exact = allowed_mm_s(s, Fraction(gone_steps, s.steps_mm))
    shown = Fraction(e.cap_up, s.steps_mm)
    step = Fraction(s.rate_max_steps_s, s.steps_mm) / SPEEDS
    assert exact - step <= shown <= exact  # rounded towards slower, by one step at the most


# --- what readings show of the string (section 6, 2) --------------------------------------------------------------------
CONTACT = 35_036  # 4 N x 8759 counts/N


def envelope(settings: Settings | None = None) -> Envelope:
    e = Envelope(small_settings(settings))
    make_small(e)
    e.ceiling = e.soft = Small(2_364_930)  # 270 N
    return e


def feed(e: Envelope, force: int, position: int) -> Envelope:
    """One reading, as the core takes it."""
    e.ring_force[e.ring] = Small(force)
    e.ring_position[e.ring] = Small(position)
    e.ring = (e.ring + 1) % RING
    e._look(Small(force), Small(position))
    return e


@pytest.mark.parametrize("turn", range(RING))
def test_contact_begins_above_its_force_at_the_position_of_two_readings_before(turn: int) -> None:
    e = envelope()
    e.stiff16, e.ring_loaded = Small(5), Small(5)
    for n in range(turn):
        feed(e, 0, n)
    feed(e, 0, 100)
    feed(e, 10, 200)
    feed(e, CONTACT, 300)
    assert not e.contact
    feed(e, CONTACT + 1, 400)
    assert e.contact and e.contact_position == 200
    assert e.stiff16 == e.ring_loaded == 0


def test_contact_ends_below_half_its_force() -> None:
    e = envelope()
    feed(e, CONTACT + 1, 0)
    feed(e, CONTACT // 2, 0)
    assert e.contact
    feed(e, CONTACT // 2 - 1, 0)
    assert not e.contact
    # Then it begins as the first did.
    feed(e, CONTACT // 2, 50)
    assert not e.contact


def pulled(per_reading_steps: int, per_reading_counts: int, readings: int, turn: int = 0) -> Envelope:
    """In contact, and ``readings`` loaded readings with travel and rise, the force two readings behind the position."""
    e = envelope()
    for _ in range(turn):
        feed(e, 0, 0)
    feed(e, 0, 0)
    feed(e, 0, 0)
    feed(e, CONTACT + 1, 0)
    for n in range(1, readings + 1):
        feed(e, 100_000 + n * per_reading_counts, n * per_reading_steps)
    return e


@pytest.mark.parametrize("turn", range(RING))
def test_stiffness_is_the_rise_over_the_travel_of_four_readings(turn: int) -> None:
    # 100 steps and 16000 counts a reading: 64000 counts in 400 steps of 1600/mm, 256000 counts/mm, 16000 in sixteenths
    assert pulled(100, 16_000, 6, turn).stiff16 == 0, "the seventh loaded reading is the first that tells"
    assert pulled(100, 16_000, 7, turn).stiff16 == 16_000
    assert pulled(100, 16_000, 30, turn).stiff16 == 16_000


def test_force_is_held_against_the_travel_of_two_readings_before() -> None:
    e = envelope()
    feed(e, 0, 0)
    feed(e, CONTACT + 1, 0)
    for n, (force, position) in enumerate(
        [(40_000, 0), (40_000, 3), (50_000, 10), (40_000, 30), (40_000, 1_010), (40_000, 5_000), (90_960, 9_000)], 1
    ):
        feed(e, force, position)
        assert (e.stiff16 > 0) is (n == 7)
    # the third's force, 50000; the first's position, 0, and the fifth's, 1010: 40960 / 16 x 1600 / 1010 = 4055.4
    assert e.stiff16 == 4_055


@pytest.mark.parametrize(("steps", "told"), [(99, False), (100, True), (101, True)])
def test_less_than_a_quarter_of_a_millimetre_tells_nothing(steps: int, told: bool) -> None:
    assert (pulled(steps, 16_000, 12).stiff16 > 0) is told


@pytest.mark.parametrize(("counts", "stiff16"), [(-16_000, 0), (0, 0), (3, 0), (4, 4), (100, 100)])
def test_only_a_rise_tells(counts: int, stiff16: int) -> None:
    # four times the counts, in sixteenths, over 400 steps of 1600
    assert pulled(100, counts, 12).stiff16 == stiff16


def test_the_stiffest_seen_is_kept() -> None:
    e = pulled(100, 16_000, 12)
    for n in range(13, 30):
        feed(e, 292_000 + 8_000 * (n - 12), n * 100)
    assert e.stiff16 == 16_000
    for n in range(30, 45):
        feed(e, 428_000 + 32_000 * (n - 29), n * 100)
    assert e.stiff16 == 32_000


def test_a_rise_that_no_string_makes_stays_a_small_integer() -> None:
    """One reading at the bottom of the range, as a flipped bit gives it: the rise from it, times 1600, would leave 2^30."""
    e = pulled(100, 16_000, 12)
    e.ring_force[(e.ring - 4) % RING] = Small(-8_388_607)
    feed(e, 2_500_000, 1_300)  # times 1600 steps/mm: (2500000 + 8388607) / 16 x 1600 = 1088860700
    assert e.stiff16 == (2**30 - 1) // 1_600 * 1_600 // 400


# --- what they grant ------------------------------------------------------------------------------------------------
def granted(e: Envelope, room: int, position: int = 0, gone: int = 0, rate: int = 0) -> int:
    """Index of the rate allowed with ``room`` counts left below ceiling and overrun."""
    e.ring_position[(e.ring - 1 - e.s.age_samples) % RING] = Small(position - gone)
    e._grant(Small(e.ceiling + e.s.overrun_counts - room), Small(position), Small(rate))
    assert e.cap_up in e.s.rates
    return e.s.rates.index(e.cap_up)


STIFFEST16 = Fraction(130 * 8_759, 16)  # counts/mm
CASES = [
    # stiffness seen in sixteenths of a count/mm, contact, what counts for k: three times the seen, at most the stiffest
    (0, True, 71_167),
    (1_000, False, 71_167),
    (1_000, True, 3_001),
    (23_721, True, 71_164),
    (23_722, True, 71_167),
    (40_000, True, 71_167),
]


@pytest.mark.parametrize(("stiff16", "contact", "k16"), CASES)
@pytest.mark.parametrize("i", [1, 2, 30, 90, SPEEDS])
def test_the_rate_is_the_largest_that_fits_the_room(stiff16: int, contact: bool, k16: int, i: int) -> None:
    # 71167: 130 N/mm x 8759 counts/N / 16 = 71166.9, rounded up.  Travel of each rate: test_budget.py.
    assert k16 - 1 < STIFFEST16 <= k16 or k16 < STIFFEST16
    e = envelope()
    e.stiff16, e.contact = Small(stiff16), contact
    room16 = -(-int(e.s.travel_um[i]) * k16 // 1_000)
    assert granted(e, room16 * 16) == i
    assert granted(e, room16 * 16 - 1) == i - 1


def test_the_stiffest_is_130_n_mm_rounded_up() -> None:
    assert Settings().stiffest_k16 - 1 < STIFFEST16 <= Settings().stiffest_k16


@pytest.mark.parametrize("i", [1, 2, 30, 90])
@pytest.mark.parametrize(("gone", "position"), [(1_600, 0), (1_600, 7_000), (333, -9_000)])
def test_travel_gone_takes_its_part_of_the_room(gone: int, position: int, i: int) -> None:
    e = envelope()
    e.stiff16, e.contact = Small(1_000), True
    left16 = -(-int(e.s.travel_late_um[i]) * 3_001 // 1_000)
    room16 = left16 + 3_001 * gone // 1_600
    fits = max(n for n in range(SPEEDS + 1) if e.s.travel_um[n] <= room16 * 1_000 // 3_001)
    assert granted(e, room16 * 16, position, gone) == min(i, fits)
    assert granted(e, room16 * 16 - 1, position, gone) == min(i - 1, fits)


def test_travel_gone_is_that_of_three_readings_and_never_more_than_at_full_speed() -> None:
    e = envelope()
    e.stiff16, e.contact = Small(1_000), True
    # 96000 steps/s in 3 x 13888 us: 3999.7, and one
    assert e.s.gone_most == 4_000
    room = 20_000 * 16
    at_most = granted(e, room, 0, 4_000)
    assert at_most < granted(e, room, 0, 3_900)
    assert granted(e, room, 0, 100_000) == at_most
    # Downwards nothing is gone.
    assert granted(e, room, 0, -4_000) == granted(e, room, 0, 0)
    for n in range(RING):
        f = envelope()
        f.ring = Small(n)
        f.ring_position[(n - 4) % RING] = Small(-1_300)  # the newest is at n - 1, three readings before it at n - 4
        f._grant(Small(f.ceiling - 700_000), Small(0), Small(0))
        assert 0 < f.cap_up < granted(envelope(), 700_000 + int(f.s.overrun_counts)) * 800


@pytest.mark.parametrize("room", [0, -1, -500_000, 1, 15])
def test_without_room_nothing_goes_up(room: int) -> None:
    assert granted(envelope(), room) == 0
    e = envelope()
    e.stiff16, e.contact = Small(1), True
    assert granted(e, room, 0, 1_600) == 0
    # four sixteenths of a count a millimetre, 2.5 mm gone: nothing left of ten
    assert granted(e, 10 * 16, 0, 4_000) == 0
    assert granted(e, 11 * 16, 0, 4_000) > 0


@pytest.mark.parametrize(("rate", "limiting"), [(17_600, False), (17_601, True), (96_000, True), (0, False)])
def test_limiting_is_told_when_less_is_allowed_than_asked(rate: int, limiting: bool) -> None:
    """Worked in section 6: 110 N of room allow 11 mm/s to the stiffest, 17600 steps/s."""
    e = envelope()
    e.rate = Small(rate)
    granted(e, 8_759 * 110)
    assert e.cap_up == 17_600 and e.limiting is limiting


def test_one_step_below_full_rate_limits() -> None:
    e = envelope()
    e.stiff16, e.contact, e.rate = Small(100), True, Small(96_000)
    room16 = -(-int(e.s.travel_um[SPEEDS]) * 301 // 1_000)
    assert granted(e, room16 * 16 - 1) == SPEEDS - 1 and e.limiting


def test_at_full_rate_nothing_limits() -> None:
    e = envelope()
    e.stiff16, e.contact, e.rate = Small(100), True, Small(96_000)
    assert granted(e, 2_000_000) == SPEEDS and not e.limiting
    e.rate = Small(96_001)
    granted(e, 2_000_000)
    assert not e.limiting


@pytest.mark.parametrize("rate", [-48_000, -160, 0, 160, 16_000, 17_600, 48_000])
def test_steps_granted(rate: int) -> None:
    """v granted + v^2/2a up and down (section 6, 1): granted rounded up to 28 ms; the braking way rounded up."""
    e = envelope()
    e.soft = Small(10_000_000)
    granted(e, 8_759 * 110, position=5_000, rate=rate)
    brake = {160: 1, 16_000: 101, 17_600: 122, 48_000: 901, 96_000: 3_601}
    up = max(rate, 17_600)
    assert e.high == 5_000 + 17_600 * 28 // 1_000 + brake[up]
    assert e.low == 5_000 - 96_000 * 28 // 1_000 - brake[96_000]


@pytest.mark.parametrize(("over", "rate", "way"), [(-1, 16_000, 492 + 122), (0, 16_000, 101), (1, 160, 1), (0, -16_000, 0)])
def test_from_the_ceiling_of_a_lease_only_the_braking_way(over: int, rate: int, way: int) -> None:
    e = envelope()
    e.soft = Small(e.ceiling + e.s.overrun_counts - 8_759 * 110 - over)
    granted(e, 8_759 * 110, position=5_000, rate=rate)
    assert e.high == 5_000 + way


@pytest.mark.parametrize(("period_us", "ms"), [(12_600, 29), (12_591, 28), (12_500, 28)])
def test_the_time_granted_is_rounded_up_to_the_next_millisecond(period_us: int, ms: int) -> None:
    # two periods of 10/9: 28000, 27980, 27776 us
    s = Settings()
    s.period_us = period_us
    s.derive()
    e = envelope(s)
    granted(e, 8_759 * 110, position=0)
    assert e.low == -(96_000 * ms // 1_000) - 3_601


def test_before_the_first_reading_nothing_is_granted() -> None:
    e = Envelope(Settings())
    assert (e.high, e.low, e.cap_up, e.ceiling, e.soft, e.rate) == (0, 0, 0, 0, 0, 0)
    assert not e.contact and not e.limiting and e.stiff16 == e.ring_loaded == e.contact_position == e.ring == 0
    assert e.ring_force == e.ring_position == [0] * 8


def test_stretch_is_the_ceilings_on_the_softest_string() -> None:
    e = Envelope(Settings())
    e.ceiling = 2_364_930  # 270 N
    assert e.stretch_steps() == 180 * 1_600  # 270 N / 1.5 N/mm
    e.ceiling -= 1
    assert e.stretch_steps() == 179 * 1_600
