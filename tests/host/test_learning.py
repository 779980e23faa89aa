"""What a draw teaches: stiffness and delay, on a linear string whose force is known in closed form."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import pytest
from evenbed.head.align import Aligner
from evenbed.head.learning import Delay, DelayBook, Learner
from evenbed.head.types import RigModel
from motions import PERIOD_S, STEPS_MM, Trapezoid, by_quadrature

# 90 nV rms at 80 samples/s behind a 50 kgf, 2 mV/V cell on 5 V: 4.41 mN rms (converter's data sheet, derived).
NOISE_N = 0.00441
RIG = RigModel(
    zero_counts=21000.0,
    counts_per_n=8759.0,
    steps_per_mm=STEPS_MM,
    limit_n=330.0,
    period_s=PERIOD_S,
    rate_max_mm_s=60.0,
    accel_mm_s2=800.0,
    hold_rate_mm_s=6.0,
    hold_travel_mm=20.0,
    stiffest_n_mm=130.0,
    overrun_n=40.0,
    age_s=0.041664,
    granted_s=0.027776,
)
TOP_N = 180.0
CONTACT_N = 3.0
SLACK_MM = 8.0


@dataclass
class Lesson:
    """One draw of a linear string: the learner, and what it said with every reading (time, k, k_high)."""

    learner: Learner
    motion: Trapezoid
    said: list[tuple[float, float, float]]


def draw(k_n_mm: float, true_delay_s: float, believed_s: float, seed: int) -> Lesson:
    """A draw through SLACK_MM and then up to TOP_N, or as far as 90 mm go."""
    rng = Random(seed)
    way = SLACK_MM + min(TOP_N / k_n_mm, 90.0)
    speed = min(60.0, 0.9 * (way * 800.0) ** 0.5)
    motion = Trapezoid(way, speed, 800.0, 0.1 + rng.uniform(0.0, PERIOD_S))
    contact_s = motion.corners[1] + (SLACK_MM - motion.x(motion.corners[1])) / speed
    corners = sorted([*motion.corners, contact_s])

    def stretched(t_s: float) -> float:
        return max(0.0, motion.x(t_s) - SLACK_MM)

    aligner = Aligner(PERIOD_S)
    learner = Learner(RIG, aligner, Delay(believed_s, 0.001))
    said = []
    t = 0.0
    while t < motion.corners[-1] + 0.06:
        x, v = int(motion.x(t) * STEPS_MM) / STEPS_MM, motion.v(t)
        aligner.add(t, x, v)
        force = k_n_mm * by_quadrature(stretched, corners, t, true_delay_s) + rng.gauss(0.0, NOISE_N)
        if force > CONTACT_N:
            learner.add(t, force, x, v)
            if learner.k_n_mm is not None:
                said.append((t, learner.k_n_mm, learner.k_high_n_mm))
        t += PERIOD_S
    return Lesson(learner, motion, said)


@pytest.mark.parametrize("k_n_mm", [2.0, 8.0, 17.0, 30.0, 60.0])
@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.0375, 0.05])
def test_stiffness_is_found_to_one_percent_and_never_from_below(k_n_mm: float, delay_s: float) -> None:
    lesson = draw(k_n_mm, delay_s, delay_s, seed=1)
    assert lesson.said
    for _, k, high in lesson.said:
        assert k == pytest.approx(k_n_mm, rel=0.01)
        assert k_n_mm <= high < 1.15 * k_n_mm


@pytest.mark.parametrize("k_n_mm", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("off_s", [-0.0125, 0.0125, 0.025])
def test_at_an_even_speed_stiffness_needs_no_delay(k_n_mm: float, off_s: float) -> None:
    lesson = draw(k_n_mm, 0.025, 0.025 + off_s, seed=2)
    _, t1, t2, _ = lesson.motion.corners
    # The window of the reading and the six readings of the slope must lie in the even stretch.
    even = [k for t, k, _ in lesson.said if t1 + 0.15 < t < t2]
    assert even
    assert all(k == pytest.approx(k_n_mm, rel=0.01) for k in even)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("k_n_mm", [2.0, 8.0, 17.0])
@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.0375, 0.05])
def test_the_delay_is_found_to_a_quarter_of_a_period(k_n_mm: float, delay_s: float, seed: int) -> None:
    found = draw(k_n_mm, delay_s, 0.025, seed).learner.find_delay()
    assert found is not None
    assert found.delay_s == pytest.approx(delay_s, abs=0.25 * PERIOD_S)
    assert found.longest_s >= found.delay_s


@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.0375, 0.05])
def test_a_short_draw_finds_the_right_delay_or_none(delay_s: float) -> None:
    for k in (25.0, 30.0, 40.0):
        found = draw(k, delay_s, 0.025, seed=5).learner.find_delay()
        assert found is None or found.delay_s == pytest.approx(delay_s, abs=0.25 * PERIOD_S)


def test_a_draw_too_short_to_tell_says_nothing_of_the_delay() -> None:
    assert draw(60.0, 0.025, 0.025, seed=1).learner.find_delay() is None
    assert Learner(RIG, Aligner(PERIOD_S), Delay(0.025, 0.025)).find_delay() is None


def test_before_anything_is_learnt_the_stiffest_is_expected() -> None:
    learner = Learner(RIG, Aligner(PERIOD_S), Delay(0.025, 0.025))
    assert learner.k_n_mm is None
    assert learner.k_high_n_mm == RIG.stiffest_n_mm
    assert learner.high_at(50.0, 100.0) == RIG.stiffest_n_mm


def test_what_is_expected_ahead_never_leaves_the_rigs_own_bounds() -> None:
    for k in (2.0, 17.0, 60.0):
        learner = draw(k, 0.025, 0.025, seed=3).learner
        ahead = [learner.high_at(60.0, gap) for gap in (0.0, 10.0, 100.0, 300.0)]
        assert ahead == sorted(ahead)
        assert learner.k_high_n_mm <= ahead[0] <= ahead[-1] <= RIG.stiffest_n_mm


def test_the_book_takes_the_middle_of_the_last_five_and_its_spread() -> None:
    book = DelayBook(RIG)
    assert (book.delay.delay_s, book.delay.doubt_s) == (RIG.delay_s, RIG.delay_doubt_s)
    for ms in (10.0, 26.0, 24.0, 25.0, 90.0, 25.5):
        book.add(Delay(ms / 1000.0, 0.001))
    # 26, 24, 25, 90, 25.5 are the last five: one that strayed moves the middle little, but it is owned up to.
    assert book.delay.delay_s == pytest.approx(0.0255)
    assert book.delay.doubt_s >= 0.090 - 0.0255
    for _ in range(5):
        book.add(Delay(0.025, 0.0))
    assert book.delay.delay_s == pytest.approx(0.025)
    assert 0.0 < book.delay.doubt_s <= 0.5 * PERIOD_S
