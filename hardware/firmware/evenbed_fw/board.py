"""The board's main loop: hardware verbs on one side, the wire on the other, the safety core between."""

import binascii

from evenbed_fw import VERSION, faults, safety, wire
from evenbed_fw.hardware import (
    I_END_HIGH,
    I_END_LOW,
    I_ESTOP_OK,
    I_PEDAL_A,
    I_PEDAL_B,
    I_SUPPLY_OK,
    Hardware,
)
from evenbed_fw.motion import Ramp
from evenbed_fw.pedal import Pedal, since
from evenbed_fw.proposal import Proposal
from evenbed_fw.safety import Core
from evenbed_fw.settings import RANGES, Settings

TICK_US = 2000  # the ramp is brought up to date this often
SILENCE_US = 30000  # without a reading, an s line goes out this often
COLLECT_EVERY = 64  # readings
BYTES_A_PASS = 2 * wire.MAX_LINE  # taken from the port


class Board:
    """One board. Call ``poll`` as often as possible; it never waits."""

    def __init__(self, hw: Hardware, settings: Settings, boot_cause: int = 0) -> None:
        self.hw = hw
        self.core = Core(settings)
        self.proposal = Proposal()
        self.settings = self.core.s
        self.ramp = Ramp(self.settings.accel_steps_s2)
        self.pedal = Pedal()
        self.reader = wire.LineReader()
        self.writer = wire.LineWriter()
        self.boot_cause = boot_cause
        self.crc = binascii.crc32(settings.crc_text().encode()) >> 2
        self.seq = 0
        self.conversion = 0
        self.rate = 0
        self.tick_us = hw.now_us()
        self.sent_us = self.tick_us
        self.dropped = 0
        self.inputs = 0
        self.enabled = False
        # Looked up once: a bound method taken in the loop is an allocation.
        self._read_byte = hw.read_byte
        self._line = self.reader.line
        self._said = [0] * len(wire.BOARD_LINES["s"])
        hw.enable(False)
        hw.grant(0, 0)

    def poll(self) -> None:
        """One pass: inputs, reading, decision, motion; only then the wire."""
        hw = self.hw
        core = self.core
        now = hw.now_us()
        position = hw.position()
        inputs = hw.inputs()
        self.inputs = inputs
        pedal = self.pedal
        pedal.step(now, inputs & I_PEDAL_A != 0, inputs & I_PEDAL_B != 0)
        if pedal.edge:
            core.press(now, position, self.rate)
        if pedal.ended:
            core.tap(pedal.ended_us, pedal.last_ms)
        if inputs & I_END_LOW and self.rate == 0:
            core.homed = True
            core.stand_at(position)
        fresh = hw.sample_ready()
        if fresh:
            self.conversion = self.conversion + 1 if self.conversion < wire.MAX_INT else 0
            core.sample(now, hw.read_sample(), position, self.rate)
        core.tick(
            now,
            position,
            self.rate,
            inputs & I_ESTOP_OK == 0,
            inputs & I_SUPPLY_OK == 0,
            pedal.fault,
            pedal.held_ms(),
        )
        if core.offered and self.proposal.step(now, core, pedal.held_ms()):
            self._adopt()
        if core.enabled != self.enabled:
            self.enabled = core.enabled
            hw.enable(core.enabled)
        elapsed = since(now, self.tick_us)
        if fresh or elapsed >= TICK_US:
            self.tick_us = now
            self._move(elapsed, hw.position())
        self._listen(now)
        if fresh or since(now, self.sent_us) >= SILENCE_US:
            self.sent_us = now
            self._report(now, position)
            if self.conversion % COLLECT_EVERY == 0:
                hw.collect()

    def _adopt(self) -> None:
        """Take over what was offered and confirmed. The board is latched: there is time, and memory is no concern."""
        new = self.proposal.offered
        if new is None:
            return
        for i in range(len(RANGES)):
            setattr(self.settings, RANGES[i][0], new.values()[i])
        self.settings.derive()
        self.crc = binascii.crc32(self.settings.crc_text().encode()) >> 2
        self.core.renew()
        self.proposal.void(self.core)
        self.hw.store(self.settings.crc_text())

    def _move(self, elapsed: int, position: int) -> None:
        core = self.core
        ramp = self.ramp
        state = core.state
        if not core.enabled:
            ramp.halt()
            self.rate = 0
            self.hw.grant(0, 0)
            return
        if self.rate == 0 and ramp.rate16 and ramp.steps == 0:
            ramp.halt()
        # After a pass that took longer than what was granted the motor stands already: it is not granted its braking again.
        late_ms = elapsed // 1000 if elapsed < 5000000 else 5000
        if elapsed > 10000 and abs(self.rate) * late_ms // 1000 >= ramp.steps:
            ramp.halt()
            self.rate = 0
        end = core.end
        high = core.high
        low = core.low
        if elapsed > 10000:  # as the ramp does; keeps the product below a small integer
            elapsed = 10000
        if state == safety.EASING:
            # For as long as the pedal is held no reading is asked, but should the program hang, the steps run out.
            low = position - core.let_down_grant(self.rate)
        elif state == safety.FROZEN or state == safety.ARMED or state == safety.LATCHED:
            end = position
        elif state == safety.MOVING and core.mode == wire.EASE and end > position and ramp.rate16 <= 0:
            end = position  # an end passed while braking is not gone back to: an ease-off never turns up
        # At an end switch the ramp comes to rest, within the switch's overtravel.
        if (self.inputs & I_END_HIGH and end > position) or (self.inputs & I_END_LOW and end < position):
            end = position
        up = ramp.rate16 > 0 or (ramp.rate16 == 0 and end > position)
        granted = high - position if up else position - low
        if end == position:
            granted = ramp.brake_steps(ramp.rate16) + (abs(ramp.rate16) << 4) * elapsed // 1000000 + 1
        cap = core.rate
        if up and cap > core.cap_up:
            cap = core.cap_up
        if up and state == safety.HOLDING and cap > self.settings.hold_rate_steps_s:
            cap = self.settings.hold_rate_steps_s
        if not up:
            cap = core.cap_down(cap)
        self.rate = ramp.step(elapsed, end - position, cap, granted if granted > 0 else 0)
        self.hw.grant(self.rate, ramp.steps)

    # --- the wire ------------------------------------------------------------------------------------------
    def _listen(self, now: int) -> None:
        read_byte = self._read_byte
        line = self._line
        # At most two good lines a pass, and so many bytes, so that a chatty host cannot delay the next reading.
        self.reader.left = BYTES_A_PASS
        if line(read_byte):
            self._obey(now)
            if line(read_byte):
                self._obey(now)

    def _obey(self, now: int) -> None:
        r = self.reader
        core = self.core
        n = r.numbers
        seq = n[0]
        if r.count < 1 or seq < 0 or seq >= wire.SEQ_WRAP:
            return
        if r.is_kind(b"go"):
            answer = wire.NOT_UNDERSTOOD
            if r.count == 6:
                high = self.inputs & I_END_HIGH != 0
                answer = core.go(now, seq, n[1], n[2], n[3], n[4], n[5], self.hw.position(), high)
            if answer and answer != wire.STALE:
                self._send(b"no", (seq, answer))
            return
        estop = self.inputs & I_ESTOP_OK == 0
        supply = self.inputs & I_SUPPLY_OK == 0
        value = 0
        # A repeated or late line changes nothing; only a stop is never too old.
        late = not core.newer(seq)
        if r.is_kind(b"hello") and r.count == 2:
            core.greeted = n[1] == wire.PROTOCOL
            core.permit = False
            core.go_seq = -1
            core.line_seq = seq
            self.proposal.void(core)
            self._send(b"board", (wire.PROTOCOL, VERSION, self.boot_cause, self.crc))
            return
        if r.is_kind(b"limits") and r.count == 1:
            s = self.settings
            self._send(
                b"limits",
                (
                    s.zero_counts,
                    s.gain_mcounts_n,
                    s.limit_mn,
                    s.overrun_mn,
                    s.steps_mm,
                    s.rate_max_steps_s,
                    s.accel_steps_s2,
                    s.period_us,
                    s.stiffest_n_mm,
                    s.hold_rate_steps_s,
                    s.hold_travel_steps,
                    s.age_us,
                    s.granted_us,
                ),
            )
            return
        if late and r.count == 2 and (r.is_kind(b"arm") or r.is_kind(b"ceiling")):
            answer = wire.STALE
        elif late and r.count == 1 and (r.is_kind(b"disarm") or r.is_kind(b"clear")):
            answer = wire.STALE
        elif late and r.count == 5 and r.is_kind(b"propose"):
            answer = wire.STALE
        elif r.is_kind(b"propose") and r.count == 5:
            answer = self.proposal.offer(now, core, self.settings, n[1], n[2], n[3], n[4])
            value = n[4]
        elif r.is_kind(b"cell") and r.count == 1:
            self._send(b"cell", (core.s.rated_mcounts_n, core.s.limit_most_mn))
            return
        elif r.is_kind(b"arm") and r.count == 2:
            answer = core.arm(n[1], estop, supply, self.pedal.fault)
            value = self.settings.millinewtons(core.ceiling)
        elif r.is_kind(b"ceiling") and r.count == 2:
            answer = core.lower_ceiling(n[1])
            value = self.settings.millinewtons(core.ceiling)
        elif r.is_kind(b"disarm") and r.count == 1:
            answer = core.disarm()
        elif r.is_kind(b"stop") and r.count == 1:
            answer = core.stop(now, self.hw.position(), self.rate)
        elif r.is_kind(b"clear") and r.count == 1:
            answer = core.clear(estop, supply, self.pedal.fault)
        elif r.is_kind(b"trip") and r.count == 1:
            self._send(
                b"trip",
                (
                    core.trip_us,
                    core.fault,
                    core.trip_raw,
                    core.trip_bound,
                    core.trip_position,
                    core.trip_rate,
                    core.later,
                ),
            )
            return
        else:
            answer = wire.NOT_UNDERSTOOD
        if answer:
            self._send(b"no", (seq, answer))
        else:
            self._send(b"ok", (seq, value))

    def _send(self, kind: bytes, numbers: "tuple[int, ...]") -> None:
        w = self.writer
        w.begin(kind)
        w.num(self._next())
        w.nums(numbers)
        self._out(w.end())

    def _out(self, n: int) -> None:
        # A line that does not fit now is dropped: the loop never waits for the port.
        if self.hw.tx_free() >= n:
            self.hw.send(self.writer.buf, n)
        elif self.dropped < wire.MAX_INT:
            self.dropped += 1

    def _next(self) -> int:
        seq = self.seq
        self.seq = seq + 1 if seq < wire.SEQ_WRAP - 1 else 0
        return seq

    def flags(self) -> int:
        """The flags of the s line."""
        core = self.core
        inputs = self.inputs
        f = safety.F_PEDAL if self.pedal.down else 0
        if inputs & I_ESTOP_OK == 0:
            f |= safety.F_ESTOP
        if inputs & I_SUPPLY_OK == 0:
            f |= safety.F_SUPPLY
        if inputs & I_END_LOW:
            f |= safety.F_END_LOW
        if inputs & I_END_HIGH:
            f |= safety.F_END_HIGH
        if core.enabled:
            f |= safety.F_ENABLED
        if core.limiting and (core.state == safety.MOVING or core.state == safety.HOLDING):
            f |= safety.F_LIMITING
        if core.sound:
            f |= safety.F_SOUND
        if core.contact:
            f |= safety.F_CONTACT
        if core.homed:
            f |= safety.F_HOMED
        if core.greeted:
            f |= safety.F_GREETED
        if self.pedal.fault:
            f |= safety.F_PEDAL_FAULT
        return f

    def _report(self, now: int, position: int) -> None:
        core = self.core
        w = self.writer
        w.begin(b"s")
        pedal = self.pedal
        n = self._said
        n[0] = self._next()
        n[1] = now
        n[2] = self.conversion
        n[3] = core.raw
        n[4] = position
        n[5] = self.rate
        n[6] = core.state
        n[7] = core.fault if core.fault < len(faults.NAMES) else 0
        n[8] = self.flags()
        n[9] = pedal.presses
        n[10] = pedal.held_ms()
        n[11] = pedal.last_ms
        n[12] = core.go_seq if core.go_seq >= 0 else wire.SEQ_WRAP
        w.nums(n)
        self._out(w.end())
