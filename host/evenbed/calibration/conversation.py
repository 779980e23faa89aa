"""What a person can say during a calibration, and what is answered: series, steps, rigging, the end. No port, no clock."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from evenbed.calibration.document import Document, DocumentError
from evenbed.calibration.guided import Guided, Timing
from evenbed.calibration.steps import Series
from evenbed.calibration.weights import Load, Rigging, Weight, WeightError, parse_weights, stack

FAR_ZERO_N = 1.0
_NUMBER = r"(\d+(?:[.,]\d*)?)"
_PULLEY = re.compile(
    rf"pulley\s+{_NUMBER}(?:\s*(?:±|\+/-|\+-)\s*{_NUMBER})?(?:\s+friction\s+{_NUMBER}\s*%)?", re.IGNORECASE
)
HELP = """\
  5kg M1 · 20lb ±1% · bucket 12.43kg ±0.05 · 2x 10kg M2 · 5kg M1 + 2kg M1     what hangs on the gripper now
  zero (or Enter at first)   nothing hangs      list       the steps so far
  drop 2                     forget step 2      again 3    take step 3 anew, in its place
  series                     begin a further series (a class of ISO 7500-1 needs three)
  pulley 2 ±0.01             from now on twice the weight's force arrives ('friction 2%' after it; 'pulley 1' ends it)
  stop                       stop waiting       done       fit, and offer it to the board
  quit                       leave; the steps stay for --resume"""


class Hands(Protocol):
    """Who hangs the weights, if it is not the person."""

    def hang(self, weights: tuple[Weight, ...], rigging: Rigging) -> None:
        """Hang these, and nothing else."""

    def order(self, line: str) -> str:
        """Do something else; what was done, in words."""

    def pedal(self) -> None:
        """Hold the pedal for two seconds."""


class Conversation:
    """One calibration. ``line`` takes what is typed, ``reading`` what the board says; ``over`` once it is ended.

    ``begun``: what the run begins with, the steps of an earlier sitting included. ``save`` is called with the run so far
    after every change of its steps. ``rate_hz``, ``board_zero``: what the board is set to.
    """

    def __init__(
        self,
        begun: Document,
        tell: Callable[[str], None],
        hands: Hands,
        save: Callable[[Document], None],
        rate_hz: float | None = None,
        board_zero: float | None = None,
        timing: Timing | None = None,
    ) -> None:
        self._begun = begun
        self._tell = tell
        self._hands = hands
        self._save = save
        self._rate_hz = rate_hz
        self._board_zero = board_zero
        self._timing = timing
        texts = list(begun.weights)
        self._closed: list[tuple[Series, list[str]]] = []
        for run in begun.runs[:-1]:
            self._closed.append((run, texts[: len(run.steps)]))
            texts = texts[len(run.steps) :]
        steps = begun.runs[-1].steps if begun.runs else ()
        self.guided = Guided(begun.cell, steps, rate_hz, timing, texts)
        self._rigging = Rigging()
        self._now_s = 0.0
        self._ending = False  # a last zero was suggested
        self._fresh = bool(steps)  # resumed: a zero of this sitting is still to come
        self.over = False
        self.finished: Document | None = None

    @property
    def busy(self) -> bool:
        """Is a step being waited for or taken?"""
        return self.guided.busy

    @property
    def document(self) -> Document:
        """The run so far."""
        runs = [run for run, _ in self._closed] + ([self.guided.series] if self.guided.steps else [])
        texts = [text for _, typed in self._closed for text in typed] + self.guided.texts
        return replace(self._begun, runs=tuple(runs), weights=tuple(texts))

    def reading(self, t_s: float, counts: int) -> None:
        """One conversion, s on the board's clock."""
        self._now_s = t_s
        said = self.guided.sample(t_s, counts)
        if said is None:
            return
        self._tell(("! " if said.kind == "refused" else "  ") + said.text)
        if said.kind != "taken" or said.step is None:
            return
        self._save(self.document)
        if said.step.force_n == 0.0:
            self._fresh = False
            if len(self.guided.series.zeros) == 1:
                self._compare(said.step.mean_counts)
        if self._ending and said.step.force_n == 0.0:
            self._finish()
        else:
            self._tell("Next: what hangs now? Or 'zero', 'done', 'help'.")

    def _compare(self, zero: float) -> None:
        if self._board_zero is None:
            return
        off_n = (zero - self._board_zero) / self._begun.cell.rated_counts_n
        if abs(off_n) > FAR_ZERO_N:
            self._tell(
                f"  This zero is {off_n:+.1f} N from the one on the board. A new cell or gripper explains that; if nothing "
                "is new, something still touches the gripper ('again 1' takes it anew)."
            )

    def stop(self) -> None:
        """Do not wait for the step any more."""
        self.guided.give_up()
        self._tell("Stopped waiting. The steps taken stay.")

    def line(self, text: str) -> None:
        """Take one line of a person."""
        words = text.strip().split()
        first = words[0].lower() if words else ""
        ending, self._ending = self._ending, False
        try:
            if text.lstrip().startswith("!"):
                self._tell(self._hands.order(text.strip()[1:].strip()))
                self._ending = ending
            elif first in ("zero", "0", "0kg") or (not words and (ending or not self.guided.series.zeros or self._fresh)):
                self._ending = ending
                self._zero()
            elif not words:
                self._tell("Type what hangs, or 'done', or 'help'.")
            elif first in ("help", "?"):
                self._tell(HELP)
            elif first == "list":
                self._list()
            elif first in ("drop", "again"):
                self._change(first, words[1:])
            elif first == "series":
                self._series()
            elif first == "pulley":
                self._pulley(text)
            elif first == "done":
                self._done()
            elif first == "skip" and ending:
                self._finish()
            elif first == "quit":
                self.over = True
                steps = sum(len(run.steps) for run in self.document.runs)
                kept = f"Left. {steps} step{'s are' if steps > 1 else ' is'} kept: 'evenbed calibrate --resume' goes on."
                self._tell(kept if steps else "Left.")
            else:
                self._weights(text)
        except (WeightError, ValueError) as e:
            self._tell(str(e))

    def _zero(self) -> None:
        self._hands.hang((), self._rigging)
        self.guided.zero(self._now_s)
        self._tell("Zero: hands off the gripper.")

    def _load(self, text: str) -> tuple[tuple[Weight, ...], Load]:
        weights = parse_weights(text)
        load = stack(weights, self._begun.place, self._rigging)
        return weights, replace(load, text=" ".join(text.split()))

    def _weights(self, text: str) -> None:
        weights, load = self._load(text)
        if not self.guided.series.zeros or self._fresh:
            self._tell("First the zero: take everything off the gripper and press Enter.")
            return
        capacity_n = self._begun.cell.capacity_n
        if load.force_n > capacity_n:
            self._tell(
                f"Do not hang that: {load.text} pulls with {load.force_n:.0f} N, the cell takes {capacity_n:.0f} N. If the "
                "capacity is wrong, begin again with --capacity."
            )
            return
        self._hands.hang(weights, self._rigging)
        self.guided.load(self._now_s, load)
        self._tell(f"{load.text}: {load.mass_kg:.3f} kg, {load.force_n:.2f} N at the gripper. Hands off.")

    def _change(self, what: str, rest: list[str]) -> None:
        if len(rest) != 1 or not rest[0].isdigit():
            raise WeightError(f"Say which step: '{what} 2'. 'list' shows them.")
        number = int(rest[0])
        if what == "drop":
            gone = self.guided.drop(number)
            self._tell(f"Step {number} ({gone.force_n:.2f} N) is forgotten; the steps after it move up.")
            self._save(self.document)
            return
        self.guided.again(self._now_s, number)
        text = self.guided.texts[number - 1]
        self._hands.hang(parse_weights(text) if text else (), self._rigging)
        self._tell(f"Step {number} again ({text or 'zero'}): hands off.")

    def _list(self) -> None:
        if not self.document.runs:
            self._tell("There is no step yet.")
        texts = iter(self.document.weights)
        for r, run in enumerate(self.document.runs, 1):
            for n, step in enumerate(run.steps, 1):
                text = next(texts) or "zero"
                self._tell(
                    f"  {r}.{n}  {step.force_n:8.2f} N  {step.mean_counts:10.0f} counts  {step.direction:<4}  {text}"
                )

    def _series(self) -> None:
        if not self.guided.series.loaded:
            raise WeightError("This series has no weight yet. Go on with it.")
        if wrong := self.guided.trouble():
            raise WeightError(wrong)
        self._closed.append((self.guided.series, self.guided.texts))
        self.guided = Guided(self._begun.cell, (), self._rate_hz, self._timing)
        self._tell(f"Series {len(self._closed) + 1}. Take everything off the gripper and press Enter.")

    def _pulley(self, text: str) -> None:
        m = _PULLEY.fullmatch(text.strip())
        if m is None:
            raise WeightError("Write how many times the weight's force arrives, and its tolerance: 'pulley 2 ±0.01'.")
        ratio, half, friction = (float((found or "0").replace(",", ".")) for found in m.groups())
        if not 0.1 <= ratio <= 20.0 or half > 0.2 * ratio:
            raise WeightError(f"A ratio of {ratio:g} ± {half:g} is not possible here: 0.1 to 20, known to 20 % at least.")
        self._rigging = Rigging(ratio, half, friction / 100.0)
        self._tell(f"From now on {ratio:g} ± {half:g} times the weight's force arrives at the gripper.")
        if ratio != 1.0 and not friction:
            self._tell(
                "  A pulley's friction is not given: 'pulley 2 ±0.01 friction 2%'. Without it the result looks too good."
            )

    def _done(self) -> None:
        if not any(run.loaded for run in self.document.runs):
            raise WeightError("There is no weight yet: hang one and type what it is, such as 5kg M1.")
        last = max(self.guided.steps, key=lambda s: s.t_s, default=None)
        if last is not None and last.force_n != 0.0:
            self._ending = True
            self._tell(
                "A last zero shows whether the cell came back: take everything off and press Enter. ('skip' goes without.)"
            )
            return
        self._finish()

    def _finish(self) -> None:
        made = self.document
        if wrong := self.guided.trouble():
            self._tell(f"! {wrong}")
            return
        try:
            _ = made.setting
        except DocumentError as e:
            self._tell(f"! {e} The steps stay.")
            return
        self.finished = made
        self.over = True
