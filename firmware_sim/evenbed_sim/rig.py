"""One simulated rig: string, carriage, cell, converter, pedal and the board's own firmware on one virtual clock.

Between the moments at which something changes (a conversion, a new step rate, the end of a grant, a hand) the motion
is uniform, so the plant is advanced in exact pieces and peaks are true.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from evenbed_fw.board import TICK_US, Board
from evenbed_fw.hardware import I_END_HIGH, I_END_LOW, I_ESTOP_OK, I_PEDAL_A, I_PEDAL_B, I_SUPPLY_OK
from evenbed_fw.settings import Settings

from evenbed_sim.carriage import Carriage, CarriageParams
from evenbed_sim.converter import Cell, CellParams
from evenbed_sim.hardware import Costs, SimHardware
from evenbed_sim.plant import Plant

LONGEST_STEP_US = 12500.0


@dataclass(frozen=True)
class RigParams:
    """How one rig is built."""

    cell: CellParams = field(default_factory=CellParams)
    carriage: CarriageParams = field(default_factory=CarriageParams)
    costs: Costs = field(default_factory=Costs)
    settings: dict[str, int] = field(default_factory=dict)  # differing from the board's defaults

    def board_settings(self) -> Settings:
        """Settings as a careful builder would have stored them on this rig's board."""
        s = Settings()
        s.zero_counts = round(self.cell.zero_counts)
        s.gain_mcounts_n = round(self.cell.counts_per_n * 1000.0)
        s.rated_mcounts_n = s.gain_mcounts_n
        s.steps_mm = round(self.carriage.steps_per_mm)
        for name, value in self.settings.items():
            if not hasattr(s, name):
                raise ValueError(f"the board has no setting {name!r}")
            setattr(s, name, value)
        s.derive()
        return s


class Rig:
    """A rig with a string in its gripper. Time is virtual and given in microseconds."""

    def __init__(self, plant: Plant, params: RigParams | None = None, seed: int = 1) -> None:
        self.params = params or RigParams()
        self.plant = plant
        self.rng = Random(seed)
        self.carriage = Carriage(self.params.carriage)
        self.cell = Cell(self.params.cell, Random(self.rng.random()))
        self.hw = SimHardware(self.params.costs, self._advance_to)
        self.watchers: list[Callable[[float], None]] = []
        # what faults may change
        self.estop_pressed = False
        self.supply_on = True
        self.pedal_down = False
        self.knob_mm_s = 0.0
        self.hung_n = 0.0
        self.pedal_wires: Callable[[int], int] = lambda pins: pins
        self.bend_reading: Callable[[int], int | None] = lambda code: code
        self.motor_scale: Callable[[], float] = lambda: 1.0
        self.bend_wire: Callable[[str, bytes], list[tuple[float, bytes]]] = lambda way, line: [(0.0, line)]
        self.period_scale = 1.0
        self.board_delay_us = 0.0
        self.board_runs = True
        self._next_conversion_us = self.params.cell.period_us * self.rng.random()
        self._pending_us = 0.0
        self._inputs_us = 0.0
        self._set_pins()
        self.board = Board(self.hw, self.params.board_settings())
        self._next_watch_us = 0.0

    @property
    def t_us(self) -> float:
        """Now."""
        return self.hw.t_us

    @property
    def force_n(self) -> float:
        """True force at the gripper."""
        self.flush()
        return self.plant.force_n

    def mount(self, plant: Plant) -> None:
        """Put another string into the gripper."""
        self.flush()
        self.plant = plant

    # --- the world -----------------------------------------------------------------------------------------
    def _advance_to(self, target_us: float) -> None:
        hw = self.hw
        while hw.t_us < target_us:
            until = min(target_us, self._next_conversion_us, hw.t_us + LONGEST_STEP_US)
            if hw.rate and hw.enabled:
                ends = hw.t_us + hw.granted / abs(hw.rate) * 1e6
                until = min(until, ends)
                h = until - hw.t_us
                done = hw.granted if until >= ends else abs(hw.rate) * h * 1e-6
                hw.granted -= done
                hw.steps += math.copysign(done, hw.rate)
                self._carry(h, math.copysign(done, hw.rate))
                hw.t_us = until
                if hw.granted <= 1e-9:
                    hw.steps = float(round(hw.steps))
                    hw.rate = 0
            else:
                self._carry(until - hw.t_us, 0.0)
                hw.t_us = until
            if until >= self._next_conversion_us:
                self._convert()

    _carry_steps = 0.0
    _carry_rate = 0

    def _carry(self, h_us: float, steps: float) -> None:
        """Collect uniform motion; the plant is moved when it changes."""
        rate = self.hw.rate if steps else 0
        if rate != self._carry_rate:
            self.flush()
            self._carry_rate = rate
        self._pending_us += h_us
        self._carry_steps += steps

    def flush(self) -> None:
        """Bring the plant up to date."""
        h = self._pending_us
        if h <= 0.0:
            return
        dt = h * 1e-6
        plant = self.plant
        before = plant.force_n
        screw = self._carry_steps / self.params.carriage.steps_per_mm * self.motor_scale()
        powered = self.hw.enabled and self.supply_on and not self.estop_pressed
        dx = self.carriage.move(dt, screw, before, powered)
        if self.knob_mm_s and not powered:
            dx += self.carriage.turn(self.knob_mm_s * dt)
        plant.advance(dt, dx)
        self.cell.feed(dt, before + self.hung_n, plant.force_n + self.hung_n)
        self._pending_us = 0.0
        self._carry_steps = 0.0

    def _convert(self) -> None:
        self.flush()
        self._next_conversion_us += self.params.cell.period_us * self.period_scale
        code = self.bend_reading(self.cell.convert())
        if code is not None:
            self.hw.waiting = code
        self._set_pins()

    def _set_pins(self) -> None:
        pins = I_PEDAL_A if self.pedal_down else I_PEDAL_B
        if not self.estop_pressed:
            pins |= I_ESTOP_OK
        if self.supply_on and not self.estop_pressed:
            pins |= I_SUPPLY_OK
        if self.carriage.end_low:
            pins |= I_END_LOW
        if self.carriage.end_high:
            pins |= I_END_HIGH
        pins = self.pedal_wires(pins)
        if pins != self.hw.pins:
            self.hw.pins = pins
            self._inputs_us = self.hw.t_us

    # --- hands on the rig's own controls ---------------------------------------------------------------------
    def press_pedal(self, down: bool) -> None:
        """Press or release the pedal."""
        self.pedal_down = down
        self._set_pins()

    def press_estop(self, pressed: bool) -> None:
        """Press or release the emergency stop, which is wired into the drive's supply."""
        self.flush()
        self.estop_pressed = pressed
        self._set_pins()

    def switch_supply(self, on: bool) -> None:
        """Switch the drive's supply."""
        self.flush()
        self.supply_on = on
        self._set_pins()

    def turn_knob(self, mm_s: float) -> None:
        """A hand turns the screw by ``mm_s`` millimetres a second (> 0 pulls) from now on, 0 lets go. The motor holds the
        screw for as long as the drive has power: then nothing moves."""
        self.flush()
        self.knob_mm_s = mm_s

    def hang(self, newtons: float) -> None:
        """A weight of this force hangs on the gripper from now on; 0 takes it off."""
        self.flush()
        self.hung_n = newtons

    # --- the clock -------------------------------------------------------------------------------------------
    def run_until(self, target_us: float, stop_on_line: bool = False) -> None:
        """Let virtual time pass up to ``target_us``; with ``stop_on_line`` return as soon as the board has sent."""
        hw = self.hw
        while hw.t_us < target_us:
            if hw.t_us >= self._next_watch_us:
                self._next_watch_us = hw.t_us + 10000.0
                for watch in self.watchers:
                    watch(hw.t_us)
                self._set_pins()
            if self.board_runs:
                self.board.poll()
                if self.board_delay_us:
                    self._advance_to(hw.t_us + self.board_delay_us)
            self._advance_to(min(target_us, self._next_wake()))
            if stop_on_line and hw.tx:
                return

    def _next_wake(self) -> float:
        """The next moment at which a poll can change anything. Polling faster would give the same."""
        hw = self.hw
        now = hw.t_us
        wake = min(self._next_conversion_us, self._next_watch_us)
        if hw.rate or now - self._inputs_us < 20000.0 or self.pedal_down:
            wake = min(wake, now + TICK_US)
        if hw.rx:
            wake = min(wake, hw.rx[0][0])
        return max(wake, now + 100.0)

    # --- the wire --------------------------------------------------------------------------------------------
    def deliver(self, data: bytes, at_us: float) -> None:
        """Bytes leave the host at ``at_us``; they reach the board one USB transfer later."""
        for line in data.splitlines(keepends=True):
            for later_us, bent in self.bend_wire("to-board", line):
                self.hw.rx.append((at_us + self.params.costs.usb_us + later_us, bent))

    def collect_lines(self) -> list[tuple[float, bytes]]:
        """Lines on their way to the host, each with the time at which it is there."""
        lines: list[tuple[float, bytes]] = []
        for at_us, line in self.hw.tx:
            lines += [(at_us + later_us, bent) for later_us, bent in self.bend_wire("to-host", line)]
        self.hw.tx.clear()
        return lines
