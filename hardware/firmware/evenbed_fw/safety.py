"""The safety core of the board: what may move, how fast, how far, and when everything stands still.

It is pure: ``sample`` takes one reading, ``tick`` the inputs and the time, ``go`` and its neighbours what the host
asks. Nothing here reads a clock, a pin or a port. The board does not trust the host: a command can only ask for less
than what the core allows by itself. The core does not trust the reading: every good reading grants steps for two
sample periods, and without one the grant runs out.
"""

from evenbed_fw import faults, wire
from evenbed_fw.envelope import RING, Envelope
from evenbed_fw.pedal import FREEZE_US, since
from evenbed_fw.pedal import TAP_MS as TAP_MS
from evenbed_fw.settings import Settings
from evenbed_fw.waydown import WayDown

# states
LATCHED = 0  # drive off; after power-up, disarm and clear
ARMED = 1  # at rest, nothing on the string
MOVING = 2  # under a lease
HOLDING = 3  # under a lease, slow and short, at tension
FROZEN = 4  # standing, drive holding; only downwards from here
EASING = 5  # the pedal lets the string down, without host or reading
BACKING = 6  # backing off a fixed way after over-tension
CUT = 7  # drive without power
STATES = ("latched", "armed", "moving", "holding", "frozen", "easing", "backing", "cut")

# flags of the s line
F_PEDAL = 1
F_ESTOP = 2
F_SUPPLY = 4
F_END_LOW = 8
F_END_HIGH = 16
F_ENABLED = 32
F_LIMITING = 64
F_SOUND = 128
F_CONTACT = 256
F_HOMED = 512
F_GREETED = 1024
F_PEDAL_FAULT = 2048

SETTLE = 4  # readings after a start that the converter needs
SAME = 7  # equal readings in a row that noise does not make
EXPIRY_MAX_MS = 150
HELD_MS = 1000  # from here a press under load lets down
FROZEN_US = 300000  # for so long after a stop no command is taken
PERMIT_US = 2000000  # how long a tap may wait for its draw
AGAIN_US = 1000000  # a press that begins sooner after the one before permits nothing
LOCKOUT_US = 300000  # a press that begins sooner after a change of state permits nothing
FAR = 1 << 28
CELL_BITS = 0b1111100  # faults 2 to 6: the cell has lied


class Core(Envelope):
    """All that the board decides. Times in microseconds on the board's wrapping clock, forces in counts above zero.

    With settings that cannot be reckoned with it works on the defaults, and never powers the drive.
    """

    def __init__(self, settings: Settings) -> None:
        self.unusable = settings.unusable()
        Envelope.__init__(self, Settings() if self.unusable else settings)
        self.state = LATCHED
        self.fault = faults.NONE
        self.later = 0  # bit n: fault n came after the first
        self.enabled = False
        self.greeted = False
        self.homed = False
        self.trip_us = self.trip_raw = self.trip_bound = self.trip_position = self.trip_rate = self.frozen_us = 0
        self.fresh_stop = False  # what was on its way when everything stopped is not taken yet
        self.raw = self.force = self.sample_us = 0
        self.seen = 0  # readings since the start, capped
        self.same = self.saturated = self.implausible = 0  # in a row
        self.sound = False
        self.since_eased = SETTLE  # readings since the string was let down, capped
        self.stretch = 0  # stretch_steps() of this ceiling
        self.mode = wire.DRAW
        self.end = self.lease_us = self.expiry_us = 0
        self.go_seq = -1  # of the lease in force
        self.line_seq = -1  # newest line of the host
        self.permit = False
        self.permit_us = self.pressed_us = self.tap_us = self.changed_us = 0
        self.taps = False  # there was a press within the last two seconds
        self.locked = False  # the present press began in the lock-out
        self.changed = LATCHED  # state at the last tick
        self.settling = False  # the lock-out runs
        self.eased_to = False
        self.hold_entry = self.speed = 0  # rate at the last tick
        self.arriving = False  # a let-down has reached its end and brakes
        self.eased_unpowered = False  # the let-down began with the drive off: it ends so
        self.way = WayDown(self.s)
        self.no_way_down = False  # the motor turns the wrong way: it is not asked to let down any more
        self.suspect = self.under = False  # it may do so; an ease-off has been under the ceiling
        self.offered = False  # a calibration waits to be confirmed: a long press is meant for it
        self.release_first = False  # after standing, a let-down goes on with a new press only

    def renew(self) -> None:
        """The settings have changed under a latched board: what readings have shown is forgotten."""
        self.seen = self.stiff16 = self.force = 0
        self.sound = self.contact = self.offered = False
        self.release_first = True  # the press that confirmed them is no let-down

    # --- readings ------------------------------------------------------------------------------------------
    def sample(self, now_us: int, raw: int, position: int, rate: int) -> None:
        """Take one reading of the converter; ``position`` and ``rate`` (steps/s) are those of this moment."""
        s = self.s
        step = raw - self.raw
        if since(now_us, self.sample_us) > s.missing_us:
            self.seen = 0  # after a gap the converter settles anew
            self._no_data(now_us, position, rate)
        first = self.seen == 0
        self.raw = raw
        force = raw - s.zero_counts
        self.sample_us = now_us
        if raw >= 8388607 or raw <= -8388608:
            self.saturated += 1
            self.sound = False
            if self.saturated >= 2:
                self.trip(now_us, faults.SATURATED, raw, position, rate)
            return
        self.saturated = 0
        self.same = self.same + 1 if step == 0 and not first else 0
        if self.same >= SAME - 1:
            self.same = SAME - 1
            self.sound = False
            self.trip(now_us, faults.STUCK, raw, position, rate)
            return
        # A leap no string makes, or a push where only a pull can be (the cell's wires are swapped).
        leap = step > s.jump_counts or step < -2 * s.jump_counts or force < -5 * s.contact_counts
        self.implausible = self.implausible + 1 if leap and self.seen >= SETTLE else 0
        self.ring_force[self.ring] = force
        self.ring_position[self.ring] = position
        self.ring = (self.ring + 1) % RING
        self.seen = min(self.seen + 1, 100)
        if self.seen <= SETTLE:
            return
        self.force = force
        self.since_eased = min(self.since_eased + 1, SETTLE)
        loaded = self.state == MOVING or self.state == HOLDING or (self.state == FROZEN and self.since_eased >= SETTLE)
        eased = self._easing()
        # In a hold that may not pull above so little the rest is let go of, and hands may take it away.
        let_go = eased or (self.state == HOLDING and self.soft <= s.lost_floor_counts and self.soft < self.ceiling)
        self.under = eased and (self.under or force <= self.ceiling)
        # What goes down is not stopped by the ceiling it comes down from, only by one that it rises above.
        if force > self.ceiling and (self.under or not eased) and (self.state == MOVING or self.state == HOLDING):
            self.trip(now_us, faults.OVER_TENSION, raw, position, rate)
            if leap or eased:
                self.state = FROZEN  # what no string can do moves nothing; what should go down backs off no further
                self.suspect = self.suspect or eased
        elif not let_go and self.lost(force, loaded, self.state == HOLDING):
            self.trip(now_us, faults.STRING_LOST, raw, position, rate)
        if self.implausible:
            self.sound = False
            if self.implausible >= 3:
                self.trip(now_us, faults.IMPLAUSIBLE, raw, position, rate)
            return
        self.sound = True
        self._watch_way_down(now_us, force, raw, position, rate)
        self._look(force, position)
        if self.same == 0:
            self._grant(force, position, rate)
        if self.contact and self.state == MOVING and position - self.contact_position > self.stretch:
            self.trip(now_us, faults.STRETCH, raw, position, rate)

    def lowering(self) -> bool:
        """Is the string being let down, whoever asked for it?"""
        return self.state == EASING or self.state == BACKING or self._easing()

    def _watch_way_down(self, now_us: int, force: int, raw: int, position: int, rate: int) -> None:
        # A cell that has lied does not judge the motor, nor does a hold: there hands push while the head gives way.
        if self.state == HOLDING and rate < 0:
            self.way.step(force, rate)
            return
        if not self.lowering() or (self.later | 1 << self.fault) & CELL_BITS:
            self.way.off()
            return
        # After over-tension, and where the motor is suspected already, a little is enough.
        self.way.most = self.s.contact_counts if self.state == BACKING or self.suspect else self.s.lost_floor_counts
        if self.way.step(force, rate):
            self.no_way_down = self.state != BACKING
            self.suspect = True
            self.trip(now_us, faults.WRONG_WAY, raw, position, rate)

    def slow_down(self) -> bool:
        """Has the force, as far as readings can be believed, still to be seen to fall on this way down?"""
        return self._judged() and not self.way.fell

    def _judged(self) -> bool:
        return self.sound and not (self.later | 1 << self.fault) & CELL_BITS and (self.lowering() or self.state == HOLDING)

    def cap_down(self, rate: int) -> int:
        """The fastest way down, up to ``rate``: slow until the force falls, then no faster than the envelope would let it
        be drawn, for the motor may turn the wrong way; never slower than in a hold."""
        if not self._judged() or not (self.contact or not self.way.fell):
            return rate
        return min(rate, max(self.s.hold_rate_steps_s, self.cap_up if self.way.fell else 0))

    def _easing(self) -> bool:
        return self.state == MOVING and self.mode == wire.EASE

    # --- time and inputs -----------------------------------------------------------------------------------
    def tick(
        self, now_us: int, position: int, rate: int, estop_open: bool, supply_lost: bool, pedal_fault: bool, held_ms: int
    ) -> None:
        """Take the inputs as they are now. Call it on every pass of the loop, whether or not a reading came."""
        if self.fresh_stop and since(now_us, self.frozen_us) > FROZEN_US:
            self.fresh_stop = False
        self.speed = rate
        silent = since(now_us, self.sample_us) > self.s.missing_us
        if silent:
            self.sound = False
        if estop_open or supply_lost:
            cause = faults.EMERGENCY_STOP if estop_open else faults.SUPPLY_LOST
            self.enabled = False
            if self.state != LATCHED or self.loaded():
                self.trip(now_us, cause, self.raw, position, rate)
                self.state = CUT
                self.homed = False
                self.no_way_down = self.suspect = False  # a hand was there: the pedal may try again, slowly
                self.eased_to = self.arriving = False
            return
        active = self.state == MOVING or self.state == HOLDING
        if self.lowering() or (self.state == FROZEN and rate < 0 and self.since_eased < SETTLE):
            self.since_eased = 0
        if silent:
            self._no_data(now_us, position, rate)
        if active and since(now_us, self.lease_us) > self.expiry_us:
            self.trip(now_us, faults.LEASE_EXPIRED, self.raw, position, rate)
        if pedal_fault and active and not self._easing():
            self.trip(now_us, faults.PEDAL, self.raw, position, rate)
        if self.permit and since(now_us, self.permit_us) > PERMIT_US:
            self.permit = False
        if self.taps and since(now_us, self.tap_us) > PERMIT_US:
            self.taps = False
        self._let_down(position, rate, held_ms)
        if self.state == BACKING and rate == 0 and position <= self.end:
            self.state = FROZEN
        if rate == 0 and (self.arriving or (self._easing() and position <= self.end)):
            self.arriving = False
            self._arrived()
            self.eased_to = self.eased_to or self.state == FROZEN
        if self.state != self.changed:
            self.changed = self.state
            self.changed_us = now_us
            self.settling = True
        elif self.settling and since(now_us, self.changed_us) > LOCKOUT_US:
            self.settling = False

    def _no_data(self, now_us: int, position: int, rate: int) -> None:
        self.sound = False
        if self.state == MOVING or self.state == HOLDING or self.state == BACKING:
            self.trip(now_us, faults.NO_DATA, self.raw, position, rate)

    def _let_down(self, position: int, rate: int, held_ms: int) -> None:
        """The way out that needs neither host nor reading: the string goes down for as long as the pedal is held."""
        if held_ms == 0:
            self.release_first = False
        if self.state == EASING:
            if held_ms == 0:
                self.state = FROZEN
                self.end = position - self._brake(max(0, -rate))
                self.arriving = self.eased_to and self.sound  # before, nobody may have known that it was slack
            elif not self.eased_to and (not self.contact if self.sound else position <= self.contact_position):
                # Stand here once; a new press goes on.
                self.state = FROZEN
                self.end = position
                self.arriving = True
                self.release_first = True
        elif held_ms >= HELD_MS and rate == 0 and not self.release_first and self._may_let_down():
            # Without readings nobody knows whether there is a string: the way down is open all the same.
            unpowered = self.state == CUT or (self.state == LATCHED and (self.loaded() or not self.sound))
            # A string that was let down may pull again: what was long stretched recovers.
            again = self.state == ARMED and self.loaded()
            if self.state == FROZEN or unpowered or again:
                if unpowered or again:  # where the string was slack is not known any more
                    self.contact_position = position - FAR
                    self.eased_unpowered = unpowered
                self.state = EASING
                self.enabled = True
                self.end = position - FAR
                self.rate = self.s.let_down_steps_s

    def _may_let_down(self) -> bool:
        return not self.unusable and not self.offered and not self.no_way_down

    def stand_at(self, position: int) -> None:
        """The slack-side end switch is operated: an ease-off ends here."""
        if (self._easing() or self.state == BACKING) and self.end < position:
            self.end = position

    def let_down_grant(self, rate: int) -> int:
        """Steps for 50 ms of let-down and to brake."""
        return self.s.let_down_steps_s // 20 + self._brake(max(0, -rate))

    def _arrived(self) -> None:
        """An ease-off has reached its end. Without load and without a trip the board is armed again."""
        if self.loaded():
            return
        if self.fault == faults.PRESSED or self.fault == faults.STOPPED:
            self.fault = faults.NONE
            self.later = 0
        self.state = FROZEN if self.fault else LATCHED if self.eased_unpowered else ARMED
        if self.eased_unpowered:
            self.enabled = False
            self.eased_unpowered = False
        self.contact = False
        self.eased_to = False

    def press(self, now_us: int, position: int, rate: int) -> None:
        """The pedal went down: whatever moves stands still, and what an earlier tap permitted is void."""
        self.permit = False
        self.locked = self.settling
        self.pressed_us = now_us
        if self.state == MOVING:
            self.trip(now_us, faults.PRESSED, self.raw, position, rate)

    def tap(self, ended_us: int, held_ms: int) -> None:
        """The pedal came up after ``held_ms``. A tap at rest permits one draw; no second press within a second does."""
        alone = not self.taps or since(self.pressed_us, self.tap_us) > AGAIN_US + FREEZE_US
        self.taps = True
        self.tap_us = ended_us
        self.permit = alone and held_ms < TAP_MS and self.state == ARMED and not self.locked
        self.permit_us = ended_us

    def loaded(self) -> bool:
        """Is there, as far as the last reading tells, a string under load? Two and a half times the contact force."""
        return 2 * self.force > 5 * self.s.contact_counts

    # --- trips ---------------------------------------------------------------------------------------------
    def trip(self, now_us: int, fault: int, raw: int, position: int, rate: int) -> None:
        """Latch ``fault`` with its values, first cause first, and stand still. Never clears anything."""
        if self.fault == faults.NONE or self.fault == faults.PRESSED or self.fault == faults.STOPPED:
            cut = fault == faults.EMERGENCY_STOP or fault == faults.SUPPLY_LOST
            if self.state == LATCHED and not cut:
                return  # nothing moves and nothing is powered: arming will look again
            self.fault = fault
            self.trip_us = now_us
            self.trip_raw = raw
            self.trip_bound = self.ceiling + self.s.zero_counts
            self.trip_position = position
            self.trip_rate = rate
        elif fault != self.fault:
            self.later |= 1 << fault
        self.frozen_us = now_us
        self.fresh_stop = True
        if self.state == MOVING or self.state == HOLDING:
            self.permit = False
            if fault == faults.OVER_TENSION:
                self.state = BACKING
                self.end = position + self._brake(max(0, rate)) - self.s.back_off_steps
                self.rate = self.s.let_down_steps_s
            else:
                self.state = FROZEN
        elif self.state == BACKING and fault != faults.OVER_TENSION:
            self.state = FROZEN
        elif self.state == EASING and fault == faults.WRONG_WAY:
            self.state = FROZEN
        elif self.state == ARMED and fault != faults.PRESSED:
            self.state = FROZEN

    # --- what the host asks: each answers 0 or a reason of wire.py -------------------------------------------
    def arm(self, ceiling_mn: int, estop_open: bool, supply_lost: bool, pedal_fault: bool) -> int:
        """Power the drive and take the session's ceiling."""
        s = self.s
        if not self.greeted:
            return wire.NOT_GREETED
        if self.state != LATCHED:
            return wire.WRONG_STATE
        if self.fault or estop_open or supply_lost or pedal_fault:
            return wire.FAULT_LIVE
        if self.unusable:
            return wire.SETTINGS_UNUSABLE
        if not s.gain_plausible():
            return wire.GAIN_IMPLAUSIBLE
        if ceiling_mn > s.limit_mn or ceiling_mn <= 0:
            return wire.ABOVE_LIMIT
        if not self.sound or self.seen < 20:
            return wire.DATA_NOT_SOUND
        if self.loaded():
            return wire.LOADED
        self.ceiling = s.counts(ceiling_mn)
        self.stretch = self.stretch_steps()
        self.soft = self.ceiling
        self.state = ARMED
        self.enabled = True
        self.permit = self.eased_unpowered = False
        self.locked = True  # a press under way began before there was anything to permit
        return 0

    def lower_ceiling(self, ceiling_mn: int) -> int:
        """Lower the session's ceiling; raising it takes a disarm and a new arm."""
        ceiling = self.s.counts(ceiling_mn)
        if self.state == LATCHED:
            return wire.WRONG_STATE
        if ceiling > self.ceiling or ceiling <= 0:
            return wire.ABOVE_LIMIT
        self.ceiling = ceiling
        self.stretch = self.stretch_steps()
        self.soft = min(self.soft, ceiling)
        return 0

    def disarm(self) -> int:
        """Take the drive's power away, at rest and without load only."""
        if self.state != ARMED:
            return wire.WRONG_STATE
        if not self.sound:  # nobody knows what a screw that does not hold would let go of
            return wire.DATA_NOT_SOUND
        if self.loaded():
            return wire.LOADED
        self.state = LATCHED
        self.enabled = False
        return 0

    def stop(self, now_us: int, position: int, rate: int) -> int:
        """Freeze."""
        if self.state == MOVING or self.state == HOLDING:
            self.trip(now_us, faults.STOPPED, self.raw, position, rate)
        return 0

    def clear(self, estop_open: bool, supply_lost: bool, pedal_fault: bool) -> int:
        """Forget a latched fault once its cause is gone, at rest and slack. The board is latched afterwards."""
        if self.state not in (FROZEN, CUT, LATCHED):
            return wire.WRONG_STATE
        if estop_open or supply_lost or pedal_fault:
            return wire.FAULT_LIVE
        if self.speed != 0:  # still braking
            return wire.WRONG_STATE
        if not self.sound:
            return wire.DATA_NOT_SOUND
        if self.loaded():
            return wire.LOADED
        self.no_way_down = self.suspect = False
        self.fault = faults.NONE
        self.later = 0
        self.state = LATCHED
        self.enabled = False
        self.contact = False
        self.eased_to = False
        return 0

    def newer(self, seq: int) -> bool:
        """Is ``seq`` later than every line so far? If so it is the newest now."""
        ahead = (seq - self.line_seq) % wire.SEQ_WRAP
        if self.line_seq >= 0 and (ahead == 0 or ahead >= wire.SEQ_WRAP // 2):
            return False
        self.line_seq = seq
        return True

    def go(
        self, now_us: int, seq: int, mode: int, rate: int, end: int, soft: int, expiry_ms: int, position: int, high: bool
    ) -> int:
        """A lease on motion: towards ``end`` at up to ``rate``, while below ``soft`` (counts), for ``expiry_ms``."""
        state = self.state
        if not self.greeted:
            return wire.NOT_GREETED
        if not self.newer(seq):
            return wire.STALE
        if expiry_ms > EXPIRY_MAX_MS or expiry_ms < 1:
            return wire.EXPIRY_TOO_LONG
        if mode < 0 or mode > 2 or rate < 1 or not -FAR < end < FAR:
            return wire.NOT_UNDERSTOOD
        if not self.sound and state != MOVING and state != HOLDING:
            return wire.DATA_NOT_SOUND
        if state == ARMED:
            if mode == wire.HOLD:
                return wire.WRONG_STATE
            if mode == wire.DRAW:
                if not self.permit:
                    return wire.NO_PRESS
                if high:
                    return wire.OUT_OF_TRAVEL
                self.permit = False
                self.contact = False
        elif state == FROZEN:
            # What was on its way when the head froze must not thaw it.
            if mode != wire.EASE or self.fresh_stop or not self.enabled or self.no_way_down:
                return wire.WRONG_STATE
            if end > position:
                return wire.WRONG_WAY
        elif (state != MOVING and state != HOLDING) or (state == HOLDING and mode == wire.DRAW):
            return wire.WRONG_STATE
        elif state == MOVING and self.mode == wire.EASE and mode != wire.EASE:
            return wire.WRONG_WAY  # an ease-off does not turn back up without a new draw
        if mode == wire.EASE:
            end = min(end, position)
        if mode == wire.HOLD:
            if state != HOLDING:
                self.hold_entry = position
            self.state = HOLDING
            end = min(end, self.hold_entry + self.s.hold_travel_steps)
        else:
            self.state = MOVING
        self.go_seq = seq
        self.mode = mode
        self.end = end
        self.rate = min(rate, self.s.rate_max_steps_s)
        soft = max(-8388608, min(soft, 8388607))  # what the converter can read
        self.soft = min(soft - self.s.zero_counts, self.ceiling)
        self.lease_us = now_us
        self.expiry_us = expiry_ms * 1000
        return 0
