"""Checks between calibrations, judged: what was shown against a weight or a gauge, the control chart, what is due and what
is refused. ``checksteps.py`` says how a check is made.

A check is no calibration: it changes nothing that the board reckons with.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

from evenbed.calibration.budget import Budget
from evenbed.calibration.chart import Chart, Check, Verdict, ewma, individuals, judge_check, moving_range_sigma
from evenbed.calibration.checksteps import ODD, GaugeCheck, WeightCheck
from evenbed.calibration.weights import Load
from evenbed.head.reference import SHIFT_N
from evenbed.head.types import Known

ORDER: tuple[Verdict, ...] = ("pass", "warn", "fail")
WITHOUT_N, WITHOUT_SHARE = 1.0, 0.02  # tolerance where no calibration is in use; the self-proving start's, from 49 N on
RETURN_N = 0.3  # zero after less zero before: above it the weight may have hung askew (no source)
ZERO_WARN = 1.0 / 3.0  # of what is refused at arming (no source)

BASELINE = 10  # checks after which the chart's middle and width come from them
SIGMA_U = 0.5  # U is for k = 2
SIGMA_LEAST = 0.1  # of U: a chart narrower than this calls trifles out of control (no source)

CHECK_EVERY_D = 7
CALIBRATE_AFTER_D, CALIBRATE_AFTER_PULLS = 365, 500


@dataclass(frozen=True)
class Compared:
    """One force: what the head showed, the reference and the half width of its tolerance, and the verdict on it."""

    shown_n: float
    reference_n: float
    half_n: float
    check: Check


@dataclass(frozen=True)
class Checked:
    """A whole check: verdict, sentences (the worst first), and the comparison that the chart takes (the highest force).
    Not ``finished``: nothing can be said of the measurement, and nothing is kept."""

    verdict: Verdict
    says: tuple[str, ...]
    compared: tuple[Compared, ...]
    finished: bool = True

    @property
    def main(self) -> Compared:
        """The comparison at the highest force."""
        return max(self.compared, key=lambda c: c.reference_n)


def compare(shown_n: float, reference_n: float, half_n: float, known: Known | None) -> Compared:
    """Judge one force: by the calibration's own U, or, without one, against ±1 N or ±2 %, whichever is more."""
    if known is not None:
        check = judge_check(shown_n, reference_n, known.expanded_n(reference_n), half_n)
        return Compared(shown_n, reference_n, half_n, check)
    tolerance_n = max(WITHOUT_N, WITHOUT_SHARE * reference_n)
    check = judge_check(shown_n, reference_n, 0.0, half_n, tolerance_n)
    next_step = {
        "pass": "Not more than that is known: calibrate.",
        "warn": "Too near the limit to say: check with something better known, or calibrate.",
        "fail": "Do not string with it: calibrate, and look for what changed.",
    }[check.verdict]
    text = (
        f"The reading is {check.error_n:+.2f} N from {reference_n:.1f} N; without a calibration in use ±{tolerance_n:.1f} "
        f"N is the limit, and the reference is uncertain by {check.expanded_n:.2f} N. {next_step}"
    )
    # On the chart such a check counts in tolerances, for there is no U.
    return Compared(shown_n, reference_n, half_n, replace(check, e_n=check.error_n / tolerance_n, text=text))


def load_half_n(load: Load, same_place: bool) -> float:
    """Half width (rectangular) that stands for all terms of a load. At the place of the calibration the error of gravity is
    in its U already, and the same here."""
    terms = tuple(t for t in load.terms if not (same_place and t.shared == "gravity"))
    return math.sqrt(3.0) * Budget(load.force_n, terms).u_n


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """The worst of them; "pass" of none."""
    return max(verdicts, key=ORDER.index, default="pass")


def judge_weight(done: WeightCheck, known: Known | None, same_place: bool, zero_limit_n: float = SHIFT_N) -> Checked:
    """The verdict on a finished check. Raises ValueError for one that is not."""
    if done.failed:
        return Checked("fail", (done.failed,), (), done.zero_failed)
    if len(done.means) != 3:
        raise ValueError("the check is not over")
    before, shown, after = done.means
    one = compare(shown - 0.5 * (before + after), done.load.force_n, load_half_n(done.load, same_place), known)
    verdicts: list[Verdict] = [one.check.verdict]
    says = [one.check.text]
    if abs(one.check.error_n) > ODD * one.reference_n:
        says.append(f"So far off: was it really {done.load.text} that hung there? Then say so by another check.")
    if abs(after - before) > RETURN_N:
        verdicts.append("warn")
        says.append(
            f"The zero came back {after - before:+.2f} N away, {RETURN_N:g} N is usual: the weight hung askew, or "
            "something rubs. Check again."
        )
    if abs(before) > ZERO_WARN * zero_limit_n:
        verdicts.append("warn")
        says.append(
            f"The zero is {before:+.2f} N from the reference zero; above {zero_limit_n:.1f} N arming is refused. Look "
            "what changed on the gripper, or calibrate."
        )
    return Checked(worst(verdicts), tuple(says), (one,))


def judge_gauge(done: GaugeCheck, known: Known | None) -> Checked:
    """The verdict on a check with a gauge: the worst of its steps."""
    if done.failed:
        return Checked("fail", (done.failed,), (), finished=False)
    compared = tuple(compare(shown, gauge, half, known) for shown, gauge, half in done.compared)
    if not compared:
        raise ValueError("the check is not over")
    worst_first = sorted(compared, key=lambda c: -ORDER.index(c.check.verdict))
    return Checked(worst([c.check.verdict for c in compared]), tuple(c.check.text for c in worst_first), compared)


# --- the chart -----------------------------------------------------------------------------------------------------
def charts(errors_u: Sequence[float], counted_u: Sequence[float] | None = None) -> tuple[Chart, Chart]:
    """Shewhart chart of errors relative to U, and EWMA chart of those that are ``counted_u`` (all, if not given), oldest
    first. Until more than ten count the middle is 0 and sigma half of U; then both come from the first ten, for what weight
    and calibration are off by always is no change."""
    counted = list(errors_u if counted_u is None else counted_u)
    centre, sigma = 0.0, SIGMA_U
    if len(counted) > BASELINE:
        base = counted[:BASELINE]
        centre, sigma = math.fsum(base) / BASELINE, max(SIGMA_LEAST, moving_range_sigma(base))
    return individuals(errors_u, centre, sigma), ewma(counted, centre, sigma)


def run_rule(errors_u: Sequence[float]) -> str:
    """Why the newest check is out of control, or ""."""
    single, smooth = charts(errors_u)
    last = len(errors_u) - 1
    if last in single.outside:
        return (
            f"On the control chart this check stands at {errors_u[-1]:+.2f} U, outside {single.lower[last]:+.2f} to "
            f"{single.upper[last]:+.2f} U: something changed since the last one."
        )
    if last in smooth.outside:
        return (
            f"On the control chart the weighted mean of the checks stands at {smooth.points[last]:+.2f} U, outside "
            f"{smooth.lower[last]:+.2f} to {smooth.upper[last]:+.2f} U: a small change that stays. Calibrate soon."
        )
    return ""


def with_history(checked: Checked, before_u: Sequence[float]) -> Checked:
    """The same check with the chart in mind: a run rule that is broken turns a pass into a warning. ``before_u`` are the
    checks before it that have not failed; the first has nothing to differ from."""
    if not checked.compared or not before_u:
        return checked
    why = run_rule([*before_u, checked.main.check.e_n])
    if not why:
        return checked
    return replace(checked, verdict=worst([checked.verdict, "warn"]), says=(*checked.says, why))


# --- what is due, what is refused ------------------------------------------------------------------------------------
class Past(Protocol):
    """A check in the store."""

    @property
    def wall(self) -> str:
        """When, ISO 8601."""

    @property
    def verdict(self) -> str:
        """ "pass", "warn" or "fail"."""

    @property
    def says(self) -> str:
        """Why."""


def overdue(last_calibration: datetime | None, last_check: datetime | None, now: datetime, pulls: int = 0) -> str:
    """One line about what is due, or "". A check before every session or after 7 days at most, a calibration after 12
    months or 500 ``pulls`` (common practice, no source)."""
    due = []
    if last_calibration is None:
        due.append("there is no calibration in use: 'evenbed calibrate'")
    elif (days := (now - last_calibration).days) >= CALIBRATE_AFTER_D or pulls >= CALIBRATE_AFTER_PULLS:
        due.append(
            f"the calibration is {days} days and {pulls} pulls old, due after {CALIBRATE_AFTER_D} days or "
            f"{CALIBRATE_AFTER_PULLS} pulls: 'evenbed calibrate'"
        )
    if last_check is None:
        due.append("no check has been made: 'evenbed check'")
    elif (days := (now - last_check).days) >= CHECK_EVERY_D:
        due.append(
            f"the last check was {days} days ago, due before every session, after {CHECK_EVERY_D} days at the latest: "
            "'evenbed check'"
        )
    text = "; ".join(due)
    return text[:1].upper() + text[1:] + ("." if text else "")


def refusal(last_check: Past | None, calibrated: datetime | None = None) -> str:
    """Why nothing is armed after a failed check, with the way on, or "". ``calibrated``: since when the calibration in use
    is in use; one newer than the check lifts the refusal."""
    if last_check is None or last_check.verdict != "fail":
        return ""
    made = datetime.fromisoformat(last_check.wall)
    if calibrated is not None and calibrated > made:
        return ""
    return (
        f"The last check ({made.astimezone():%Y-%m-%d %H:%M}) failed: {last_check.says} Nothing is armed. Repeat the check "
        "('evenbed check'), or calibrate ('evenbed calibrate'); --despite-check arms all the same, and is written down."
    )
