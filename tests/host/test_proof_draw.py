"""The draw's stiffness for a delay found at its end, on motions whose average over the converter's window is known exactly.

A reading is the mean over the last ``w = min(2 d, 4 periods)`` before a shift; of x = v t - a t2 / 2 that mean is
x(t - d) - a w2 / 24 (the integral of a parabola).
"""

from __future__ import annotations

import pytest
from evenbed.head.align import Aligner
from evenbed.head.learning import Delay, Learner
from evenbed.head.types import RigModel

PERIOD_S = 0.0125
RIG = RigModel(21000.0, 8759.0, 1600.0, 330.0, PERIOD_S, 60.0, 800.0, 6.0, 20.0, 130.0, 40.0, 0.041664, 0.027776)
K, V_MM_S, DELAY_S = 9.0, 60.0, 0.025


def drawn(
    delay_s: float = DELAY_S, braking_mm_s2: float = 0.0, force: tuple[float, float] = (K, 0.0), n: int = 40
) -> Learner:
    """A draw at 60 mm/s, braking from its middle; ``force`` is N per mm and per mm2 of travel."""
    aligner = Aligner(PERIOD_S)
    learner = Learner(RIG, aligner, Delay(0.025, 0.025))
    w = min(2.0 * delay_s, 4 * PERIOD_S)
    half_s = 0.5 * n * PERIOD_S

    def x(t: float) -> float:
        return V_MM_S * t - 0.5 * braking_mm_s2 * max(0.0, t - half_s) ** 2

    for i in range(n):
        t = i * PERIOD_S
        braking = t - delay_s - 0.5 * w > half_s
        seen = x(t - delay_s) - (braking_mm_s2 * w * w / 24.0 if braking else 0.0)
        v = V_MM_S - braking_mm_s2 * max(0.0, t - half_s)
        aligner.add(t, x(t), v)
        learner.add(t, max(0.0, force[0] * seen + force[1] * seen * seen), x(t), v)
    return learner


@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.04])
@pytest.mark.parametrize("braking_mm_s2", [0.0, 100.0])
def test_with_the_true_delay_it_is_the_strand_s(delay_s: float, braking_mm_s2: float) -> None:
    k = drawn(delay_s, braking_mm_s2).stiffness(Delay(delay_s, 0.004))
    assert k == pytest.approx(K, rel=0.01)


def test_with_a_delay_believed_too_short_slowing_down_looks_like_stiffening() -> None:
    learner = drawn(0.04, 150.0)
    right, wrong = learner.stiffness(Delay(0.04, 0.004)), learner.stiffness(Delay(0.01, 0.004))
    assert right == pytest.approx(K, rel=0.01) and wrong is not None and wrong > 1.08 * K


def test_it_is_the_upper_half_that_counts() -> None:
    # F = 2 x + 0.2 x2 up to 29 mm: between 50 and 95 % of the highest force the slope is 2 + 0.4 x at their middle.
    learner = drawn(0.025, 0.0, (2.0, 0.2))
    top = 60.0 * (39 * PERIOD_S - 0.025)
    highest = 2.0 * top + 0.2 * top * top
    low, high = ((-2.0 + (4.0 + 0.8 * share * highest) ** 0.5) / 0.4 for share in (0.5, 0.95))
    assert learner.stiffness(Delay(0.025, 0.004)) == pytest.approx(2.0 + 0.2 * (low + high), rel=0.02)


def test_too_short_too_slow_or_no_rise_at_all_is_no_stiffness() -> None:
    sure = Delay(DELAY_S, 0.004)
    # Between 50 and 95 % of the highest force lie 45 % of the readings under load: 6 of 15, 5 of 13.
    assert drawn(n=17).stiffness(sure) == pytest.approx(K, rel=0.01)
    assert drawn(n=14).stiffness(sure) is None
    slow = Learner(RIG, Aligner(PERIOD_S), sure)
    for i in range(60):
        slow._aligner.add(i * PERIOD_S, 9.0 * i * PERIOD_S, 9.0)
        slow.add(i * PERIOD_S, K * 9.0 * i * PERIOD_S, 9.0 * i * PERIOD_S, 9.0)
    assert slow.stiffness(sure) is None
    # Most of it on the way down from a first jerk: a slope below zero is none.
    falling = drawn(force=(K, 0.0))
    falling._track = [(t, 300.0 - f, x, v) for t, f, x, v in falling._track]
    assert falling.stiffness(sure) is None
