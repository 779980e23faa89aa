"""The motor's pulses: grants to the step generator, the count of pulses, and what the hardware stopped by itself.

Nothing is allocated once built. State machines 0 to 3 (PIO 0): pulses, gate of the emergency stop, guards of the two end
switches; 4 (PIO 1): the counter.
"""

import machine
import rp2

from evenbed_pico import clock
from evenbed_pico import pio_steps as pio

MOST = 0x1FFFFFFF  # steps in one grant
COUNT = 0x7FFF  # the counter's two halves, 15 bits each


class Motor:
    """Pulses and their count. ``rate_most``: no grant is faster, steps/s; ``end_steps``: see pio_steps.guard."""

    def __init__(
        self, step: int, direction: int, up: int, estop: int, end_low: int, end_high: int, end_steps: int, rate_most: int
    ) -> None:
        pin = machine.Pin
        self._direction = pin(direction, pin.OUT, value=up)
        self._level_up = up
        self.up = True
        self._least_loops = pio.loops(rate_most)
        self._loops = self._least_loops  # of the grant before
        self._granted = False  # the grant before was for more than nothing
        self.stopped = False  # the hardware has set its stop
        self._position = 0
        step_pin = pin(step, pin.OUT, value=0)
        self._pulses = rp2.StateMachine(0, pio.steps, freq=clock.STEP_HZ, sideset_base=step_pin)
        machine.mem32[pio.EXEC_CONTROL] = machine.mem32[pio.EXEC_CONTROL] & ~0x1F | pio.STATUS_BELOW
        self._estop = pin(estop, pin.IN, pin.PULL_UP)
        self._gate = rp2.StateMachine(1, pio.gate, freq=clock.GATE_HZ, jmp_pin=self._estop)
        low = pin(end_low, pin.IN, pin.PULL_UP)
        high = pin(end_high, pin.IN, pin.PULL_UP)
        self._guard_down = rp2.StateMachine(2, pio.guard, freq=clock.GUARD_HZ, in_base=step_pin, jmp_pin=low)
        self._guard_up = rp2.StateMachine(3, pio.guard, freq=clock.GUARD_HZ, in_base=step_pin, jmp_pin=high)
        for guard in (self._guard_down, self._guard_up):
            guard.put(end_steps - 1)
            guard.exec(pio.PULL_NOBLOCK)
            guard.exec(pio.MOV_Y_OSR)
        self._counter = rp2.StateMachine(4, pio.counter, freq=clock.STEP_HZ, in_base=step_pin, jmp_pin=self._direction)
        self._counter.active(1)
        word = self._count()
        self._high = word >> 15
        self._low = word & COUNT
        self._gate.active(1)
        self._turn(True)
        self._afresh()

    def _count(self) -> int:
        counter = self._counter
        counter.exec(pio.IN_X_15)
        counter.exec(pio.IN_Y_15)
        counter.exec(pio.PUSH_NOBLOCK)
        return counter.get()

    def position(self) -> int:
        """Pulses made since power-up, signed; positive pulls. To be asked at least every 32767 pulses."""
        word = self._count()
        high = word >> 15
        low = word & COUNT
        made = ((self._high - high) & COUNT) - ((self._low - low) & COUNT)
        self._high = high
        self._low = low
        self._position += made if self._level_up else -made
        return self._position

    def look(self) -> bool:
        """Has the hardware stopped the pulses? Stays so until the program, told by this, lets them go on."""
        if machine.mem32[pio.IRQ_REGISTER] & pio.STOP_FLAG:
            self.stopped = True
        return self.stopped

    def grant(self, rate: int, steps: int) -> None:
        """At most ``steps`` (unsigned) from now on, at the signed ``rate``; what was granted before is void.

        After a stop by the hardware nothing is granted until somebody looked and then the program wants to stand, or to go
        the other way.
        """
        nothing = rate == 0 or steps <= 0 or self._estop.value() != 0
        up = rate > 0
        if machine.mem32[pio.IRQ_REGISTER] & pio.STOP_FLAG or self.stopped:
            if self.stopped and (nothing or up != self.up):
                self._afresh()
            return
        if nothing:
            self._void()
            return
        if up != self.up:
            self._void()
            if self._granted or self._pulses.tx_fifo():
                return  # not taken yet: no direction changes under a pulse
            self._turn(up)
        loops = pio.loops(rate if up else -rate)
        if loops < self._least_loops:
            loops = self._least_loops
        # The wait under way is kept, unless it was for a far slower rate.
        anew = 1 if loops < self._loops >> 2 else 0
        if self._send(steps if steps < MOST else MOST, loops, anew):
            self._granted = True

    def halt(self) -> None:
        """Nothing granted any more, and what the hardware has stopped may go on with the next grant."""
        self._afresh()

    def _void(self) -> None:
        if self._granted and self._send(0, self._loops, 0):
            self._granted = False

    def _send(self, steps: int, loops: int, anew: int) -> bool:
        pulses = self._pulses
        if pulses.tx_fifo() > 2:
            return False  # a stop has just come
        pulses.put(steps << 1 | anew)
        pulses.put(loops)
        self._loops = loops
        return True

    def _turn(self, up: bool) -> None:
        """Set the direction, with the motor standing, and guard the end that is ahead now."""
        self.up = up
        self._direction.value(self._level_up if up else 1 - self._level_up)
        ahead = self._guard_up if up else self._guard_down
        behind = self._guard_down if up else self._guard_up
        behind.active(0)
        ahead.restart()
        ahead.active(1)

    def _afresh(self) -> None:
        """Throw away everything granted; the generator stands and waits. A stop whose cause lasts is set again."""
        pulses = self._pulses
        pulses.active(0)
        pulses.exec(pio.PULL_NOBLOCK)
        pulses.exec(pio.PULL_NOBLOCK)
        pulses.exec(pio.PULL_NOBLOCK)
        pulses.exec(pio.PULL_NOBLOCK)
        pulses.exec(pio.SET_X_0)
        pulses.exec(pio.PIN_LOW)
        pulses.restart()
        self._gate.exec(pio.CLEAR_STOP)
        self._granted = False
        self.stopped = False
        pulses.active(1)
