"""The tension head: decides, once per sample, what the board is asked to do.

``step`` is a function of the time, the sample and what people ask; it reads no clock and touches no port. The states are
in ``states.py``, the motion in ``governor.py``; here is what leads from one to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed_fw import faults, safety, wire

from evenbed.head import states as st
from evenbed.head.align import Aligner
from evenbed.head.disturbance import DisturbanceWatch
from evenbed.head.governor import CONTACT_N, Drawing, Holding
from evenbed.head.guard import Guard, margin_n
from evenbed.head.learning import DelayBook
from evenbed.head.pedal import PedalListener
from evenbed.head.proof import FIRST_LOOK, ClampProof, Look, ProofBook
from evenbed.head.record import PullRecord
from evenbed.head.reference import Referencing
from evenbed.head.steady import Forecast, SteadyDetector
from evenbed.head.stops import stop_event
from evenbed.head.types import Ask, Command, Event, Force, Fresh, Go, Pull, RigModel, Say, Shot, Stale
from evenbed.link.messages import No, Ok, Sample, Trip

EASE_MM_S = 40.0
RETURN_MM_S = 30.0
SLACK_N = 3.0
STROKE_RESERVE_MM = 5.0
STALE_S = 0.1
ANSWER_S = 0.5
START_S = 0.3  # a draw that the board has not begun by then is given up
RECORD_S = 0.4  # a stop is told with the board's record, or after this long without


@dataclass(frozen=True)
class Step:
    """What one step decided."""

    commands: list[Command]
    events: list[Event]


class Head:
    """One tension head on one rig."""

    def __init__(self, rig: RigModel, ceiling_n: float) -> None:
        self.rig = rig
        self.ceiling_n = min(ceiling_n, rig.limit_n)
        self.states = st.States()
        self.pull: Pull | None = None
        self.record: PullRecord | None = None
        self.delays = DelayBook(rig)
        self.proofs = ProofBook()
        self.pedal = PedalListener()
        self.guard = Guard(rig)
        self.working_zero_n = 0.0  # of the working zero, from the reference zero
        self.home_mm: float | None = None
        self.shot: Shot | None = None
        self.question = ""
        self.stop: Event | None = None
        self.forecast: Forecast | None = None
        self._now = 0.0
        self._aligner = Aligner(rig.period_s)
        self._drawing: Drawing | None = None
        self._holding: Holding | None = None
        self._steady: SteadyDetector | None = None
        self._watch = DisturbanceWatch()
        self._proof: ClampProof | None = None
        self._look: Look | None = None
        self._k_open: float | None = None
        self._referencing: Referencing | None = None
        self._press_s = 0.0
        self._since_s = 0.0
        self._start_mm = 0.0
        self._reached_mm = 0.0
        self._ease_mm = 0.0
        self._conversion = -1
        self._stop_due_s: float | None = None
        self._wanted = ""  # the line whose answer is awaited
        self._wanted_s = 0.0
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
        zero = "working" if self.working_zero_n else "reference"
        return Fresh(self.shot.force_n, age, zero)

    @property
    def steady(self) -> bool:
        """Has the hold settled?"""
        return self._steady is not None and self._steady.steady

    @property
    def word(self) -> str:
        """The word of the moment."""
        state = self.state
        if state == st.HOLDING:
            if self.question:
                return "question"
            if self.steady:
                return "clamp"
            return "straighten" if self.pull is not None and self.pull.woven else "wait"
        if state == st.PROVING_CLAMP:
            return "question" if self.question else "wait"
        return {
            st.UNARMED: "arm",
            st.SLACK: "draw",
            st.EASING_OFF: "let off",
            st.RETURNING: "let off",
            st.FROZEN: "stopped",
            st.TRIPPED: "stop",
            st.BOOTED_LOADED: "loaded",
        }.get(state, "wait")

    # --- what may be asked ------------------------------------------------------------------------------------
    def plan(self, pull: Pull) -> None:
        """Set the next pull. Raises ValueError if it does not fit under the session's ceiling or is no pull at all."""
        top = pull.reference_n * (1.0 + pull.over_pull)
        if not pull.reference_n > 0.0:
            raise ValueError("a pull needs a reference above 0 N")
        if top > self.ceiling_n - 0.02 * pull.reference_n:
            raise ValueError(
                f"{top:.0f} N is too near the session's ceiling of {self.ceiling_n:.0f} N: "
                "lower the reference, or arm with a higher ceiling"
            )
        self.pull = pull

    def lost(self, why: str) -> Step:
        """The board is gone (silence, reboot, unplugged). Nothing resumes when it comes back."""
        self._begin(self._now)
        if self.states.may("lost"):
            self.states.fire("lost")
            self._tell("link_lost", why)
        self.shot = None
        self.pedal = PedalListener()
        self._aligner = Aligner(self.rig.period_s)
        self._close("link lost")
        return Step(self._commands, self._events)

    def answer(self, said: Ok | No | Trip) -> None:
        """Take the board's answer to a single line."""
        if isinstance(said, Trip):
            if said.fault:
                self._tell_stop(stop_event(said.fault, said, self.rig, self.force))
            return
        if not self._wanted:
            return
        wanted, self._wanted = self._wanted, ""
        if isinstance(said, No):
            self._tell("refused", f"The board refuses to {wanted}: {said.says}.", reason=said.reason)
        elif wanted == "arm" and self.states.may("armed"):
            self.ceiling_n = said.value / 1000.0
            self._enter("armed")
            self._referencing = Referencing(self.rig, self._now)

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
            if fresh:
                self._see(board_s, taken_s, sample)
            self._obey_board(sample)
            said = self.pedal.hear(now_s, sample)
        else:
            said = []
        if self._stop_due_s is not None and now_s > self._stop_due_s and self.stop is not None:
            self._tell_stop(self.stop)  # the board's record has not come: what is known has to do
        for ask in asks:
            self._asked(ask)
        for press in said:
            self._pressed(press)
        if fresh and self.shot is not None:
            self._act(self.shot)
        out = Step(self._commands, self._events)
        self._events = []
        return out

    def _begin(self, now_s: float) -> None:
        self._now = now_s
        self._commands = []
        self._events = []

    def _tell(self, name: str, says: str, **values: float) -> None:
        self._events.append(Event(name, says, values))

    def _enter(self, name: str) -> None:
        self.states.fire(name)
        self._since_s = self._now
        self.pedal.lock(self._now)
        self._tell("state", self.states.state)

    def _want(self, kind: str, value_n: float = 0.0) -> None:
        if self._wanted and self._now - self._wanted_s < ANSWER_S:
            return
        self._wanted = kind
        self._wanted_s = self._now
        self._commands.append(Say(kind, value_n))

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
        if self.record is not None and s.sound:
            self.record.peak_n = max(self.record.peak_n, self.shot.force_n)

    def _obey_board(self, s: Sample) -> None:
        """The board's own state comes first."""
        state = self.state
        if s.fault and state != st.TRIPPED and s.fault not in (faults.PRESSED, faults.STOPPED):
            self.stop = stop_event(s.fault, None, self.rig, self.force)
            self._stop_due_s = self._now + RECORD_S
            self._close(self.stop.name)
            self._enter("tripped")
            self._commands.append(Say("trip"))
        elif s.state == safety.FROZEN and state in st.LOADED and s.fault:
            self._enter("froze")
            self._tell_stop(stop_event(s.fault, None, self.rig, self.force))
        elif s.state == safety.LATCHED and state not in (st.UNARMED, st.BOOTED_LOADED, st.TRIPPED):
            names = ("cleared", "disarmed", "lost")
            self._enter(next(name for name in names if self.states.may(name)))
        elif state == st.TRIPPED and s.state == safety.LATCHED and not s.fault:
            self._enter("cleared")
            self.stop = None
        elif state == st.TAKING_UP and s.state == safety.ARMED and self._now - self._since_s > START_S:
            # The board has not taken the draw, and after this it must not: a later press shall mean something new.
            self._enter("no_contact")
            self._tell("hint", "The board did not start the draw. Tap once more, a second after the last press.")
            self._close("not drawn")
        elif state == st.FROZEN and s.state == safety.ARMED:
            self._close("let down")
            self._enter("down")
        elif state == st.UNARMED and s.sound and self.shot is not None and self.shot.reference_force_n > 10.0:
            self._enter("found_loaded")
            self._tell(
                "loaded",
                f"There is a string under {self.shot.reference_force_n:.0f} N on the head. Hold the pedal to let it down.",
            )
        elif state == st.BOOTED_LOADED and s.sound and self.shot is not None and self.shot.reference_force_n < 8.0:
            self._enter("found_slack")
        elif state == st.UNARMED and s.state == safety.ARMED:
            # Left over from before the link was lost: to be armed is to have asked for it.
            self._want("disarm")

    def _tell_stop(self, stop: Event) -> None:
        self._stop_due_s = None
        self.stop = stop
        self._events.append(stop)

    # --- people --------------------------------------------------------------------------------------------------
    def _asked(self, ask: Ask) -> None:
        state = self.state
        if ask is Ask.STOP:
            if state in st.LOADED:
                self._commands.append(Say("stop"))
        elif ask is Ask.LET_DOWN:
            self._let_down()
        elif ask is Ask.CLEAR and state in (st.TRIPPED, st.FROZEN):
            self._want("clear")
        elif ask is Ask.DISARM and state == st.SLACK:
            self._want("disarm")
        elif ask is Ask.ARM and state == st.UNARMED:
            self._want("arm", self.ceiling_n)

    def _let_down(self) -> None:
        if self.state == st.TAKING_UP:
            self._enter("no_contact")
            self._close("let down")
        elif self.states.may("let_down"):
            self.question = ""
            self._enter("let_down")
            self._close("let down")
        elif self.state == st.SLACK:
            return

    def _pressed(self, press: str) -> None:
        state = self.state
        if press == "long hold" and state == st.UNARMED:
            self._want("arm", self.ceiling_n)
        elif press == "long hold" and state == st.TRIPPED and self._unloaded():
            self._want("clear")
        elif press == "hold" and state in (st.HOLDING, st.PROVING_CLAMP):
            self._let_down()
        elif press == "tap":
            self._tapped()

    def _tapped(self) -> None:
        state = self.state
        if state == st.UNARMED:
            self._tell("hint", "Not armed. Hold the pedal for two seconds to arm.")
        elif state == st.SLACK:
            if self.pull is None:
                self._tell("hint", "No pull is planned.")
            elif self.pedal.double:
                self._tell("hint", "That was a second press within a second: it starts nothing. Press once more.")
            else:
                self._begin_draw(self.pull)
        elif state == st.HOLDING:
            self._begin_proof()
        elif state == st.PROVING_CLAMP and self.question:
            if self.pedal.double:
                self._tell("hint", "That was a second press within a second: it raises nothing. Press once more.")
            else:
                self.question = ""
                self._proof = None
                self._enter("back_to_reference")
        elif state == st.FROZEN:
            self._let_down()

    def _unloaded(self) -> bool:
        return self.shot is not None and self.shot.reference_force_n < 8.0

    # --- a pull ------------------------------------------------------------------------------------------------------
    def _begin_draw(self, pull: Pull) -> None:
        shot = self.shot
        if shot is None or not shot.sample.sound:
            self._tell("hint", "The readings are not sound: nothing is drawn.")
            return
        target = pull.reference_n * (1.0 + pull.over_pull)
        self.record = PullRecord(pull.label, pull.reference_n, self.ceiling_n)
        self._drawing = Drawing(self.rig, pull, self._aligner, self.delays.delay, shot.x_mm, target)
        self._holding = None
        self._steady = None
        self._proof = None
        self._look = None
        self._k_open = None
        self._watch = DisturbanceWatch()
        self.forecast = None
        self.question = ""
        self._start_mm = shot.x_mm
        self._press_s = self._now
        self._enter("draw")

    def _close(self, how: str) -> None:
        """End the record of the pull that is under way, if one is."""
        record = self.record
        if record is not None and not record.ended:
            record.ended = how
            record.done_s = self._now - self._press_s
            self._tell("pull_done", how)

    def _act(self, shot: Shot) -> None:
        state = self.state
        if state == st.REFERENCING:
            self._reference(shot)
        elif state in (st.TAKING_UP, st.DRAWING):
            self._draw(shot)
        elif state in (st.HOLDING, st.PRE_STRETCHING):
            self._hold(shot)
        elif state == st.PROVING_CLAMP:
            self._prove(shot)
        elif state in (st.EASING_OFF, st.RETURNING):
            self._ease(shot)
        if self.state in st.LOADED:
            self._guard(shot)

    def _guard(self, shot: Shot) -> None:
        record = self.record
        k = self.rig.stiffest_n_mm
        if self._drawing is not None and self._drawing.learner.k_n_mm is not None:
            k = self._drawing.learner.k_high_n_mm
        if record is not None and self.state in (st.TAKING_UP, st.DRAWING, st.PRE_STRETCHING, st.HOLDING):
            margin = margin_n(self.rig, shot, self.ceiling_n, k)
            record.least_margin_n = min(record.least_margin_n, margin)
        why = self.guard.check(self._now, shot, self.ceiling_n, self.state)
        if why:
            self._commands.clear()
            self._commands.append(Say("stop"))
            self._tell("guard", why, force_n=shot.reference_force_n, ceiling_n=self.ceiling_n)

    def _reference(self, shot: Shot) -> None:
        assert self._referencing is not None
        done = self._referencing.step(self._now, shot)
        if done is None:
            return
        if done.refused:
            self._tell("zero_refused", done.refused, zero_n=done.zero_n)
            self._enter("zero_refused")
            self._want("disarm")
            return
        self.working_zero_n = done.zero_n
        self._enter("zeroed")

    def _draw(self, shot: Shot) -> None:
        drawing, record, pull = self._drawing, self.record, self.pull
        assert drawing is not None and record is not None and pull is not None
        go = drawing.step(shot.t_s, shot.force_n, shot.x_mm, shot.v_mm_s, self.ceiling_n)
        self._commands.append(go)
        if shot.sample.has(safety.F_LIMITING):
            record.limited = True
        if self.state == st.TAKING_UP:
            if drawing.contact_mm is not None:
                record.contact_s = self._now - self._press_s
                self._enter("contact")
            elif self._no_string(shot, pull):
                self._enter("no_contact")
                self._tell(
                    "no_string",
                    f"No string felt over {shot.x_mm - self._start_mm:.0f} mm. Is it in the gripper? Put it in and tap.",
                )
                self._close("no string")
            return
        if drawing.arrived(shot.force_n, shot.x_mm, shot.v_mm_s):
            self._reach(shot, "over_pulled" if pull.over_pull > 0.0 else "reached")
        elif shot.sample.has(safety.F_END_HIGH):
            self._reach(shot, "out_of_travel")
            self._tell(
                "out_of_travel",
                f"The carriage is at its end at {shot.force_n:.0f} N, short of {drawing.target_n:.0f} N. "
                "Clamp, let off, take a shorter bite and draw again.",
                force_n=shot.force_n,
            )

    def _no_string(self, shot: Shot, pull: Pull) -> bool:
        run = shot.x_mm - self._start_mm
        at_end = shot.sample.has(safety.F_END_HIGH) and shot.v_mm_s == 0.0
        return at_end or (shot.v_mm_s == 0.0 and run > pull.slack_max_mm - 1.0)

    def _reach(self, shot: Shot, name: str) -> None:
        drawing, record, pull = self._drawing, self.record, self.pull
        assert drawing is not None and record is not None and pull is not None
        learner = drawing.learner
        found = learner.find_delay()
        if found is not None:
            self.delays.add(found)
        k = learner.k_n_mm or self.rig.stiffest_n_mm
        target = min(drawing.target_n, shot.force_n) if name == "out_of_travel" else drawing.target_n
        self._holding = Holding(self.rig, self._aligner, self.delays.delay, k, target, shot.x_mm, learner.fading_n_s)
        self._steady = SteadyDetector(pull.family, pull.reference_n, self._now)
        self._reached_mm = shot.x_mm
        record.reached_s = self._now - self._press_s
        record.stiffness_n_mm = learner.k_n_mm
        record.delay_s = self.delays.delay.delay_s
        record.draw_length_mm = shot.x_mm - (drawing.contact_mm or shot.x_mm)
        self._enter(name)

    def _hold(self, shot: Shot) -> None:
        holding, record, pull, steady = self._holding, self.record, self.pull, self._steady
        assert holding is not None and record is not None and pull is not None and steady is not None
        if self.state == st.PRE_STRETCHING and self._now - self._since_s > pull.over_pull_s:
            holding.target_n = pull.reference_n
            self._enter("reached")
        go = holding.step(shot.t_s, shot.force_n, shot.x_mm, self.ceiling_n)
        if self._look is not None:
            go = self._look_up(self._look, shot, go)
        self._commands.append(go)
        ended = self._watch.step(shot.t_s, holding.z_mm, holding.path_rate_mm_s, holding.alert)
        if ended is not None and abs(ended.path_mm) > 0.05:
            record.disturbances.append(ended)
            self._tell("disturbance", ended.name, path_mm=ended.path_mm, duration_s=ended.duration_s)
            if pull.woven and self._k_open is None and ended.name != "hand-over" and self.state == st.HOLDING:
                rise = FIRST_LOOK * pull.reference_n / holding.k_n_mm
                self._look = Look(self.rig, rise, shot.t_s, shot.x_mm)
        was = steady.steady
        near = abs(shot.force_n - holding.target_n) < 0.005 * holding.target_n
        creep = -holding.path_rate_mm_s * holding.k_n_mm
        ok = near and self._stroke_left(shot) > STROKE_RESERVE_MM and not shot.sample.has(safety.F_END_HIGH)
        steady.step(self._now, creep, self._watch.active, ok)
        self.forecast = steady.forecast(self._now)
        if steady.steady and not was:
            if record.steady_s is None:
                record.steady_s = self._now - self._press_s
            self._tell("steady", "steady")

    def _look_up(self, look: Look, shot: Shot, go: Go) -> Go:
        """A first look, while the clamp must still be open."""
        if look.step(shot.t_s, shot.force_n, self._aligner.position(self.delays.delay.delay_s)):
            self._k_open = look.k_n_mm
            self._look = None
        return Go(go.mode, go.speed_mm_s, look.end_mm, go.ceiling_n)

    def _stroke_left(self, shot: Shot) -> float:
        if self.home_mm is None:
            return self.rig.travel_mm
        return self.home_mm + self.rig.travel_mm - shot.x_mm

    def _begin_proof(self) -> None:
        shot, holding, record = self.shot, self._holding, self.record
        assert shot is not None and holding is not None and record is not None
        record.clamped_s = self._now - self._press_s
        record.force_at_clamp_n = shot.force_n
        record.take_up_mm = shot.x_mm - self._reached_mm
        if self.forecast is not None:
            record.creep_n_s = self.forecast.creep_n_s
            record.loss_now_n = self.forecast.now_n
        self._proof = ClampProof(
            self.rig,
            holding.target_n,
            holding.k_n_mm,
            self._k_open,
            self.delays.delay.delay_s,
            self.proofs,
            self.pull is not None and self.pull.woven,
            shot.t_s,
            shot.x_mm,
        )
        self._enter("clamped")

    def _prove(self, shot: Shot) -> None:
        proof, record = self._proof, self.record
        assert proof is not None and record is not None
        if self.question:
            self._commands.append(Go(wire.HOLD, self.rig.hold_rate_mm_s, proof.end_mm, self.ceiling_n))
            return
        seen = self._aligner.position(self.delays.delay.delay_s)
        learnt = proof.learnt
        late = self._aligner.position(self.delays.delay.delay_s + self.rig.period_s)
        go = proof.step(shot.t_s, shot.force_n, seen, late, shot.x_mm, self.ceiling_n)
        self._commands.append(go)
        if not proof.verdict:
            return
        record.proof_ratio = proof.ratio
        if proof.verdict == "holds":
            record.proof = "holds" if learnt else "not yet judged"
            self._enter("proved")
            return
        record.proof = proof.verdict
        what = "The clamp looks open" if proof.verdict == "open" else "The string slips through the clamp"
        self.question = proof.verdict
        self.pedal.lock(self._now)
        self._tell(
            "proof_failed",
            f"{what}: nothing is let off. Set the clamp again; tap to pull back to {record.reference_n:.0f} N, "
            "hold to let the string down.",
            ratio=proof.ratio,
        )

    def _ease(self, shot: Shot) -> None:
        if self.state == st.EASING_OFF and shot.force_n < SLACK_N:
            self._enter("slack_again")
            self._close("let off")
        speed = EASE_MM_S if self.state == st.EASING_OFF and shot.force_n > 20.0 else RETURN_MM_S
        if self.state == st.EASING_OFF and shot.force_n <= 20.0:
            speed = RETURN_MM_S / 2.0
        self._ease_mm = self._start_mm
        done = shot.sample.state == safety.ARMED and self._now - self._since_s > 0.05
        if self.state == st.RETURNING and done and shot.x_mm <= self._start_mm + 0.05:
            self._enter("returned")
            return
        if self.state == st.EASING_OFF and shot.x_mm <= self._start_mm + 0.01 and shot.force_n >= SLACK_N:
            # The string lengthened while it was held: the slack lies further down than where the draw began.
            self._start_mm -= 5.0
        self._commands.append(Go(wire.EASE, speed, self._start_mm, self.ceiling_n))


__all__ = ["CONTACT_N", "Head", "Step"]
