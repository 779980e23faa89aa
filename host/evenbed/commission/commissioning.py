"""The first start: one step after another, each repeated, passed over with its reason, or kept from an earlier day.

Rate and noise come before anything moves: the board's envelope is reckoned with the rate.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from evenbed.commission.carriage import Direction, Switches, Travel
from evenbed.commission.drawn import Delay, Holding, Limits, Stiffness, Trip
from evenbed.commission.listened import Inputs, Port, Rate, Reading
from evenbed.commission.moments import Act, Moment, Say, Setup, Step
from evenbed.head.types import RigModel
from evenbed.rig.check import entry_of, known_keys
from evenbed.rig.tables import Result, Rig

STEPS: tuple[type[Step], ...] = (
    Port,
    Inputs,
    Reading,
    Rate,
    Direction,
    Switches,
    Travel,
    Stiffness,
    Delay,
    Limits,
    Holding,
    Trip,
)
NAMES = tuple(step.name for step in STEPS)
WORDS = "Put it right, then type: again. Or: skip and why not. Or: stop."
STOP = "stop"
ANSWER_S = 900.0  # that a question waits for its answer
GOOD = ("passed", "kept")


@dataclass(frozen=True)
class Outcome:
    """How one step ended: "passed", "kept" from an earlier day, "failed" or "left out"; the sentence; what it found."""

    step: type[Step]
    verdict: str
    says: str
    found: Mapping[str, Any] = field(default_factory=dict)


class Commissioning:
    """All steps. ``told``, ``acts`` and ``writes`` (changes of rig.toml, by key) are for whoever runs it.

    ``begin_at`` is the first step to be done; what comes before is kept where the rig has its result, else left out. Raises
    ValueError for a step that does not exist.
    """

    def __init__(self, rig: Rig, today: date, rates_hz: tuple[float, float], begin_at: str = NAMES[0]) -> None:
        if begin_at not in NAMES:
            raise ValueError(f"there is no step {begin_at!r}; there are {', '.join(NAMES)}")
        self.setup = Setup(rig, rates_hz)
        self.outcomes: list[Outcome] = []
        self.told: list[Say] = []
        self.acts: list[Act] = []
        self.writes: list[dict[str, Any]] = []
        self.failures: list[tuple[str, str]] = []  # every one, also those put right since
        self.stopped = False
        self._today = today
        self._begin_at = NAMES.index(begin_at)
        self._todo = list(STEPS)
        self._now: Step | None = None
        self._asked = ""  # "keep" or "failed": what a typed line answers
        self._asked_s: float | None = None
        self._wish = ""  # "again", "stop" or why it is left out: asked for in the middle of a step

    @property
    def over(self) -> bool:
        """Is there nothing left to do?"""
        return self.stopped or (not self._todo and self._now is None)

    @property
    def passed(self) -> bool:
        """Has every step passed, now or on an earlier day?"""
        return len(self.outcomes) == len(STEPS) and all(o.verdict in GOOD for o in self.outcomes)

    @property
    def unfinished(self) -> list[type[Step]]:
        """Steps that have neither passed nor were kept."""
        good = {o.step for o in self.outcomes if o.verdict in GOOD}
        return [step for step in STEPS if step not in good]

    @property
    def expects(self) -> tuple[str, ...]:
        """Names of events that the step under way brings about: they need no telling."""
        return self._now.expects if self._now is not None else ()

    def meet(self, model: RigModel, says: str) -> None:
        """The board has answered: its view of the rig, and what it says of itself."""
        self.setup.model, self.setup.board = model, says

    # --- moments -----------------------------------------------------------------------------------------------
    def step(self, m: Moment) -> None:
        """Take one moment."""
        while self._now is None and self._todo and not self.stopped:
            self._begin(self._todo.pop(0))
        now = self._now
        if now is None:
            return
        if self._asked:
            self._asked_s = m.t_s if self._asked_s is None else self._asked_s
            if m.t_s - self._asked_s > ANSWER_S:
                self.told.append(Say(f"Nobody has answered for {ANSWER_S / 60.0:.0f} min: that is all for now."))
                self._stop(now)
            return
        self._asked_s = None
        now.step(m)
        self._collect(now)
        if now.over:
            self._ended(now)

    def _begin(self, kind: type[Step]) -> None:
        number = NAMES.index(kind.name)
        earlier = self._earlier(kind)
        lacking = [n for n in kind.needs if not self._has_passed(n)]
        if number < self._begin_at and kind is not Port:
            if earlier is None:
                self._close(kind, "left out", f"begun at {NAMES[self._begin_at]}")
            else:
                self._keep(kind, earlier)
        elif lacking:
            titles = ", ".join(s.title for s in STEPS if s.name in lacking)
            self._close(kind, "left out", f"it needs first: {titles}")
        else:
            self._now = kind(self.setup)
            self.told.append(Say(f"{number + 1} of {len(STEPS)}: {kind.title}"))
            if earlier is not None and number > self._begin_at:
                self._asked = "keep"
                self.told.append(Say(f"Measured before: {_shown(earlier)}. Enter keeps it; again measures anew.", "keep"))

    def _collect(self, now: Step) -> None:
        self.told += now.told
        self.acts += now.acts
        now.told, now.acts = [], []

    def _ended(self, now: Step) -> None:
        kind, wish, self._wish = type(now), self._wish, ""
        if wish == STOP:
            self.stopped = True
            return
        if wish:
            self._now = None
            if wish == "again":
                self._todo.insert(0, kind)
                self._begin_at = min(self._begin_at, NAMES.index(kind.name))
            else:
                self._close(kind, "left out", wish)
            return
        if now.verdict == "passed":
            self._write(now.found)
            self._close(kind, "passed", now.says, now.found)
            self._now = None
            return
        self.failures.append((kind.name, now.says))
        self._write({f"measured.{key}": False for key in kind.flags} | {f"measured.{key}": None for key in kind.numbers})
        self._write(now.found)
        self._asked = "failed"
        self.told.append(Say(f"failed: {now.says}."))
        self.told.append(Say(WORDS, "put right"))

    # --- what is typed -----------------------------------------------------------------------------------------
    def typed(self, text: str) -> None:
        """Take a typed line."""
        word, _, why = text.strip().partition(" ")
        word = word.lower()
        now = self._now
        if now is None or self.over:
            return
        if word == STOP and self._asked:
            self._stop(now)
        elif self._asked == "keep":
            self._answer_keep(now, word)
        elif self._asked == "failed":
            self._answer_failed(now, word, why)
        elif word == "skip" and not why.strip():
            self.told.append(Say("Say why, so that it is written down: skip no rule at hand."))
        elif word in ("skip", "again", STOP):
            self._wish = why.strip() if word == "skip" else word
            now.give_up("given up")
            self._collect(now)
            if now.over:
                self._ended(now)
        elif not now.typed(text) and text.strip():
            self.told.append(Say("Nothing is asked now. You may type: again, skip and why, or stop."))

    def _stop(self, now: Step) -> None:
        self.stopped = True
        if self._asked == "failed":
            self.outcomes.append(Outcome(type(now), "failed", now.says))

    def _answer_keep(self, now: Step, word: str) -> None:
        kind = type(now)
        if word in ("", "keep"):
            self._asked = ""
            self._now = None
            self._keep(kind, self._earlier(kind) or {})
        elif word == "again":
            self._asked = ""
        else:
            self.told.append(Say("Enter keeps it; again measures anew."))

    def _answer_failed(self, now: Step, word: str, why: str) -> None:
        kind = type(now)
        if word == "again":
            self._asked = ""
            self._now = kind(self.setup)
            self.told.append(Say(f"{NAMES.index(kind.name) + 1} of {len(STEPS)}: {kind.title}, once more"))
        elif word == "skip" and why.strip():
            self._asked = ""
            self._now = None
            self._close(kind, "failed", f"{now.says}; passed over: {why.strip()}")
        else:
            self.told.append(Say(WORDS))

    # --- results -----------------------------------------------------------------------------------------------
    def _close(self, kind: type[Step], verdict: str, says: str, found: Mapping[str, Any] | None = None) -> None:
        self.outcomes.append(Outcome(kind, verdict, says, dict(found or {})))
        self.told.append(Say(f"{verdict}: {kind.title}: {says}." if verdict != "passed" else f"passed: {says}."))

    def _keep(self, kind: type[Step], earlier: Mapping[str, Any]) -> None:
        self.setup.found.update({key: getattr(r, "value", r) for key, r in earlier.items()})
        self._close(kind, "kept", _shown(earlier), {key: getattr(r, "value", r) for key, r in earlier.items()})

    def _has_passed(self, name: str) -> bool:
        return any(o.step.name == name and o.verdict in GOOD for o in self.outcomes)

    def _earlier(self, kind: type[Step]) -> dict[str, Any] | None:
        """All results of a step that rig.toml has, None if one is missing or was not good."""
        rig = self.setup.rig
        if kind is Holding:
            h = rig.holds_without_power
            if h.proved is not True or h.at_n is None or h.on is None:
                return None
            return {"holds_without_power.proved": Result(True, h.on), "holds_without_power.at_n": Result(h.at_n, h.on)}
        found = {key: getattr(rig.measured, key) for key in (*kind.flags, *kind.numbers)}
        if not found or any(result is None or result.value is False for result in found.values()):
            return None
        return {f"measured.{key}": result for key, result in found.items()}

    def _write(self, found: Mapping[str, Any]) -> None:
        """Changes of rig.toml: results with their date, None for what is no longer so."""
        values: dict[str, Any] = {}
        for key, value in found.items():
            if value is None:
                self.setup.found.pop(key, None)
            else:
                self.setup.found[key] = value
            dated = key.startswith("measured.") and value is not None
            values[key] = Result(value, self._today) if dated else value
            if key == "holds_without_power.proved":
                values["holds_without_power.on"] = self._today
        if values:
            self.writes.append(values)


def _shown(earlier: Mapping[str, Any]) -> str:
    """Results with their days, for a person."""
    parts = []
    for key, result in earlier.items():
        table, _, name = key.partition(".")
        unit = entry_of(known_keys()[table][name]).unit
        word = re.sub("_(n_mm|mm|hz|n|s)$", "", name).replace("_", " ")
        value = "yes" if result.value is True else f"{result.value:g} {unit}"
        parts.append(f"{word} {value} ({result.on})")
    return ", ".join(parts)
