"""What is written down of a job, one mark at a time, and what a job is after its marks: a job is the sum of them.

Whoever reads the marks again stands where the job stood, however it ended. A mark is never changed; what is put right is
another mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from evenbed.job.asked import Measured, Question
from evenbed.job.plan import after, as_next
from evenbed.job.planned import Plan, PlannedPull
from evenbed.racquet.model import StringName

# Marks that a string can carry.
NOT_YET, DRAWN, HELD, CLAMPED, TIED, QUESTIONED = "not yet", "drawn", "held", "clamped", "tied", "questioned"

# Where a job is.
INTAKE, STRINGING, CLOSING, FINISHED = "intake", "stringing", "closing", "finished"
TAKING_BACK, GIVING_UP, GIVEN_UP, BROKEN = "taking back", "giving up", "given up", "broken string"
SAME_N = 0.01
LISTS = (INTAKE, CLOSING, GIVING_UP, BROKEN)

# Kinds of marks and the values they carry.
KINDS = {
    "checked": "phase, item, fine, text",
    "drawn": "number",
    "pulled": "number, label, record, trace, friction, wall_s",
    "questioned": "key, text, number, values",
    "answered": "key, answer, number",
    "tied": "knot",
    "tension": "main_n or cross_n or own (name, N)",
    "order": "number: the pull that is taken next",
    "let down": "number",
    "again": "number",
    "kept": "number: it is not pulled once more after all",
    "taken back": "number",
    "phase": "phase",
    "break": "",
    "resumed": "",
    "note": "text",
    "remark": "text",
    "tone": "hz, u_hz, when, how, temp, age_s",
}


@dataclass(frozen=True)
class Mark:
    """One thing that happened in a job. ``at`` is the time by the clock on the wall, ISO 8601, set by who writes it."""

    kind: str
    values: dict[str, Any] = field(default_factory=dict)
    at: str = ""


@dataclass(frozen=True)
class Done:
    """A pull that was made: its plan, what the head recorded, and whether it was a second one."""

    pull: PlannedPull
    record: dict[str, Any]
    friction: float | None
    again: bool
    at: str
    questioned: bool = False

    @property
    def measured(self) -> Measured:
        """What is compared of it."""
        r, p = self.record, self.pull
        return Measured(
            p.label,
            p.woven,
            p.piece,
            p.family,
            p.length_mm,
            p.target_n,
            r.get("stiffness_n_mm"),
            r.get("draw_length_mm"),
            r.get("take_up_mm"),
            self.again,
            self.questioned,
            r["clamped_s"] - r["reached_s"] if r.get("clamped_s") and r.get("reached_s") else None,
            tuple(d["name"] for d in r["disturbances"]) if "disturbances" in r else None,
        )


@dataclass
class JobState:
    """Where a job stands. ``left`` is what is still to be pulled, in order; ``done`` what was, in order."""

    plan: Plan
    phase: str = INTAKE
    left: list[PlannedPull] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)
    of: dict[StringName, str] = field(default_factory=dict)  # the mark of each string
    item: int = 0  # of the list of this phase
    knot: str = ""  # to be tied before the next draw
    question: Question | None = None
    drawing: int | None = None  # number of the pull that was begun and not finished
    again: Done | None = None  # the pull that is made once more next: until it is drawn its string is still in the bed
    again_knot: str = ""  # what was to be tied after it
    own_order: bool = False  # the stringer has taken another order than the plan's
    paused: bool = False
    notes: list[str] = field(default_factory=list)
    seen: int = 0  # marks

    @property
    def next(self) -> PlannedPull | None:
        """The pull that comes next."""
        return self.left[0] if self.left else None

    @property
    def last(self) -> Done | None:
        """The pull that was made last and is not to be made once more."""
        return self.done[-1] if self.done else None

    @property
    def in_bed(self) -> list[Done]:
        """All strings that are in the bed, in the order in which they were clamped."""
        return [*self.done, *([self.again] if self.again is not None else [])]

    @property
    def newest(self) -> Done | None:
        """The string in the bed that was clamped last."""
        return self.again or self.last


def begin(plan: Plan) -> JobState:
    """A job before its first mark."""
    of = dict.fromkeys(plan.racquet.names(), NOT_YET)
    return JobState(plan, left=list(plan.pulls), of=of)


def fold(plan: Plan, marks: Sequence[Mark]) -> JobState:
    """Where a job stands after these marks. Raises KeyError or ValueError if they are not of this plan."""
    state = begin(plan)
    for mark in marks:
        apply(state, mark)
    return state


def apply(state: JobState, mark: Mark) -> None:
    """Add one mark. Kinds that are not known change nothing: a newer program wrote them."""
    state.seen += 1
    take = _TAKE.get(mark.kind)
    if take is not None:
        take(state, mark)


def _checked(s: JobState, m: Mark) -> None:
    s.item += 1


def _drawn(s: JobState, m: Mark) -> None:
    s.drawing = int(m.values["number"])
    if s.question is not None and not s.question.waits:
        s.question = None  # to draw the next one is an answer
    if s.left:
        for name in (s.left[0].name, *s.left[0].also):
            s.of[name] = DRAWN


def _pulled(s: JobState, m: Mark) -> None:
    number = int(m.values["number"])
    pull = next(p for p in s.left if p.number == number)
    s.left.remove(pull)
    pull = _as_made(pull, m.values["record"].get("reference_n"))
    if s.drawing not in (None, number):  # another was drawn than was thought
        for p in s.left:
            if p.number == s.drawing:
                s.of.update(dict.fromkeys((p.name, *p.also), NOT_YET))
    if s.again is not None and s.again.pull.number != number:
        _kept(s, m)
    again = s.again is not None and s.again.pull.number == number
    s.done.append(Done(pull, dict(m.values["record"]), m.values.get("friction"), again, m.at))
    s.again, s.drawing = None if again else s.again, None
    s.knot = pull.ties
    if s.own_order and s.left and not s.plan.free:
        s.left = after(s.plan, [d.pull.name for d in s.done], s.done[-1].pull.reference_n)
    for name in (pull.name, *pull.also):
        s.of[name] = CLAMPED


def _as_made(pull: PlannedPull, target_n: float | None) -> PlannedPull:
    """The pull with the force that the head held: that of a change that came in the moment of the draw does not count."""
    if target_n is None or abs(target_n - pull.target_n) < SAME_N:
        return pull
    return replace(pull, reference_n=target_n / (1.0 + pull.above))


def _let_down(s: JobState, m: Mark) -> None:
    s.drawing = None
    if s.left:
        for name in (s.left[0].name, *s.left[0].also):
            s.of[name] = NOT_YET


def _questioned(s: JobState, m: Mark) -> None:
    v = m.values
    answers = tuple((a, b) for a, b in v.get("answers", ())) or Question("", "").answers
    number = v.get("number")
    s.question = Question(v["key"], v["text"], answers, bool(v.get("waits", False)), dict(v.get("values", {})), number)
    if number is not None and s.done:
        s.done[-1] = replace(s.done[-1], questioned=True)
        for name in (s.done[-1].pull.name, *s.done[-1].pull.also):
            s.of[name] = QUESTIONED


def _answered(s: JobState, m: Mark) -> None:
    s.question = None
    if m.values.get("answer") == "go on" and m.values.get("number") is not None and s.done:
        s.done[-1] = replace(s.done[-1], questioned=False)
        for name in (s.done[-1].pull.name, *s.done[-1].pull.also):
            s.of[name] = CLAMPED


def _tied(s: JobState, m: Mark) -> None:
    s.knot = ""
    if s.done:
        s.of[s.done[-1].pull.name] = TIED


def _tension(s: JobState, m: Mark) -> None:
    v = m.values
    racquet = s.plan.racquet
    own = dict(racquet.own_references)
    if "own" in v:
        kind, number, side = v["own"]
        own[StringName(kind, number, side)] = float(v["newtons"])
    racquet = replace(
        racquet,
        main_n=float(v.get("main_n", racquet.main_n)),
        cross_n=float(v.get("cross_n", racquet.cross_n)),
        own_references=own,
    )
    s.plan = replace(s.plan, racquet=racquet)
    _refer(s)


def _refer(s: JobState) -> None:
    """Give what is left the references of now."""
    racquet = s.plan.racquet
    left: list[PlannedPull] = []
    before = s.done[-1].pull.reference_n if s.done else None
    for p in s.left:
        reference = racquet.reference_n(p.name)
        left.append(replace(p, reference_n=reference, new_reference=before is None or reference != before))
        before = reference
    s.left = left


def _order(s: JobState, m: Mark) -> None:
    number = int(m.values["number"])
    if s.again is not None and s.again.pull.number != number:  # a job of version 0.1.0 does not say so
        _kept(s, m)
    chosen = next(p for p in s.left if p.number == number)
    if s.plan.free:  # from here on strings of this kind
        s.left.sort(key=lambda p: (p.name.kind != chosen.name.kind, p.number))
    else:
        s.left.remove(chosen)
        s.left.insert(0, as_next(s.plan, [d.pull.name for d in s.done], chosen))
        s.own_order = True
    _refer(s)


def _again(s: JobState, m: Mark) -> None:
    s.again = back = _put_back(s, int(m.values["number"]))
    s.again_knot, s.knot = s.knot, ""  # it comes after this pull again
    s.of[back.pull.name] = CLAMPED  # it still is, until it is drawn


def _kept(s: JobState, m: Mark) -> None:
    if s.again is None:
        return
    pull = s.again.pull
    s.left = [p for p in s.left if p.number != pull.number]
    s.done.append(s.again)
    s.again, s.knot, s.drawing = None, s.again_knot, None
    for name in (pull.name, *pull.also):
        s.of[name] = CLAMPED


def _taken_back(s: JobState, m: Mark) -> None:
    pull = _put_back(s, int(m.values["number"])).pull
    for name in (pull.name, *pull.also):
        s.of[name] = NOT_YET
    s.knot = ""
    s.drawing = None


def _put_back(s: JobState, number: int) -> Done:
    i = max(i for i, d in enumerate(s.done) if d.pull.number == number)
    done = s.done.pop(i)
    s.left.insert(0, done.pull)
    s.question = None
    _refer(s)
    return done


def _phase(s: JobState, m: Mark) -> None:
    if m.values["phase"] in (TAKING_BACK, CLOSING, GIVING_UP):  # as above
        _kept(s, m)
    s.phase = m.values["phase"]
    s.item = 0
    s.question = None


def _break(s: JobState, m: Mark) -> None:
    s.paused = True


def _resumed(s: JobState, m: Mark) -> None:
    s.paused = False


def _note(s: JobState, m: Mark) -> None:
    s.notes.append(m.values["text"])


_TAKE = {
    "checked": _checked,
    "drawn": _drawn,
    "pulled": _pulled,
    "let down": _let_down,
    "questioned": _questioned,
    "answered": _answered,
    "tied": _tied,
    "tension": _tension,
    "order": _order,
    "again": _again,
    "kept": _kept,
    "taken back": _taken_back,
    "phase": _phase,
    "break": _break,
    "resumed": _resumed,
    "note": _note,
}
