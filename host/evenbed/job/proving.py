"""The self-proving start: a minute before each session in which the safeguards show that they work.

Pure: ``step`` takes a moment of the rig and answers with what to tell and what to do. In this order: both contacts of the
pedal, the emergency stop and that the drive's supply dies with it, a check weight if there is one, and a deliberate trip
at low force whose overrun is held against the stop budget, for the stiffness and the speed of that very draw.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import linear_regression

from evenbed_fw import faults, safety

from evenbed.head import states as st
from evenbed.units import show_force

REFERENCE_N = 60.0
ARMED_CEILING_N = 75.0
TRIP_CEILING_N = 45.0  # lowered to this in mid-draw: the trip that is wanted
SPEED_MM_S = 30.0
PATIENCE_S = 60.0  # for each step
SUPPLY_S = 1.0  # from the button to a dead supply
LATCH_S = 1.0  # the button stays pressed for this long, the hand off it
RELEASED_S = 1.0  # watched after its release
MOVED_MM = 0.1  # by the board's own count, from the button on
STILL_S = 1.0
STILL_N = 0.6  # peak to peak
ZERO_N = 3.0  # what an empty head may show
WEIGHT_SHARE = 0.02  # of the weight's force
LEAST_WEIGHT_N = 49.0  # 5 kg: of less, 2 % is under 1 N, and what a line, a draught and the zero do tells more
SLACK_N = 10.0  # the board calls a string loaded from here
BACKED_N = 3.0  # a back-off of 3 mm takes more than this off the softest string
TRIP_ROOM_N = 1.0  # noise of the reading
LEAST_TRAVEL_MM = 0.5  # between SLACK_N and the trip: with less there is no slope

PEDAL, ESTOP, EMPTY, WEIGHT, TRIP = "pedal", "emergency stop", "empty head", "check weight", "deliberate trip"


@dataclass(frozen=True)
class Moment:
    """One moment of the rig. Force from the reference zero, N; None if there is none to trust. ``position_mm`` of the
    carriage is what the board counts; ``stop_mm`` is how far it may still go, by the stop budget at the speed of the newest
    reading. Both are None as long as there was no reading."""

    t_s: float
    state: str
    flags: int
    presses: int
    force_n: float | None
    fault: int
    overrun_n: float
    position_mm: float | None = None
    stop_mm: float | None = None

    def has(self, flag: int) -> bool:
        """Is this flag of the board set?"""
        return bool(self.flags & flag)


@dataclass(frozen=True)
class Act:
    """What is to be done: "draw" (plan the pull), or "ceiling" with a force in N."""

    kind: str
    value_n: float = 0.0


@dataclass
class Outcome:
    """How one step ended: "passed", "failed" or "left out", and the sentence with its values."""

    step: str
    verdict: str
    says: str


def weight_refused(weight_n: float, unit: str = "N") -> str:
    """Why a check weight of this force is not taken, or nothing."""
    if weight_n >= LEAST_WEIGHT_N:
        return ""
    return (
        f"A check weight of {show_force(weight_n, unit)} is too light: at least {show_force(LEAST_WEIGHT_N, unit)} "
        f"({LEAST_WEIGHT_N:.0f} N, 5 kg), for {WEIGHT_SHARE * 100:.0f} % of less is under "
        f"{WEIGHT_SHARE * LEAST_WEIGHT_N:.0f} N and tells nothing of the cell. Hang a heavier one, or several together; "
        "or name none: then the start says that the cell was not checked."
    )


def slope_n_mm(points: list[tuple[float, float]]) -> float | None:
    """Stiffness by least squares through (mm, N); None where the travel is too short to tell one."""
    if not points or points[-1][0] - points[0][0] < LEAST_TRAVEL_MM:
        return None
    return linear_regression([x for x, _ in points], [f for _, f in points]).slope


@dataclass
class Proving:
    """The steps, one after another. ``weight_n`` is the force of the check weight, None to leave it out; one that
    is too light raises ValueError."""

    weight_n: float | None = None
    outcomes: list[Outcome] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.weight_n is not None and (why := weight_refused(self.weight_n)):
            raise ValueError(why)
        self._todo = [PEDAL, ESTOP, EMPTY, WEIGHT, TRIP]
        self._now = ""
        self._begun_s = 0.0
        self._part = 0
        self._mark: float = 0.0
        self._window: list[tuple[float, float]] = []
        self._peak_n = 0.0
        self._dead_s: float | None = None  # from the button to the dead supply
        self._stood_mm: float | None = None  # the carriage, from the button on
        self._drawn: list[tuple[float, float]] = []  # the draw up to the trip: mm, N
        self._stop_mm: float | None = None  # of its last reading

    @property
    def over(self) -> bool:
        """Is there nothing left to do?"""
        return not self._todo and not self._now

    @property
    def asked_to_trip(self) -> bool:
        """Is a trip what is wanted now?"""
        return self._now == TRIP

    @property
    def passed(self) -> bool:
        """Has nothing failed?"""
        return self.over and all(o.verdict != "failed" for o in self.outcomes)

    def step(self, m: Moment) -> None:
        """Take one moment; fills ``told``, ``acts`` and ``outcomes``."""
        if not self._now:
            if not self._todo:
                return
            self._begin(m)
            return
        if m.t_s - self._begun_s > PATIENCE_S:
            blind = ": no reading has told where the carriage stands; check the cell's cable"
            unseen = self._now == ESTOP and self._part == 3 and self._stood_mm is None
            self._end("failed", f"not done within {PATIENCE_S:.0f} s" + (blind if unseen else ""))
            return
        {PEDAL: self._pedal, ESTOP: self._estop, EMPTY: self._empty, WEIGHT: self._weight, TRIP: self._trip}[self._now](m)

    def _begin(self, m: Moment) -> None:
        self._now = self._todo.pop(0)
        self._begun_s = m.t_s
        self._part = 0
        self._mark = float(m.presses)
        self._window = []
        if self._now == PEDAL:
            self.told.append("Pedal: press it once, shortly, and let go.")
        elif self._now == ESTOP:
            self.told.append("Emergency stop: press the button, and take your hand off it.")
        elif self._now == EMPTY:
            self.told.append("Take everything off the gripper; hands away.")
        elif self._now == WEIGHT:
            if self.weight_n is None:
                self._end("left out", "no check weight was named: a cell that reads wrong would not be found")
            else:
                self.told.append(
                    f"Hang the check weight of {self.weight_n:.1f} N on the gripper, by a line; let it come to rest."
                )
        else:
            self.told.append(
                "Deliberate trip: a soft spring or a loop of old string into the gripper, eyes covered, hands away. "
                f"Hold the pedal for two seconds to arm, then tap to draw. It will trip at {TRIP_CEILING_N:.0f} N."
            )
            self.acts.append(Act("ceiling", ARMED_CEILING_N))
            self.acts.append(Act("draw", REFERENCE_N))

    def _end(self, verdict: str, says: str) -> None:
        self.outcomes.append(Outcome(self._now, verdict, says))
        self._now = ""
        if verdict == "failed":
            # What comes after needs what failed.
            self._todo = []

    def _pedal(self, m: Moment) -> None:
        if m.has(safety.F_PEDAL_FAULT):
            self._end("failed", "its two contacts contradict each other: check the plug, the cable and the switch")
        elif float(m.presses) != self._mark and not m.has(safety.F_PEDAL):
            self._end("passed", "both contacts changed over and back, and one press was counted")

    def _estop(self, m: Moment) -> None:
        pressed, dead = m.has(safety.F_ESTOP), m.has(safety.F_SUPPLY)
        if self._part and self._moved(m):
            return
        if self._part == 0 and dead and not pressed:
            self._end("failed", "the drive has no supply although the button is not pressed: switch it on, check the fuse")
        elif self._part == 0 and pressed:
            self._part, self._mark = 1, m.t_s
            self._dead_s = 0.0 if dead else None
        elif self._part == 1:
            self._pressed(m.t_s - self._mark, pressed, dead)
        elif self._part == 2 and not pressed and not dead:
            self._part, self._mark = 3, m.t_s
        if self._now == ESTOP and self._part == 3:
            self._released(m)

    def _pressed(self, for_s: float, pressed: bool, dead: bool) -> None:
        """The button was pressed: the supply has to die, and the button has to stay as it is without a hand."""
        if dead and self._dead_s is None:
            self._dead_s = for_s
        if not pressed:
            self._end("failed", f"the button came out again by itself after {for_s:.1f} s: it must latch (ISO 13850)")
        elif self._dead_s is None and for_s > SUPPLY_S:
            self._end(
                "failed",
                f"the drive still has its supply {SUPPLY_S:.0f} s after the button: it is not wired into the supply",
            )
        elif self._dead_s is not None and for_s >= LATCH_S:
            self._part = 2
            self.told.append(
                f"The supply died {self._dead_s:.2f} s after the button. Release it; then switch the drive on, "
                "if it has an on-button."
            )

    def _released(self, m: Moment) -> None:
        """The button is released and the supply is back: for a while nothing may happen."""
        if m.has(safety.F_ESTOP) or m.has(safety.F_SUPPLY):
            self._part = 2  # a contact that bounces, or the button once more: from its release on again
        elif m.has(safety.F_ENABLED):
            self._end("failed", "the drive came on by itself when the button was released")
        elif self._stood_mm is not None and m.t_s - self._mark >= RELEASED_S:
            self._end("passed", "the supply dies with it, and nothing moves when it is released")

    def _moved(self, m: Moment) -> bool:
        """Has the carriage moved since the button was pressed? Only the board's own pulses show here: a screw turned by
        hand without power is seen by the eye alone."""
        if m.position_mm is None:
            return False
        if self._stood_mm is None:
            self._stood_mm = m.position_mm
        moved_mm = m.position_mm - self._stood_mm
        if abs(moved_mm) <= MOVED_MM:
            return False
        self._end(
            "failed",
            f"the board has moved the carriage by {moved_mm:+.2f} mm since the button was pressed, at most {MOVED_MM} mm "
            "may be: do not use the rig; install the firmware anew, and prove it again",
        )
        return True

    def _still(self, m: Moment) -> float | None:
        """The mean force once the reading has stood still."""
        if m.force_n is None:
            self._window = []
            return None
        self._window.append((m.t_s, m.force_n))
        self._window = [(t, f) for t, f in self._window if m.t_s - t <= STILL_S]
        forces = [f for _, f in self._window]
        if m.t_s - self._window[0][0] < 0.8 * STILL_S or max(forces) - min(forces) > STILL_N:
            return None
        return sum(forces) / len(forces)

    def _empty(self, m: Moment) -> None:
        mean = self._still(m)
        if mean is None:
            return
        if abs(mean) > ZERO_N and m.t_s - self._begun_s < 10.0:
            return  # something still hangs there
        if abs(mean) > ZERO_N:
            self._end("failed", f"the empty head shows {mean:+.1f} N, at most {ZERO_N:.0f} N may remain: calibrate")
        else:
            self._end("passed", f"{mean:+.1f} N from the reference zero")

    def _weight(self, m: Moment) -> None:
        assert self.weight_n is not None
        mean = self._still(m)
        if self._part == 0:
            if mean is None or mean < 0.5 * self.weight_n:
                return
            off, most = mean - self.weight_n, WEIGHT_SHARE * self.weight_n
            says = f"{mean:.1f} N shown for {self.weight_n:.1f} N, {off:+.1f} N; allowed {most:.1f} N either way"
            if abs(off) > most:
                self._end("failed", says + ": do not string; calibrate, and find out what changed")
                return
            self._says = says
            self._part = 1
            self.told.append("Take the weight off again.")
        elif mean is not None and abs(mean) <= ZERO_N:
            self._end("passed", self._says)

    _says = ""

    def _trip(self, m: Moment) -> None:
        if self._part == 0 and m.state == st.DRAWING:
            self._part = 1
            self.acts.append(Act("ceiling", TRIP_CEILING_N))
        elif self._part == 0 and m.state in (st.FROZEN, st.TRIPPED) and m.fault:
            self._end("failed", f"it stopped before the draw: {faults.NAMES[m.fault].replace('_', ' ')}")
        elif self._part == 1:
            self._watch(m)
            if m.state == st.HOLDING:
                self._end("failed", f"no trip: it holds at {self._peak_n:.1f} N above a ceiling of {TRIP_CEILING_N:.0f} N")
            elif m.state == st.TRIPPED and self._mark_trip(m):
                self._judge(m)
        elif self._part == 2 and m.force_n is not None and m.force_n < SLACK_N and m.state in (st.TRIPPED, st.UNARMED):
            self._end("passed", self._says)

    def _watch(self, m: Moment) -> None:
        """The draw, until it trips: force over travel, and how far it may still go after each reading."""
        if m.force_n is None:
            return
        self._peak_n = max(self._peak_n, m.force_n)
        if m.state == st.DRAWING and m.force_n >= SLACK_N and m.position_mm is not None:
            self._drawn.append((m.position_mm, m.force_n))
            self._stop_mm = m.stop_mm

    _tripped_s: float | None = None

    def _mark_trip(self, m: Moment) -> bool:
        """Half a second after the trip the back-off is over."""
        if self._tripped_s is None:
            self._tripped_s = m.t_s
        return m.t_s - self._tripped_s > 0.8

    def _judge(self, m: Moment) -> None:
        if m.fault != faults.OVER_TENSION:
            self._end("failed", f"the board named it {faults.NAMES[m.fault].replace('_', ' ')}, not over-tension")
            return
        over = self._peak_n - TRIP_CEILING_N
        k_n_mm = slope_n_mm(self._drawn)
        if k_n_mm is None or self._stop_mm is None:
            self._end(
                "failed",
                f"tripped at {TRIP_CEILING_N:.0f} N, overrun {over:.1f} N, but from {SLACK_N:.0f} N on it drew less than "
                f"{LEAST_TRAVEL_MM} mm: too stiff to tell whether that is too much. Take a softer spring or a longer loop",
            )
            return
        # Whatever the string is: the board's envelope promises to stand before ceiling + overrun.
        allowed = min(k_n_mm * self._stop_mm, m.overrun_n)
        says = (
            f"tripped at {TRIP_CEILING_N:.0f} N, overrun {over:.1f} N of the {allowed:.1f} N that the stop budget allows "
            f"at {k_n_mm:.1f} N/mm and the speed of this draw"
        )
        if over > allowed + TRIP_ROOM_N:
            self._end(
                "failed",
                f"{says}, {TRIP_ROOM_N:.0f} N more for noise: do not string. The reading comes late, or the braking is not "
                "what the board reckons with; check the converter's rate, and prove the rig with evenbed commission",
            )
        elif m.force_n is None or self._peak_n - m.force_n < BACKED_N:
            # The board counts its own pulses: only the force tells that the motor followed them.
            self._end("failed", says + ", but the force did not fall: check the motor's current and wiring")
        else:
            self._says = says + ", and backed off"
            self._part = 2
            self.told.append(f"It tripped: overrun {over:.1f} N. Hold the pedal to let the string down.")
