"""The guided run: waits until what hangs on the gripper is still, takes a step, judges it, keeps what is good.

Pure: ``sample`` takes one reading, ``load`` and its neighbours what a person says. It never asks for a motion. Steps can
be dropped or taken again in any order; the run can be left and resumed, for it is nothing but its steps.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from evenbed.calibration import noise
from evenbed.calibration.budget import Term
from evenbed.calibration.steps import (
    CONVERTER,
    NOISY,
    UNCHANGED,
    Cell,
    Direction,
    Series,
    Step,
    judge_sensitivity,
    judge_step,
    step_from_samples,
    zero_corrected,
)
from evenbed.calibration.weights import Load

STILL_NOISE = 4.0  # times the noise, first third of the window against the last
SATURATED_MOST = 3
PAUSE_S = 10.0  # between the steps of two sittings, on the clock of the series
# Thresholds between steps (no source): a sound cell of class C keeps a tenth of them.
RATE_OFF = 0.12  # of the configured rate; the board itself allows 10 % of lateness
AGREE = 0.005  # sensitivity of one step against the others, beyond what the weights' tolerances allow
ZERO_LEAST_N, ZERO_SHARE = 0.3, 0.005  # what zeros of one series may differ, the latter of the highest load
BACK_SHARE = 0.9  # of a lighter load: a reading below that since the last step means it was reached from below


@dataclass(frozen=True)
class Timing:
    """Seconds: of standing still before a step begins, of readings in it, until somebody is reminded and until it is
    given up, and to the first word about it (the pauses double)."""

    still_s: float = 1.0
    take_s: float = 3.0
    patience_s: float = 30.0
    give_up_s: float = 60.0
    every_s: float = 5.0


@dataclass(frozen=True)
class Said:
    """What the run tells: ``kind`` is "waiting", "taking", "taken" or "refused"."""

    kind: str
    text: str
    step: Step | None = None


class Guided:
    """One series on one mounting. Times in s on the board's clock, readings in counts.

    ``rate_hz``: readings a second that the board is configured for; a converter that is far from it is refused.
    ``texts``: what was typed for each of ``steps``.
    """

    def __init__(
        self,
        cell: Cell,
        steps: Sequence[Step] = (),
        rate_hz: float | None = None,
        timing: Timing | None = None,
        texts: Sequence[str] = (),
    ) -> None:
        # A rating given anew is a rating like any other: what is far from it is a mistake.
        self.cell = replace(cell, rating_corrected=False)
        self.steps: list[Step] = list(steps)
        self.texts: list[str] = [*texts, *[""] * (len(self.steps) - len(texts))]
        self._rate_hz = rate_hz
        self._timing = timing or Timing()
        self._load: Load | None = None
        self._wanted = False
        self._instead: Step | None = None
        self._window: deque[tuple[float, int]] = deque()
        self._taking: list[tuple[float, int]] = []
        self._since_s = 0.0
        self._told_s = -math.inf
        self._pause_s = self._timing.every_s
        self._moved = False  # has been told
        self._t0: float | None = None
        self._last_s = -math.inf
        self._nearest: float | None = None  # to the zero, since the last step
        self._after_s = max((s.t_s for s in self.steps), default=-PAUSE_S) + PAUSE_S

    @property
    def busy(self) -> bool:
        """Is a step being waited for or taken?"""
        return self._wanted

    @property
    def series(self) -> Series:
        """What has been taken so far."""
        return Series(tuple(self.steps))

    def zero(self, now_s: float) -> None:
        """The empty gripper is to be taken."""
        self._want(now_s, None)

    def load(self, now_s: float, load: Load) -> None:
        """These weights hang on it now."""
        self._want(now_s, load)

    def again(self, now_s: float, number: int) -> None:
        """Step ``number`` (from 1) is to be taken anew; the old one stays until then. Raises ValueError as ``drop``."""
        old = self._step(number)
        force = Load(self.texts[number - 1], 0.0, old.force_n, old.terms) if old.force_n else None
        self._want(now_s, force)
        self._instead = old

    def give_up(self) -> None:
        """Stop waiting; the steps already taken stay."""
        self._wanted = False

    def drop(self, number: int) -> Step:
        """Take step ``number`` (from 1) out. Raises ValueError with the numbers there are."""
        self._step(number)
        self.texts.pop(number - 1)
        return self.steps.pop(number - 1)

    def _step(self, number: int) -> Step:
        if not 1 <= number <= len(self.steps):
            raise ValueError(
                f"There is no step {number}: 1 to {len(self.steps)}." if self.steps else "There is no step yet."
            )
        return self.steps[number - 1]

    def trouble(self) -> str:
        """Why this series makes no calibration although each step was good by itself, or nothing."""
        zeros = self.series.zeros
        top_n = max((s.force_n for s in self.steps), default=0.0)
        if len(zeros) < 2:
            return ""
        first = zeros[0]
        worst = max(zeros[1:], key=lambda z: abs(z.mean_counts - first.mean_counts))
        moved_n = (worst.mean_counts - first.mean_counts) / self.cell.rated_counts_n
        allowed_n = max(ZERO_LEAST_N, ZERO_SHARE * top_n)
        if abs(moved_n) <= allowed_n:
            return ""
        one, other = self.steps.index(first) + 1, self.steps.index(worst) + 1
        minutes = (worst.t_s - first.t_s) / 60.0
        return (
            f"The zero moved by {moved_n:+.2f} N from step {one} to step {other}, in {minutes:.1f} minutes; "
            f"{allowed_n:.2f} N are allowed. If a hand or a line was on the gripper at one of them, drop that one ('drop "
            f"{one}') and take a zero again. If the cell is still warming up, wait, and begin a new series ('series')."
        )

    # --- one reading at a time --------------------------------------------------------------------------------------
    def _want(self, now_s: float, load: Load | None) -> None:
        self._load = load
        self._wanted = True
        self._instead = None
        self._taking = []
        self._window.clear()
        self._since_s = self._told_s = now_s
        self._pause_s = self._timing.every_s
        self._moved = False

    def sample(self, now_s: float, counts: int) -> Said | None:
        """Take one reading; what is to be told, if anything."""
        if self._t0 is None or now_s < self._last_s:
            # The first, or the board has started anew: its clock begins again, and so does what was under way.
            if self._t0 is not None:
                self._after_s = self._last_s - self._t0 + PAUSE_S
                self._since_s = self._told_s = now_s
            self._t0 = now_s - self._after_s
            self._window.clear()
            self._taking = []
        self._last_s = now_s
        self._note(counts)
        if not self._wanted:
            return None
        t = now_s - self._t0
        if self._taking:
            self._taking.append((t, counts))
            return self._judge() if t - self._taking[0][0] >= self._timing.take_s else None
        return self._wait(now_s, t, counts)

    def _note(self, counts: int) -> None:
        zeros = self.series.zeros
        if not zeros:
            return
        signal = (counts - zeros[0].mean_counts) / self.cell.rated_counts_n
        self._nearest = signal if self._nearest is None else min(self._nearest, signal)

    def _wait(self, now_s: float, t: float, counts: int) -> Said | None:
        timing, window = self._timing, self._window
        window.append((t, counts))
        while window[0][0] < t - timing.still_s:
            window.popleft()
        waited_s = now_s - self._since_s
        if waited_s <= timing.still_s or t - window[0][0] < 0.9 * timing.still_s:
            return None
        if wrong := self._wrong_rate():
            self._wanted = False
            return Said("refused", wrong)
        why = self._moving()
        if not why and waited_s < timing.patience_s:
            why = self._not_there_yet()
        if not why:
            self._taking = [(t, counts)]
            again = self._moved
            return None if again else Said("taking", f"Still. Taking {timing.take_s:.0f} s of readings: hands off.")
        if waited_s > timing.give_up_s:
            self._wanted = False
            return Said("refused", f"Given up after {waited_s:.0f} s: {why}. {self._kept()}".rstrip())
        if now_s - self._told_s >= self._pause_s:
            self._told_s = now_s
            self._pause_s *= 2.0
            more = (
                " Look at the wiring with 'evenbed sensor' if nothing touches it." if waited_s > timing.patience_s else ""
            )
            return Said("waiting", f"Waiting for {waited_s:.0f} s: {why}.{more}")
        return None

    def _wrong_rate(self) -> str:
        """Why the converter is not the configured one, or nothing."""
        return "" if self._rate_hz is None else wrong_rate([t for t, _ in self._window], self._rate_hz)

    def _moving(self) -> str:
        """What keeps the reading from being still, or nothing."""
        values = [c for _, c in self._window]
        third = max(1, len(values) // 3)
        if sum(c <= CONVERTER[0] or c >= CONVERTER[1] for c in values) >= SATURATED_MOST:
            return ""  # the step is refused with the reason
        moved = sum(values[-third:]) / third - sum(values[:third]) / third
        limit = STILL_NOISE * max(self.cell.noise_counts, 1.0)
        if abs(moved) > limit:
            per_n = abs(self.cell.rated_counts_n)
            return f"the reading still moves, by {moved / per_n:+.2f} N a second; {limit / per_n:.2f} N is still enough"
        return ""

    def _not_there_yet(self) -> str:
        """What has not been hung on or taken off yet, or nothing: a person types first and hangs then."""
        last = self._last()
        if last is None:
            return ""
        force_n = self._load.force_n if self._load is not None else 0.0
        added_n = force_n - last.force_n
        changed = statistics.fmean(c for _, c in self._window) - last.mean_counts
        noise_counts = STILL_NOISE * max(self.cell.noise_counts, 1.0)
        usual = abs(added_n * self.cell.rated_counts_n)
        if usual < 2.0 * noise_counts or abs(changed) > max(UNCHANGED * usual, noise_counts):
            return ""
        what = f"hang {self._load.text} on" if self._load is not None else "take everything off"
        return f"the reading is as at the last step: {what}"

    def _last(self) -> Step | None:
        return max(self.steps, key=lambda s: s.t_s, default=None)

    def _direction(self, force_n: float) -> Direction:
        """Loading or unloading: unloading is a smaller force than the last that was not reached from below."""
        last = self._last()
        if last is None or force_n >= last.force_n * (1.0 - 1e-9):
            return "up"
        return "up" if self._nearest is not None and self._nearest < BACK_SHARE * force_n else "down"

    def _judge(self) -> Said | None:
        times, counts = zip(*self._taking, strict=True)
        force_n, terms = (self._load.force_n, self._load.terms) if self._load is not None else (0.0, ())
        step = step_from_samples(force_n, terms, self._direction(force_n), times, counts)
        self._taking = []
        if self._restless(step) and self._last_s - self._since_s < self._timing.patience_s:
            self._window.clear()
            first, self._moved = not self._moved, True
            return Said("waiting", "It moved meanwhile: waiting until it stands still again.") if first else None
        self._wanted = False
        before = [s for s in self.steps if s is not self._instead]
        refused = self._refused(step, before, counts)
        if refused:
            return Said("refused", f"{refused} {self._kept()}".rstrip(), step)
        if self._instead is not None:
            self.drop(self.steps.index(self._instead) + 1)
        self._nearest = None
        self.steps.append(step)
        self.texts.append(self._load.text if self._load is not None else "")
        return Said("taken", f"Step {len(self.steps)}: {self._shown(step)}", step)

    def _refused(self, step: Step, before: Sequence[Step], counts: Sequence[int]) -> str:
        if min(counts) == max(counts) and CONVERTER[0] < counts[0] < CONVERTER[1]:
            return (
                f"The reading is frozen: {len(counts)} times {counts[0]}. No converter is that quiet: check its data line, "
                "and power the board anew."
            )
        said = judge_step(step, before, self.cell)
        if said and self._restless(step) and step.sd_counts <= NOISY * max(self.cell.noise_counts, 1.0):
            n_min = 60.0 * step.moved_counts / self._timing.take_s / self.cell.rated_counts_n
            said += f" It drifts by {n_min:+.1f} N a minute."
        other = disagreement(step, before, self.cell, self._load) if step.force_n else ""
        # Another weight than typed explains more than a rating that does not fit, where earlier steps fitted it.
        return other if other and (not said or said == self._sensitivity(step, before)) else said

    def _sensitivity(self, step: Step, before: Sequence[Step]) -> str:
        zero = min((s for s in before if s.force_n == 0.0), key=lambda s: s.t_s)
        return judge_sensitivity((step.mean_counts - zero.mean_counts) / step.force_n, self.cell)

    def _restless(self, step: Step) -> bool:
        """Did it move or tremble during the step?"""
        usual = max(self.cell.noise_counts, 1.0)
        return not step.saturated and (step.sd_counts > NOISY * usual or abs(step.moved_counts) > STILL_NOISE * usual)

    def _kept(self) -> str:
        kept = len(self.steps)
        return f"The {kept} steps already taken stay." if kept > 1 else "The step already taken stays." if kept else ""

    def _shown(self, step: Step) -> str:
        zeros = self.series.zeros
        if step.force_n == 0.0:
            shift = ""
            if zeros[0] is not step:
                moved_n = (step.mean_counts - zeros[0].mean_counts) / self.cell.rated_counts_n
                shift = f", {moved_n:+.3f} N from the first"
            return f"zero at {step.mean_counts:.0f} counts{shift}, {step.n} readings, noise {step.sd_counts:.0f} counts."
        per_n = (step.mean_counts - zeros[0].mean_counts) / step.force_n
        return (
            f"{step.force_n:.2f} N ({'loading' if step.direction == 'up' else 'unloading'}), {per_n:.1f} counts/N, "
            f"{step.n} readings, noise {step.sd_counts:.0f} counts."
        )


def wrong_rate(t_s: Sequence[float], configured_hz: float) -> str:
    """Why readings at these times do not come from a converter that is set as the board expects, or nothing."""
    if len(t_s) < 3:
        return ""
    found_hz = noise.rate(t_s, configured_hz).rate_hz if len(t_s) >= 10 else (len(t_s) - 1) / (t_s[-1] - t_s[0])
    if abs(found_hz / configured_hz - 1.0) <= RATE_OFF:
        return ""
    return (
        f"The converter gives {found_hz:.1f} readings a second, the board expects {configured_hz:.0f}. Set the converter's "
        "rate (on many boards a pin or a solder bridge), or the board's period_us, then power the board anew: with a wrong "
        "rate it never arms."
    )


def disagreement(step: Step, before: Sequence[Step], cell: Cell, load: Load | None = None) -> str:
    """How far a step's sensitivity is from that of the loaded steps before it, and what may have happened, or nothing
    where tolerances of the weights, noise and half a percent explain it."""
    if not any(s.force_n == 0.0 for s in before):
        return ""
    pairs = zero_corrected(Series((*before, step)))
    mine = next(counts for one, counts in pairs if one is step)
    others = [(one, counts) for one, counts in pairs if one is not step]
    if not others:
        return ""
    usual = statistics.median(counts / one.force_n for one, counts in others)
    off = mine / step.force_n / usual - 1.0
    noise_share = 4.0 * max(cell.noise_counts, 1.0) / math.sqrt(step.n) / abs(usual * min(s.force_n for s, _ in pairs))
    allowed = AGREE + _open_share(step) + max(_open_share(one) for one, _ in others) + noise_share
    if abs(off) <= allowed:
        return ""
    fits_n = mine / usual
    fits = f"{fits_n:.2f} N"
    if load is not None and load.mass_kg:
        fits += f" ({fits_n / load.force_n * load.mass_kg:.2f} kg)"
    typed = f"{load.text}, {step.force_n:.2f} N" if load is not None and load.text else f"{step.force_n:.2f} N"
    return (
        f"This step does not fit the others: it was said to be {typed}, and by the other steps {fits} hang there "
        f"({100.0 * off:+.1f} %, {100.0 * allowed:.1f} % allowed). Is it another weight than typed, now or before? Then "
        f"type what hangs, or drop the wrong step.{_at_zero(step, mine, others, cell)}"
    )


def _at_zero(step: Step, mine: float, others: Sequence[tuple[Step, float]], cell: Cell) -> str:
    """Would something that was on the gripper at the zero explain it? The line through this step and the farthest."""
    far, counts = max(others, key=lambda pair: abs(pair[0].force_n - step.force_n))
    span_n = step.force_n - far.force_n
    if abs(span_n) < 0.2 * step.force_n:
        return ""
    slope = (mine - counts) / span_n
    at_zero_n = -(mine - slope * step.force_n) / slope if slope else math.inf
    if abs(slope / cell.rated_counts_n - 1.0) > 0.2 or not 0.2 < abs(at_zero_n) < 50.0:
        return ""
    what = (
        f"{at_zero_n:.1f} N on the gripper at the zero (a hand, a line)"
        if at_zero_n > 0.0
        else f"{-at_zero_n:.1f} N that held the gripper up at the zero, or came on with the weights (a hook, a line)"
    )
    return f" Or there were {what}: then take a zero again, and drop the old one."


def _open_share(step: Step) -> float:
    """What weights and rigging leave open of a step's force, as a share; gravity is the same for all steps."""
    return sum(_half_n(term) for term in step.terms if term.shared != "gravity") / step.force_n


def _half_n(term: Term) -> float:
    return abs(term.contribution_n) * (2.0 if term.distribution == "normal" else term.divisor)
