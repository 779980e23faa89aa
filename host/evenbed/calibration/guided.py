"""The guided run: waits until what hangs on the gripper is still, takes a step, judges it, keeps what is good.

Pure: ``sample`` takes one reading, ``load`` and its neighbours what a person says. It never asks for a motion. Steps can
be dropped or taken again in any order; the run can be left and resumed, for it is nothing but its steps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from evenbed.calibration.steps import CONVERTER, Cell, Direction, Series, Step, judge_step, step_from_samples
from evenbed.calibration.weights import Load

STILL_S = 1.0  # of standing still before a step begins
TAKE_S = 3.0  # of readings in a step
PATIENCE_S = 30.0
STILL_NOISE = 4.0  # times the noise, first third of the window against the last
SATURATED_MOST = 3
SILENT_S = 1.0  # without a new reading
EVERY_S = 5.0  # the reason for waiting is said again this often


@dataclass(frozen=True)
class Said:
    """What the run tells: ``kind`` is "waiting", "taking", "taken" or "refused"."""

    kind: str
    text: str
    step: Step | None = None


class Guided:
    """One series on one mounting. Times in s, readings in counts."""

    def __init__(self, cell: Cell, steps: Sequence[Step] = ()) -> None:
        self.cell = cell
        self.steps: list[Step] = list(steps)
        self._load: Load | None = None
        self._wanted = False
        self._direction: Direction = "up"
        self._window: deque[tuple[float, int]] = deque()
        self._taking: list[tuple[float, int]] = []
        self._since_s = 0.0
        self._told_s = -1e9
        self._t0: float | None = None
        # Steps of an earlier sitting lie before this one, in the order of their times.
        self._offset_s = max((s.t_s for s in self.steps), default=0.0) + (10.0 if self.steps else 0.0)

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

    def give_up(self) -> None:
        """Stop waiting; the steps already taken stay."""
        self._wanted = False

    def drop(self, number: int) -> Step:
        """Take step ``number`` (from 1) out. Raises ValueError with the numbers there are."""
        if not 1 <= number <= len(self.steps):
            raise ValueError(f"there is no step {number}: 1 to {len(self.steps)}" if self.steps else "there is no step yet")
        return self.steps.pop(number - 1)

    def _want(self, now_s: float, load: Load | None) -> None:
        self._load = load
        self._wanted = True
        self._taking = []
        self._window.clear()
        self._since_s = self._told_s = now_s
        force_n = load.force_n if load is not None else 0.0
        last = max(self.steps, key=lambda s: s.t_s).force_n if self.steps else 0.0
        self._direction = "up" if force_n >= last else "down"

    def sample(self, now_s: float, counts: int) -> Said | None:
        """Take one reading; what is to be told, if anything."""
        if self._t0 is None:
            self._t0 = now_s - self._offset_s
        if not self._wanted:
            return None
        t = now_s - self._t0
        if self._taking:
            self._taking.append((t, counts))
            return self._judge() if t - self._taking[0][0] >= TAKE_S else None
        window = self._window
        window.append((t, counts))
        while window[0][0] < t - STILL_S:
            window.popleft()
        if t - window[0][0] > 0.9 * STILL_S and now_s - self._since_s > STILL_S and not (why := self._moving()):
            self._taking = [(t, counts)]
            return Said("taking", f"Still. Taking {TAKE_S:.0f} s of readings: hands off.")
        if now_s - self._told_s >= EVERY_S:
            self._told_s = now_s
            waited = now_s - self._since_s
            why = self._moving() or "settling"
            more = " If it never stands still, look at the wiring with 'evenbed sensor'." if waited > PATIENCE_S else ""
            return Said("waiting", f"Waiting for {waited:.0f} s: {why}.{more}")
        return None

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

    def _judge(self) -> Said:
        times, counts = zip(*self._taking, strict=True)
        force_n, terms = (self._load.force_n, self._load.terms) if self._load is not None else (0.0, ())
        step = step_from_samples(force_n, terms, self._direction, times, counts)
        self._wanted = False
        self._taking = []
        refused = judge_step(step, self.steps, self.cell)
        if refused:
            kept = len(self.steps)
            return Said("refused", f"{refused} The {kept} step{'s' if kept != 1 else ''} already taken stay.", step)
        self.steps.append(step)
        return Said("taken", f"Step {len(self.steps)}: {self._shown(step)}", step)

    def _shown(self, step: Step) -> str:
        if step.force_n == 0.0:
            return f"zero at {step.mean_counts:.0f} counts, {step.n} readings, noise {step.sd_counts:.0f} counts."
        zero = next(s for s in sorted(self.steps, key=lambda s: s.t_s) if s.force_n == 0.0)
        per_n = (step.mean_counts - zero.mean_counts) / step.force_n
        return (
            f"{step.force_n:.2f} N ({'loading' if step.direction == 'up' else 'unloading'}), {per_n:.1f} counts/N, "
            f"{step.n} readings, noise {step.sd_counts:.0f} counts."
        )
