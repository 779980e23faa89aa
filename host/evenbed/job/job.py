"""A stringing job while it runs: hears the head and the stringer, says what comes next, and writes its marks.

Pure: time is an argument, messages are those of the control process, marks and lines are collected for whoever takes them.
The job follows the stringer: another order gets one remark, and is obeyed. Tension is withheld for safety only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from evenbed.head.record import NOT_PROVED
from evenbed.head.types import Pull
from evenbed.job import lists, marks
from evenbed.job.asked import Question, friction, unlike, whole_n_mm
from evenbed.job.ceiling import Ceiling, session_ceiling_of
from evenbed.job.marks import Done, Mark
from evenbed.job.notebook import Line, Notebook, thinned
from evenbed.job.order import order_remark
from evenbed.job.planned import Plan, PlannedPull
from evenbed.racquet.model import StringName
from evenbed.units import show_force

GAP_S = 600.0  # after so long without a pull the last clamped string deserves a new one: common practice, no source
UNDER = 0.97  # of the reference: so far a string is drawn to take its clamp off
ITEMS = {
    marks.INTAKE: lists.INTAKE,
    marks.CLOSING: lists.CLOSING,
    marks.GIVING_UP: lists.GIVING_UP,
    marks.BROKEN: lists.BROKEN,
}
AFTER = {marks.INTAKE: marks.STRINGING, marks.CLOSING: marks.FINISHED, marks.GIVING_UP: marks.GIVEN_UP}
BETWEEN = ("unarmed", "slack", "referencing", "tripped", "booted_loaded")  # states of the head between two pulls
LATER = ("choose", "tension", "break", "finish")  # what is asked with a string on the head is done once it is off
ENDS_BREAK = ("again", "take back", "string on", "choose", "give up", "broken", "finish")
GO_ON, AGAIN, TAKE_BACK, GIVE_UP = "go on", "again", "take back", "give up"


class Job(Notebook):
    """One job. ``state`` is the sum of its marks; ``take`` empties what is to be written and said."""

    def __init__(self, plan: Plan, before: Sequence[Mark] = (), unit: str | None = None) -> None:
        super().__init__(marks.fold(plan, before))
        self.unit = unit or plan.racquet.unit
        self.head_state = "unarmed"
        self.peer: str = ""  # what the twin has to say of the pull just made
        self._trace: list[tuple[float, float]] = []
        self._press_s: float | None = None
        self._last_s: float | None = None
        self._gap_told = False
        self._later: list[tuple[str, dict[str, Any]]] = []
        self._force_n: float | None = None
        if before:
            self._resume()
        else:
            self._list_line()

    # --- what others take ------------------------------------------------------------------------------------
    @property
    def wanted(self) -> Pull | None:
        """The pull that a tap shall begin now; None if it shall begin none."""
        s = self.state
        if s.phase == marks.TAKING_BACK and s.last is not None:
            p = s.last.pull
            return Pull(UNDER * p.target_n, p.family, label=_back(p), woven=p.woven, back=True)
        waits = s.question is not None and s.question.waits
        if s.phase != marks.STRINGING or s.next is None or s.paused or s.knot or waits:
            return None
        p = s.next
        # The slack is what the head allows.
        k = None
        if s.again is not None and self._again_is(p):
            k = whole_n_mm(s.again.measured, [d.measured for d in s.done])
        return Pull(
            p.target_n,
            p.family,
            p.speed_mm_s,
            over_pull=p.over_pull,
            label=self._label(p),
            woven=p.woven,
            stiffness_n_mm=k,
        )

    @property
    def over(self) -> bool:
        """Is there nothing left to do?"""
        return self.state.phase in (marks.FINISHED, marks.GIVEN_UP)

    @property
    def ceiling(self) -> Ceiling:
        """The session's ceiling: for what is left, and for the string that was clamped last, which may be pulled once more
        or taken back. Raises CeilingError."""
        s = self.state
        return session_ceiling_of(s.plan, [*s.left, *([s.newest.pull] if s.newest is not None else [])])

    def _again_is(self, p: PlannedPull) -> bool:
        again = self.state.again
        return again is not None and again.pull.number == p.number

    def _label(self, p: PlannedPull) -> str:
        return f"{p.label}, once more" if self._again_is(p) else p.label

    # --- hearing the head ------------------------------------------------------------------------------------
    def hear(self, now_s: float, message: dict[str, Any]) -> None:
        """Take one message of the control process."""
        kind = message.get("kind")
        if kind == "status":
            self._status(now_s, message)
        elif kind == "record":
            self._record(now_s, message["record"])
        elif kind == "event":
            if message["values"].get("tap"):
                self.act(now_s, GO_ON)
            elif message["name"] == "state":
                self._head(now_s, message["says"])

    def _status(self, now_s: float, s: dict[str, Any]) -> None:
        self._force_n = s["force_n"]
        if self._press_s is not None and s["force_n"] is not None:
            self._trace.append((round(s["t_s"] - self._press_s, 3), round(s["force_n"], 2)))
        gone = self._last_s is not None and now_s - self._last_s > GAP_S
        st = self.state
        if gone and not self._gap_told and st.phase == marks.STRINGING and st.newest and not st.question and st.next:
            self._gap_told = True
            if self.head_state in ("slack", "unarmed"):
                text = (
                    f"{GAP_S / 60.0:.0f} minutes since {st.newest.pull.label} was clamped: it has crept, and deserves a "
                    "new pull before the next string."
                )
                self._ask(Question("gap", text, ((GO_ON, "leave it"), (AGAIN, "pull it once more"))), None)

    def _head(self, now_s: float, says: str) -> None:
        was, self.head_state = self.head_state, says
        s = self.state
        if says == "taking_up":
            self._press_s = now_s
            self._trace.clear()
            if s.phase == marks.STRINGING and s.next is not None:
                self._mark("drawn", number=s.next.number)
        elif says == "holding" and was in ("drawing", "pre_stretching") and s.next and s.drawing == s.next.number:
            for name in (s.next.name, *s.next.also):
                s.of[name] = marks.HELD  # seen, not written: it is over with the pull
        elif says in ("tripped", "frozen"):
            self._press_s = None
        if says in BETWEEN and was not in BETWEEN and s.phase == marks.BROKEN:
            self._list_line()  # now a tap is an answer again
        if says in BETWEEN and self._later:
            later, self._later = self._later, []
            for action, values in later:
                self.act(now_s, action, **values)

    def _record(self, now_s: float, record: dict[str, Any]) -> None:
        s = self.state
        ended = record["ended"]
        self._press_s = None
        if s.last is not None and record["label"] == _back(s.last.pull):
            if ended == "let down" and record["reached_s"] is not None:
                self._taken_back(s.last)
            elif ended == "let off":
                self._say(f"{s.last.pull.label} was clamped again: it is not taken back.")
            return
        # One that was on the head when a string broke, or another was asked for, is in the bed all the same.
        p = self._made(record["label"]) if s.phase in (marks.STRINGING, marks.BROKEN, marks.TAKING_BACK) else None
        if p is None:
            return
        if ended == "let down":
            self._mark("let down", number=p.number)
            self._say(f"{p.label} was let down: it is still to be pulled.")
        elif ended != "let off":
            for name in (p.name, *p.also):
                s.of[name] = marks.NOT_YET
        else:
            self._pulled(now_s, p, record)

    def _made(self, label: str) -> PlannedPull | None:
        """The pull that the head calls so, None if there is none. What was asked for in the moment of the draw may have put
        another one in its place."""
        s = self.state
        for p in s.left:
            if label == self._label(p) or (label == p.label and not self._again_is(p)):
                return p
        again = next((d.pull for d in s.done[-1:] if label == f"{d.pull.label}, once more"), None)
        if again is not None:
            self._mark("again", number=again.number)
        return again

    def _pulled(self, now_s: float, p: PlannedPull, record: dict[str, Any]) -> None:
        s = self.state
        made = Done(p, record, None, self._again_is(p), "").measured
        before = [d.measured for d in s.done]
        rubs = friction(made, before)
        self._mark(
            "pulled",
            number=p.number,
            label=record["label"],
            record=record,
            friction=rubs,
            trace=thinned(self._trace),
            wall_s=round(now_s, 3),
        )
        self._last_s, self._gap_told = now_s, False
        slipped = record.get("proof") in NOT_PROVED
        if slipped:
            self._remark(f"{p.label}: its clamp was not proved ({record['proof']}).")
        question = unlike(made, before)
        waits = s.question is not None and s.question.waits
        if question is not None and s.phase == marks.STRINGING and not waits:
            self._ask(question, p.number)
        self._next_line()

    def _taken_back(self, done: Done) -> None:
        self._mark("taken back", number=done.pull.number)
        last = self.state.last
        if self.state.phase != marks.TAKING_BACK:
            self._say(f"{done.pull.label} is taken back.")
            return
        if last is None:
            self._say(f"{done.pull.label} is taken back: the bed is empty.")
            self._to(marks.STRINGING)
            return
        self._say(f"{done.pull.label} is taken back. Tap to take back {last.pull.label} too, or go on stringing.")

    # --- hearing the stringer --------------------------------------------------------------------------------
    def act(self, now_s: float, action: str, **values: Any) -> None:
        """Do what the stringer says. ``action`` is one of "go on" (a tap, too), "again", "take back", "string on", "break",
        "note", "not fine", "figure", "tension", "choose", "finish", "give up", "broken". What does not apply is said."""
        known: dict[str, Callable[..., None]] = {
            GO_ON: self._go_on,
            AGAIN: self._again,
            TAKE_BACK: self._take_back,
            "string on": self._string_on,
            "break": self._break,
            "note": self._note,
            "not fine": self._not_fine,
            "tension": self._tension,
            "choose": self._choose,
            GIVE_UP: self._give_up,
            "broken": self._broken,
            "figure": self._figure,
            "finish": self._finish,
        }
        do = known.get(action)
        if do is None:
            self._say(f"'{action}' is nothing that a job knows.")
        elif action in LATER and self.head_state not in BETWEEN:
            self._later.append((action, values))
            self._say("Noted: as soon as this string is off the head.")
        else:
            if self.state.paused and action in ENDS_BREAK and self.head_state in BETWEEN:
                self._mark("resumed")
            do(now_s, **values)

    def _go_on(self, now_s: float) -> None:
        s = self.state
        if s.phase in ITEMS:
            self._checked(True, "")
        elif s.paused:
            self._mark("resumed")
            self._next_line()
        elif s.question is not None:
            self._mark("answered", key=s.question.key, answer=GO_ON, number=s.question.number)
            self._next_line()
        elif s.knot:
            self._mark("tied", knot=s.knot)
            self._next_line()
        elif s.phase == marks.STRINGING and s.next is not None:
            self._say("Nothing waits for an answer.")

    def _again(self, now_s: float) -> None:
        s = self.state
        if not self._between():
            return
        if s.phase != marks.STRINGING or s.newest is None:
            self._no_clamped("pull once more")
            return
        if s.question is not None:
            self._mark("answered", key=s.question.key, answer=AGAIN, number=None)
        pull = s.newest.pull
        if s.again is None:
            self._mark("again", number=pull.number)
        self._say(f"{pull.label} once more: grip its tail again, tap, open its clamp once the head stands.")
        self._next_line()

    def _take_back(self, now_s: float) -> None:
        s = self.state
        if not self._between():
            return
        if s.newest is None or s.phase not in (marks.STRINGING, marks.CLOSING):
            self._no_clamped("take back")
            return
        if s.question is not None:
            self._mark("answered", key=s.question.key, answer=TAKE_BACK, number=None)
        self._not_again()
        self._to(marks.TAKING_BACK)
        self._back_line()

    def _no_clamped(self, to_do: str) -> None:
        listed = self.state.phase in ITEMS and self.state.newest is not None
        self._say("Finish the list first." if listed else f"There is no clamped string to {to_do}.")

    def _not_again(self) -> None:
        """What was to be pulled once more stays as it is."""
        again = self.state.again
        if again is not None:
            self._mark("kept", number=again.pull.number)
            self._say(f"{again.pull.label} is not pulled once more: does its clamp hold it?")

    def _string_on(self, now_s: float) -> None:
        if self.state.phase in (marks.TAKING_BACK, marks.GIVING_UP, marks.BROKEN) and self._between():
            self._to(marks.STRINGING)
            self._next_line()

    def _break(self, now_s: float) -> None:
        if self.state.phase == marks.STRINGING and self._between():
            self._mark("break")
            mains_only = any(p.name.kind == "main" for p in self.state.left)
            more = " The frame is loaded along its length only: not overnight, and not out of its supports." * mains_only
            self._say(f"Break. Tap to go on.{more}")

    def _note(self, now_s: float, text: str) -> None:
        if text.strip():
            self._mark("note", text=text.strip())
            self._say(f"Noted: {text.strip()}")

    def _figure(self, now_s: float, text: str) -> None:
        if self.state.phase in ITEMS:
            self._checked(True, text.strip())

    def _not_fine(self, now_s: float) -> None:
        if self.state.phase in ITEMS:
            item = ITEMS[self.state.phase][self.state.item]
            self._remark(item.otherwise or "Noted.")
            self._checked(False, "")

    def _tension(self, now_s: float, kind: str, newtons: float, name: StringName | None = None) -> None:
        s = self.state
        if not self._between():
            return
        said = f"own string {name}" if name is not None else {"main": "mains", "cross": "crosses"}[kind]
        values: dict[str, Any] = {f"{kind}_n": newtons}
        if name is not None:
            values = {"own": (name.kind, name.number, name.side), "newtons": newtons}
        trial = marks.begin(s.plan)  # every string: any may be pulled once more, or taken back and pulled again
        marks.apply(trial, Mark("tension", values))
        try:
            session_ceiling_of(trial.plan, trial.left)
        except ValueError as e:
            self._remark(str(e))
            return
        self._mark("tension", **values)
        self._lines.append(Line("reference", f"From now on {show_force(newtons, self.unit)} for the {said}."))

    def _choose(self, now_s: float, number: int) -> None:
        s = self.state
        if not self._between():
            return
        if number not in [p.number for p in s.left]:
            self._say(f"Pull {number} is not among those that are left.")
            return
        if s.again is not None:
            if self._again_is(next(p for p in s.left if p.number == number)):
                self._say(f"{s.again.pull.label} is next already.")
                return
            self._not_again()
        remark = order_remark(s, number)
        self._mark("order", number=number)
        if remark:
            self._remark(remark)
            self._mark("remark", text=remark)
        self._next_line()

    def _give_up(self, now_s: float) -> None:
        if not self.over and self._between():
            self._not_again()
            self._to(marks.GIVING_UP)
            self._say("Giving the racquet up.")
            self._list_line()

    def _finish(self, now_s: float) -> None:
        s = self.state
        if not self._between():
            return
        if s.phase != marks.STRINGING or s.newest is None:
            self._say("There is nothing to finish.")
            return
        self._not_again()
        if s.left and not s.plan.free:
            self._remark(f"{len(s.left)} pulls of the plan are still to be made. As you wish.")
        self._to(marks.CLOSING)
        self._list_line()

    def _broken(self, now_s: float) -> None:
        if self.state.phase in (marks.STRINGING, marks.TAKING_BACK, marks.CLOSING):
            self._to(marks.BROKEN)
            if self.head_state not in BETWEEN:
                self._remark(lists.ON_HEAD)
            self._list_line()

    def _between(self) -> bool:
        """Is the head between two pulls? Else say so."""
        if self.head_state in BETWEEN:
            return True
        self._say("Not now: a string is on the head. Say it again once it is off.")
        return False

    # --- lists, lines, marks ---------------------------------------------------------------------------------
    def _checked(self, fine: bool, text: str) -> None:
        s = self.state
        items = ITEMS[s.phase]
        phase = s.phase
        self._mark("checked", phase=phase, item=items[s.item].key, fine=fine, text=text)
        if s.item < len(items):
            self._list_line()
        else:
            self._listed(phase)

    def _listed(self, phase: str) -> None:
        """A list is at its end."""
        s = self.state
        if phase == marks.BROKEN:
            self._to(marks.STRINGING)
            once_more = ((AGAIN, "pull the last one once more"),) if s.newest is not None else ()
            answers = ((GO_ON, "the rest is long enough: go on"), *once_more, (GIVE_UP, "give the racquet up"))
            self._ask(Question("broken", "Can it go on?", answers, waits=True), None)
            return
        self._to(AFTER[phase])
        if self.state.phase == marks.STRINGING:
            self._next_line()
        elif self.over:
            self._say("The racquet is given up." if self.state.phase == marks.GIVEN_UP else "The racquet is strung.")

    def _list_line(self) -> None:
        items = ITEMS[self.state.phase]
        item = items[self.state.item]
        how = f"Type {item.asks}, and Enter; or tap." if item.asks else "Tap when done."
        if self.head_state not in BETWEEN:
            how = "Enter when done."
        self._say(f"{self.state.phase.capitalize()} {self.state.item + 1} of {len(items)}: {item.text} {how}")

    def _next_line(self) -> None:
        s = self.state
        if s.phase != marks.STRINGING or s.paused:
            return
        if s.knot:
            self._say(lists.KNOT.format(knot=s.knot))
            return
        if s.question is not None and s.question.waits:
            return
        p = s.next
        if p is None:
            self._to(marks.CLOSING)
            self._list_line()
            return
        if p.new_reference:
            piece = s.plan.racquet.pieces[p.piece]
            self._lines.append(
                Line(
                    "reference", f"New reference: {show_force(p.target_n, self.unit)} ({piece.family}), from {p.label} on."
                )
            )
        for said in p.says:
            if not said.startswith("New reference"):  # said above, as it is now
                self._remark(said)

    def _resume(self) -> None:
        s = self.state
        if s.phase in ITEMS:
            if s.item < len(ITEMS[s.phase]):
                self._list_line()
            else:
                self._listed(s.phase)
            return
        if s.phase == marks.TAKING_BACK and s.last is not None:
            self._back_line()
        elif s.phase == marks.TAKING_BACK:
            self._to(marks.STRINGING)
        if s.paused:
            self._mark("resumed")
        if s.phase != marks.STRINGING:
            return
        if s.drawing is not None and s.next is not None:
            self._remark(f"{s.next.label} was on the head when the program ended: it counts as not pulled.")
        if s.question is not None and s.question.waits:
            self._question_line(s.question)
        elif s.newest is not None:
            text = f"Does the last clamp still hold? It is on {s.newest.pull.label}. Look, never assume."
            answers = ((GO_ON, "it holds"), (AGAIN, "pull it once more"), (TAKE_BACK, "take it back"))
            self._ask(Question("clamp", text, answers, waits=True), None)
        else:
            self._next_line()

    def _back_line(self) -> None:
        last = self.state.last
        if last is not None:
            force = show_force(UNDER * last.pull.target_n, self.unit)
            self._say(lists.TAKING_BACK.format(label=last.pull.label, force=force))


def _back(p: PlannedPull) -> str:
    return f"taking back {p.label}"
