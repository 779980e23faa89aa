"""One job as the records keep it, with all that a report says of it."""

from __future__ import annotations

import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from evenbed.job import marks as kinds
from evenbed.job.marks import Done, JobState, Mark
from evenbed.job.planned import Expected
from evenbed.job.tone import WHEN_S, expected_hz, fall
from evenbed.racquet.model import StringName
from evenbed.record.jobs import JobRow, Jobs
from evenbed.report import times
from evenbed.report.figures import StringFigure, delivered, string_figures
from evenbed.work.jobs import JobError, state_of

DELIVERED_S = 900.0  # after the last knot: when the forecast speaks of what is delivered


@dataclass(frozen=True)
class Tone:
    """One tone that was taken: Hz, how long after the last pull, what was expected then (None if nothing can be), its
    standard uncertainty, and from what."""

    hz: float
    u_hz: float
    when: str
    how: str
    age_s: float
    at: str
    temp_c: float | None = None
    expected_hz: float | None = None
    u_expected_hz: float = 0.0
    basis: str = ""


@dataclass(frozen=True)
class Kept:
    """One job. ``left`` is what each string is expected to keep."""

    row: JobRow
    marks: tuple[Mark, ...]
    state: JobState
    left: dict[StringName, Expected] = field(default_factory=dict)
    figures: tuple[StringFigure, ...] = ()

    @property
    def traces(self) -> dict[int, list[tuple[float, float]]]:
        """Traces by number of the pull, the last one of each; (s since the press, N)."""
        out = {}
        for _, m in times.pulled(self.marks):
            points = [(float(t), float(n)) for t, n in m.values.get("trace") or ()]
            if len(points) > 1:
                out[int(m.values["number"])] = points
        return out

    @property
    def progress(self) -> str:
        """How far it has come, in words."""
        s = self.state
        done, total = len(s.done), len(s.done) + len(s.left)
        if s.phase == kinds.FINISHED:
            return f"finished, {_pulls(done)}"
        if s.phase == kinds.GIVEN_UP:
            return f"given up after {_pulls(done)}"
        pulls = _pulls(done) if s.plan.free else f"{done} of {total} pulls"
        return f"not finished ({s.phase}), {pulls}"


def _pulls(n: int) -> str:
    return "1 pull" if n == 1 else f"{n} pulls"


def load(jobs: Jobs, number: int) -> Kept:
    """Read one job. Raises JobError if there is none, or if its marks do not fit its plan; may raise StoreError."""
    row = jobs.row(number)
    if row is None:
        raise JobError(missing(jobs, number))
    state = state_of(row, jobs)
    return of(row, jobs.marks(number), state)


def missing(jobs: Jobs, number: int) -> str:
    """What to say of a job that is not there."""
    rows = jobs.rows()
    if not rows:
        return f"There is no job {number}: none is kept here yet. 'evenbed job start RACQUET' begins one."
    there = ", ".join(str(r.number) for r in rows[-12:])
    return f"There is no job {number}. There are {there}; 'evenbed jobs' lists them."


def of(row: JobRow, marks: Sequence[Mark], state: JobState) -> Kept:
    """Put together what belongs together."""
    left = delivered(state)
    return Kept(row, tuple(marks), state, left, tuple(string_figures(state, left)))


# --- tones ---------------------------------------------------------------------------------------------------------
def age_s(kept: Kept, when: str, now: datetime) -> float | None:
    """How long after the last pull a tone is taken: by name, else by the clock. None if that is not known."""
    if when in WHEN_S:
        return WHEN_S[when]
    made = times.pulled(kept.marks)
    last = times.moment(made[-1][1]) if made else None
    return None if last is None else max(0.0, (now - last).total_seconds())


def named_when(seconds: float) -> str:
    """What a time after the last pull is called."""
    days = seconds / 86400.0
    if seconds < 3 * 3600.0:
        return "after the job"
    if days < 0.75:
        return f"after {seconds / 3600.0:.0f} hours"
    return "after a day" if days < 1.5 else "after a week" if 6.5 < days < 7.5 else f"after {days:.0f} days"


def expect(kept: Kept, age: float, before: Sequence[Tone]) -> tuple[float, float, str] | None:
    """Tone to be expected ``age`` seconds after the last pull, its standard uncertainty, and from what: the first tone that
    was taken, falling as tension does, or else the forecast of the bed."""
    racquet = kept.state.plan.racquet
    since = times.before_last_s(kept.marks)
    if before:
        first = before[0]
        change = fall(racquet, kept.state.done, kept.left, since, first.age_s, age)
        if change is None:
            return None
        hz = first.hz * change.ratio
        return (
            hz,
            hz * ((first.u_hz / first.hz) ** 2 + (change.u / change.ratio) ** 2) ** 0.5,
            f"{first.hz:.0f} Hz {first.when}",
        )
    bed = expected_hz(racquet, kept.left) if kept.left else None
    change = fall(racquet, kept.state.done, kept.left, since, DELIVERED_S, age)
    if bed is None or change is None:
        return None
    return bed[0] * change.ratio, bed[1] * change.ratio, "the forecast of the bed"


def tones(kept: Kept) -> list[Tone]:
    """All tones that were taken, in order, each against what was expected."""
    out: list[Tone] = []
    for m in kept.marks:
        if m.kind != "tone":
            continue
        v = m.values
        made = times.moment(m)
        age = v.get("age_s")
        if age is None and made is not None:
            age = age_s(kept, str(v.get("when", "")), made)
        tone = Tone(
            float(v["hz"]), float(v.get("u_hz") or 1.0), str(v.get("when", "")), str(v.get("how", "")),
            float(age or DELIVERED_S), m.at, v.get("temp"),
        )  # fmt: skip
        found = expect(kept, tone.age_s, out)
        if found is not None:
            tone = Tone(**{**tone.__dict__, "expected_hz": found[0], "u_expected_hz": found[1], "basis": found[2]})
        out.append(tone)
    return out


def verdict(tone: Tone) -> str:
    """Found against expected, in words."""
    if tone.expected_hz is None:
        return "nothing to compare with"
    off = tone.hz - tone.expected_hz
    u = (tone.u_hz**2 + tone.u_expected_hz**2) ** 0.5
    if abs(off) <= 2.0 * u:
        return f"as expected ({off + 0.0:+.0f} Hz)"
    return f"{abs(off):.0f} Hz {'higher' if off > 0 else 'lower'} than expected"


# --- what happened -------------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Happened:
    """One line of what was asked and what else happened. ``answer`` is "" where nothing was asked."""

    at: str
    label: str
    what: str
    answer: str = ""


def happened(kept: Kept) -> list[Happened]:
    """Questions with their answers, and what else is worth telling, in order."""
    labels = {p.number: p.label for p in kept.state.plan.pulls}
    out: list[Happened] = []
    open_at: int | None = None
    meanings: dict[str, str] = {}
    last = ""

    def close(answer: str) -> None:
        nonlocal open_at
        if open_at is not None:
            q = out[open_at]
            out[open_at] = Happened(q.at, q.label, q.what, answer)
        open_at = None

    for m in kept.marks:
        v = m.values
        if m.kind == "pulled":
            last = str(v.get("label", ""))
        elif m.kind == "questioned":
            close("another question came")
            meanings = {str(a): str(b) for a, b in v.get("answers") or ()}
            label = labels.get(v["number"], "") if v.get("number") is not None else last
            out.append(Happened(m.at, label, str(v.get("text", "")), "not answered"))
            open_at = len(out) - 1
        elif m.kind == "answered":
            key = str(v.get("answer", ""))
            close(meanings.get(key, key))
        elif m.kind == "drawn":
            close("the next string was drawn")
        elif text := _else(m, labels):
            out.append(Happened(m.at, labels.get(v.get("number", -1), last), text))
    return out


def _else(m: Mark, labels: dict[int, str]) -> str:
    v = m.values
    if m.kind in ("note", "remark"):
        return f"{m.kind}: {v.get('text', '')}"
    if m.kind == "again":
        return "pulled once more"
    if m.kind in ("taken back", "let down"):
        return m.kind
    if m.kind == "kept":
        return "not pulled once more after all"
    if m.kind == "tension":
        own = v.get("own")
        which = " ".join(str(p) for p in own if p is not None) if own else "mains" if "main_n" in v else "crosses"
        newtons = v.get("newtons", v.get("main_n", v.get("cross_n", 0.0)))
        return f"new reference for {which}: {float(newtons):.1f} N"
    if m.kind == "order":
        return f"another order: {labels.get(v.get('number', -1), '')} next"
    if m.kind in ("break", "resumed"):
        return "break" if m.kind == "break" else "went on after the break"
    if m.kind == "phase" and v.get("phase") in (kinds.BROKEN, kinds.GIVING_UP, kinds.TAKING_BACK):
        return str(v["phase"])
    return ""


# --- shape ---------------------------------------------------------------------------------------------------------
_SIZE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*[x×*/, ]+\s*(\d+(?:[.,]\d+)?)")


def size(text: str) -> tuple[float, float] | None:
    """Length and width out of what was typed, mm; None if there are not two numbers."""
    found = _SIZE.search(text)
    return None if found is None else (float(found[1].replace(",", ".")), float(found[2].replace(",", ".")))


def shapes(kept: Kept) -> tuple[str, str, tuple[float, float] | None]:
    """Shape typed before and after the job, and the change of length and width, mm."""
    typed = {"intake": "", "closing": ""}
    for m in kept.marks:
        if m.kind == "checked" and m.values.get("item") == "shape" and m.values.get("phase") in typed:
            typed[m.values["phase"]] = str(m.values.get("text", ""))
    a, b = size(typed["intake"]), size(typed["closing"])
    change = None if a is None or b is None else (b[0] - a[0], b[1] - a[1])
    return typed["intake"], typed["closing"], change


def pulled_share(found: Sequence[Done]) -> tuple[float, float] | None:
    """Mean and standard deviation of force at the clamp over what was asked, less one; None without any."""
    offs = [d.record["force_at_clamp_n"] / d.pull.target_n - 1.0 for d in found if d.record.get("force_at_clamp_n")]
    if not offs:
        return None
    return statistics.fmean(offs), statistics.stdev(offs) if len(offs) > 1 else 0.0
