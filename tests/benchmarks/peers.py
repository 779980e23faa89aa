"""Other ways to do the job, on the same rig through the same wire, to be measured against.

All three command a speed: a lease towards an end far ahead. The board's envelope and the slow first 2 mm apply to them
as well.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from evenbed.control.loop import EXPIRY_MS, ControlLoop
from evenbed.head.types import Event
from evenbed.link.messages import Sample, Trip
from evenbed_fw import safety, wire
from simple_pid import PID

from tests.benchmarks.ideal import FIRST_MM, FIRST_MM_S, ideal
from tests.benchmarks.measure import Bench, Maker, Result
from tests.benchmarks.plants import Case

NAMES = ("PI for nylon", "PI that knows k", "fast, then jogs")
NYLON_N_MM = 8.0  # tangent at the gripper at 240 N, 620 mm, of the simulated rig's own nylon, as a step test shows it
INTEGRATE_WITHIN = 0.02  # of the reference: further off the proportional part alone brings the string near
DEAD_BAND = 0.001  # of the reference: without one, friction turns integral action into a limit cycle
DELAY_S = 0.045  # two samples of the converter at 80 a second, and 20 ms until the motor answers
FAR_MM = 50.0
LEAST_MM_S = 0.005
REST_S = 0.5


def simc(k_n_mm: float, delay_s: float, closed_s: float) -> tuple[float, float]:
    """Gain (mm/s per N) and integral time (s) of a PI for force = k ∫ v dt behind a delay, with the closed loop's time
    constant ``closed_s``: Skogestad, J. Process Control 13 (2003) 291, eqs 23-24 in the integrating limit."""
    return 1.0 / (k_n_mm * (closed_s + delay_s)), 4.0 * (closed_s + delay_s)


class Peer(ControlLoop):
    """A controller without a head: arms by itself, waits for a tap, then commands a speed at every reading."""

    def __init__(self, ceiling_n: float, listener: Callable[[float, Event], None], reference_n: float) -> None:
        super().__init__(ceiling_n, listener)
        self._reference_n = reference_n
        self._heard = 0
        self._presses: int | None = None
        self._conversion = -1
        self._zero: list[float] = []
        self._started_mm: float | None = None
        self._last_s = 0.0

    def speed_mm_s(self, dt_s: float, force_n: float, v_mm_s: float, limiting: bool) -> float:
        """Decide the speed (positive: pull) from one reading."""
        raise NotImplementedError

    def receive(self, now_s: float, data: bytes) -> bytes:
        """Take bytes from the board; return those to send."""
        for said in self.session.receive(now_s, data):
            if isinstance(said, Sample) and self.session.ready and said.conversion != self._conversion:
                self._conversion = said.conversion
                self._see(now_s, said)
            elif isinstance(said, Trip):
                self._listener(now_s, Event("trip", str(said.fault)))
        return self.session.take()

    def _see(self, now_s: float, s: Sample) -> None:
        limits = self.session.limits
        assert limits is not None
        self._heard += 1
        reading_n = (s.raw_counts - limits.zero_counts) / limits.counts_per_n
        if s.state == safety.LATCHED:
            if self._heard > 40 and self._heard % 40 == 0:
                self.session.ask(now_s, "arm", int(self._ceiling_n * 1000.0))
            return
        if s.fault:
            self._listener(now_s, Event("trip", str(s.fault)))
            return
        x = s.position_steps / limits.steps_mm
        if self._started_mm is None:
            self._zero.append(reading_n)
            if self._presses is None:
                self._presses = s.presses
            if s.presses == self._presses or s.has(safety.F_PEDAL):
                return
            self._started_mm = x
            self._last_s = now_s - limits.period_us * 1e-6
        zero = sum(self._zero[:40]) / len(self._zero[:40])
        dt, self._last_s = now_s - self._last_s, now_s
        v = self.speed_mm_s(dt, reading_n - zero, s.rate_steps_s / limits.steps_mm, s.has(safety.F_LIMITING))
        if x - self._started_mm < FIRST_MM:
            v = min(v, FIRST_MM_S)
        far = FAR_MM if v > LEAST_MM_S else -FAR_MM if v < -LEAST_MM_S else 0.0
        self.session.ask(
            now_s,
            "go",
            wire.DRAW,
            max(1, round(abs(v) * limits.steps_mm)),
            s.position_steps + round(far * limits.steps_mm),
            round(limits.zero_counts + self._ceiling_n * limits.counts_per_n),
            EXPIRY_MS,
        )


class PiPeer(Peer):
    """A PI from force to speed, tuned by SIMC for the stiffness it is told, with a zone for the integral and a dead
    band, as a careful builder would add them."""

    def __init__(
        self, ceiling_n: float, listener: Callable[[float, Event], None], reference_n: float, k_n_mm: float
    ) -> None:
        super().__init__(ceiling_n, listener, reference_n)
        self._gain, self._integral_s = simc(k_n_mm, DELAY_S, DELAY_S)
        self._pid = PID(self._gain, 0.0, 0.0, setpoint=0.0, sample_time=None, output_limits=(-60.0, 60.0))

    def speed_mm_s(self, dt_s: float, force_n: float, v_mm_s: float, limiting: bool) -> float:
        off = force_n - self._reference_n
        if abs(off) < DEAD_BAND * self._reference_n:
            off = 0.0
        integrate = abs(off) < INTEGRATE_WITHIN * self._reference_n and not limiting
        self._pid.Ki = self._gain / self._integral_s if integrate else 0.0
        return float(self._pid(off, dt=dt_s) or 0.0)


class JogPeer(Peer):
    """Fast to 90 % of the reference, then small jogs with a look in between."""

    JOG_MM_S = 4.0
    JOG_S = 0.04
    LOOK_S = 0.1
    NEAR = 0.003  # of the reference: no jog within this

    def __init__(self, ceiling_n: float, listener: Callable[[float, Event], None], reference_n: float) -> None:
        super().__init__(ceiling_n, listener, reference_n)
        self._fast = True
        self._since_s = 0.0
        self._jog = 0.0

    def speed_mm_s(self, dt_s: float, force_n: float, v_mm_s: float, limiting: bool) -> float:
        if self._fast:
            self._fast = force_n < 0.9 * self._reference_n
            return 60.0 if self._fast else 0.0
        self._since_s += dt_s
        if self._jog and self._since_s < self.JOG_S:
            return self._jog
        if self._jog:
            self._jog = 0.0
            self._since_s = 0.0
        if self._since_s < self.LOOK_S:
            return 0.0
        off = self._reference_n - force_n
        if abs(off) < self.NEAR * self._reference_n:
            return 0.0
        self._since_s = 0.0
        self._jog = self.JOG_MM_S if off > 0.0 else -self.JOG_MM_S
        return self._jog


def measure_peer(case: Case, who: str) -> Result:
    """Press, draw and hold under one of :data:`NAMES`. Raises KeyError on any other name."""
    result = Result(str(case), case.jump, ideal(case), case.group_delay_s)
    makers: dict[str, Maker] = {
        NAMES[0]: partial(PiPeer, reference_n=case.reference_n, k_n_mm=NYLON_N_MM),
        NAMES[1]: partial(PiPeer, reference_n=case.reference_n, k_n_mm=result.ideal.k_n_mm),
        NAMES[2]: partial(JogPeer, reference_n=case.reference_n),
    }
    bench = Bench(case, makers[who])
    bench.arm()
    bench.wait(REST_S)
    bench.draw(result)
    bench.margins(result)
    return result
