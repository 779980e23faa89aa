"""The control loop without its port: bytes from the board in, bytes to it out, and what happened told to a listener.

This is the one place where link and head meet. Whoever owns the port (a serial device, a pseudo-terminal, the virtual
clock of the tests) calls ``receive`` with what has come and the time, and sends what it returns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

from evenbed.catalogue import say
from evenbed.control.blackbox import BlackBox, Start
from evenbed.head import start as head_start
from evenbed.head.head import Head, Step
from evenbed.head.stops import told
from evenbed.head.types import Ask, Command, Event, Go, Known, RigModel
from evenbed.link import start as link_start
from evenbed.link.messages import BoardInfo, Limits, No, Ok, Sample, Trip
from evenbed.link.session import LinkError, Ready, Rebooted, Session, Silent

MIN_PERIOD_US = 2_500
MAX_PERIOD_US = 25_000
SILENT, RESTARTED, UNUSABLE = 41, 42, 46  # of the catalogue
CALIBRATION_UNKNOWN, CALIBRATION_KNOWN, BEYOND_CALIBRATION = 76, 77, 78
WARN_ABOVE = 1.2  # times the highest weight of the calibration
EXPIRY_MS = 150  # the longest the board takes; what may move until then is bounded by the granted steps
_LINES = {"arm", "ceiling"}  # those that carry a force


@dataclass(frozen=True)
class Mechanics:
    """What the host knows of a rig beyond what its board stores: from rig.toml, later from commissioning."""

    travel_mm: float = 300.0
    delay_periods: float = 2.0  # group delay of the reading, of a converter that settles in four conversions
    delay_doubt_periods: float = 2.4


def rig_model(limits: Limits, mechanics: Mechanics) -> RigModel:
    """Return the head's view of the rig, in its units."""
    steps = float(limits.steps_mm)
    return RigModel(
        zero_counts=float(limits.zero_counts),
        counts_per_n=limits.counts_per_n,
        steps_per_mm=steps,
        limit_n=limits.limit_n,
        period_s=limits.period_us * 1e-6,
        rate_max_mm_s=limits.rate_max_steps_s / steps,
        accel_mm_s2=limits.accel_steps_s2 / steps,
        hold_rate_mm_s=limits.hold_rate_steps_s / steps,
        hold_travel_mm=limits.hold_travel_steps / steps,
        stiffest_n_mm=float(limits.stiffest_n_mm),
        overrun_n=limits.overrun_n,
        age_s=limits.age_us * 1e-6,
        granted_s=limits.granted_us * 1e-6,
        travel_mm=mechanics.travel_mm,
        delay_s=mechanics.delay_periods * limits.period_us * 1e-6,
        delay_doubt_s=mechanics.delay_doubt_periods * limits.period_us * 1e-6,
    )


def unusable(limits: Limits) -> str:
    """Say why a board with these settings cannot be used, or nothing."""
    if not MIN_PERIOD_US <= limits.period_us <= MAX_PERIOD_US:
        rate = 1e6 / limits.period_us if limits.period_us > 0 else 0.0
        return (
            f"its converter gives {rate:.0f} samples/s, and {1e6 / MAX_PERIOD_US:.0f} to {1e6 / MIN_PERIOD_US:.0f} are "
            "needed (a converter with a rate pin: see which way it is wired)"
        )
    least = min(limits.gain_mcounts_n, limits.steps_mm, limits.accel_steps_s2, limits.rate_max_steps_s)
    if min(least, limits.limit_mn, limits.stiffest_n_mm, limits.hold_rate_steps_s) <= 0:
        return "a sensitivity, limit, speed or number of steps is not above zero"
    return ""


class ControlLoop:
    """One board, one head. ``listener`` hears every event; ``head`` is None until the handshake is done."""

    def __init__(
        self,
        ceiling_n: float,
        listener: Callable[[float, Event], None],
        mechanics: Mechanics | None = None,
        known: Known | None = None,
    ) -> None:
        self.session = Session()
        self.head: Head | None = None
        self._ceiling_n = ceiling_n
        self._told = listener
        self._mechanics = mechanics or Mechanics()
        self._known = known
        self.box = BlackBox(asdict(self._mechanics))
        self._asks: list[Ask] = []
        self._awaited: int | None = None
        self._go: Go | None = None  # the newest lease, sent when all that has come is read

    def ask(self, ask: Ask) -> None:
        """Pass on what a person asks; it is heard with the next call of ``receive``."""
        self._asks.append(ask)

    def set_ceiling(self, ceiling_n: float) -> None:
        """The session's ceiling, N: lowered at will, raised only unarmed. Raises ValueError."""
        if self.head is not None:
            self.head.set_ceiling(ceiling_n)
        elif ceiling_n > 0.0:
            self._ceiling_n = ceiling_n

    def receive(self, now_s: float, data: bytes) -> bytes:
        """Take bytes (none is fine: call it at least every 50 ms) and return those to send."""
        self.box.begin(now_s, self._asks, self._ceiling_n, self._awaited, self.session, self.head)
        reply = self._receive(now_s, data)
        self.box.end(now_s, self._ceiling_n, self.session, self.head)
        return reply

    def go_on_from(self, start: Start) -> None:
        """Stand where another loop once stood: for what is replayed, never on a rig. Raises ValueError."""
        self.session = link_start.restore(start.link)
        self.head = head_start.restore(start.rig, start.head) if start.rig is not None and start.head is not None else None
        self._ceiling_n = start.ceiling_n
        self._awaited = start.awaited

    def follow_ceiling(self, ceiling_n: float) -> None:
        """The same for one that follows a plan: the rig's own limit where that is lower. Raises ValueError."""
        self.set_ceiling(ceiling_n if self.head is None else min(ceiling_n, self.head.rig.limit_n))

    def ceiling_before_head(self, ceiling_n: float) -> None:
        """The ceiling for a head yet to come, N."""
        self._ceiling_n = ceiling_n

    def end(self, now_s: float) -> None:
        """The loop ends: a stop that is being recorded is recorded as it is."""
        self.box.flush(now_s, self._ceiling_n, self.session, self.head)

    def _listener(self, now_s: float, event: Event) -> None:
        self.box.event(now_s, event)
        self._told(now_s, event)

    def _receive(self, now_s: float, data: bytes) -> bytes:
        for said in self.session.receive(now_s, data):
            if isinstance(said, Sample):
                self._sample(now_s, said)
            elif isinstance(said, Ready):
                self._greet(now_s, said)
            elif isinstance(said, (Ok, No)):
                self._answered(now_s, said)
            elif isinstance(said, Trip):
                if self.head is not None:
                    self.head.answer(said)
            elif isinstance(said, Silent):
                self._gone(now_s, SILENT, silent_s=said.silent_s)
            elif isinstance(said, Rebooted):
                self._gone(now_s, RESTARTED)
        if not self.session.ready:
            self._asks.clear()  # nobody to ask
        if self._asks and self.head is not None:
            self._carry_out(now_s, self._step(now_s, None))
        if self._go is not None:
            self._send(now_s, self._go)
            self._go = None
        return self.session.take()

    def _greet(self, now_s: float, ready: Ready) -> None:
        why = unusable(ready.limits)
        if why:
            raise LinkError(say(UNUSABLE, {"why": why}))
        model = rig_model(ready.limits, self._mechanics)
        if self.head is None or self.head.rig != model:
            self.head = Head(model, self._ceiling_n)
        self._listener(now_s, Event("connected", _connected(ready.board, ready.limits)))
        if self._known is not None:
            self._listener(now_s, self._calibrated(self.head, self._known, ready.limits))

    def _calibrated(self, head: Head, known: Known, limits: Limits) -> Event:
        """Does the board reckon with the calibration in use?"""
        if (known.zero_counts, known.gain_mcounts_n) != (limits.zero_counts, limits.gain_mcounts_n):
            head.known = None
            return told(CALIBRATION_UNKNOWN, {"sensitivity": f"{limits.counts_per_n:.1f} counts/N"})
        head.known = known
        force_n = head.pull.reference_n if head.pull is not None else known.top_n
        expanded_n = known.expanded_n(force_n)
        words = {"number": str(known.number), "made": known.made[:10]}
        number = BEYOND_CALIBRATION if force_n > WARN_ABOVE * known.top_n else CALIBRATION_KNOWN
        return told(number, words, expanded_n=expanded_n, force_n=force_n, top_n=known.top_n)

    def _gone(self, now_s: float, number: int, **values: float) -> None:
        self._awaited = None
        self._go = None
        if self.head is not None:
            self._carry_out(now_s, self.head.lost(number, **values))

    def _sample(self, now_s: float, sample: Sample) -> None:
        if self.head is not None and self.session.ready:
            self._carry_out(now_s, self._step(now_s, sample))

    def _step(self, now_s: float, sample: Sample | None) -> Step:
        assert self.head is not None
        asks, self._asks = tuple(self._asks), []
        if sample is None:
            return self.head.step(now_s, None, 0.0, 0.0, asks)
        clock = self.session.clock
        board_s = clock.seconds(sample.board_us)
        return self.head.step(now_s, sample, board_s, clock.host_time(board_s), asks)

    def _answered(self, now_s: float, said: Ok | No) -> None:
        # Only the line that is waited for counts; an answer to anything else is old, or to a lease.
        if self.head is not None and said.of == self._awaited:
            self._awaited = None
            self.head.answer(said)

    def _carry_out(self, now_s: float, step: Step) -> None:
        for event in step.events:
            self._listener(now_s, event)
        for command in step.commands:
            if isinstance(command, Go):
                # Readings that come in a heap, after this computer was busy, all teach; only the newest commands.
                self._go = command
            else:
                self._go = None
                self._send(now_s, command)

    def _send(self, now_s: float, command: Command) -> None:
        assert self.head is not None
        rig = self.head.rig
        ask = self.session.ask
        if isinstance(command, Go):
            steps = rig.steps_per_mm
            ask(
                now_s,
                "go",
                command.mode,
                max(1, round(command.speed_mm_s * steps)),
                round(command.end_mm * steps),
                round(rig.zero_counts + command.ceiling_n * rig.counts_per_n),
                EXPIRY_MS,
            )
        elif command.kind in _LINES:
            self._awaited = ask(now_s, command.kind, int(command.value_n * 1000.0))
        else:
            seq = ask(now_s, command.kind)
            if command.kind != "trip":
                self._awaited = seq


def _connected(board: BoardInfo, limits: Limits) -> str:
    return (
        f"Board with firmware {board.version}, limit {limits.limit_n:.0f} N, "
        f"{limits.counts_per_n:.1f} counts/N, {1e6 / limits.period_us:.0f} samples/s."
    )
