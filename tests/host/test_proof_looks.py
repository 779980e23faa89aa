"""The pieces of the clamp's proof on an ideal strand: force is stiffness times stretch (Hooke's law), and what the carriage
is told and what it does are known exactly.

Likelihood ratios of independent evidence multiply, so their logarithms add (Bayes' rule in the form of odds).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from evenbed.head.learning import Delay
from evenbed.head.look import Look, Seen
from evenbed.head.proof import ClampProof, ProofBook
from evenbed.head.types import Pull, RigModel
from evenbed_sim import presets
from evenbed_sim.converter import CellParams
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer
from proof_bench import CEILING_N, PERIOD_S, REFERENCE_N, RIG, SURE_DELAY, Bench, K

UNSURE_DELAY = Delay(0.025, 0.025)


# --- one look ---------------------------------------------------------------------------------------------------------
def looked(
    force_n: Callable[[float, float], float],
    way: float = 1.0,
    first_way: float = 1.0,
    first_mm: float = 0.1,
    unsure: Callable[[int], float] = lambda _n: 0.0,
    after: int = 5,
) -> tuple[Look, int]:
    """A look of 2 N (0.25 mm at 8 N/mm) from 50 mm, and how many readings it took. ``force_n`` is of time and true
    position; of its first step and of the other the carriage really makes a share."""
    look = Look(2.0, 2.0 / K, 50.0, after, first_mm)
    for n in range(200):
        x = look.end_mm
        real = 50.0 + first_way * min(x - 50.0, first_mm) + way * max(0.0, x - 50.0 - first_mm)
        # The first reading was taken before anything moved.
        if look.step(n * PERIOD_S, force_n(n * PERIOD_S, real if n else 50.0), x if n else 50.0, unsure(n)):
            return look, n + 1
    raise AssertionError("a look that does not end")


def strand(k_n_mm: float, drift_n_s: float = 0.0) -> Callable[[float, float], float]:
    return lambda t, x: 200.0 + k_n_mm * (x - 50.0) + drift_n_s * t


@pytest.mark.parametrize("k", [4.0, 8.0, 17.5])
@pytest.mark.parametrize("drift_n_s", [-2.0, 0.0, 2.0])
def test_a_look_shows_the_stiffness_whatever_the_force_drifts(k: float, drift_n_s: float) -> None:
    look, n = looked(strand(k, drift_n_s))
    assert look.k_n_mm == pytest.approx(k) and look.clear and look.followed
    assert look.end_mm == pytest.approx(50.0 + 0.1 + 0.25)
    assert look.force_n == pytest.approx(200.0 + k * 0.35 + drift_n_s * PERIOD_S * (n - 1))


def test_it_takes_as_many_readings_as_it_was_told() -> None:
    assert looked(strand(K), after=7)[1] - looked(strand(K), after=5)[1] == 2


@pytest.mark.parametrize(("share", "clear"), [(0.55, True), (0.65, False)])
def test_a_drift_of_six_tenths_of_the_rise_is_no_look(share: float, clear: bool) -> None:
    # 4 readings before and 5 after: 8 periods. Before the step a force that moves is waited for.
    def force(t: float, x: float) -> float:
        return 200.0 + K * (x - 50.0) - share * 2.0 * t / (8 * PERIOD_S)

    assert looked(force)[0].clear is clear


@pytest.mark.parametrize(("n", "clear"), [(0.5, True), (1.6, False)])
def test_a_knock_during_the_look_is_seen(n: float, clear: bool) -> None:
    # A twentieth of the rise of 2 N is 0.1 N; a knock of one reading stays in the rest of the fit by about nine tenths.
    knock = 0.1 * n
    look, _ = looked(lambda t, x: 200.0 + K * (x - 50.0) + (knock if abs(t - 7 * PERIOD_S) < 1e-6 else 0.0))
    assert look.clear is clear


def test_a_force_that_still_moves_is_waited_for() -> None:
    calm_s = 0.2

    def force(t: float, x: float) -> float:
        return 200.0 + K * (x - 50.0) - 60.0 * max(0.0, calm_s - t)  # 2.25 N in 3 periods; 0.6 are calm

    look, n = looked(force)
    assert look.clear and look.k_n_mm == pytest.approx(K) and n * PERIOD_S > calm_s + 5 * PERIOD_S


def test_where_no_reading_is_sure_nothing_is_seen_and_nothing_said_of_the_motor() -> None:
    look, n = looked(strand(K), unsure=lambda _n: 1.0)
    assert (look.k_n_mm, look.clear, look.followed, n) == (0.0, False, True, 81)
    look, n = looked(strand(K), unsure=lambda n: 0.0 if n < 6 else 1.0)
    assert (look.k_n_mm, look.clear, look.followed, n) == (0.0, False, True, 80)


# --- a carriage that does not go where it was sent --------------------------------------------------------------------
def test_a_dead_motor_is_not_an_open_clamp() -> None:
    look, _ = looked(strand(K), way=0.0, first_way=0.0)
    assert not look.followed and not look.clear


def test_a_board_that_never_moves_is_not_followed() -> None:
    look = Look(2.0, 0.25, 50.0)
    n = 0
    while not look.step(n * PERIOD_S, 200.0, 50.0, 0.0):
        n += 1
    assert not look.followed and not look.clear and look.k_n_mm == 0.0 and n < 100


@pytest.mark.parametrize(("share", "followed"), [(0.28, False), (0.32, True)])
def test_three_tenths_of_the_softest_strand_are_the_least(share: float, followed: bool) -> None:
    assert looked(strand(K), way=share)[0].followed is followed
    # What the first step does not make friction keeps, and the second would look as stiff as a clamp.
    look, _ = looked(strand(K), first_way=share)
    assert look.k_n_mm == pytest.approx(K)
    assert look.followed is followed and look.clear is followed


def test_a_look_without_a_first_step_asks_for_none() -> None:
    assert looked(lambda t, x: 200.0 + K * (x - 50.0) - 0.5 * t, first_mm=0.0)[0].followed


# --- the evidence on a cross ------------------------------------------------------------------------------------------
def evidence(over_draw: float, over_first: float | None, delay: Delay = SURE_DELAY) -> float:
    k_look = over_draw * K
    k_open = k_look / over_first if over_first is not None else None
    proof = ClampProof(RIG, REFERENCE_N, K, k_open, delay, ProofBook(), True, 50.0)
    proof.ratio = over_draw
    return proof._evidence(k_look)


def test_between_open_and_closed_there_is_no_evidence() -> None:
    assert evidence(1.86, None) == pytest.approx(0.0)
    assert evidence(1.86, 1.22) == pytest.approx(0.0)
    assert evidence(1.86, 1.22, UNSURE_DELAY) == pytest.approx(0.0)


@pytest.mark.parametrize("by", [-0.1, 0.05, 0.1])
def test_evidence_grows_with_the_logarithm_of_the_ratio_and_adds_up(by: float) -> None:
    f = math.exp(by)
    assert evidence(1.86 * f, None) == pytest.approx(13.0 * by)
    assert evidence(1.86, 1.22 * f) == pytest.approx(37.0 * by)
    assert evidence(1.86 * f, 1.22 * f) == pytest.approx(13.0 * by + 37.0 * by)


def test_no_single_look_is_believed_beyond_its_bound() -> None:
    assert evidence(20.0, None) == 5.0 and evidence(20.0, 20.0) == 9.0
    assert evidence(1.86, 0.2) == pytest.approx(-4.0)


def test_where_the_delay_is_unsure_the_draw_says_nothing() -> None:
    assert evidence(20.0, None, UNSURE_DELAY) == 0.0 and evidence(1.0, None, UNSURE_DELAY) == 0.0
    assert evidence(1.0, 1.22 * math.e, UNSURE_DELAY) == 4.0


@pytest.mark.parametrize(("ratio", "is_open"), [(1.49, True), (1.51, False)])
def test_nothing_closed_looks_softer_than_half_as_stiff_again_as_the_draw(ratio: float, is_open: bool) -> None:
    assert (evidence(ratio, 20.0) < -2.0) is is_open


def near_evidence(
    over_near: float, over_first: float | None, near: tuple[str, float, float], over_draw: float = 1.35
) -> float:
    """By default that of a short cross: by the draw alone nothing closed looks so soft."""
    book = ProofBook()
    book.near = near
    k_look = over_near * 2.0 * K
    proof = ClampProof(
        RIG, REFERENCE_N, K, k_look / over_first if over_first else None, SURE_DELAY, book, True, 50.0, "gut"
    )
    proof.ratio = over_draw
    return proof._evidence(k_look)


# Between clamp and gripper lies the same piece of the same string, so its stiffness EA/L is that of the cross before.
def test_where_a_cross_has_held_its_look_is_what_a_closed_clamp_looks_like() -> None:
    near = ("gut", 2.0 * K, REFERENCE_N)
    assert near_evidence(0.86, None, near) == pytest.approx(-1.0)
    assert near_evidence(1.0, None, near) == pytest.approx(25.0 * math.log(1.0 / 0.86) - 1.0)
    assert near_evidence(1.0, 1.22, near) > 2.0 and near_evidence(1.0, 1.15, near) > 0.0
    assert near_evidence(0.7, None, near) == -5.0 and near_evidence(0.7, 1.0, near) == -9.0
    # Gripped further out than before, and clearly closed by the draw: no question.
    assert near_evidence(0.75, None, near, 2.6) > -2.0


@pytest.mark.parametrize("near", [("nylon", 2.0 * K, REFERENCE_N), ("gut", 2.0 * K, 1.11 * REFERENCE_N)])
def test_another_string_or_another_tension_says_nothing_of_this_one(near: tuple[str, float, float]) -> None:
    assert near_evidence(1.0, None, near) == -3.0  # by the draw


@pytest.mark.parametrize("zero_n", [-2.9, 0.0, 2.9])
def test_the_ceiling_of_the_step_is_told_from_the_zero_that_the_board_reckons_with(zero_n: float) -> None:
    proof = ClampProof(RIG, REFERENCE_N, K, None, SURE_DELAY, ProofBook(), False, 50.0)
    go = proof.step(0.0, REFERENCE_N, Seen(50.0, 50.0, 50.0), 50.0, 0.0, CEILING_N, zero_n)
    assert go.ceiling_n == pytest.approx(REFERENCE_N * 1.03 + zero_n)


# --- whole proofs -----------------------------------------------------------------------------------------------------
def test_a_good_clamp_passes_and_an_open_one_does_not() -> None:
    good = Bench(2.0 * K)
    assert good.run() == "holds" and good.force_n == pytest.approx(0.05 * REFERENCE_N, abs=3.0)
    assert good.t < good.proof.longest_s / 2.0
    bad = Bench(K)
    assert bad.run() == "open" and bad.force_n > REFERENCE_N


@pytest.mark.parametrize("k", [K, 2.0 * K])
@pytest.mark.parametrize("dead_s", [0.0, 0.02, 0.05])
def test_a_motor_that_dies_before_the_looks_are_done_stands(k: float, dead_s: float) -> None:
    b = Bench(k, lambda t: float(t < dead_s))
    assert b.run() == "stands" and b.force_n >= REFERENCE_N
    # Twice 15 % of the reference at the stiffness of the draw, 3.75 mm here, and no more.
    assert b.proof.eased_mm == pytest.approx(2 * 0.15 * REFERENCE_N / K, abs=0.15)


@pytest.mark.parametrize("k", [K, 2.0 * K])
@pytest.mark.parametrize("back_s", [0.3, 0.4, 0.5, 0.6, 0.7])
def test_a_motor_that_was_dead_for_the_looks_passes_nothing_when_it_is_back(k: float, back_s: float) -> None:
    b = Bench(k, lambda t: float(t > back_s))
    assert b.run() != "holds" and b.force_n > 0.85 * REFERENCE_N


@pytest.mark.parametrize("at_s", [i * 0.02 for i in range(30)])
@pytest.mark.parametrize("for_s", [0.03, 0.08, 0.2])
def test_no_open_clamp_passes_for_a_motor_that_pauses(at_s: float, for_s: float) -> None:
    assert Bench(K, lambda t: float(not at_s <= t < at_s + for_s)).run() in ("open", "slips")


def test_a_motor_that_pauses_in_the_easing_is_waited_for_and_one_that_stays_dead_is_a_question() -> None:
    assert Bench(2.0 * K, lambda t: float(not 0.5 <= t < 0.9)).run() == "holds"
    assert Bench(2.0 * K, lambda t: float(t < 0.5)).run() in ("slips", "stands")


@pytest.mark.parametrize("n", [-15.0, -5.0, 2.0, 5.0, 15.0])
@pytest.mark.parametrize("at_n", [160.0, 110.0, 60.0])
def test_a_touch_that_is_over_is_no_slip(at_n: float, n: float) -> None:
    b = Bench(2.0 * K)
    begun: list[float] = []

    def heard(_n: int) -> bool:
        if b.force_n < at_n and b.proof.k_look_n_mm and not begun:
            begun.append(b.t)
        b.push_n = n if begun and b.t < begun[0] + 0.3 else 0.0
        return True

    b.heard = heard
    assert b.run() == "holds" and begun


@pytest.mark.parametrize("lowest_n", [math.inf, 150.0])
@pytest.mark.parametrize(("share", "verdict"), [(0.70, "holds"), (0.62, "slips")])
def test_how_much_softer_than_its_look_a_clamp_may_be_in_the_easing(share: float, verdict: str, lowest_n: float) -> None:
    # The draw is half as stiff as the look here: 2 ** -0.6 = 0.66. A drawback of 1 mm makes 0.77 of 70 N/mm at 240 N.
    b = Bench(2.0 * K, lowest_n=lowest_n)
    b.slips_below_n, b.slipped_k = min(lowest_n, REFERENCE_N), share * b.k
    assert b.run() == verdict


def test_a_clamp_eased_before_may_draw_back_where_it_stopped() -> None:
    # The drawback of a clamp's jaws is used up once: on the way to where it was eased before, the near piece alone gives.
    def tried(lowest_n: float) -> str:
        b = Bench(2.0 * K, lowest_n=lowest_n)
        b.slips_below_n, b.slipped_k = 120.0, 1.5 * K  # from there on it gives like the first time
        return b.run()

    assert tried(math.inf) == "slips" and tried(120.0) == "holds"


@pytest.mark.parametrize(("share", "verdict"), [(0.05, "stands"), (0.3, "slips")])
def test_a_fifth_of_the_fall_due_tells_a_slip_from_a_carriage_that_stands(share: float, verdict: str) -> None:
    # A near piece of twice the draw's stiffness gives twice the share of what is due on the whole strand.
    b = Bench(2.0 * K)
    b.easing_share = share
    assert b.run() == verdict and b.force_n > 0.9 * REFERENCE_N


@pytest.mark.parametrize("share", [0.9, 0.6, 0.3, 0.15])
def test_a_slip_is_seen_all_the_way_down(share: float) -> None:
    b = Bench(2.0 * K)
    b.slips_below_n = share * REFERENCE_N
    assert b.run() == "slips" and b.force_n > (share - 0.08) * REFERENCE_N


@pytest.mark.parametrize("every", [1, 5])
def test_the_hold_never_asks_for_a_force_at_which_the_board_calls_a_string_lost(every: int) -> None:
    b = Bench(2.0 * K)
    asked: list[float] = []

    def heard(n: int) -> bool:
        asked.append(REFERENCE_N + b.k * (b.proof.end_mm - 50.0))
        return n % every == 0

    b.heard = heard
    most_n = 10.0 if every == 1 else 12.0  # sooner where readings are lost
    assert b.run() == "holds" and 4.0 - 1e-6 <= min(asked) < most_n


def test_a_cross_that_held_is_remembered_until_a_clamp_is_doubted() -> None:
    book = ProofBook()
    good = Bench(2.0 * K, book=book, woven=True)
    assert good.run() == "holds" and book.near == ("gut", pytest.approx(2.0 * K), REFERENCE_N)
    softer = Bench(1.4 * K, book=book, woven=True)
    assert softer.run() == "open" and book.near is None


def test_a_look_that_hands_prevent_is_no_sign_of_a_dead_motor() -> None:
    # Hands lean on the bed until both looks are given up: the board stands at its soft ceiling, and what the force is when
    # the easing begins counts, not what it was before.
    b = Bench(2.0 * K)
    b.push_n = 15.0
    b.moves = False
    while b.proof.k_look_n_mm == 0.0 and b.proof._looks < 2 and b.t < 3.0:
        b.run(b.t + PERIOD_S)
    look = b.proof._look
    while look.k_n_mm is None and b.t < 3.0:
        b.run(b.t + PERIOD_S)
    b.moves = True
    assert b.proof._looks == 2 and look.force_n == pytest.approx(REFERENCE_N + 15.0) and b.run() != "stands"


def test_a_look_under_hands_that_press_towards_the_ceiling_is_given_up_at_once() -> None:
    b = Bench(2.0 * K)
    while b.proof._standing < 7 and b.t < 3.0:
        b.run(b.t + PERIOD_S)
    b.push_n = 25.0  # more than half of the way from the soft ceiling of the look, 206 N, to the session's
    b.run(b.t + 2.0 * PERIOD_S)
    assert b.proof._looks == 1 and b.proof._look.k_n_mm == 0.0 and b.proof.end_mm < b.x
    b.push_n = 0.0
    assert b.run() != "stands"


def test_a_slip_is_seen_although_four_readings_of_five_are_lost() -> None:
    b = Bench(2.0 * K)
    b.slips_below_n = 0.97 * REFERENCE_N
    b.heard = lambda n: n % 5 == 0
    assert b.run() == "slips" and b.force_n > 0.6 * REFERENCE_N


def test_where_readings_are_lost_it_eases_more_slowly_and_still_passes_a_good_clamp() -> None:
    all_heard, few = Bench(2.0 * K), Bench(2.0 * K)
    few.heard = lambda n: n % 5 == 0
    assert all_heard.run() == few.run() == "holds"
    assert few.proof._rate_mm_s(K) < 0.7 * all_heard.proof._rate_mm_s(K)


def test_a_proof_ends_even_if_nothing_moves_at_all() -> None:
    b = Bench(2.0 * K)
    assert b.run(0.4) == "" and b.proof.k_look_n_mm > 0.0
    b.moves = False
    assert b.run(b.proof.longest_s) == "" and b.run() == "stands"
    assert b.t == pytest.approx(b.proof.longest_s, abs=3 * PERIOD_S)


def test_a_slower_rig_has_longer_for_it() -> None:
    slow = ClampProof(
        RigModel(21000.0, 8759.0, 1600.0, 330.0, PERIOD_S, 60.0, 800.0, 1.0, 20.0, 130.0, 40.0, 0.041664, 0.027776),
        REFERENCE_N,
        K,
        None,
        SURE_DELAY,
        ProofBook(),
        False,
        50.0,
    )
    assert slow.longest_s > REFERENCE_N / K / 1.0 * 2.0


def test_what_a_clear_look_made_by_itself_is_no_hand() -> None:
    b = Bench(2.0 * K)
    while not b.proof.k_look_n_mm and b.t < 3.0:
        b.run(b.t + PERIOD_S)
    proof, own_n = b.proof, b.proof._look.force_n
    proof._crowded_n = REFERENCE_N  # a ceiling that leaves hardly any room
    low_mm = proof._low_mm
    assert proof._look.clear and proof.wait(own_n + 4.0, low_mm, CEILING_N).end_mm == low_mm
    assert proof.wait(own_n + 6.0, low_mm, CEILING_N).end_mm == pytest.approx(low_mm - 1.0 / (2.0 * K), abs=0.005)


@pytest.mark.parametrize(("readings", "verdict"), [(1, "holds"), (2, "gone")])
def test_one_reading_of_nothing_is_none(readings: int, verdict: str) -> None:
    b = Bench(2.0 * K)
    seen: list[float] = []

    def heard(_n: int) -> bool:
        b.push_n = 0.0
        if b.proof._creeping and len(seen) < readings:
            seen.append(b.t)
            b.push_n = 2.0 - b.force_n
        return True

    b.heard = heard
    assert b.run() == verdict and len(seen) == readings


def test_what_is_gone_after_it_was_seen_that_nothing_creeps_is_no_question() -> None:
    b = Bench(6.0 * K)  # so stiff that it stands at 44 N

    def heard(_n: int) -> bool:
        b.push_n = 0.0
        if b.proof._creeping is False:
            b.push_n = 1.0 - b.force_n
        return True

    b.heard = heard
    assert b.run() == "holds"


# A main of 620 mm with 150 mm outside is eased at 3.5 times the stiffness of its draw, one of 900 mm at five times: EA/L,
# and the give of the rig.
@pytest.mark.parametrize("hz", [42.0, 80.0, 160.0])
@pytest.mark.parametrize("length_mm", [620.0, 900.0, 1000.0])
@pytest.mark.parametrize("forgets", [False, True], ids=["closed", "open"])
def test_a_near_piece_much_stiffer_than_the_draw_is_no_open_clamp(hz: float, length_mm: float, forgets: bool) -> None:
    strand = Strand(presets.main(presets.NYLON, length_mm, previous_mm=300.0, previous_tension_n=165.0))
    period = {"period_us": round(1e6 / hz)}
    rig = Rig(strand, RigParams(cell=CellParams(period_us=1e6 / hz), settings=period), seed=3)
    stringer = Stringer(rig, Habits(forgets_clamp=forgets), seed=3)
    run = VirtualRun(rig, 1.1 * REFERENCE_N)

    def plan(_now_s: float) -> None:
        if run.loop.head is not None and run.loop.head.pull is None:
            run.loop.head.plan(Pull(REFERENCE_N, family="nylon"))

    run.on_line = plan
    assert run.run(40.0, lambda: stringer.done > 0 or bool(run.loop.head and run.loop.head.question))
    head = run.loop.head
    assert head is not None and head.question == ("open" if forgets else "")
    assert head.record is not None and head.record.proof_peak_n < 1.1 * REFERENCE_N


def test_hands_that_press_in_the_middle_of_a_step_do_not_end_it_short() -> None:
    look = Look(2.0, 1.0, 10.0, first_mm=0.5)
    t = 0.0
    for mm in (10.0, 10.5, 10.5, 10.5, 10.5, 10.5):  # a strand of 2 N/mm, as drawn
        t += PERIOD_S
        assert not look.step(t, 200.0 + 2.0 * (mm - 10.0), mm, 0.0)
    assert look.end_mm == 11.5
    for _ in range(10):  # and 20 N by hand, at which the carriage stands
        t += PERIOD_S
        assert not look.step(t, 221.5, 10.75, 0.0, 10.75)
    assert look.end_mm == 11.5 and look.k_n_mm is None


def test_a_step_that_ends_short_on_a_stiff_piece_shows_its_stiffness() -> None:
    look = Look(2.0, 1.0, 10.0, first_mm=0.5)
    t, done = 0.0, False
    for mm in (10.0, 10.5, 10.5, 10.5, 10.5, 10.5):  # four times as stiff as drawn
        t += PERIOD_S
        look.step(t, 200.0 + 8.0 * (mm - 10.0), mm, 0.0)
    for _ in range(10):
        t += PERIOD_S
        done = done or look.step(t, 206.4, 10.8, 0.0, 10.8)
    assert done and look.k_n_mm == pytest.approx(8.0, rel=0.01) and look.clear and look.followed
    assert look.end_mm == 10.8
