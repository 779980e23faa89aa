"""``evenbed job``: string a racquet, from the first main to the last tie-off, with the pedal alone."""

from __future__ import annotations

import shutil
import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

from evenbed.cli import leaving
from evenbed.cli.interrupts import Interrupts
from evenbed.cli.jobwords import HELP, typed
from evenbed.cli.keyboard import Keyboard, keyboard
from evenbed.cli.leaving import Lately, Leaving, left_on
from evenbed.cli.sounds import Sounds
from evenbed.cli.view import View, lines
from evenbed.cli.words import sentence
from evenbed.control.client import Control
from evenbed.control.status import Status
from evenbed.head.types import Ask
from evenbed.job import marks
from evenbed.job.job import ITEMS
from evenbed.job.notebook import Line
from evenbed.job.view import JobView, view
from evenbed.record.store import StoreError
from evenbed.units import show_force
from evenbed.work.session import JobSession

CONNECT_S = 5.0
AT_REST = ("unarmed", "slack", "referencing", "booted_loaded")
# What the head says of itself at every pull is on the screen already.
QUIET = ("slack", "taking_up", "drawing", "holding", "proving_clamp", "easing_off", "pre_stretching", "returning")
MARKS = {"say": "  ", "remark": "* ", "question": "? ", "reference": "= ", "trip": "! "}
CUE = {"question": "question", "reference": "reference", "trip": "trip"}


@dataclass(frozen=True)
class Manner:
    """How the window behaves: unit of the forces, sounds, spoken lines."""

    unit: str
    sounds: bool = True
    speak: bool = False


class Window:
    """One job in a terminal."""

    def __init__(
        self, session: JobSession, control: Control, manner: Manner, interrupts: Interrupts, clock: Callable[[], float]
    ) -> None:
        self.session = session
        self.control = control
        self.view = View(manner.unit)
        self.sounds = Sounds(manner.sounds, manner.speak)
        self._clock = clock
        self.lately = Lately()
        self.gone = False  # the board, or the process that hears it
        self._connected = False
        self._begun_s = clock()
        self._interrupts = interrupts
        self._presses = Leaving()
        self._leaving = False
        self._trouble = ""  # what the records said when they could not be written
        self.exit_code: int | None = None
        if self.sounds.cannot_speak:
            self.view.tell("  This computer has no speech program (such as espeak-ng): lines are only shown.")

    # --- the loop --------------------------------------------------------------------------------------------
    def run(self, keys: Keyboard) -> int:
        """Until the job is over or left; returns the exit code."""
        self._tell(self.session.start())
        while self.exit_code is None:
            try:
                messages = self.control.messages(0.1)
                lines = self.session.hear(messages)  # written down first, shown then
                for message in messages:
                    self._hear(message)
                self._tell(lines)
                self._trouble = self._trouble if self.session.unwritten else ""
                for text in keys.lines():
                    self._typed(text)
                while self.exit_code is None and self._interrupts.taken():
                    self._interrupted()
                self._check(keys)
            except StoreError as e:
                self._unwritten(e)
        if self.session.unwritten:
            self.view.tell("! The last marks are not written: what was pulled last will be asked for when the job goes on.")
        return self.exit_code

    def _unwritten(self, e: StoreError) -> None:
        """Said once; the session tries again, unless another program has the job."""
        if str(e) != self._trouble:
            self._trouble = str(e)
            what = "nothing more is planned until it is written" if e.passes else "nothing more is planned"
            self.view.tell(f"! {e} The head holds what it has; {what}. Hold the pedal to let down.")
        if not e.passes:
            self.control.plan(None)
            self.exit_code = 1

    def _check(self, keys: Keyboard) -> None:
        if self.exit_code is not None:
            return  # what was heard last has already ended it
        if stands := self._presses.stands(self.lately, self.view.unit):
            self.view.tell("\n".join(wrapped(stands, "! ")))
        if self.control.ended:
            self.gone = True
            freezes = " The board freezes by itself." if self._connected else ""
            self.view.tell(f"! The control process has ended.{freezes}")
            self.exit_code = 3
        elif not self._connected and self._clock() - self._begun_s > CONNECT_S:
            self.view.tell(
                f"! Nothing on this port answers as an evenbed board ({CONNECT_S:.0f} s). Is the firmware on it, is it the "
                "right port, is the board powered?"
            )
            self.exit_code = 1
        elif (self.session.job.over or self._leaving) and self._state in ("slack", "unarmed"):
            if self._state == "slack":
                self.control.ask(Ask.DISARM)
            else:
                self.exit_code = 0 if self.session.job.over else 130
        elif self._presses.count and self._state == "tripped" and self.lately.down:
            self.exit_code = 130
        if self.lately.last is not None and self.view.live:
            self.view.status(screen(self.lately.last, view(self.session.job), self.view.unit, keys.typing))

    @property
    def _state(self) -> str:
        return self.lately.state

    # --- what is heard ---------------------------------------------------------------------------------------
    def _hear(self, message: dict[str, Any]) -> None:
        kind = message["kind"]
        if kind == "status":
            self.lately.hear(cast(Status, message))
            self.gone = False
        elif kind == "event":
            self._event(message)
        elif kind == "record":
            self._record(message["record"])
        elif kind == "fatal":
            self.view.tell(f"! {message['says']}")
            self.exit_code = 1

    def _event(self, message: dict[str, Any]) -> None:
        name, says, values = message["name"], message["says"], message["values"]
        self.gone = self.gone or name == "link_lost"
        if name == "connected":
            self._connected = True
            says += " Hold the pedal for two seconds to arm."
        if name == "steady":
            self.sounds.cue("steady")
            return
        if self.session.job.over or (name == "state" and says in QUIET) or name == "disturbance" or values.get("tap"):
            return
        trouble = "fault" in values or name in ("also", "records")
        if name == "proof_failed":
            self.sounds.cue("question")
        elif (name == "state" and says in ("tripped", "frozen")) or "fault" in values:
            self.sounds.cue("trip")
        text = sentence(name, says, values, message.get("words"), self.view.unit)
        if text:
            self.view.tell("\n".join(wrapped(text, "! " if trouble else "  ")))

    def _record(self, r: dict[str, Any]) -> None:
        if r["ended"] != "let off":
            return
        unit = self.view.unit
        parts = [f"{show_force(r['force_at_clamp_n'] or 0.0, unit)} at the clamp"]
        if r["clamped_s"] is not None and r["reached_s"] is not None:
            parts.append(f"held {r['clamped_s'] - r['reached_s']:.1f} s")
        if r["draw_length_mm"] is not None:
            parts.append(f"draw {r['draw_length_mm']:.0f} mm")
        self.view.tell(f"  {r['label']:<22} {', '.join(parts)}, clamp {r['proof']}")

    def _tell(self, said: list[Line]) -> None:
        for line in said:
            self.view.tell("\n".join(wrapped(line.text, MARKS[line.kind])))
            if line.kind in CUE:
                self.sounds.cue(CUE[line.kind])
                self.sounds.say(line.text)

    # --- what is typed ---------------------------------------------------------------------------------------
    def _typed(self, text: str) -> None:
        job = self.session.job
        t = typed(text, job.state.phase in ITEMS)
        if t.trouble:
            self.view.tell(f"  {t.trouble}")
        elif t.action == "help":
            for word, meaning in HELP:
                self.view.tell(f"    {word:<20} {meaning}")
        elif t.action == "left":
            for p in job.state.left[:40]:
                self.view.tell(f"    {p.number:>3}  {p.label:<28} {show_force(p.target_n, self.view.unit)}")
        elif t.action == "down":
            self.control.ask(Ask.LET_DOWN)
        elif t.action == "quit":
            self._leave()
        elif t.action in ("crosses", "mains"):
            kind = "cross" if t.action == "crosses" else "main"
            number = next((p.number for p in job.state.left if p.name.kind == kind), 0)
            self._tell(self.session.act("choose", number=number))
        else:
            self._tell(self.session.act(t.action, **t.values))

    def _leave(self) -> None:
        if self._state in AT_REST or self._state == "":
            self.control.plan(None)
            self._leaving = True
            if self._state not in ("slack", "unarmed"):
                self.exit_code = 130
        else:
            self.view.tell("  A string is on the head: clamp it, or let it down with 'down', then leave.")

    def _interrupted(self) -> None:
        act, says = self._presses.interrupted(self.lately)
        if says:
            self.view.tell("\n".join(wrapped(says, "! " if act == leaving.STAY else "  ")))
        if act == leaving.LEAVE:
            self.exit_code = 130
            return
        self._leaving = True
        if act != leaving.STAY:
            self.control.ask(Ask.LET_DOWN if act == leaving.LET_DOWN else Ask.STOP)


def columns() -> int:
    """How wide lines may be here."""
    return max(60, min(shutil.get_terminal_size((120, 30)).columns - 1, 120))


def wrapped(text: str, mark: str) -> list[str]:
    """The text in lines that fit, the first with its mark."""
    return textwrap.wrap(text, columns(), initial_indent=mark, subsequent_indent=" " * len(mark)) or [""]


def job_word(v: JobView) -> str:
    """The one word of a job that waits for its stringer, "" if it waits for none."""
    if v["phase"] in (marks.FINISHED, marks.GIVEN_UP):
        return "done"
    if v["question"] is not None and v["question"]["waits"]:
        return "question"
    if v["list"] is not None:
        return "check"
    if v["paused"]:
        return "break"
    return "tie off" if v["knot"] else ""


def screen(s: Status, v: JobView, unit: str, typing: str) -> list[str]:
    """The lines of one moment, the word first."""
    width = columns()
    progress = f"{v['done']} of {v['total']} pulls" if v["total"] else f"pulls made: {v['done']}"
    out = lines(s, unit, progress)
    head = v["on_head"]
    waits = job_word(v) if s["state"] in AT_REST else ""
    if waits:
        out[0] = f"  {waits.upper():<12} {'':<18} {progress}"
    elif head is not None and s["state"] in ("unarmed", "slack", "referencing"):
        out[0] = f"  {s['word'].upper():<12} next: {head['label']}, {show_force(head['reference_n'], unit)}    {progress}"
    if head is not None:
        parts = [f"pulled at the {head['pulled_at']} ({head['hole']})"] if head["hole"] and v["total"] else []
        for what, where in (("first set", head["sets"]), ("open", head["frees"]), ("clamp", head["clamps"])):
            parts += [f"{what}: {where}"] if where else []
        parts += [f"then open: {head['opens']}"] if head["opens"] else []
        out += wrapped(" · ".join(parts), "  ")
    if v["weaving"] is not None:
        w = v["weaving"]
        out.append(f"  weave {w['label']} meanwhile, from the {w['enters']}, first {w['first']}")
    if v["load"] is not None:
        side = f"{'left' if v['ahead'] > 0 else 'right'} {abs(v['ahead'])} ahead" if v["ahead"] else "left and right even"
        left, right = (show_force(v["load"][key], unit) for key in ("left_n", "right_n"))
        out.append(f"  mains: {side}; on the frame {left} left, {right} right")
    asked = v["question"]["text"] if v["question"] else v["knot"] or (v["list"]["text"] if v["list"] else "")
    if asked:
        out += wrapped(asked, "? " if v["question"] else "> ")
    if typing:
        out.append(f"  > {typing}")
    return [line[:width] for line in out]


def work(session: JobSession, control: Control, manner: Manner, clock: Callable[[], float] = time.monotonic) -> int:
    """Run the window until the job is over or left; returns the exit code: 0 done, 1 no going on, 3 stopped, 130 left."""
    with Interrupts() as interrupts:
        window = Window(session, control, manner, interrupts, clock)
        with keyboard() as keys:
            code = window.run(keys)
        said = left_on(window.lately, manner.unit, window.gone) if code != 0 else ""
        if said:
            print(f"! {said}", flush=True)
    if session.job.over:
        print(f"The report: evenbed report {session.number}")
    else:
        print(f"Job {session.number} is kept: evenbed job resume {session.number}")
    return code
