"""Checks between calibrations: how they are made, judged, charted, and what is due or refused because of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from evenbed.calibration.checking import (
    Checked,
    charts,
    compare,
    judge_gauge,
    judge_weight,
    load_half_n,
    overdue,
    refusal,
    run_rule,
    with_history,
)
from evenbed.calibration.checksteps import PATIENCE_S, Gauge, GaugeCheck, Held, WeightCheck, parse_gauge, read_off
from evenbed.calibration.weights import Load, parse_weights, place_at, stack, standard_place
from evenbed.control.status import status
from evenbed.head.types import Ask, Known, Pull
from evenbed.units import UnitError
from evenbed_sim import presets
from evenbed_sim.checking import GaugeHands
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from hypothesis import given
from hypothesis import strategies as st

KGF = 9.80665
KNOWN = Known(3, "2026-01-01", 21000, 8759000, 200.0, ((0.0, 0.2), (400.0, 0.2)))
LOAD = stack(parse_weights("5kg M1"), place_at(50.0))


# --- judging ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("error_n", "verdict"), [(0.199, "pass"), (-0.199, "pass"), (0.201, "warn"), (-0.299, "warn"), (0.301, "fail")]
)
def test_with_a_calibration_its_own_uncertainty_decides(error_n: float, verdict: str) -> None:
    # E_n up to 1 agrees (ISO/IEC 17043); three standard uncertainties are 1.5 U.
    one = compare(49.0 + error_n, 49.0, 0.0, KNOWN)
    assert one.check.verdict == verdict and one.check.e_n == pytest.approx(error_n / 0.2)


@pytest.mark.parametrize(
    ("reference_n", "error_n", "verdict"),
    [(49.0, 0.99, "pass"), (49.0, 1.01, "fail"), (200.0, -3.99, "pass"), (200.0, -4.01, "fail")],
)
def test_without_one_a_newton_or_two_percent_is_the_limit(reference_n: float, error_n: float, verdict: str) -> None:
    one = compare(reference_n + error_n, reference_n, 1e-9, None)
    assert one.check.verdict == verdict and "without a calibration in use" in one.check.text
    assert "calibration stands" not in one.check.text
    assert one.check.e_n == pytest.approx(error_n / max(1.0, 0.02 * reference_n))


def test_the_gauges_tolerance_is_in_the_verdict() -> None:
    # 1 % of 200 N, rectangular: 2 x 2/sqrt(3) = 2.309 N expanded; with U = 0.2 N 2.318 N (derived).
    assert compare(202.3, 200.0, 2.0, KNOWN).check.verdict == "pass"
    assert compare(202.35, 200.0, 2.0, KNOWN).check.verdict == "warn"
    assert compare(202.3, 200.0, 0.0, KNOWN).check.verdict == "fail"
    # Without a calibration the gauge is too uncertain to say within 4 N, near its edge.
    assert compare(203.0, 200.0, 2.0, None).check.verdict == "warn"


def test_gravity_counts_where_the_place_is_another() -> None:
    load = stack(parse_weights("5kg M1"), standard_place())
    # M1, 5 kg: 250 mg (OIML R 111 Table 1), 2.45 mN; air 0.1 kg/m3 of 1.2 against 8000: 0.61 mN.
    assert load_half_n(load, True) == pytest.approx(math.hypot(250e-6 * 9.80665, 49.03 * 0.1 / 8000.0), rel=1e-3)
    # From equator to pole gravity differs by 0.5302 %: half of it is 0.130 N of 49.03 N.
    assert load_half_n(load, False) == pytest.approx(0.130, abs=0.001)


# --- a weight --------------------------------------------------------------------------------------------------------
def weighed(
    force_n: Callable[[float], float | None], check: WeightCheck | None = None, seconds: float = 70.0
) -> WeightCheck:
    check = check or WeightCheck(LOAD)
    for k in range(round(80 * seconds)):
        check.step(k / 80.0, force_n(k / 80.0))
        if check.over:
            break
    return check


def hung(load: Load, error_n: float = 0.0, zero_n: float = 0.0, back_n: float = 0.0) -> Callable[[float], float]:
    def force(t: float) -> float:
        if t < 6.0:
            return zero_n
        return zero_n + load.force_n + error_n if t < 14.0 else zero_n + back_n

    return force


def test_a_weight_that_is_shown_right_passes() -> None:
    check = weighed(hung(LOAD))
    done = judge_weight(check, KNOWN, True)
    assert done.verdict == "pass" and "The calibration stands" in done.says[0]
    assert done.main.shown_n == pytest.approx(LOAD.force_n) and done.main.reference_n == LOAD.force_n
    told = " ".join(check.told)
    assert [told.index(part) for part in ("Take everything off", "Hang 5kg M1 (49.05 N)", "Take the weight off")] == sorted(
        told.index(part) for part in ("Take everything off", "Hang 5kg M1 (49.05 N)", "Take the weight off")
    )


@pytest.mark.parametrize(("error_n", "verdict"), [(0.19, "pass"), (0.21, "warn"), (0.29, "warn"), (0.31, "fail")])
def test_a_weight_that_is_shown_wrong(error_n: float, verdict: str) -> None:
    assert judge_weight(weighed(hung(LOAD, error_n)), KNOWN, True).verdict == verdict


@pytest.mark.parametrize(("error_n", "asked"), [(-12.2, False), (-12.4, True), (49.0, True)])  # a quarter is 12.26 N
def test_another_weight_than_named_is_thought_of(error_n: float, asked: bool) -> None:
    done = judge_weight(weighed(hung(LOAD, error_n)), KNOWN, True)
    assert done.verdict == "fail" and any("was it really 5kg M1" in says for says in done.says) == asked


@pytest.mark.parametrize(("back_n", "verdict"), [(0.29, "pass"), (0.31, "warn"), (-0.31, "warn")])
def test_a_zero_that_does_not_come_back_is_a_warning(back_n: float, verdict: str) -> None:
    loose = Known(3, "", 0, 0, 200.0, ((0.0, 2.0), (400.0, 2.0)))
    done = judge_weight(weighed(hung(LOAD, back_n=back_n)), loose, True)
    assert done.verdict == verdict
    assert any("came back" in says for says in done.says) == (verdict == "warn")


@pytest.mark.parametrize(("zero_n", "verdict"), [(0.99, "pass"), (1.01, "warn"), (2.99, "warn"), (-3.01, "fail")])
def test_the_reference_zero_is_looked_at(zero_n: float, verdict: str) -> None:
    check = weighed(lambda t: hung(LOAD, zero_n=zero_n)(t - 12.0 if abs(zero_n) > 3.0 else t))
    done = judge_weight(check, KNOWN, True)
    assert done.verdict == verdict and done.finished
    if verdict == "fail":
        assert "-3.01 N from the reference zero" in done.says[0] and not done.compared


def test_what_is_left_on_the_gripper_may_still_be_taken_off() -> None:
    check = weighed(lambda t: 8.0 if t < 5.0 else hung(LOAD)(t - 5.0))
    assert judge_weight(check, KNOWN, True).verdict == "pass"


@pytest.mark.parametrize(
    ("force_n", "said"),
    [
        (lambda t: 0.0, "No weight was seen"),
        (lambda t: None, "believes no reading"),
        (lambda t: 0.0 if t < 5.0 else LOAD.force_n + 0.31 * math.sin(9.0 * t), "did not come to rest"),
        (lambda t: 0.0 if t < 5.0 else -LOAD.force_n, "shows -49.0 N"),
    ],
)
def test_a_check_that_is_not_done_is_no_verdict(force_n: Callable[[float], float | None], said: str) -> None:
    check = weighed(force_n, seconds=PATIENCE_S + 10.0)
    done = judge_weight(check, KNOWN, True)
    assert not done.finished and not done.compared
    if said.startswith("shows"):
        assert "-49.0 N" in done.says[0]
    else:
        assert said in done.says[0]
    assert with_history(done, [0.0] * 5) is done


def test_a_swing_that_is_small_enough_is_taken() -> None:
    # Peak to peak 0.58 N, limit 0.6 N.
    check = weighed(lambda t: hung(LOAD)(t) + (0.29 * math.sin(9.0 * t) if 6.0 <= t < 14.0 else 0.0))
    assert len(check.means) == 3


def test_a_check_that_is_not_over_is_not_judged() -> None:
    with pytest.raises(ValueError, match="not over"):
        judge_weight(WeightCheck(LOAD), KNOWN, True)
    with pytest.raises(ValueError, match="not over"):
        judge_gauge(GaugeCheck(Gauge(0.01), (100.0,)), KNOWN)


# --- a gauge ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("text", "half_n"), [("1%", 2.0), ("0,5 %", 1.0), ("0.2kgf", 0.2 * KGF), ("3N", 3.0)])
def test_the_tolerance_of_a_gauge(text: str, half_n: float) -> None:
    assert parse_gauge(text).half(200.0, 0.0) == pytest.approx(half_n)


@pytest.mark.parametrize("text", ["1", "%", "0%", "21%", "-1%", "good", "1 stone"])
def test_no_tolerance(text: str) -> None:
    with pytest.raises(UnitError):
        parse_gauge(text)


@pytest.mark.parametrize(
    ("text", "force_n", "last_n"),
    [
        ("20.4kgf", 20.4 * KGF, 0.1 * KGF),
        ("45lbf", 200.170, 4.448),
        ("200.15 N", 200.15, 0.01),
        ("20,40 kg", 20.4 * KGF, 0.0981),
    ],
)
def test_what_is_read_off_has_a_last_digit(text: str, force_n: float, last_n: float) -> None:
    assert read_off(text) == pytest.approx((force_n, last_n), rel=1e-3)


class Bench:
    """A check with a gauge on the virtual clock: the product's loop, the board's firmware, simulated hands."""

    def __init__(
        self, steps_n: tuple[float, ...], settings: dict[str, int] | None = None, gauge_error: float = 0.0
    ) -> None:
        self.rig = Rig(Strand(presets.steel_tether(6.0, 8.0)), RigParams(settings=settings or {}), seed=3)
        self.hands = GaugeHands(self.rig, gauge_error, seed=3)
        self.hands.wait()
        self.run = VirtualRun(self.rig, 1.06 * max(steps_n))
        self.check = GaugeCheck(Gauge(0.01), steps_n)
        self.told: list[str] = []

    def go(self, known: Known | None = KNOWN, within_s: float = 90.0) -> Checked:
        self.hands.begin()
        read: list[str] = []
        seen = 0
        while not self.check.over and self.rig.t_us < within_s * 1e6:
            self.run.run(self.rig.t_us * 1e-6 + 0.04)
            head = self.run.loop.head
            if head is None:
                continue
            s = status(self.rig.t_us * 1e-6, head)
            self.check.step(Held(s["t_s"], s["state"], s["force_n"], s["stop"]))
            read += [what.removeprefix("the gauge shows ") for _, what in self.hands.log[seen:] if "shows" in what]
            seen = len(self.hands.log)
            if self.check.asking and read:
                self.check.typed(read.pop(0))
            for act in self.check.acts:
                if act.kind == "plan":
                    head.plan(Pull(act.value_n, speed_mm_s=30.0))
                else:
                    self.run.loop.ask(Ask.LET_DOWN if act.kind == "let down" else Ask.DISARM)
            self.check.acts.clear()
            self.told += self.check.told
            self.check.told.clear()
        self.run.run(self.rig.t_us * 1e-6 + 8.0)
        return judge_gauge(self.check, known)


def test_a_sound_rig_passes_against_the_gauge_and_ends_slack_and_disarmed() -> None:
    bench = Bench((100.0, 180.0, 240.0))
    done = bench.go()
    assert done.verdict == "pass" and len(done.compared) == 3, (done, bench.told)
    assert [round(c.reference_n) for c in done.compared] == [100, 180, 240]
    assert done.main.reference_n == pytest.approx(240.0, rel=0.005)
    # The half width: 1 % of the force and half of 0.01 kgf.
    assert done.main.half_n == pytest.approx(math.hypot(0.01 * done.main.reference_n, 0.005 * KGF))
    assert bench.rig.force_n < 1.0 and not bench.rig.hw.enabled
    assert bench.rig.plant.peak_n < 1.06 * 240.0


def test_a_cell_that_reads_a_twentieth_low_fails() -> None:
    bench = Bench((180.0,), {"gain_mcounts_n": round(8759000 * 1.05), "rated_mcounts_n": 8759000})
    done = bench.go()
    assert done.verdict == "fail" and "Do not string" in done.says[0]
    # The head holds 180 N of its own, in truth 189 N.
    assert done.main.check.error_n == pytest.approx(180.0 - 189.0, abs=0.3)


@pytest.mark.parametrize(("gauge_error", "verdict"), [(0.010, "pass"), (0.030, "fail")])
def test_a_gauge_within_its_tolerance_passes(gauge_error: float, verdict: str) -> None:
    assert Bench((100.0,), gauge_error=gauge_error).go().verdict == verdict


def test_a_stop_in_the_middle_is_no_verdict() -> None:
    bench = Bench((180.0,))

    def stop(t_us: float) -> None:
        if bench.rig.force_n > 100.0:
            bench.rig.press_estop(True)

    bench.rig.watchers.append(stop)
    done = bench.go()
    assert not done.finished and "The head stopped" in done.says[0]


def holding(steps_n: tuple[float, ...] = (200.0,)) -> GaugeCheck:
    check = GaugeCheck(Gauge(0.01), steps_n)
    check.step(Held(0.0, "slack", 0.0))
    for k in range(200):
        check.step(Held(1.0 + 0.04 * k, "holding", 200.0))
    assert check.asking
    check.told.clear()
    check.acts.clear()
    return check


def test_a_figure_in_the_wrong_unit_is_asked_for_again() -> None:
    check = holding()
    check.typed("45kgf")  # the gauge stands on pounds: 45 lbf is 200 N
    assert check.asking and not check.acts and "Is the unit right?" in check.told[0] and "441.3 N" in check.told[0]
    check.typed("45lbf")
    assert not check.asking and check.acts[0].kind == "let down"
    again = holding()
    again.typed("120N")
    again.typed("120N")
    assert again.compared[0][:2] == (pytest.approx(200.0), 120.0)


@pytest.mark.parametrize(("text", "taken"), [("151N", True), ("149N", False), ("249N", True), ("251N", False)])
def test_a_quarter_off_is_odd(text: str, taken: bool) -> None:
    check = holding()
    check.typed(text)
    assert bool(check.compared) == taken


def test_nonsense_and_what_is_typed_too_early_are_said() -> None:
    check = holding()
    check.typed("20.4")
    assert check.asking and "no unit" in check.told[0]
    early = GaugeCheck(Gauge(0.01), (200.0,))
    early.typed("20.4kgf")
    assert "Wait until the head holds" in early.told[0]


def test_a_press_too_early_nobody_there_and_a_head_that_is_stopped() -> None:
    check = holding()
    check.step(Held(20.0, "proving_clamp", 200.0))
    assert check.over and "leave the pedal alone" in check.failed and check.acts[0].kind == "let down"
    idle = GaugeCheck(Gauge(0.01), (200.0,))
    idle.step(Held(0.0, "unarmed", 0.0))
    idle.step(Held(PATIENCE_S - 0.1, "unarmed", 0.0))
    assert not idle.over
    idle.step(Held(PATIENCE_S + 0.1, "unarmed", 0.0))
    assert idle.over and "Nobody has drawn" in idle.failed
    stopped = GaugeCheck(Gauge(0.01), (200.0,))
    stopped.step(Held(0.0, "tripped", 50.0))
    stopped.step(Held(PATIENCE_S + 0.1, "tripped", 50.0))
    assert stopped.over and "tripped" in stopped.failed


# --- the chart -------------------------------------------------------------------------------------------------------
def test_a_single_check_far_out_breaks_the_rule() -> None:
    # Sigma is half of U, three of them 1.5 U. The first weighted mean is 0.2 x, its limit 2.7 x 0.5 x 0.2 = 0.27 U: 1.35 U.
    assert run_rule([1.34]) == ""
    assert "a small change that stays" in run_rule([1.36])
    assert run_rule([0.0, 0.0, 0.0, 1.49]) == ""
    assert "something changed" in run_rule([0.0, 0.0, 0.0, 1.51])


def test_a_small_change_that_stays_is_found_where_no_single_check_is_outside() -> None:
    # z = 0.7 (1 - 0.8^n) against 0.45 sqrt(1 - 0.64^n): 0.3416 and 0.3866 for n = 3, 0.4133 and 0.4105 for n = 4 (derived).
    assert next(n for n in range(1, 20) if run_rule([0.7] * n)) == 4
    assert "weighted mean" in run_rule([0.7] * 4) and "+0.41 U" in run_rule([0.7] * 4)


def test_what_is_off_by_always_is_no_change() -> None:
    for n in range(1, 60):
        assert run_rule([0.4 + 0.02 * (-1) ** k for k in range(n)]) == ""
    shifted = [0.4 + 0.02 * (-1) ** k for k in range(20)]
    assert any(run_rule([*shifted, *([0.0] * n)]) for n in range(1, 8))


@given(st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=40))
def test_the_rule_says_what_the_chart_shows(errors_u: list[float]) -> None:
    single, smooth = charts(errors_u)
    last = len(errors_u) - 1
    assert bool(run_rule(errors_u)) == (last in single.outside or last in smooth.outside)
    assert single.points == tuple(errors_u)


def test_a_broken_rule_turns_a_pass_into_a_warning_and_never_softens() -> None:
    done = judge_weight(weighed(hung(LOAD, 0.15)), KNOWN, True)  # 0.75 U
    assert with_history(done, []).verdict == "pass"
    warned = with_history(done, [0.75] * 6)
    assert warned.verdict == "warn" and "control chart" in warned.says[-1]
    failed = judge_weight(weighed(hung(LOAD, 0.5)), KNOWN, True)
    assert with_history(failed, []).verdict == "fail"


# --- what is due, what is refused --------------------------------------------------------------------------------------
NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


def test_nothing_is_due_in_time() -> None:
    assert overdue(NOW - timedelta(days=364), NOW - timedelta(days=6, hours=23), NOW, 499) == ""


@pytest.mark.parametrize(
    ("calibrated_d", "checked_d", "pulls", "part"),
    [
        (365, 1, 0, "365 days and 0 pulls old"),
        (1, 1, 500, "1 days and 500 pulls old"),
        (1, 7, 0, "last check was 7 days ago, due before every session"),
        (None, 1, 0, "no calibration in use"),
        (1, None, 0, "o check has been made"),
    ],
)
def test_what_is_due_is_said_in_one_line(calibrated_d: int | None, checked_d: int | None, pulls: int, part: str) -> None:
    def ago(days: int | None) -> datetime | None:
        return None if days is None else NOW - timedelta(days=days)

    said = overdue(ago(calibrated_d), ago(checked_d), NOW, pulls)
    assert part in said and "\n" not in said and said[0].isupper() and said.endswith(".")


@dataclass(frozen=True)
class Kept:
    wall: str
    verdict: str
    says: str = "The reading is +2.00 N from 49.0 N."


def test_a_failed_check_refuses_until_it_is_repeated_or_calibrated() -> None:
    assert (
        refusal(None) == ""
        and refusal(Kept(NOW.isoformat(), "pass")) == ""
        and refusal(Kept(NOW.isoformat(), "warn")) == ""
    )
    failed = Kept(NOW.isoformat(), "fail")
    said = refusal(failed)
    for part in ("+2.00 N", "Repeat the check", "calibrate", "--despite-check", "written down"):
        assert part in said
    assert refusal(failed, NOW - timedelta(seconds=1)) == said
    assert refusal(failed, NOW + timedelta(seconds=1)) == ""
