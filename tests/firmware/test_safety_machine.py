"""The whole board in anybody's hands: any order of lines, taps, faults and silences, and what must hold throughout."""

from __future__ import annotations

import sys
from math import ceil
from pathlib import Path

import pytest
from evenbed_fw import faults, safety, wire
from evenbed_fw.hardware import I_END_HIGH, I_END_LOW, I_ESTOP_OK, I_PEDAL_A, I_PEDAL_B, I_SUPPLY_OK
from evenbed_fw.settings import Settings
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from firmware.mpy_rig import FakeHardware

sys.path.insert(0, str(Path(__file__).parents[1] / "host"))
from foot import Foot

STILL = (safety.LATCHED, safety.CUT)
BOTH = I_PEDAL_A | I_PEDAL_B
NEVER_UP = (safety.EASING, safety.BACKING, safety.FROZEN, safety.ARMED)
modes = st.sampled_from([wire.DRAW, wire.HOLD, wire.EASE])
rates = st.sampled_from([1, 500, 9_600, 30_000, 96_000, 200_000])
ends = st.integers(-3_000, 40_000)
softs = st.sampled_from([0, 400_000, 1_500_000, 2_190_000, 8_388_607, wire.MAX_INT])
expiries = st.sampled_from([1, 20, 100, 150, 151])
short_ms = st.integers(1, 60)
some_ms = st.integers(1, 400)
BEFORE, RESTS_MS, PRESSES_MS = ("tap", "arm"), (110, 500, 1_050), (35, 100, 600, 750)
EDGE_S = 0.008  # two looks at the pedal, and what the lock-out runs from and is asked at: both are told a look late


class BoardMachine(RuleBasedStateMachine):
    """One board, one motor, one spring; the rules are what the world and the host may do."""

    @initialize(
        k=st.sampled_from([11, 50, 160, 330, 711]),  # counts per step; 711 is 130 N/mm, the stiffest the rig can meet
        slack=st.integers(500, 12_000),
        period_us=st.sampled_from([11_250, 12_500, 13_800]),
        delay=st.integers(0, 2),
        poll_us=st.sampled_from([400, 1_000, 2_500]),
        start_us=st.sampled_from([0, wire.TIME_WRAP_US - 3_000_000]),
    )
    def build(self, k: int, slack: int, period_us: int, delay: int, poll_us: int, start_us: int) -> None:
        from evenbed_fw.board import Board

        self.s = Settings()
        self.hw = FakeHardware(start_us)
        self.hw.k, self.hw.slack, self.hw.period_us, self.hw.delay = k, slack, period_us, delay
        self.board = Board(self.hw, self.s)
        self.core = self.board.core
        self.poll_us = poll_us
        self.seq = 0
        self.bound = 0  # counts that the true force may not pass in this session
        self.honest = True  # no reading was falsified since the string was last slack
        self.t_us = 0  # a clock that does not wrap
        self.presses = Foot(EDGE_S)
        self.clears = 0
        self.foot_up_ms = 1000.0
        self.run(400)
        self.say("hello", wire.PROTOCOL)
        self.run(5)

    # --- how the world runs on -------------------------------------------------------------------------------
    def run(self, ms: float, go: tuple[int, ...] | None = None) -> None:
        renew_us = 0
        left_us = round(ms * 1000)
        while left_us > 0:
            if go is not None:
                renew_us -= self.poll_us
                if renew_us <= 0:
                    renew_us = 40_000
                    self.say("go", *go)
            self.poll()
            left_us -= self.poll_us

    def poll(self) -> None:
        hw, core = self.hw, self.core
        state, fault, mode, rate, up = core.state, core.fault, core.mode, self.board.rate, hw.moved_up
        clears = self.clears
        read = hw.ready
        self.advance(self.poll_us)
        read = read or hw.ready
        now_s = self.t_us * 1e-6
        self.presses.sees(now_s, hw.pins & I_PEDAL_A != 0, state == safety.ARMED, (hw.pins & BOTH) in (0, BOTH))
        self.board.poll()
        down = hw.pins & I_PEDAL_A != 0 and hw.pins & I_PEDAL_B == 0
        self.foot_up_ms = 0.0 if down else self.foot_up_ms + self.poll_us / 1000

        if state in STILL or (state == safety.ARMED and rate <= 0):
            assert hw.moved_up == up, "pulled without being asked"
        if core.state == safety.MOVING and state == safety.ARMED and core.mode == wire.DRAW:
            assert self.presses.permits(now_s), f"a draw that no press permits: {self.presses.why}"
            self.presses.drawn()
        if core.state != state:
            self.presses.changed(now_s)
        if core.state == safety.ARMED and state == safety.LATCHED:
            self.presses.void()
        if core.state == safety.MOVING and core.mode == wire.EASE and state == safety.MOVING and mode == wire.EASE:
            assert self.board.rate <= max(rate, 0), "an ease-off turned up"
        # Lines are read last in a pass: what they change shows in the next.
        if state in NEVER_UP and core.state in NEVER_UP:
            assert self.board.rate <= max(rate, 0), "faster upwards in a state that only brakes or lowers"
        if state in STILL and core.state in STILL:
            assert not hw.enabled
        if core.state == safety.EASING:
            assert self.foot_up_ms < 300, "letting down with the foot off"
        if fault not in (faults.NONE, faults.PRESSED, faults.STOPPED):
            assert core.fault == fault or clears != self.clears or self.cleared_line, "a latched fault went by itself"
        self.cleared_line = False
        self._after_the_last_good_reading(read, rate)

    def advance(self, us: int) -> None:
        """The world runs on."""
        self.t_us += us
        while us > 0:
            self.hw.advance(min(us, 500))
            us -= 500

    cleared_line = False
    granted_from = 0
    granted_way = 1 << 30

    def _after_the_last_good_reading(self, read: bool, rate: int) -> None:
        """Up: two of the slowest periods at the faster of present and allowed rate, and the way to brake from it."""
        core, s = self.core, self.s
        if read and core.sound:
            v = max(rate, core.cap_up, 0)
            self.granted_from = self.hw.at
            # The rate acts until the next pass of the loop, at most two ticks.
            self.granted_way = ceil(v * s.granted_us / 1e6 + v * v / (2 * s.accel_steps_s2) + v * 0.004) + 32
        assert self.hw.at - self.granted_from <= self.granted_way, "moved on without readings"

    def say(self, kind: str, *numbers: int) -> None:
        if kind == "clear":
            self.cleared_line = True
        self.hw.hear(wire.encode(kind, (self.seq, *numbers)))
        self.seq = (self.seq + 1) % wire.SEQ_WRAP

    def foot(self, down: bool) -> None:
        self.hw.pins = self.hw.pins & ~(I_PEDAL_A | I_PEDAL_B) | (I_PEDAL_A if down else I_PEDAL_B)

    # --- what may happen -------------------------------------------------------------------------------------
    @rule(ms=some_ms)
    def time_passes(self, ms: int) -> None:
        self.run(ms)

    @rule(mode=modes, rate=rates, end=ends, soft=softs, expiry=expiries, ms=some_ms)
    def host_leads(self, mode: int, rate: int, end: int, soft: int, expiry: int, ms: int) -> None:
        self.run(ms, (mode, rate, end, soft, expiry))

    @rule(mode=modes, rate=rates, end=ends, soft=softs, back=st.integers(0, 9_999), ms=short_ms)
    def host_repeats_or_reorders(self, mode: int, rate: int, end: int, soft: int, back: int, ms: int) -> None:
        self.hw.hear(wire.encode("go", ((self.seq - back) % wire.SEQ_WRAP, mode, rate, end, soft, 100)))
        self.run(ms)

    @rule(ceiling_mn=st.sampled_from([20_000, 100_000, 250_000, 330_000]), ms=st.sampled_from([5, 400]))
    def host_arms(self, ceiling_mn: int, ms: int) -> None:
        was = self.core.state
        self.say("arm", ceiling_mn)
        self.poll()
        if was == safety.LATCHED and self.core.state == safety.ARMED:
            self.hw.peak = self.hw.force()
            self.bound = self.s.counts(ceiling_mn) + self.s.overrun_counts
        self.run(ms)

    @rule(kind=st.sampled_from(["disarm", "stop", "limits", "trip"]), ms=short_ms)
    def host_says(self, kind: str, ms: int) -> None:
        self.say(kind)
        self.run(ms)

    @rule(protocol=st.sampled_from([wire.PROTOCOL, wire.PROTOCOL, wire.PROTOCOL + 1]))
    def host_greets(self, protocol: int) -> None:
        self.say("hello", protocol)
        self.run(5)

    @rule(ceiling_mn=st.sampled_from([1, 50_000, 200_000, 1_000_000]))
    def host_lowers_the_ceiling(self, ceiling_mn: int) -> None:
        self.say("ceiling", ceiling_mn)
        self.run(5)

    @rule()
    def host_clears(self) -> None:
        self.say("clear")
        self.poll()
        self.clears += 1
        self.run(5)

    @rule(junk=st.binary(max_size=150))
    def garbage(self, junk: bytes) -> None:
        self.hw.hear(junk)
        self.run(10)

    @rule(ms=st.integers(20, 690))
    def tap(self, ms: int) -> None:
        self.foot(True)
        self.run(ms)
        self.foot(False)
        self.run(120)

    @rule(ms=st.integers(720, 3_500))
    def long_press(self, ms: int) -> None:
        self.foot(True)
        self.run(ms)
        self.foot(False)
        self.run(120)

    def make_ready(self) -> None:
        """A good person and a good host find the way back to an armed head from wherever things stand."""
        core = self.core
        self.hw.pins = I_PEDAL_B | I_ESTOP_OK | I_SUPPLY_OK
        self.hw.hear(b"\n")  # ends whatever garbage went before
        self.say("hello", wire.PROTOCOL)
        self.run(600)
        for _ in range(12):
            if core.state == safety.ARMED:
                break
            if core.no_way_down:
                # Readings that lied, or a motor that turned wrongly: the emergency stop, as its entry says.
                self.hw.pins = I_PEDAL_B | I_SUPPLY_OK
                self.run(50)
                self.hw.pins = I_PEDAL_B | I_ESTOP_OK | I_SUPPLY_OK
            elif core.loaded():
                self.long_press(3_500)
            elif core.state in (safety.FROZEN, safety.CUT):
                self.host_clears()
            elif core.state == safety.LATCHED:
                self.host_arms(250_000, 5)
            self.run(400)
        assert core.state == safety.ARMED and not core.loaded() and core.fault == faults.NONE

    @rule(rate=rates, end=ends, soft=softs, ms=some_ms)
    def draw(self, rate: int, end: int, soft: int, ms: int) -> None:
        """A draw as it should be; the rules that come next meet it in flight."""
        self.make_ready()
        self.run(1_050)
        self.tap(100)
        self.run(ms, (wire.DRAW, max(rate, 9_600), end, soft, 150))

    @rule(before=st.sampled_from(BEFORE), rest_ms=st.sampled_from(RESTS_MS), ms=st.sampled_from(PRESSES_MS))
    def a_host_draws_whatever_the_press_was(self, before: str, rest_ms: int, ms: int) -> None:
        """A press of any length, soon or not so soon after another or after arming; the host takes it for a tap."""
        self.make_ready()
        self.run(1_050)
        if before == "tap":
            self.tap(100)
        elif before == "arm":
            self.say("disarm")
            self.run(5)
            self.host_arms(250_000, 5)
        self.run(rest_ms)
        self.foot(True)
        self.run(ms)
        self.foot(False)
        self.run(60)
        self.run(200, (wire.DRAW, 20_000, self.hw.at + 2_000, 8_388_607, 150))

    @rule(past=st.integers(100, 60_000), mode=modes, ms=some_ms)
    def pull(self, past: int, mode: int, ms: int) -> None:
        """A draw to well past the slack at full speed, and what follows it."""
        self.draw(96_000, self.hw.slack + past, 8_388_607, 600)
        self.run(ms, (mode, 96_000, self.hw.at + (500 if mode == wire.HOLD else -3_000), 8_388_607, 150))

    @rule(past=st.integers(100, 60_000), ms=some_ms)
    def pull_and_hold(self, past: int, ms: int) -> None:
        self.pull(past, wire.HOLD, ms)

    @rule(ms=st.integers(1, 200))
    def readings_stop(self, ms: int) -> None:
        self.hw.converting = False
        self.run(ms, (wire.DRAW, 96_000, 60_000, 8_388_607, 150))
        self.hw.converting = True
        self.run(20)

    @rule(ms=st.integers(1, 200))
    def readings_stick(self, ms: int) -> None:
        self.hw.constant = True
        self.run(ms)
        self.hw.constant = False
        self.run(20)

    @rule(bias=st.sampled_from([-9_000_000, -2_000_000, -300_000, 300_000, 2_000_000, 9_000_000]), ms=short_ms)
    def readings_lie(self, bias: int, ms: int) -> None:
        self.honest = False
        self.hw.bias = bias
        self.run(ms, (wire.HOLD, 9_600, self.hw.at + 50, 8_388_607, 150))
        self.hw.bias = 0
        self.run(20)

    @rule(us=st.integers(5_000, 300_000))
    def the_program_hangs(self, us: int) -> None:
        """A pause in Python: the motor and the converter go on, nobody polls."""
        self.advance(us)
        self.run(30)

    @rule(pin=st.sampled_from([I_ESTOP_OK, I_SUPPLY_OK]), ms=short_ms)
    def supply_or_emergency_stop(self, pin: int, ms: int) -> None:
        self.hw.pins &= ~pin
        self.poll()
        assert not self.hw.enabled
        self.run(ms)
        self.hw.pins |= pin
        self.run(10)

    @rule(pin=st.sampled_from([I_END_LOW, I_END_HIGH]), ms=short_ms)
    def end_switch(self, pin: int, ms: int) -> None:
        self.hw.pins |= pin
        self.run(ms, (wire.EASE if pin == I_END_LOW else wire.DRAW, 20_000, 5_000, 8_388_607, 150))
        self.hw.pins &= ~pin

    @rule(pins=st.sampled_from([I_PEDAL_A | I_PEDAL_B, 0]), ms=some_ms)
    def a_loose_wire(self, pins: int, ms: int) -> None:
        self.hw.pins = self.hw.pins & ~(I_PEDAL_A | I_PEDAL_B) | pins
        self.run(ms)
        self.foot(False)
        self.run(10)

    @rule(room=st.sampled_from([0, 20, 512]))
    def host_does_not_read(self, room: int) -> None:
        self.hw.room = room
        self.run(50)
        self.hw.room = 512

    @precondition(lambda self: self.hw.force() == 0 and self.board.rate == 0)
    @rule(k=st.sampled_from([11, 160, 711]), further=st.integers(0, 6_000))
    def another_string(self, k: int, further: int) -> None:
        self.hw.k = k
        self.hw.slack = self.hw.at + further
        self.run(60)
        self.honest = True

    # --- what always holds -----------------------------------------------------------------------------------
    @invariant()
    def force_stays_under_ceiling_and_overrun(self) -> None:
        if self.honest and self.bound:
            assert self.hw.peak <= self.bound, f"{(self.hw.peak - self.bound) / 8759:.3f} N above the envelope"
        elif not self.honest:
            self.hw.peak = self.hw.force()
            if self.hw.peak == 0:
                self.honest = True


TestBoardMachine = BoardMachine.TestCase
TestBoardMachine.settings = settings(max_examples=60, stateful_step_count=20, deadline=None)


@pytest.mark.parametrize("before", BEFORE)
@pytest.mark.parametrize("rest_ms", RESTS_MS)
@pytest.mark.parametrize("ms", PRESSES_MS)
def test_a_draw_follows_no_other_press_than_a_tap(before: str, rest_ms: int, ms: int) -> None:
    """The same machine through every such press: chance need not meet them all. And a tap is followed by one."""
    board = BoardMachine()
    board.build(k=50, slack=500, period_us=12_500, delay=2, poll_us=1_000, start_us=0)
    at = board.hw.at
    board.a_host_draws_whatever_the_press_was(before, rest_ms, ms)
    # hardware/protocol.md section 7: 50 to 700 ms, a second after the last press, 300 ms after a change of state.
    tap = 50 <= ms < 700 and rest_ms >= (1_000 if before == "tap" else 300)
    assert (board.hw.at > at) is tap
