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
# Before contact the board allows 24 mm/s for a ceiling of 233 N; a soft string lets the head reach 60 mm/s.
SLOW_FROM_N_MM = 15.0


@dataclass
class Lesson:
    """One draw of a linear string: the learner, and what it said with every reading (time, k, k_high)."""

    learner: Learner
    motion: Trapezoid
    contact_s: float
    said: list[tuple[float, float, float]]


def draw(k_n_mm: float, true_delay_s: float, believed_s: float, seed: int) -> Lesson:
    """A draw through SLACK_MM and then up to TOP_N, or as far as 90 mm go."""
    rng = Random(seed)
    way = SLACK_MM + min(TOP_N / k_n_mm, 90.0)
    speed = 60.0 if k_n_mm < SLOW_FROM_N_MM else 24.0
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
    return Lesson(learner, motion, contact_s, said)


TOO_SHORT = pytest.mark.xfail(
    strict=True, reason="braking begins before six readings lie past contact: 8 % low, and so is its upper end"
)


@pytest.mark.parametrize("k_n_mm", [2.0, 8.0, 17.0, 30.0, 60.0])
@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.0375, 0.05])
def test_stiffness_is_found_and_never_taken_for_less(request: pytest.FixtureRequest, k_n_mm: float, delay_s: float) -> None:
    """To one percent; to two where the whole draw is three millimetres."""
    if k_n_mm == 60.0 and delay_s > 0.0375:
        request.applymarker(TOO_SHORT)
    said = draw(k_n_mm, delay_s, delay_s, seed=1).said
    # The first few slopes reach back over the contact.
    assert all(k <= 1.01 * k_n_mm for _, k, _ in said)
    assert len(said) > 6
    for _, k, high in said[4:]:
        assert k == pytest.approx(k_n_mm, rel=0.01 if k_n_mm < 60.0 else 0.02)
        assert k_n_mm <= high < 1.1 * k_n_mm


@pytest.mark.parametrize("k_n_mm", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("off_s", [-0.0125, 0.0125, 0.025])
def test_at_an_even_speed_stiffness_needs_no_delay(k_n_mm: float, off_s: float) -> None:
    lesson = draw(k_n_mm, 0.025, 0.025 + off_s, seed=2)
    t2 = lesson.motion.corners[2]
    # The window of the reading and the six readings of the slope must lie in the even stretch, past contact.
    even = [k for t, k, _ in lesson.said if lesson.contact_s + 0.15 < t < t2]
    assert even
    assert all(k == pytest.approx(k_n_mm, rel=0.01) for k in even)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("k_n_mm", [2.0, 8.0, 17.0])
@pytest.mark.parametrize("delay_s", [0.0125, 0.025, 0.0375, 0.05])
def test_the_delay_is_found_as_well_as_is_claimed(k_n_mm: float, delay_s: float, seed: int) -> None:
    found = draw(k_n_mm, delay_s, 0.025, seed).learner.find_delay()
    assert found is not None
    assert found.delay_s == pytest.approx(delay_s, abs=max(0.25 * PERIOD_S, found.doubt_s))


@pytest.mark.xfail(
    strict=True, reason="on a short draw the fit takes delay for quick relaxation: 10 ms early, 3.4 ms claimed"
)
@pytest.mark.parametrize("k_n_mm", [30.0, 40.0])
def test_the_delay_of_a_stiff_string_is_found_as_well_as_is_claimed(k_n_mm: float) -> None:
    found = draw(k_n_mm, 0.0375, 0.025, seed=1).learner.find_delay()
    assert found is None or found.delay_s == pytest.approx(0.0375, abs=max(0.25 * PERIOD_S, found.doubt_s))


def test_a_draw_too_short_to_tell_says_nothing_of_the_delay() -> None:
    assert draw(120.0, 0.025, 0.025, seed=1).learner.find_delay() is None
    assert Learner(RIG, Aligner(PERIOD_S), Delay(0.025, 0.025)).find_delay() is None


def test_before_anything_is_learnt_the_stiffest_is_expected() -> None:
    learner = Learner(RIG, Aligner(PERIOD_S), Delay(0.025, 0.025))
    assert learner.k_n_mm is None
    assert learner.k_high_n_mm == RIG.stiffest_n_mm
    assert learner.high_at(50.0, 100.0) == RIG.stiffest_n_mm


@pytest.mark.parametrize("k_n_mm", [2.0, 8.0, 30.0, 60.0])
def test_a_motor_that_stalls_is_no_soft_string(k_n_mm: float) -> None:
    """Hooke's law up to 60 N; from then on the carriage is said to go on, and the force stands."""
    aligner, speed = Aligner(PERIOD_S), 20.0
    learner = Learner(RIG, aligner, Delay(0.0, 0.001))
    stalls = round(60.0 / k_n_mm / speed / PERIOD_S)
    for n in range(stalls + 20):
        x = speed * n * PERIOD_S
        aligner.add(n * PERIOD_S, x, speed)
        learner.add(n * PERIOD_S, k_n_mm * min(x, speed * stalls * PERIOD_S), x, speed)
        if n == stalls and stalls > 6:
            assert learner.k_high_n_mm < 1.1 * k_n_mm
        if n >= stalls + 3 and learner.k_n_mm is not None:
            assert learner.k_high_n_mm == RIG.stiffest_n_mm
    # Three readings that stand, and it is expected to be the stiffest there is when the motor turns again.


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
