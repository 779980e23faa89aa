"""What the steps of a first start are fed with, what they ask for, and the frame they are written in.

A step is a generator: it receives one ``Moment`` after another, leaves in ``told`` what a person is to read and in
``acts`` what the program is to do, and ends with the sentence of what it found, or with ``Failed``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, TypeVar

from evenbed_fw import safety

from evenbed.calibration.readings import Heard
from evenbed.head.types import Ask, Pull, RigModel
from evenbed.job import proving
from evenbed.rig.tables import Rig

T = TypeVar("T")
PATIENCE_S = 120.0  # for anything that is asked of a person
SILENT_S = 5.0
TURN_S = 1.0
ENDS = safety.F_END_LOW | safety.F_END_HIGH


@dataclass(frozen=True)
class Moment:
    """One moment of the rig. ``force_n`` counts from the reference zero, None if there is none to trust; ``state`` is the
    head's, "" while the board is only listened to; ``alive`` is false where nothing was heard. ``heard`` are the readings
    and ``records`` the finished pulls since the last moment; ``stop_mm`` as in the self-proving start."""

    t_s: float
    flags: int = 0
    presses: int = 0
    fault: int = 0
    force_n: float | None = None
    alive: bool = True
    state: str = ""
    position_mm: float | None = None
    overrun_n: float = 0.0
    stop_mm: float | None = None
    heard: tuple[Heard, ...] = ()
    records: tuple[Mapping[str, Any], ...] = ()

    def has(self, flag: int) -> bool:
        """Is one of these flags of the board set?"""
        return bool(self.flags & flag)


Script = Generator[None, Moment, T]


@dataclass(frozen=True)
class Say:
    """A line for a person. ``deed`` names what it asks for, for hands that cannot read; "" asks for nothing."""

    text: str
    deed: str = ""


@dataclass(frozen=True)
class Act:
    """What the program is to do: "connect" with a ceiling (N), "listen" only, "plan" a pull, lower the "ceiling" (N), or
    "ask" the head for what never raises a force."""

    kind: str
    value_n: float = 0.0
    pull: Pull | None = None
    ask: Ask | None = None


class Failed(Exception):
    """A step has found something wrong: the sentence says what, with its values, and what to change. ``found`` is
    written down all the same."""

    def __init__(self, says: str, found: Mapping[str, Any] | None = None) -> None:
        super().__init__(says)
        self.says = says
        self.found = dict(found or {})


@dataclass
class Setup:
    """What the steps know: the rig as described, the board's view of it and what it says of itself (once it has
    answered), readings a second that the head can work with, and what was found so far, by key of rig.toml."""

    rig: Rig
    rates_hz: tuple[float, float]
    model: RigModel | None = None
    board: str = ""
    found: dict[str, Any] = field(default_factory=dict)

    @property
    def known(self) -> RigModel:
        """The board's view. Only after it has answered."""
        assert self.model is not None
        return self.model


class Step:
    """One step. ``flags`` and ``numbers`` are the keys of ``[measured]`` that it finds, ``needs`` the steps that must have
    passed before, ``expects`` names of events that it brings about."""

    name: ClassVar[str] = ""
    title: ClassVar[str] = ""
    flags: ClassVar[tuple[str, ...]] = ()
    numbers: ClassVar[tuple[str, ...]] = ()
    needs: ClassVar[tuple[str, ...]] = ()
    expects: ClassVar[tuple[str, ...]] = ()

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.told: list[Say] = []
        self.acts: list[Act] = []
        self.found: dict[str, Any] = {}
        self.verdict = ""  # "passed" or "failed" once it is over
        self.says = ""
        self._typed: str | None = None
        self._asking = False
        self._heard_s: float | None = None
        self._leaving = False
        self._run = self.script()
        next(self._run)

    # --- for whoever runs it ---------------------------------------------------------------------------------
    def step(self, m: Moment) -> None:
        """Take one moment."""
        if m.alive or self._heard_s is None:
            self._heard_s = m.t_s
        try:
            if m.t_s - self._heard_s > SILENT_S and not self._leaving:
                self._run.close()
                raise Failed(f"the board has been silent for {SILENT_S:.0f} s: check its cable and supply")
            self._run.send(m)
        except Failed as e:
            self._end("failed", e.says, e.found)
        except StopIteration as e:
            self._end(self.verdict or "passed", self.says or str(e.value), {})

    def typed(self, text: str) -> bool:
        """Take a typed line; False if this step has not asked for one."""
        if self._asking:
            self._typed = text
        return self._asking

    def give_up(self, says: str) -> None:
        """End it here, as failed; what moves or is loaded comes to rest first."""
        if self.verdict:
            return  # it is on its way out
        self._run.close()
        self._end("failed", says, {})

    @property
    def over(self) -> bool:
        """Is it over, and the rig at rest?"""
        return bool(self.verdict) and not self._leaving

    def _end(self, verdict: str, says: str, found: Mapping[str, Any]) -> None:
        self._asking = False
        if not self.verdict:
            self.verdict, self.says = verdict, says
            self.found.update(found)
        if self._leaving:
            self._leaving = False
            return
        self._leaving = True
        self._run = self.leave()
        try:
            next(self._run)
        except StopIteration:
            self._leaving = False

    # --- for its script --------------------------------------------------------------------------------------
    def script(self) -> Script[str]:
        """The step itself; returns what it found, in words. Raises Failed."""
        raise NotImplementedError

    def leave(self) -> Script[str]:
        """Leave the rig at rest. The usual step has moved nothing."""
        return ""
        yield

    def say(self, text: str, deed: str = "") -> None:
        """Tell a person something."""
        self.told.append(Say(text, deed))

    def alive(self) -> Script[Moment]:
        """The next moment in which the board is heard."""
        while not (m := (yield)).alive:
            pass
        return m

    def until(self, ready: Callable[[Moment], bool], late: str, patience_s: float = PATIENCE_S) -> Script[Moment]:
        """Wait for a moment of the board; returns it. Raises Failed with ``late`` after ``patience_s``."""
        begun_s: float | None = None
        while True:
            m = yield
            begun_s = m.t_s if begun_s is None else begun_s
            if m.alive and ready(m):
                return m
            if m.t_s - begun_s > patience_s:
                raise Failed(late)

    def to_middle(self, text: str) -> Script[None]:
        """Have the carriage turned to the middle by hand."""
        self.say(text, "knob middle")
        late = "an end switch stays operated: free it; a broken wire to it counts as operated, so look at plug and wire"
        begun_s = (yield).t_s
        # An end switch is operated only near the ends, so whoever is there already has a moment for the rule.
        yield from self.until(lambda m: not m.has(ENDS) and m.t_s - begun_s > TURN_S, late)

    def hear(self, seconds: float, least: int = 0, patience_s: float = 0.0) -> Script[list[Heard]]:
        """Readings of so many seconds, and at least ``least`` of them within ``patience_s``."""
        heard: list[Heard] = []
        begun_s: float | None = None
        while True:
            m = yield
            begun_s = m.t_s if begun_s is None else begun_s
            heard += m.heard
            past = m.t_s - begun_s
            if past >= seconds and (len(heard) >= least or past >= patience_s):
                return heard

    def ask(self, text: str, deed: str, parse: Callable[[str], T]) -> Script[T]:
        """Ask a person for a typed answer; ``parse`` raises ValueError with what is wrong with it."""
        self.say(text, deed)
        self._asking, self._typed = True, None
        while True:
            yield
            if self._typed is None:
                continue
            try:
                answer = parse(self._typed.strip())
            except ValueError as e:
                self._typed = None
                self.say(str(e))
                continue
            self._asking = False
            return answer

    def proved(self, what: str, deeds: Sequence[str]) -> Script[OneProof]:
        """One step of the self-proving start. Raises Failed with its reason."""
        proof = OneProof(what)
        rest = list(deeds)
        while not proof.over:
            m = yield
            if not m.alive:
                continue
            proof.step(
                proving.Moment(
                    m.t_s, m.state, m.flags, m.presses, m.force_n, m.fault, m.overrun_n, m.position_mm, m.stop_mm
                )
            )
            for text in proof.told:
                self.say(text, rest.pop(0) if rest else "")
            proof.told.clear()
            for act in proof.acts:
                if act.kind == "ceiling":
                    self.acts.append(Act("ceiling", act.value_n))
                else:
                    self.acts.append(Act("plan", pull=Pull(act.value_n, speed_mm_s=proving.SPEED_MM_S, label=self.title)))
            proof.acts.clear()
        if not proof.passed:
            raise Failed(proof.outcomes[-1].says)
        return proof


class OneProof(proving.Proving):
    """One step of the self-proving start by itself."""

    def __init__(self, what: str) -> None:
        super().__init__()
        self._todo = [what]

    @property
    def peak_n(self) -> float:
        """Highest force seen in the deliberate trip, N."""
        return self._peak_n

    @property
    def says(self) -> str:
        """What was found."""
        return self.outcomes[-1].says


def mean(values: Sequence[float]) -> float:
    """Their mean. Raises ValueError for none."""
    if not values:
        raise ValueError("no values")
    return math.fsum(values) / len(values)
