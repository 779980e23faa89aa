"""Motion: a ramp that always ends at rest inside the granted steps.

``Ramp.step`` is called every few milliseconds. It answers with a signed rate and with the number of steps that may be
made at this rate, which the hardware counts itself: should Python hang, the pulses run out. Rates are kept as
steps/s >> 4 so that their squares stay small integers.
"""

PLAN_US = 2000  # braking is planned to hold even if the next step comes this much later than the last


def isqrt(n: int, guess: int) -> int:
    """Largest integer whose square is at most ``n`` (Newton; a near ``guess`` saves time)."""
    if n <= 0:
        return 0
    x = guess if guess > 1 else 2  # with 1, the first sum could reach 2**30
    # One step from anywhere lands at or above the root; from there the sequence falls until it is reached.
    x = (x + n // x) >> 1
    while True:
        y = (x + n // x) >> 1
        if y >= x:
            return x
        x = y


class Ramp:
    """Velocity ramp with an acceleration limit towards an end position."""

    def __init__(self, accel_steps_s2: int) -> None:
        self.accel16 = accel_steps_s2 >> 4
        self.brake_div = 2 * accel_steps_s2 >> 8  # v16**2 // brake_div = braking distance in steps
        self.rate16 = 0  # signed
        self._part = 0  # change of rate not yet made, millionths
        self.steps = 0  # granted at this rate, unsigned

    def brake_steps(self, rate16: int) -> int:
        """Steps to stand still from this rate, rounded up."""
        return rate16 * rate16 // self.brake_div + 1

    def step(self, dt_us: int, to_end: int, cap_steps_s: int, granted: int) -> int:
        """Advance the ramp by ``dt_us`` and return the signed rate in steps/s; ``self.steps`` holds the grant.

        ``to_end``: signed steps to where it shall stand; ``cap_steps_s``: fastest rate allowed;
        ``granted``: most steps that may still be made in the present direction (of motion, or of ``to_end`` at rest).
        """
        rate16 = self.rate16
        if dt_us > 10000:
            dt_us = 10000
        part = self._part + self.accel16 * dt_us
        dv = part // 1000000
        self._part = part - dv * 1000000
        if rate16 == 0:
            if to_end == 0 or granted <= 0:
                self.steps = 0
                return 0
            up = to_end > 0
            v = 0
        else:
            up = rate16 > 0
            v = rate16 if up else -rate16
        left = to_end if up else -to_end
        if left < 0:
            left = 0
        if left > granted:
            left = granted
        # The fastest v with v*dt + v^2/(2a) <= left:  v = sqrt(b^2 + 2a*left) - b  with b = a*dt.
        b = self.brake_div * (dt_us if dt_us > PLAN_US else PLAN_US) // 125000
        reach = left
        most = (1073741823 - b * b) // self.brake_div
        if reach > most:
            reach = most
        v_end = isqrt(b * b + self.brake_div * reach, v + b) - b
        if v_end < 1 and left > 0:
            v_end = 1
        v_new = cap_steps_s >> 4
        if v_new > v_end:
            v_new = v_end
        if v_new > v + dv:
            v_new = v + dv
        if v_new < v - dv:
            v_new = v - dv
        if v_new < 0:
            v_new = 0
        self.rate16 = v_new if up else -v_new
        # Landing: the steps left to the end, no more. When the end came nearer than the ramp can brake, pass it rather
        # than lose steps.
        steps = left
        if v_new > v_end and self.brake_steps(v_new) > left:
            steps = self.brake_steps(v_new) + (v_new << 4) * dt_us // 1000000
            if steps > granted:
                steps = granted
        self.steps = steps
        if steps <= 0 or v_new == 0:
            self.rate16 = 0
            self.steps = 0
        return self.rate16 * 16

    def halt(self) -> None:
        """Forget the present rate: the drive has been cut."""
        self.rate16 = 0
        self.steps = 0
