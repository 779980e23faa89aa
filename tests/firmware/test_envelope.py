"""The envelope against its formula in hardware/protocol.md, section 6, in exact fractions."""

from __future__ import annotations

from fractions import Fraction

import pytest
from evenbed_fw.envelope import RING, Envelope
from evenbed_fw.settings import LOOP_US, SPEEDS, Settings

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
