"""The self-proving start, fed with moments made by hand: both sides of each limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from click.testing import CliRunner
from evenbed.cli.main import main
from evenbed.job.proving import (
    EMPTY,
    ESTOP,
    LATCH_S,
    PATIENCE_S,
    RELEASED_S,
    SUPPLY_S,
    TRIP,
    TRIP_CEILING_N,
    WEIGHT,
    Moment,
    Proving,
    slope_n_mm,
)
from evenbed_fw import faults
from evenbed_fw.safety import F_ENABLED, F_ESTOP, F_SUPPLY

START = Moment(0.0, "unarmed", 0, 0, 0.0, 0, 40.0, 5.0, 0.0)
DEAD = F_ESTOP | F_SUPPLY
STEP_S = 0.04


class ByHand:
    """One step, fed with moments made by hand."""

    def __init__(self, what: str, weight_n: float | None = None) -> None:
        self.proving = Proving(weight_n)
        self.proving._todo = [what]
        self.m = START
        self.feed(0.0)

    def feed(self, for_s: float, **change: object) -> ByHand:
        """Moments with these changes for so long, one at least."""
        self.m = replace(self.m, **change)  # type: ignore[arg-type]
        for _ in range(max(1, round(for_s / STEP_S))):
            self.m = replace(self.m, t_s=self.m.t_s + STEP_S)
            self.proving.step(self.m)
        return self

    @property
    def verdict(self) -> str:
        """How it ended, "" if it has not."""
        return self.proving.outcomes[0].verdict if self.proving.outcomes else ""

    @property
    def says(self) -> str:
        """What was said of it."""
        return self.proving.outcomes[0].says


def test_nobody_there_ends_after_a_minute() -> None:
    hand = ByHand(ESTOP).feed(PATIENCE_S + 1.0)
    assert hand.proving.over and hand.verdict == "failed" and "60 s" in hand.says


# --- the emergency stop ----------------------------------------------------------------------------------------------
def released() -> ByHand:
    """Pressed, dead, latched, and released again, the supply back."""
    return ByHand(ESTOP).feed(LATCH_S + 0.2, flags=DEAD).feed(0.0, flags=0)


def test_the_button_stays_pressed_and_nothing_moves_after_its_release() -> None:
    assert released().feed(RELEASED_S - 0.2).verdict == ""
    assert released().feed(RELEASED_S + 0.2).verdict == "passed"


@pytest.mark.parametrize("flags", [DEAD, F_ESTOP])
def test_a_button_that_comes_out_by_itself_fails(flags: int) -> None:
    hand = ByHand(ESTOP).feed(LATCH_S - 0.2, flags=flags).feed(0.0, flags=0)
    assert hand.verdict == "failed" and "must latch" in hand.says


def test_a_supply_that_does_not_die_fails_at_its_limit() -> None:
    assert ByHand(ESTOP).feed(SUPPLY_S - 0.1, flags=F_ESTOP).feed(0.5, flags=DEAD).verdict == ""
    hand = ByHand(ESTOP).feed(SUPPLY_S + 0.2, flags=F_ESTOP)
    assert hand.verdict == "failed" and "still has its supply" in hand.says


@pytest.mark.parametrize("after_s", [0.0, RELEASED_S - 0.2])
def test_a_drive_that_comes_on_with_the_release_fails(after_s: float) -> None:
    hand = released().feed(after_s).feed(0.5, flags=F_ENABLED)
    assert hand.verdict == "failed" and "came on by itself" in hand.says


@pytest.mark.parametrize(("mm", "verdict"), [(5.09, "passed"), (4.91, "passed"), (5.11, "failed"), (4.89, "failed")])
def test_a_tenth_of_a_millimetre_may_be_between_button_and_release(mm: float, verdict: str) -> None:
    assert released().feed(RELEASED_S + 0.2, position_mm=mm).verdict == verdict


def test_a_button_that_is_pressed_once_more_is_watched_from_its_release_on() -> None:
    hand = released().feed(RELEASED_S / 2).feed(0.5, flags=DEAD).feed(RELEASED_S - 0.2, flags=0)
    assert hand.verdict == ""
    assert hand.feed(0.4).verdict == "passed"


def test_without_a_position_nothing_is_said_to_stand() -> None:
    hand = ByHand(ESTOP).feed(LATCH_S + 0.2, flags=DEAD, position_mm=None).feed(PATIENCE_S, flags=0)
    assert hand.verdict == "failed" and "cell's cable" in hand.says


# --- the force -------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_empty_head_may_show_three_newtons(sign: float) -> None:
    assert ByHand(EMPTY).feed(1.2, force_n=2.9 * sign).verdict == "passed"
    assert ByHand(EMPTY).feed(9.0, force_n=3.1 * sign).verdict == ""  # somebody may still take it off
    assert ByHand(EMPTY).feed(11.0, force_n=3.1 * sign).verdict == "failed"


@pytest.mark.parametrize("weight_n", [50.0, 98.1, 200.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_weight_has_to_show_to_two_percent(weight_n: float, sign: float) -> None:
    within = ByHand(WEIGHT, weight_n).feed(1.2, force_n=weight_n * (1.0 + 0.019 * sign))
    assert within.verdict == "" and within.feed(1.2, force_n=0.0).verdict == "passed"
    beyond = ByHand(WEIGHT, weight_n).feed(1.2, force_n=weight_n * (1.0 + 0.021 * sign))
    assert beyond.verdict == "failed" and "calibrate" in beyond.says


def test_a_light_weight_is_refused_with_the_least_one() -> None:
    Proving(5.0 * 9.80665)
    with pytest.raises(ValueError, match=r"48\.9 N is too light: at least 49\.0 N"):
        Proving(48.9)
    said = CliRunner().invoke(main, ["prove", "--sim", "--weight", "4.9kgf"])
    text = " ".join(said.output.replace("│", " ").split())
    assert said.exit_code == 2 and "4.90 kgf is too light: at least 5.00 kgf" in text and "Hang a heavier one" in text


# --- the deliberate trip ---------------------------------------------------------------------------------------------
K_N_MM = 6.0


def at_trip() -> ByHand:
    """A start that has come as far as the draw: 6 N/mm, up to 44 N, and by the budget 2 mm to go: 12 N."""
    hand = ByHand(TRIP).feed(0.0, state="slack", force_n=0.0)
    for force_n in (0.0, 14.0, 24.0, 34.0, 44.0):
        hand.feed(
            0.0, state="drawing", force_n=force_n, position_mm=force_n / K_N_MM, stop_mm=60.0 / (force_n - 14.0 or 1.0)
        )
    return hand


def tripped(over_n: float, change: Callable[[Moment], Moment] = lambda m: m, left_n: float = 30.0) -> ByHand:
    hand = at_trip()
    hand.m = change(hand.m)
    hand.feed(0.0, state="tripped", fault=faults.OVER_TENSION, force_n=TRIP_CEILING_N + over_n, stop_mm=9.0)
    return hand.feed(1.2, force_n=left_n)


def test_an_overrun_beyond_the_budget_of_this_draw_fails_and_the_edge_passes() -> None:
    # 6 N/mm times 2 mm, and 1 N for noise.
    assert tripped(12.9).verdict == ""
    hand = tripped(13.1)
    assert hand.verdict == "failed" and "13.1 N of the 12.0 N" in hand.says and "6.0 N/mm" in hand.says


def test_an_overrun_beyond_the_promise_of_the_board_fails_whatever_the_draw_allows() -> None:
    # It promises 10 N here: the budget of this draw is 12 N.
    for over_n, verdict in ((10.9, ""), (11.1, "failed")):
        assert tripped(over_n, lambda m: replace(m, overrun_n=10.0)).verdict == verdict


def test_a_force_that_does_not_fall_fails() -> None:
    assert tripped(5.0, left_n=TRIP_CEILING_N + 1.9).verdict == ""
    hand = tripped(5.0, left_n=TRIP_CEILING_N + 2.1)
    assert hand.verdict == "failed" and "did not fall" in hand.says


def test_a_passed_trip_ends_with_the_string_let_down() -> None:
    hand = tripped(5.0)
    assert hand.feed(0.4, force_n=10.1).verdict == ""
    assert hand.feed(0.0, force_n=9.9).verdict == "passed"


def test_no_trip_or_another_fails() -> None:
    hand = at_trip().feed(0.0, state="holding", force_n=60.0)
    assert hand.verdict == "failed" and "no trip" in hand.says
    hand = at_trip().feed(1.2, state="tripped", fault=faults.NO_DATA, force_n=30.0)
    assert hand.verdict == "failed" and "no data" in hand.says


def test_the_slope_is_that_of_the_line_and_needs_half_a_millimetre() -> None:
    assert slope_n_mm([(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]) == pytest.approx(2.0)
    # By hand: means 1 and 3; (1·2 + 1·3) / (1 + 1) = 2.5.
    assert slope_n_mm([(0.0, 1.0), (1.0, 2.0), (2.0, 6.0)]) == pytest.approx(2.5)
    assert slope_n_mm([(0.0, 10.0), (0.49, 40.0)]) is None and slope_n_mm([(0.0, 10.0), (0.51, 40.0)]) is not None
    assert slope_n_mm([]) is None
