"""One pull, from the press to the empty gripper: what is done in each state and what makes it end.

``PullRun`` lives as long as its pull. Its ``step`` returns the lease to send and leaves in ``happened`` the names of the
transitions that are due and in ``told`` what is worth saying; the head carries them out.
"""

from __future__ import annotations

import math

from evenbed_fw import safety, wire

from evenbed.head import states as st
from evenbed.head.align import Aligner
from evenbed.head.disturbance import DisturbanceWatch
from evenbed.head.governor import Drawing, Holding
from evenbed.head.guard import LOADED_N, LeastMargin
from evenbed.head.learning import DelayBook
from evenbed.head.look import FIRST_AFTER, FIRST_LOOK, FIRST_LOOK_N, Look, Seen
from evenbed.head.proof import OPEN_MOST, SLACK_N, ClampProof, ProofBook
from evenbed.head.record import NOT_PROVED, PullRecord
from evenbed.head.steady import Forecast, SteadyDetector
from evenbed.head.stops import told
from evenbed.head.types import Command, Event, Go, Pull, RigModel, Say, Shot

EASE_MM_S = 40.0
RETURN_MM_S = 30.0
NEARLY_SLACK_N = 20.0
FLAT_N, FLAT_MM = 0.6, 4.0
STROKE_RESERVE_MM = 5.0
DRAW_PATIENCE_S = 5.0
UPWARDS = (st.TAKING_UP, st.DRAWING, st.PRE_STRETCHING, st.HOLDING, st.PROVING_CLAMP)  # states that may raise the force
OUT_OF_TRAVEL, NO_STRING, OUT_OF_HOLD_TRAVEL, END_REACHED = 82, 83, 84, 85  # catalogue
PROOF = dict(zip(NOT_PROVED, (87, 88, 90), strict=True))
NOT_COMING_DOWN = 55
OFF = 0.01  # of the reference: a hold that is further off, again and again, is said to be
OFF_S, CALM_S = 5.0, 0.5  # for so long, without so long a rest near the reference
NOT_AT_REST = (
    f"For {OFF_S:.0f} s the force has not come to rest within {100 * OFF:.0f} % of the reference: hands at work, a string "
    "that keeps giving, a motor that loses steps or a slow board. Wait for the word 'clamp', or hold the pedal to let the "
    "string down."
)
SURER = 2.0  # times the rise of a first look: on a main it is all that is known of a strand pulled once more
AGREES = 1.2  # told and seen stiffness: as far apart as looks scatter, what was told counts
STIRS_N = 1.0  # a draw rises by more than that within its patience
FIRST_LOOKS = 12  # then what was seen has to do
LOOK_S = 1.0  # between two first looks of a string that is pulled once more
TAKEN_BACK = "This string is taken back: open its clamp, set it on the string before, then hold the pedal to let it down."
NOTHING_PULLS = (
    "Nothing pulls at the gripper: hold the pedal to let down, see that the string is whole, then draw it again."
)
MOVED_MM = 0.5  # by an episode: more than setting a clamp does
ASTRAY_PERIODS = 0.4  # a delay found further from the one believed makes the draw's stiffness worth learning again
RENEW_EVERY = 4  # readings, at the end of the way back


class PullRun:
    """One pull on one rig. ``aligner``, ``delays`` and ``proofs`` are the head's: they outlast the pull."""

    def __init__(
        self,
        rig: RigModel,
        pull: Pull,
        ceiling_n: float,
        aligner: Aligner,
        delays: DelayBook,
        proofs: ProofBook,
        now_s: float,
        shot: Shot,
    ) -> None:
        self.rig = rig
        self.pull = pull
        self.ceiling_n = ceiling_n
        self.record = PullRecord(pull.label, pull.reference_n, ceiling_n)
        self.forecast: Forecast | None = None
        self.question = ""  # "open", "slips" or "gone" while a clamp is not proved
        self.ends = "let off"  # how it will have ended once the string is slack
        self.happened: list[str] = []
        self.told: list[Event] = []
        self._aligner = aligner
        self._delays = delays
        self._proofs = proofs
        target = pull.reference_n * (1.0 + pull.over_pull)
        self.drawing = Drawing(rig, pull, aligner, delays.delay, shot.x_mm, target)
        self.holding: Holding | None = None
        self._steady: SteadyDetector | None = None
        self._watch = DisturbanceWatch()
        self._margin = LeastMargin(rig)
        self._proof: ClampProof | None = None
        self._lowest_n = math.inf  # of the proofs so far
        self._look: Look | None = None
        self._softest: float | None = None  # of the first looks, N/mm
        self._press_s = now_s
        self._now = now_s
        self._start_mm = shot.x_mm
        self._looked_s, self._before_mm = now_s, shot.x_mm
        self._looks = 0
        self._near_s = now_s  # when the draw was last far from its reference
        self._standing = 0  # readings at the end of the way back
        self._reached_mm = shot.x_mm
        self._over_until_s = 0.0
        self._top_n = 0.0  # of the draw
        self._told_end = False  # of the way to follow in the hold
        self._told_stuck = False  # at the end on the slack side
        self._told_off = False
        self._off_s = self._calm_s = now_s  # when the hold was last off its reference; when last near it for a while
        self._flat_from: tuple[float, float] | None = None

    @property
    def steady(self) -> bool:
        """Has the hold settled?"""
        return self._steady is not None and self._steady.steady

    def _tell(self, name: str, says: str, **values: float) -> None:
        self.told.append(Event(name, says, values))

    def close(self, how: str, now_s: float) -> bool:
        """End the record; False if it was ended before."""
        if self.record.ended:
            return False
        self.record.ended = how
        self.record.done_s = now_s - self._press_s
        return True

    def step(self, state: str, now_s: float, shot: Shot, since_s: float, home_mm: float | None) -> Command | None:
        """Take one reading in ``state``, entered ``since_s`` ago; return the lease or a stop, or None for one reading
        without."""
        self._now = now_s
        if shot.sample.sound and state == st.PROVING_CLAMP:
            self.record.proof_peak_n = max(self.record.proof_peak_n, shot.force_n)
        elif shot.sample.sound:
            self.record.peak_n = max(self.record.peak_n, shot.force_n)
        if shot.sample.sound and state in UPWARDS and self.drawing.contact_mm is not None:
            k = self.drawing.learner.k_n_mm
            if k is not None and self._proof is not None:
                k = max(k, self._proof.k_look_n_mm)
            self.record.least_margin_n = self._margin.step(shot, self.ceiling_n, k)
        if state in (st.EASING_OFF, st.RETURNING):
            return self._ease(state, shot, since_s)
        if state == st.PROVING_CLAMP:
            return self._prove(shot)
        if state in (st.TAKING_UP, st.DRAWING):
            return self._draw(state, shot)
        return self._hold(state, shot, home_mm)

    # --- drawing ---------------------------------------------------------------------------------------------
    def _draw(self, state: str, shot: Shot) -> Go:
        drawing, record = self.drawing, self.record
        go = drawing.step(shot.t_s, shot.force_n, shot.x_mm, shot.v_mm_s, self.ceiling_n)
        record.limited |= shot.sample.has(safety.F_LIMITING)
        if state == st.TAKING_UP:
            if drawing.contact_mm is not None:
                record.contact_s = self._now - self._press_s
                self.happened.append("contact")
            elif self._no_string(shot):
                self.happened.append("no_contact")
                self.told.append(told(NO_STRING, travel_mm=shot.x_mm - self._start_mm))
        elif drawing.arrived(shot.force_n, shot.x_mm, shot.v_mm_s) or self._stays_near(shot):
            self._reach(shot, "over_pulled" if self.pull.over_pull > 0.0 else "reached")
        elif shot.sample.has(safety.F_END_HIGH):
            self._reach(shot, "out_of_travel")
            self.told.append(told(OUT_OF_TRAVEL, force_n=shot.force_n, reference_n=drawing.target_n))
        return go

    def _stays_near(self, shot: Shot) -> bool:
        """For some seconds a little short, standing or by a motor that loses most steps: the hold makes up the rest."""
        rises = shot.force_n > self._top_n + STIRS_N
        if rises:
            self._top_n = shot.force_n
        # A string whose motor stands relaxes: from nine tenths it comes back to eight by itself.
        if shot.force_n < (0.9 if rises else 0.7) * self.drawing.target_n:
            self._near_s = self._now
        return self._now - self._near_s > DRAW_PATIENCE_S

    def _no_string(self, shot: Shot) -> bool:
        if shot.v_mm_s != 0.0:
            return False
        return shot.sample.has(safety.F_END_HIGH) or shot.x_mm - self._start_mm > self.pull.slack_max_mm - 1.0

    def _reach(self, shot: Shot, name: str) -> None:
        drawing, record = self.drawing, self.record
        learner = drawing.learner
        found = learner.find_delay()
        k = learner.k_n_mm
        if found is not None:
            self._delays.add(found)
            if abs(found.delay_s - learner.delay.delay_s) > ASTRAY_PERIODS * self.rig.period_s:
                k = learner.stiffness(found) or k
        delay = self._delays.delay
        k = k or self.rig.stiffest_n_mm
        target = min(drawing.target_n, shot.force_n) if name == "out_of_travel" else drawing.target_n
        self.holding = Holding(self.rig, self._aligner, delay, k, target, shot.x_mm, learner.fading_n_s)
        self._steady = SteadyDetector(self.pull.family, self.pull.reference_n, self._now)
        self._reached_mm = shot.x_mm
        self._over_until_s = self._now + self.pull.over_pull_s
        self._off_s = self._calm_s = self._looked_s = self._now
        record.reached_s = self._now - self._press_s
        record.stiffness_n_mm = self.pull.stiffness_n_mm or (k if learner.k_n_mm is not None else None)
        record.delay_s = delay.delay_s
        record.draw_length_mm = shot.x_mm - (drawing.contact_mm or shot.x_mm)
        self.happened.append(name)

    # --- holding ---------------------------------------------------------------------------------------------
    def _hold(self, state: str, shot: Shot, home_mm: float | None) -> Go:
        holding, record, steady = self.holding, self.record, self._steady
        assert holding is not None and steady is not None
        if state == st.PRE_STRETCHING and self._now > self._over_until_s:
            holding.target_n = self.pull.reference_n
            self.happened.append("reached")
        go = holding.step(shot.t_s, shot.force_n, shot.x_mm, self.ceiling_n)
        if state == st.HOLDING and self._look is None and not holding.alert and self._look_due:
            self._look_from(shot)  # the old clamp may have been opened without a stir
        if self._look is not None:
            go = self._look_up(self._look, shot, go)
        if shot.x_mm - self._reached_mm > self.rig.hold_travel_mm - 0.5 and not self._told_end:
            self._told_end = True
            self.told.append(told(OUT_OF_HOLD_TRAVEL, travel_mm=self.rig.hold_travel_mm, force_n=shot.force_n))
        self._watch_level(shot, holding.target_n)
        self._name_disturbance(state, shot, holding)
        near = abs(shot.force_n - holding.target_n) < 0.005 * holding.target_n
        creep = -holding.path_rate_mm_s * holding.k_n_mm
        stroke = self.rig.travel_mm if home_mm is None else home_mm + self.rig.travel_mm - shot.x_mm
        free = stroke > STROKE_RESERVE_MM and not shot.sample.has(safety.F_END_HIGH)
        was = steady.steady
        steady.step(self._now, creep, self._watch.active, near and free and state == st.HOLDING)
        self.forecast = steady.forecast(self._now)
        if steady.steady and not was:
            if record.steady_s is None:
                record.steady_s = self._now - self._press_s
            self._tell("steady", "steady")
        return go

    def _watch_level(self, shot: Shot, target_n: float) -> None:
        """Say once that a hold does not come to rest at its reference, unless the end of its travel has been told."""
        if abs(shot.force_n - target_n) > OFF * target_n:
            self._off_s = self._now
        elif self._now - self._off_s > CALM_S:
            self._calm_s = self._now
        if self._now - self._calm_s > OFF_S and not (self._told_off or self._told_end):
            self._told_off = True
            self._tell("hint", NOT_AT_REST)

    def _name_disturbance(self, state: str, shot: Shot, holding: Holding) -> None:
        ended = self._watch.step(shot.t_s, holding.z_mm, holding.path_rate_mm_s, holding.alert)
        if ended is None or abs(ended.path_mm) <= 0.05:
            return
        self.record.disturbances.append(ended)
        self._tell("disturbance", ended.name, path_mm=ended.path_mm, duration_s=ended.duration_s)
        if state != st.HOLDING or not self.pull.woven:
            return
        if abs(ended.path_mm) > MOVED_MM:
            self._softest = None  # the strand lies differently now
        self._look_from(shot)

    def _look_from(self, shot: Shot) -> None:
        assert self.holding is not None
        share = FIRST_LOOK if self.pull.woven else SURER * FIRST_LOOK
        rise_n = max(share * self.pull.reference_n, FIRST_LOOK_N)
        self._look = Look(rise_n, rise_n / (self.pull.stiffness_n_mm or self.holding.k_n_mm), shot.x_mm, FIRST_AFTER)
        self._looked_s, self._before_mm = self._now, shot.x_mm
        self._looks += 1

    @property
    def _look_due(self) -> bool:
        """Is what was told of a strand pulled once more still to be looked at?"""
        k, seen = self.pull.stiffness_n_mm, self._softest
        if k is None or self._now - self._looked_s < LOOK_S:
            return False
        if seen is not None and self.pull.woven:
            return False  # friction holds some of it fast: no look agrees with what was told
        return self._looks < FIRST_LOOKS and (seen is None or not seen / AGREES <= k <= seen * AGREES)

    @property
    def _whole_n_mm(self) -> float:
        """Stiffness of the whole strand, as drawn: of one pulled once more that is not what this pull began with. What is
        told of that one may be wrong: a clamp slipped in its first draw, or it was caught on something. The first looks
        know better: what they see is the whole strand, but for what friction holds fast of a woven one."""
        assert self.holding is not None
        k, seen = self.pull.stiffness_n_mm, self._softest
        if k is None:
            return self.holding.k_n_mm
        if seen is None:
            return k
        least = seen / OPEN_MOST if self.pull.woven else seen
        if k < least / (1.0 if self.pull.woven else AGREES):
            return least
        return min(k, seen) if k > AGREES * seen else k

    @property
    def _open_n_mm(self) -> float | None:
        """Stiffness of an open woven strand at a look. A look stiffer than such a strand can be says that it stuck, and
        nothing of it."""
        seen = self._softest if self.pull.woven else None
        return seen if seen is not None and seen <= OPEN_MOST * self._whole_n_mm else None

    def _seen(self) -> Seen:
        return Seen.of(self._aligner, self._delays.delay.delay_s, self.rig.period_s)

    def _look_up(self, look: Look, shot: Shot, go: Go) -> Go:
        """A first look, while the clamp must still be open."""
        seen = self._seen()
        if look.k_n_mm is not None:
            # Going back would let friction stick; the string creeps down to the reference by itself.
            assert self.holding is not None
            if shot.force_n < self.holding.target_n or self.holding.alert:
                self._look = None
        elif look.step(shot.t_s, shot.force_n, seen.mm, seen.unsure_mm) and look.clear:
            # What is in the way of a look, a clamp set before it too, makes it stiffer: the softest one counts.
            self._softest = min(look.k_n_mm or math.inf, self._softest or math.inf)
        if look.k_n_mm is not None and not self.pull.woven:
            self._look = None
            return go
        end = look.end_mm if look.k_n_mm is None else max(go.end_mm, look.end_mm)
        return Go(go.mode, go.speed_mm_s, end, go.ceiling_n)

    # --- the clamp -------------------------------------------------------------------------------------------
    def begin_proof(self, now_s: float, shot: Shot) -> None:
        """The stringer says that the new clamp is set. Only while holding."""
        holding, record = self.holding, self.record
        assert holding is not None
        record.clamped_s = now_s - self._press_s
        record.force_at_clamp_n = shot.force_n
        record.take_up_mm = shot.x_mm - self._reached_mm
        if self.forecast is not None:
            record.creep_n_s = self.forecast.creep_n_s
            record.loss_now_n = self.forecast.now_n
        x_mm = shot.x_mm
        if self.pull.stiffness_n_mm and not self.pull.woven and abs(x_mm - self._before_mm) < MOVED_MM:
            x_mm = self._before_mm  # where it stood before the last look: it may be on its way back
        self._look = None
        if self.pull.stiffness_n_mm:
            record.stiffness_n_mm = self._whole_n_mm
        self._proof = ClampProof(
            self.rig,
            holding.target_n,
            self._whole_n_mm,
            self._open_n_mm,
            self._delays.delay,
            self._proofs,
            self.pull.woven,
            x_mm,
            self.pull.family,
            self._lowest_n,
        )

    def _prove(self, shot: Shot) -> Command:
        proof, record = self._proof, self.record
        assert proof is not None
        self._off_s = self._calm_s = self._now
        if self.question:
            return proof.wait(shot.force_n, shot.x_mm, self.ceiling_n)
        zero_n = shot.reference_force_n - shot.force_n
        go = proof.step(shot.t_s, shot.force_n, self._seen(), shot.x_mm, shot.v_mm_s, self.ceiling_n, zero_n)
        self._lowest_n = min(self._lowest_n, shot.force_n)
        if not proof.verdict:
            return go
        record.proof_ratio = proof.ratio
        if proof.verdict == "holds":
            record.proof = "holds" if proof.learnt else "not yet judged"
            self.happened.append("proved")
            return go
        if proof.verdict == "stands":
            # The clamp cannot be judged, and nothing that is asked of the motor can be relied upon.
            if record.proof != "stands":
                self.told.append(told(NOT_COMING_DOWN, travel_mm=proof.eased_mm, force_n=shot.force_n))
            record.proof = "stands"
            return Say("stop")
        record.proof = proof.verdict
        self.question = proof.verdict
        self.told.append(
            told(PROOF[proof.verdict], ratio=proof.ratio, reference_n=self.pull.reference_n, force_n=shot.force_n)
        )
        return go

    def _flat(self, shot: Shot) -> bool:
        """Has the way down left the little that is shown as it was? Then it is the zero that has moved, not a string: the
        softest one gives ten times as much over that way."""
        if self._flat_from is None or abs(shot.force_n - self._flat_from[1]) > FLAT_N:
            self._flat_from = (shot.x_mm, shot.force_n)
        return shot.force_n < LOADED_N and self._flat_from[0] - shot.x_mm > FLAT_MM

    # --- letting off -----------------------------------------------------------------------------------------
    def let_down(self) -> None:
        """The string is to come down, clamped or not."""
        self.question = ""
        self.ends = "let down"
        self._told_stuck = False  # asked once more, it is said once more

    def _ease(self, state: str, shot: Shot, since_s: float) -> Go | None:
        speed = RETURN_MM_S
        if state == st.EASING_OFF:
            speed = EASE_MM_S if shot.force_n > NEARLY_SLACK_N else RETURN_MM_S / 2.0
            at_end = shot.sample.has(safety.F_END_LOW) and shot.v_mm_s == 0.0
            if shot.force_n < SLACK_N or self._flat(shot) or (at_end and shot.sample.state == safety.ARMED):
                self.happened.append("slack_again")
            elif at_end:
                if not self._told_stuck:
                    self._told_stuck = True
                    self.told.append(told(END_REACHED, force_n=shot.force_n))
            elif shot.x_mm <= self._start_mm + 0.01:
                # The string lengthened while it was held: the slack lies further down than where the draw began.
                self._start_mm -= 5.0
        elif shot.sample.state == safety.ARMED and since_s > 0.05:
            self.happened.append("returned")
        elif shot.v_mm_s == 0.0 and shot.x_mm <= self._start_mm:
            # It is there. A slow board sees every new lease before it can say that the last one is done.
            self._standing += 1
            if self._standing % RENEW_EVERY:
                return None
        # Let down below it by the pedal, it stands where it is: a way up would be refused, and the board not armed again.
        return Go(wire.EASE, speed, min(self._start_mm, shot.x_mm), self.ceiling_n)
