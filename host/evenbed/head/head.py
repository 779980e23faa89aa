"""The tension head: decides, once per sample, what the board is asked to do.

``step`` is a function of the time, the sample and what people ask; it reads no clock and touches no port. The states are
in ``states.py``, the motion in ``governor.py``; here is what leads from one to the next.
"""

from __future__ import annotations

from evenbed_fw import faults, safety, wire

from evenbed.head import planning, reference
from evenbed.head import states as st
from evenbed.head.align import Aligner
from evenbed.head.asking import ANSWER_S, Asking
from evenbed.head.guard import LOADED_N, Guard
from evenbed.head.learning import DelayBook
from evenbed.head.pedal import HINTS, PedalListener
from evenbed.head.proof import SLACK_N, ProofBook
from evenbed.head.record import PullRecord
from evenbed.head.reference import Referencing, ZeroWatch, at_home, shift_n
from evenbed.head.rest import RestWatch
from evenbed.head.running import NOTHING_PULLS, RETURN_MM_S, TAKEN_BACK, PullRun
from evenbed.head.steady import Forecast
from evenbed.head.stops import stop_event, told
from evenbed.head.tripped import Tripped
from evenbed.head.types import Ask, Command, Event, Force, Fresh, Go, Known, Pull, RigModel, Say, Shot, Stale, Step
from evenbed.link.messages import No, Ok, Sample, Trip

STALE_S = 0.1
START_S = 0.3  # a draw that the board has not begun by then is given up
NO_READINGS_S = 6.0
RETURN_S = 15.0
THAW_S = 0.3
NOT_SOUND, BOARD_MISSING, FOUND_LOADED = 27, 43, 86  # of the catalogue


class Head:
    """One tension head on one rig."""

    def __init__(self, rig: RigModel, ceiling_n: float) -> None:
        self.rig = rig
        self.ceiling_n = min(ceiling_n, rig.limit_n)
        self.states = st.States()
        self.pull: Pull | None = None
        self.run: PullRun | None = None  # the pull under way, or the last one
        self.delays = DelayBook(rig)
        self.proofs = ProofBook()
        self.pedal = PedalListener()
        self._rest = RestWatch()
        self.guard = Guard(rig)
        # Of the working zero, from the reference zero; and of the one taken at arming: later ones stay near it.
        self.working_zero_n = self._armed_zero_n = 0.0
        self.home_mm: float | None = None
        self.shot: Shot | None = None
        self.stop: Event | None = None
        self._now = self._since_s = 0.0
        self._aligner = Aligner(rig.period_s)
        self._referencing: Referencing | None = None
        self._zero_watch: ZeroWatch | None = None
        self.known: Known | None = None  # the calibration that the board reckons with
        self._conversion = -1
        self._tripped: Tripped | None = None
        self._thawing_s = 0.0  # until then lines may still tell of the freeze that is being left
        self._slack_at_hold = self._clear_due = False  # cleared as soon as the carriage stands
        self._asking = Asking()
        self.wished_n = self.ceiling_n  # lowest ceiling that somebody has asked for; the board may not have it yet
        self._ceiling_due_n: float | None = None  # a lower ceiling that the board has still to be told
        self.line: Sample | None = None  # the newest line of the board, with or without a reading
        self._commands: list[Command] = []
        self._events: list[Event] = []

    # --- what may be seen ------------------------------------------------------------------------------------
    @property
    def state(self) -> str:
        """Name of the state."""
        return self.states.state

    @property
    def force(self) -> Force:
        """The force, if it may be used."""
        if self.shot is None:
            return Stale("no reading yet")
        age = self._now - self.shot.taken_s
        if age > STALE_S:
            return Stale(f"the last reading is {age:.1f} s old")
        if not self.shot.sample.sound:
            return Stale("the board does not trust its readings")
        return Fresh(self.shot.force_n, age, "working" if self.working_zero_n else "reference")

    @property
    def steady(self) -> bool:
        """Has the hold settled?"""
        return self.run is not None and self.run.steady

    @property
    def record(self) -> PullRecord | None:
        """Record of the pull under way, or of the last one."""
        return self.run.record if self.run is not None else None

    @property
    def question(self) -> str:
        """What is asked of the stringer: "open", "slips" or "gone" while a clamp is not proved, else empty."""
        return self.run.question if self.run is not None else ""

    @property
    def forecast(self) -> Forecast | None:
        """What clamping now would lose."""
        return self.run.forecast if self.run is not None else None

    @property
    def word(self) -> str:
        """The word of the moment."""
        return st.word(self.state, self.question, self.steady, self.pull)

    # --- what may be asked ------------------------------------------------------------------------------------
    def plan(self, pull: Pull | None) -> None:
        """Set the next pull, or none. Raises ValueError if it does not fit under the session's ceiling or is no pull."""
        planning.check(pull, self._lowest_n, self.known)
        self.pull = pull

    def set_ceiling(self, ceiling_n: float) -> None:
        """Set the session's ceiling, N. It is lowered at will and raised only unarmed; the board has to echo it.

        Raises ValueError for a ceiling that is none, above the rig's limit, or above the present one while armed.
        """
        # While an arm is awaited the board may be armed already.
        unarmed = self.state in (st.UNARMED, st.BOOTED_LOADED) and self._asking.wanted != "arm"
        planning.check_ceiling(ceiling_n, self.rig.limit_n, None if unarmed else self._lowest_n)
        self.wished_n = ceiling_n
        if unarmed:
            self.ceiling_n = ceiling_n
        else:
            self._ceiling_due_n = ceiling_n
        if self.state not in st.LOADED and not planning.fits(self.pull, ceiling_n):
            self.pull = None

    def lost(self, number: int, **values: float) -> Step:
        """The board is gone (entry ``number`` of the catalogue says how). Nothing resumes when it comes back."""
        self._begin(self._now)
        if self.states.may("lost"):
            self.states.fire("lost")
            self._events.append(told(number, **values))
        elif self.line is not None and "silent_s" in values:
            self._events.append(told(BOARD_MISSING, **values))
        self.shot = None
        self.line = None
        self._asking = Asking()
        self.ceiling_n = self._lowest_n  # what was asked for before the board was gone still holds
        self._ceiling_due_n = None
        self._tripped = None
        self.pedal = PedalListener()
        self._rest = RestWatch()
        self._aligner = Aligner(self.rig.period_s)
        self.home_mm = None
        self._close("link lost")
        return self._done()  # told now, not again with the next step

    def answer(self, said: Ok | No | Trip) -> None:
        """Take the board's answer to a single line."""
        if isinstance(said, Trip):
            if said.fault and self._tripped is not None:
                self._note(self._tripped.record(said, self.shot))
                self.stop = self._tripped.first
            return
        if not self._asking.wanted:
            return
        granted, echo_n, event = self._asking.take(said, self.rig.limit_n, self.line, self.shot)
        self._note(event)
        if granted in ("arm", "ceiling"):
            self.ceiling_n = echo_n
        if granted == "arm" and self.states.may("armed"):
            self._armed()

    @property
    def _fresh(self) -> Fresh | None:
        """The force from the reference zero, if it may be used."""
        force = self.force
        if self.shot is None or not isinstance(force, Fresh):
            return None
        return Fresh(self.shot.reference_force_n, force.age_s, "reference")

    def _armed(self) -> None:
        self._enter("armed")
        self._referencing = Referencing(self.rig, self._now, self._shift_n, self.working_zero_n)

    @property
    def _lowest_n(self) -> float:
        return min(self.ceiling_n, self.wished_n)

    @property
    def _shift_n(self) -> float:
        return shift_n(self.known, self.pull.reference_n if self.pull is not None else self.ceiling_n)

    def step(self, now_s: float, sample: Sample | None, board_s: float, taken_s: float, asks: tuple[Ask, ...] = ()) -> Step:
        """Take one sample or none, and what people ask. ``board_s`` is the sample's time on the board's clock, for
        differences; ``taken_s`` the same moment on the host's."""
        events = self._events
        self._begin(now_s)
        self._events = events  # answers taken since the last step are told with this one
        fresh = False
        if sample is not None:
            # A line without a new conversion tells the board's state, but no force: nothing is decided on it.
            fresh = sample.conversion != self._conversion
            self._conversion = sample.conversion
            self.line = sample
            if fresh:
                self._see(board_s, taken_s, sample)
            if self.shot is not None:
                self._note(self._rest.hear(now_s, sample, self.state, self.shot.reference_force_n))
            self._obey_board(sample)
        if self._tripped is not None:
            self._note(self._tripped.overdue(now_s))
            self._note(self._tripped.given_up(now_s, self._fresh.force_n if self._fresh is not None else None))
        if self._asking.wanted == "ceiling" and self.wished_n < self.ceiling_n:
            self._ceiling_due_n = self.wished_n  # until the board has echoed it
        self._note(self._asking.overdue(now_s))
        if self._ceiling_due_n is not None and not self._asking.wanted:
            self._want("ceiling", self._ceiling_due_n)
            self._ceiling_due_n = None
        for ask in asks:
            self._asked(ask)
        for press in self.pedal.hear(now_s, sample) if sample is not None else ():
            self._pressed(press)
        if self._clear_due and sample is not None and sample.rate_steps_s == 0:
            self._clear_due = False
            if self.state == st.TRIPPED and self._unloaded():
                self._want("clear")
        if fresh and self.shot is not None:
            self._act(self.shot)
        return self._done()

    def _done(self) -> Step:
        events, self._events = self._events, []
        return Step(self._commands, events)

    def _begin(self, now_s: float) -> None:
        self._now = now_s
        self._commands, self._events = [], []

    def _tell(self, name: str, says: str, **values: float) -> None:
        self._note(Event(name, says, values))

    def _enter(self, name: str) -> None:
        self.states.fire(name)
        if self.states.state == st.SLACK:
            self._zero_watch = ZeroWatch(self._now, self._shift_n)
        self._since_s = self._now
        self.pedal.lock(self._now)
        self._tell("state", self.states.state)

    def _want(self, kind: str, value_n: float = 0.0) -> None:
        if (line := self._asking.ask(self._now, kind, value_n)) is not None:
            self._commands.append(line)

    def _note(self, event: Event | None) -> None:
        if event is not None:
            self._events.append(event)

    # --- samples -----------------------------------------------------------------------------------------------
    def _see(self, board_s: float, taken_s: float, s: Sample) -> None:
        rig = self.rig
        reference_n = (s.raw_counts - rig.zero_counts) / rig.counts_per_n
        x = s.position_steps / rig.steps_per_mm
        v = s.rate_steps_s / rig.steps_per_mm
        self.shot = Shot(board_s, taken_s, s, reference_n - self.working_zero_n, reference_n, x, v)
        self._aligner.add(board_s, x, v)
        if s.has(safety.F_END_LOW) and s.rate_steps_s == 0:
            self.home_mm = x
        elif s.state in (safety.LATCHED, safety.CUT):
            self.home_mm = None  # without power a hand may turn the screw

    def _obey_board(self, s: Sample) -> None:
        """The board's own state comes first."""
        state = self.state
        if s.fault and state != st.TRIPPED and s.fault not in (faults.PRESSED, faults.STOPPED):
            self._tripped = Tripped(self._now, s.fault, self.rig, self._fresh)
            self.stop = self._tripped.first
            self._close(self.stop.name)
            self._enter("tripped")
            self._commands.append(Say("trip"))
        elif s.state == safety.FROZEN and state in st.LOADED and s.fault and self._now > self._thawing_s:
            self._enter("froze")
            self._close("stopped")
            stopped = stop_event(s.fault, None, self.rig, self._fresh)
            self._events.append(stopped)
            self.stop = self.guard.said if s.fault == faults.STOPPED and self.guard.said is not None else stopped
        elif s.state == safety.LATCHED and state not in (st.UNARMED, st.BOOTED_LOADED, st.TRIPPED):
            names = ("cleared", "disarmed", "lost")
            self._enter(next(name for name in names if self.states.may(name)))
        elif state == st.TRIPPED and s.state == safety.LATCHED and not s.fault:
            self._enter("cleared")
            self.stop = self._tripped = None
        elif state == st.TAKING_UP and s.state == safety.ARMED and self._now - self._since_s > START_S:
            # The board has not taken the draw, and after this it must not: a later press shall mean something new.
            self._enter("no_contact")
            self._tell("hint", "The board did not start the draw. Tap once more, a second after the last press.")
            self._close("not drawn")
        elif state == st.FROZEN and s.state == safety.ARMED:
            self._close("let down")
            self._enter("down")
        elif state == st.UNARMED and s.state == safety.ARMED:
            if self._asking.wanted != "arm":
                self._want("disarm")  # armed before the link was lost, or not for us: no ceiling of ours
            elif self._now - self._asking.since_s > ANSWER_S / 2.0:
                self._asking.wanted = ""  # the answer was lost, the deed is seen; its ceiling is told once more
                self._ceiling_due_n = self._lowest_n
                self._armed()
        elif state == st.REFERENCING and self._now - self._since_s > NO_READINGS_S:
            self._events.append(told(reference.ZERO_NO_READINGS))
            self._enter("zero_refused")
            self._want("disarm")
        elif state == st.RETURNING and s.state == safety.ARMED and self._now - self._since_s > RETURN_S:
            self._enter("returned")  # it may not or need not go further
        elif state == st.UNARMED and self._rest.loaded and self.shot is not None:
            self._enter("found_loaded")
            self._events.append(told(FOUND_LOADED, force_n=self.shot.reference_force_n))
        elif state == st.BOOTED_LOADED and s.sound and self._unloaded():
            self._enter("found_slack")

    # --- people --------------------------------------------------------------------------------------------------
    def _asked(self, ask: Ask) -> None:
        state = self.state
        if ask is Ask.STOP:
            if state in st.LOADED or (self._tripped is not None and self._tripped.stop()):
                self._commands.append(Say("stop"))
        elif ask is Ask.LET_DOWN:
            self._let_down()
        elif ask is Ask.CLEAR and state in (st.TRIPPED, st.FROZEN):
            self._want("clear")
        elif ask is Ask.DISARM and state == st.SLACK:
            self._want("disarm")
        elif ask is Ask.ARM and state == st.UNARMED:
            self._ask_to_arm()

    def _ask_to_arm(self) -> None:
        if self.line is not None and not self.line.sound:
            # The board takes a press without readings for a let-down: it could only answer that it is busy.
            self._events.append(told(NOT_SOUND, {"wanted": "arm"}))
        else:
            self.ceiling_n = self._lowest_n
            self._want("arm", self.ceiling_n)

    def _let_down(self) -> None:
        if self.state == st.TAKING_UP:
            self._enter("no_contact")
            self._close("let down")
        elif self._tripped is not None:
            self._tripped.let_down(self._now)
        elif self.states.may("let_down"):
            if self.run is not None:
                self.run.let_down()
            self._thawing_s = self._now + THAW_S if self.state == st.FROZEN else 0.0
            self._enter("let_down")

    def _pressed(self, press: str) -> None:
        state = self.state
        if press == "long hold" and state == st.UNARMED:
            self._ask_to_arm()
        elif press == "hold" and state == st.TRIPPED:
            self._slack_at_hold = self._unloaded()  # or this press is one that lets down
        elif press == "long hold over" and state == st.TRIPPED:
            self._clear_due = self._slack_at_hold  # not sooner: for as long as the pedal is down the board lets down
        elif press == "hold" and state in (st.PRE_STRETCHING, st.HOLDING, st.PROVING_CLAMP):
            self._let_down()
        elif press in HINTS and state in HINTS[press][1]:
            if state != st.TRIPPED or self.stop is None or self.stop.name != "pedal":  # else it has been said
                self._tell("hint", HINTS[press][0])
        elif press == "tap":
            self._tapped()

    def _tapped(self) -> None:
        state = self.state
        if state == st.UNARMED:
            self._tell("hint", "Not armed. Hold the pedal for two seconds to arm.", tap=1.0)
        elif state == st.SLACK:
            if self.pull is None:
                self._tell("hint", "No pull is planned.", tap=1.0)
            elif not self._unloaded():
                self._tell("hint", "The string still pulls: hold the pedal to let it down before it is drawn again.")
            elif self.pedal.double:
                self._tell("hint", "That was a second press within a second: it starts nothing. Press once more.")
            else:
                self._begin_draw(self.pull)
        elif state == st.PRE_STRETCHING:
            self._tell("hint", "Pre-stretching: wait for the reference, or hold the pedal to let the string down.")
        elif state == st.HOLDING and self.pedal.double:
            self._tell("hint", "That was a second press within a second: it does nothing. Tap once the clamp is set.")
        elif state == st.HOLDING and self.run is not None and self.run.pull.back:
            self._tell("hint", TAKEN_BACK)
        elif state == st.HOLDING:
            assert self.shot is not None and self.run is not None
            self.run.begin_proof(self._now, self.shot)
            self._enter("clamped")
        elif state == st.PROVING_CLAMP and self.question and self.run is not None:
            if self.shot is not None and self.shot.force_n < SLACK_N:
                self._tell("hint", NOTHING_PULLS)
            elif self.pedal.double:
                self._tell("hint", "That was a second press within a second: it raises nothing. Press once more.")
            else:
                self.run.question = ""
                self._enter("back_to_reference")
        elif state == st.FROZEN:
            self._let_down()

    def _unloaded(self) -> bool:
        return self.shot is not None and self.shot.reference_force_n <= LOADED_N

    # --- a pull ----------------------------------------------------------------------------------------------
    def _begin_draw(self, pull: Pull) -> None:
        shot = self.shot
        if shot is None or not shot.sample.sound:
            self._tell("hint", "The readings are not sound: nothing is drawn.")
            return
        self.run = PullRun(self.rig, pull, self.ceiling_n, self._aligner, self.delays, self.proofs, self._now, shot)
        if self.known is not None:
            self.run.record.calibration = self.known.number
            self.run.record.expanded_n = self.known.expanded_n(pull.reference_n)
        self.guard.said = None
        self._enter("draw")

    def _close(self, how: str) -> None:
        """End the record of the pull that is under way, if one is."""
        if self.run is not None and self.run.close(how, self._now):
            self._tell("pull_done", how)

    def _act(self, shot: Shot) -> None:
        if self.state == st.REFERENCING:
            self._reference(shot)
        elif self.state == st.SLACK:
            self._watch_zero(shot)
        elif self.state == st.TRIPPED and self._tripped is not None:
            self._commands += self._tripped.step(self._now, shot, self.ceiling_n)
            self._note(self.guard.lowering(shot))
        elif self.state in st.LOADED:
            self._run(shot)
        elif self.state == st.FROZEN:
            self._note(self.guard.lowering(shot))

    def _run(self, shot: Shot) -> None:
        run = self.run
        if run is None:
            # A string from before this program began: it can only come down.
            if self.state == st.EASING_OFF:
                self._commands.append(Go(wire.EASE, RETURN_MM_S, shot.x_mm - 5.0, self.ceiling_n))
            return
        go = run.step(self.state, self._now, shot, self._now - self._since_s, self.home_mm)
        if go is not None:
            self._commands.append(go)
        self._events += run.told
        run.told.clear()
        for name in run.happened:
            self._enter(name)
            if name == "slack_again":
                self._close(run.ends)
            elif name == "no_contact":
                self._close("no string")
        run.happened.clear()
        if self.state not in st.LOADED:
            self._commands.clear()
            return
        why = self.guard.check(self._now, shot, self.ceiling_n, self.state)
        if why is not None:
            self._commands.clear()
            self._commands.append(Say("stop"))
            self._note(why if self.guard.said is None else None)
            self.guard.said = self.guard.said or why

    def _watch_zero(self, shot: Shot) -> None:
        watch = self._zero_watch
        if watch is None:
            return
        new = watch.step(self._now, shot, at_home(shot, self.home_mm), self._armed_zero_n)
        if new is not None:
            self.working_zero_n = new
        elif watch.shifted_n is not None:
            self._events.append(told(reference.ZERO_SHIFTED, zero_n=watch.shifted_n))
            self._zero_watch = None

    def _reference(self, shot: Shot) -> None:
        assert self._referencing is not None
        done = self._referencing.step(self._now, shot, at_home(shot, self.home_mm))
        if done is None:
            return
        if done.refused:
            limit_n = self._referencing.limit_n if done.refused == reference.ZERO_FAR else reference.NOISE_N
            self._events.append(told(done.refused, zero_n=done.zero_n, limit_n=limit_n, waited_s=reference.PATIENCE_S))
            self._enter("zero_refused")
            self._want("disarm")
            return
        self.working_zero_n = self._armed_zero_n = done.zero_n
        if done.kept:
            self._events.append(told(reference.ZERO_NOT_HOME, zero_n=done.zero_n))
        self._enter("zeroed")


__all__ = ["Head", "Step"]
