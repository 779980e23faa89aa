"""Single steps, fed by hand: both sides of what they judge by, and what each says."""

from __future__ import annotations

from dataclasses import replace

import pytest
from commission_runs import MODEL, ByHand
from evenbed.calibration.readings import Heard
from evenbed.commission.carriage import Direction, Switches, Travel
from evenbed.commission.drawn import Delay, Limits, Stiffness
from evenbed.commission.listened import ZERO_N, Inputs, Port, Rate, Reading
from evenbed.commission.moments import Moment, Setup
from evenbed.rig import default_rig
from evenbed_fw import faults
from evenbed_fw.safety import F_ENABLED, F_END_HIGH, F_END_LOW, F_ESTOP, F_PEDAL, F_PEDAL_FAULT, F_SUPPLY

PER_N = MODEL.counts_per_n


# --- port ------------------------------------------------------------------------------------------------------------
def test_a_board_that_answers_is_described_and_silence_fails() -> None:
    assert ByHand(Port).feed().result == ("passed", "a board")
    nobody = Port(Setup(default_rig(), (40.0, 400.0)))
    for k in range(60):
        if not nobody.over:
            nobody.step(Moment(0.1 * k, alive=False))
    assert nobody.verdict == "failed" and "is the firmware on it" in nobody.says


def test_a_board_that_falls_silent_fails_any_step() -> None:
    hand = ByHand(Inputs).feed(3).feed(130, alive=False)
    assert hand.result[0] == "failed" and "silent" in hand.result[1]


# --- inputs ----------------------------------------------------------------------------------------------------------
def pressed_once(hand: ByHand) -> ByHand:
    return hand.feed().feed(3, flags=F_SUPPLY).feed(2, flags=F_SUPPLY | F_PEDAL, presses=1).feed(40, flags=F_SUPPLY)


def test_all_inputs_seen() -> None:
    hand = pressed_once(ByHand(Inputs))
    for flag in (F_END_LOW, F_END_HIGH):
        hand.feed(2, flags=F_SUPPLY | flag).feed(2, flags=F_SUPPLY)
    hand.feed(3, flags=0).feed(30, flags=F_ESTOP | F_SUPPLY).feed(30, flags=0)
    assert hand.result[0] == "passed" and hand.found == {"measured.inputs": True}


def test_a_pedal_that_is_not_at_rest_is_not_asked_for() -> None:
    hand = ByHand(Inputs).feed(25, flags=F_SUPPLY | F_PEDAL_FAULT)
    assert hand.result[0] == "failed" and "B has to be closed" in hand.result[1] and "Press the pedal" not in hand.said()


def test_a_press_that_never_comes_fails_after_a_minute() -> None:
    hand = ByHand(Inputs).feed(1600, flags=F_SUPPLY)
    assert hand.result[0] == "failed" and "no press was seen in 60 s" in hand.result[1]


def test_silence_is_no_press() -> None:
    hand = ByHand(Inputs).feed(3, presses=7, flags=F_SUPPLY).feed(2, alive=False, presses=0, flags=0)
    assert "Press the pedal" in hand.said() and "hand knob" not in hand.said() and not hand.step.over


def test_an_open_loop_of_the_emergency_stop_is_told() -> None:
    hand = ByHand(Inputs).feed(3, flags=F_ESTOP | F_SUPPLY)
    assert hand.result[0] == "failed" and "its loop is open" in hand.result[1]


def test_the_pedal_is_pressed_only_while_the_drive_has_no_supply() -> None:
    # A board without sound readings takes a long press for a let-down, in a direction that nobody has seen yet.
    hand = ByHand(Inputs).feed(50, flags=0)
    assert "Press the pedal" not in hand.said() and not hand.step.over


def test_a_drive_that_comes_on_with_its_supply_fails() -> None:
    hand = pressed_once(ByHand(Inputs))
    for flag in (F_END_LOW, F_END_HIGH):
        hand.feed(2, flags=F_SUPPLY | flag).feed(2, flags=F_SUPPLY)
    assert "came on by itself" in hand.feed(3, flags=F_ENABLED).result[1]


def test_the_switch_of_the_other_side_is_told() -> None:
    hand = pressed_once(ByHand(Inputs)).feed(2, flags=F_SUPPLY | F_END_HIGH)
    assert hand.result[0] == "failed" and "slack side is heard as the one on the pulling side" in hand.result[1]


# --- reading ---------------------------------------------------------------------------------------------------------
def heard(hand: ByHand, seconds: float, force_n: float, noise: int = 30, counts: int | None = None) -> ByHand:
    """Readings at 80 a second."""
    for k in range(round(80 * seconds)):
        if hand.step.over:
            break
        raw = round(force_n * PER_N) + noise * (k % 3 - 1) if counts is None else counts
        t = hand.m.t_s + 0.0125
        hand.feed(dt_s=0.0125, force_n=raw / PER_N, heard=(Heard(t, raw, True, round(t / 0.0125)),))
    return hand


def test_a_pull_that_raises_the_reading_passes() -> None:
    hand = weighed(49.0)
    assert hand.result[0] == "passed" and hand.found == {"measured.reading": True}


def weighed(shown_n: float, typed: str = "5kg") -> ByHand:
    """Empty, pulled, let go, something hung on that shows a force, taken off."""
    hand = heard(heard(heard(ByHand(Reading), 2.0, 0.2), 0.5, 25.0), 0.5, 0.2)
    heard(hand, 1.0, shown_n)
    hand.step.typed(typed)
    return heard(heard(hand, 2.0, shown_n), 0.5, 0.2)


@pytest.mark.parametrize(("shown_n", "verdict"), [(40.0, "passed"), (38.0, "failed"), (58.0, "passed"), (60.0, "failed")])
def test_what_is_shown_has_to_be_about_what_hangs_there(shown_n: float, verdict: str) -> None:
    # 5 kg at standard gravity (9.80665 m/s2, NIST SP 811) pull with 49.0 N; a fifth of that is 9.8 N.
    assert weighed(shown_n).result[0] == verdict


def test_a_weight_needs_its_unit_and_some_size() -> None:
    assert "has no unit" in weighed(49.0, "5").said() and "hang something from" in weighed(49.0, "1kg").said()


def test_a_pull_that_lowers_it_fails() -> None:
    hand = heard(heard(ByHand(Reading), 2.0, 0.0), 0.5, -25.0)
    assert hand.result[0] == "failed" and "falls by 25 N" in hand.result[1]


def test_both_sides_of_the_zero_that_is_let_pass() -> None:
    assert "Pull the gripper" in heard(ByHand(Reading), 2.0, ZERO_N - 0.05).said()
    far = heard(ByHand(Reading), 20.0, ZERO_N + 0.05)
    assert far.result[0] == "failed" and "evenbed calibrate" in far.result[1]


@pytest.mark.parametrize(("counts", "tells"), [(8388607, "four wires"), (4711, "without any noise")])
def test_readings_that_say_nothing_fail(counts: int, tells: str) -> None:
    hand = heard(ByHand(Reading), 2.0, 0.0, counts=counts)
    assert hand.result[0] == "failed" and tells in hand.result[1]


def test_no_readings_fail() -> None:
    hand = ByHand(Reading).feed(60)
    assert hand.result[0] == "failed" and "clock and data wires" in hand.result[1]


def test_a_board_set_to_a_rate_that_the_head_cannot_use_is_told() -> None:
    slow = ByHand(Rate, model=replace(MODEL, period_s=0.1))
    for k in range(200):
        if not slow.step.over:
            raw = 30 * (k * 7 % 5 - 2)
            slow.feed(dt_s=0.1, heard=(Heard(0.1 * k, raw, True, k),))
    assert slow.result[0] == "failed" and "needs 40 to 400" in slow.result[1]


# --- carriage --------------------------------------------------------------------------------------------------------
def armed(hand: ByHand) -> ByHand:
    """The connection stands, the pedal has armed and tapped."""
    hand.feed(30, flags=0)  # the carriage stands in the middle
    return hand.feed(2, state="unarmed").feed(2, state="slack").feed(1, state="taking_up")


@pytest.mark.parametrize(
    ("answer", "verdict", "tells"),
    [("away", "passed", "away"), ("Towards", "failed", "wrong way"), ("still", "failed", "does not turn")],
)
def test_the_direction_that_a_person_saw(answer: str, verdict: str, tells: str) -> None:
    hand = armed(ByHand(Direction)).feed(3, position_mm=12.0).feed(2, state="returning").feed(1, state="slack")
    hand.step.typed("left")
    hand.feed()
    assert "type away, towards, or still" in hand.said()
    hand.step.typed(answer)
    hand.feed(2).feed(3, state="unarmed")
    assert hand.result[0] == verdict and tells in hand.result[1]


def test_a_force_with_nothing_in_the_gripper_stops_the_run() -> None:
    hand = armed(ByHand(Direction)).feed(1, state="drawing", force_n=4.0)
    assert hand.result[0] == "failed" and "4.0 N was met" in hand.result[1] and not hand.step.over
    hand.feed(2)
    assert [a.ask.value for a in hand.step.acts if a.ask] == ["stop"]
    hand.feed(1, state="frozen", fault=faults.STOPPED).feed(1, state="slack", fault=0).feed(2, state="unarmed", force_n=0.0)
    assert hand.step.over


def test_a_stop_that_nobody_wanted_fails_and_has_to_be_cleared_first() -> None:
    hand = armed(ByHand(Direction)).feed(1, state="tripped", fault=faults.NO_DATA)
    assert "no data" in hand.result[1] and not hand.step.over
    hand.feed(2)
    assert "that clears the stop" in hand.said()
    hand.feed(2, state="unarmed")
    assert hand.step.over


def at_the_switch(hand: ByHand) -> ByHand:
    """Both ends reached by the knob, drawn towards the far one."""
    hand.feed(2, state="unarmed").feed(30, flags=0)
    hand.feed(2, flags=F_END_LOW).feed(2, flags=0).feed(2, flags=F_END_HIGH).feed(2, flags=0)
    return hand.feed(1, state="slack").feed(2, state="taking_up", position_mm=1.0)


@pytest.mark.parametrize(("on_mm", "verdict"), [(2.9, "passed"), (3.1, "failed")])
def test_how_far_it_may_go_on_behind_the_end_switch(on_mm: float, verdict: str) -> None:
    # 3 mm is the way behind the switch that the default rig has.
    hand = at_the_switch(ByHand(Switches)).feed(1, flags=F_END_HIGH, position_mm=10.0)
    hand.feed(1, position_mm=10.0 + on_mm).feed(1, state="returning").feed(1, state="slack").feed(2, state="unarmed")
    assert hand.result[0] == verdict, hand.result


def test_the_other_switch_stops_the_run_at_once() -> None:
    hand = at_the_switch(ByHand(Switches)).feed(1, flags=F_END_LOW, position_mm=9.0)
    assert hand.result[0] == "failed" and [a.ask.value for a in hand.step.acts if a.ask] == ["stop"]


def by_rule(went_mm: float, seen: str) -> ByHand:
    hand = ByHand(Travel).feed(2, state="unarmed").feed(30, flags=0)
    hand.feed(1, state="slack").feed(1, state="taking_up").feed(1, position_mm=went_mm)
    hand.feed(3, state="frozen", fault=faults.PRESSED)
    hand.step.typed(seen)
    return hand.feed(2)


@pytest.mark.parametrize(
    ("seen", "verdict"), [("100.9mm", ""), ("99,1 mm", ""), ("10.2cm", "failed"), ("98.9mm", "failed")]
)
def test_a_rule_within_a_hundredth_passes(seen: str, verdict: str) -> None:
    hand = by_rule(100.0, seen)
    assert hand.result[0] == verdict
    assert ("goes back" in hand.said()) == (verdict == "")


def test_a_simple_ratio_is_named_and_too_short_a_way_refused() -> None:
    assert "2 times as far: look at the driver's microstep switches" in by_rule(60.0, "120mm").result[1]
    assert "1/4 times as far" in by_rule(240.0, "60mm").result[1]
    assert "times as far" not in by_rule(100.0, "93mm").result[1]
    assert "too few" in by_rule(49.0, "49mm").result[1]


def test_a_length_needs_its_unit() -> None:
    hand = by_rule(100.0, "100")
    assert hand.result[0] == "" and "no length" in hand.said()


# --- draws -----------------------------------------------------------------------------------------------------------
def two_holds(rise_n: float, travel_mm: float) -> ByHand:
    hand = ByHand(Stiffness).feed(2, state="unarmed").feed(1, state="slack")
    for force_n, x_mm in ((30.0, 5.0), (30.0 + rise_n, 5.0 + travel_mm)):
        hand.feed(1, state="taking_up").feed(1, state="drawing")
        hand.feed(70, state="holding", force_n=force_n, position_mm=x_mm).feed(2, state="slack", force_n=0.0)
    return hand.feed(2, state="unarmed")


@pytest.mark.parametrize(
    ("k", "verdict", "tells"),
    [
        (129.0, "passed", "129 N/mm"),
        (131.0, "failed", "stiffest_n_mm to 144"),
        (21.0, "passed", "21"),
        (19.0, "failed", "gives"),
    ],
)
def test_stiffness_is_the_slope_between_two_holds(k: float, verdict: str, tells: str) -> None:
    hand = two_holds(30.0, 30.0 / k)
    assert hand.result[0] == verdict and tells in hand.result[1]
    if verdict == "passed":
        assert hand.found["measured.stiffness_n_mm"] == pytest.approx(k, abs=0.1)


def draws(*delays_s: float) -> ByHand:
    hand = ByHand(Delay)
    for delay_s in delays_s:
        hand.feed(2, state="unarmed").feed(1, state="slack").feed(1, state="taking_up").feed(1, state="drawing")
        hand.feed(40, state="holding", force_n=60.0)
        hand.feed(1, state="returning", force_n=0.0, records=({"delay_s": delay_s},)).feed(2, state="slack", records=())
    return hand.feed(3, state="unarmed")


def test_the_delay_is_the_middle_of_three_draws_and_its_doubt_their_spread() -> None:
    hand = draws(0.027, 0.021, 0.026)
    assert hand.found == {"measured.delay_s": 0.026, "measured.delay_doubt_s": 0.005}
    assert draws(0.026, 0.0261, 0.0259).found["measured.delay_doubt_s"] == pytest.approx(0.3 * MODEL.period_s)


def test_a_draw_that_cannot_tell_is_no_measurement() -> None:
    hand = draws(MODEL.delay_s)  # what the head believed before
    assert hand.result[0] == "failed" and "softer loop" in hand.result[1]


@pytest.mark.parametrize(("delay_s", "verdict"), [(0.0256, "passed"), (0.0258, "failed")])
def test_the_age_that_the_board_reckons_with_has_to_cover_delay_doubt_and_loop(delay_s: float, verdict: str) -> None:
    # 41.664 ms of age, less 4 ms of doubt and the 12 ms of the board's loop, leaves 25.664 ms.
    hand = ByHand(Limits, delay_s=delay_s, delay_doubt_s=0.004).feed(2)
    assert hand.result[0] == verdict, hand.result
    if verdict == "failed":
        assert "age_samples" in hand.result[1]


def test_limits_are_shown_with_their_stop() -> None:
    # v (age + granted) + v^2 / 2a at 60 mm/s and 800 mm/s2: 2.50 + 1.67 + 2.25 mm, as SAFETY.md has it.
    assert "6.42 mm: 2.50 while the reading aged, 1.67 granted, 2.25 braking" in ByHand(Limits).feed(2).said()
