"""How a check is made: a check weight hung and taken off, or a pull gauge drawn at in steps, one thing after another.

Pure: ``WeightCheck`` takes readings, ``GaugeCheck`` moments of the head and what a person reads off the gauge; both answer
with what to tell and what to do. ``checking.py`` judges what they found.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from evenbed.calibration.weights import Load
from evenbed.head import states as st
from evenbed.head.reference import SHIFT_N
from evenbed.units import UnitError, parse_force, show_force

STILL_S, TAKE_S = 1.0, 2.0
STILL_N = 0.6  # peak to peak
PATIENCE_S = 60.0
HOLD_S = 3.0  # before the gauge is read
MEAN_S = 2.0
ODD = 0.25  # share: what is typed so far from the force held is asked for again
GAUGE_MOST = 0.2  # tolerance of a gauge, share


class WeightCheck:
    """Empty, with the weight, empty again; nothing moves. Forces in N, from the reference zero, as the board reckons."""

    def __init__(self, load: Load, zero_limit_n: float = SHIFT_N) -> None:
        self.load = load
        self.told: list[str] = ["Take everything off the gripper; hands away."]
        self.failed = ""
        self.zero_failed = False  # it failed because the empty head is too far off, not because it was left undone
        self.means: list[float] = []
        self._zero_limit_n = zero_limit_n
        self._window: deque[tuple[float, float]] = deque()
        self._since_s: float | None = None

    @property
    def over(self) -> bool:
        """Is there nothing left to do?"""
        return bool(self.failed) or len(self.means) == 3

    def step(self, t_s: float, force_n: float | None) -> None:
        """Take one reading, None if the board does not believe it; fills ``told``, ``means`` and ``failed``."""
        if self.over:
            return
        if self._since_s is None:
            self._since_s = t_s
        part = len(self.means)
        if t_s - self._since_s > PATIENCE_S:
            self.failed = self._why_not(part)
            return
        mean = self._still(t_s, force_n)
        if mean is None:
            return
        if part == 0 and abs(mean) > self._zero_limit_n and t_s - self._since_s < 10.0:
            return  # something still hangs there
        zero = self.means[0] if self.means else 0.0
        if part == 1 and abs(mean - zero) < 0.5 * self.load.force_n:
            return
        if part == 2 and abs(mean - zero) > 0.25 * self.load.force_n:
            return
        self.means.append(mean)
        self._window.clear()
        self._since_s = t_s
        if part == 0 and abs(mean) > self._zero_limit_n:
            self.zero_failed = True
            self.failed = (
                f"The empty head shows {mean:+.2f} N from the reference zero, {self._zero_limit_n:.1f} N may remain. Take "
                "everything off; if it stays, calibrate, and look for what changed."
            )
        elif part == 0:
            self.told.append(
                f"Zero {mean:+.3f} N. Hang {self.load.text} ({self.load.force_n:.2f} N) on the gripper; let it rest."
            )
        elif part == 1:
            self.told.append(f"{mean - zero:.2f} N shown. Take the weight off again.")
        else:
            self.told.append(f"Zero {mean:+.3f} N.")

    def _still(self, t_s: float, force_n: float | None) -> float | None:
        """Mean of the last readings, once they have stood still for long enough."""
        window = self._window
        if force_n is None:
            window.clear()
            return None
        window.append((t_s, force_n))
        while window[0][0] < t_s - (STILL_S + TAKE_S):
            window.popleft()
        if t_s - window[0][0] < 0.97 * (STILL_S + TAKE_S):
            return None
        taken = [f for t, f in window if t >= t_s - TAKE_S]
        if max(f for _, f in window) - min(f for _, f in window) > STILL_N:
            return None
        return math.fsum(taken) / len(taken)

    def _why_not(self, part: int) -> str:
        if not self._window:
            return "The board believes no reading: 'evenbed sensor' says why."
        last = self._window[-1][1]
        if part == 1 and abs(last - self.means[0]) < 0.1 * self.load.force_n:
            return (
                f"No weight was seen within {PATIENCE_S:.0f} s: the head shows {last:+.1f} N. Does it hang freely on the "
                "gripper? If it does, the cell does not answer: do not string with it."
            )
        return (
            f"The reading did not come to rest within {PATIENCE_S:.0f} s (last {last:+.1f} N, {STILL_N:g} N peak to peak "
            "allowed). Let the weight stop swinging; if it stays, 'evenbed sensor' looks at the noise."
        )


@dataclass(frozen=True)
class Gauge:
    """A pull gauge: its tolerance as a share of the reading, or as a force in N (half widths)."""

    share: float = 0.0
    half_n: float = 0.0

    def half(self, force_n: float, resolution_n: float) -> float:
        """Half width at a force, with that of the last digit read off it."""
        return math.hypot(self.share * force_n, self.half_n, 0.5 * resolution_n)

    @property
    def text(self) -> str:
        """As it is written."""
        return f"gauge ±{100.0 * self.share:g} %" if self.share else f"gauge ±{self.half_n:g} N"


def parse_gauge(text: str) -> Gauge:
    """Understand the tolerance of a gauge: ``1%``, or a force such as ``0.2kgf``. Raises UnitError."""
    cleaned = text.strip()
    if cleaned.endswith("%"):
        try:
            share = float(cleaned[:-1].replace(",", ".")) / 100.0
        except ValueError:
            share = -1.0
        if not 0.0 < share <= GAUGE_MOST:
            raise UnitError(f"{text!r} is no tolerance of a gauge: more than 0 %, at most 20 %. Its data sheet says it.")
        return Gauge(share=share)
    return Gauge(half_n=parse_force(cleaned)[0])


def read_off(text: str) -> tuple[float, float]:
    """Force and value of its last digit, N, of what a gauge shows (``20.4kgf``). Raises UnitError."""
    force_n, unit = parse_force(text)
    number = "".join(c for c in text.replace(",", ".") if c.isdigit() or c == ".")
    digits = len(number.partition(".")[2])
    one_n = parse_force(f"1{unit}")[0]
    return force_n, one_n * 10.0**-digits


@dataclass(frozen=True)
class Held:
    """One moment of the head: s, its state, the force it shows in N or None, and why it stopped."""

    t_s: float
    state: str
    force_n: float | None
    stop: str = ""


@dataclass(frozen=True)
class Act:
    """What is to be done: "plan" a pull to so many newtons, "let down", "ask" what the gauge shows, "disarm"."""

    kind: str
    value_n: float = 0.0


@dataclass
class GaugeCheck:
    """The head draws to each of ``steps_n`` on a press of the pedal and holds; a person types what the gauge between
    gripper and mount shows; the string is let down."""

    gauge: Gauge
    steps_n: tuple[float, ...]
    unit: str = "N"
    told: list[str] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)
    compared: list[tuple[float, float, float]] = field(default_factory=list)  # shown, gauge, half width; N
    failed: str = ""
    asking: bool = False

    def __post_init__(self) -> None:
        self._part = "begin"
        self._k = 0
        self._since_s: float | None = None
        self._window: deque[tuple[float, float]] = deque()
        self._odd: float | None = None

    @property
    def over(self) -> bool:
        """Is there nothing left to do?"""
        return self._part == "over"

    def _to(self, part: str, t_s: float) -> None:
        self._part, self._since_s = part, t_s
        self._window.clear()

    def step(self, m: Held) -> None:
        """Take one moment."""
        if self.over:
            return
        if self._part == "begin":
            self._begin(m)
        elif m.state in (st.TRIPPED, st.FROZEN):
            self._end(f"The head stopped: {m.stop or m.state}", m.t_s)
        elif m.state == st.UNARMED and self._part in ("hold", "ask", "down"):
            self._end("The head is not armed any more.", m.t_s)
        elif self._part == "draw":
            self._draw(m)
        elif self._part in ("hold", "ask"):
            self._hold(m)
        elif self._part == "down" and m.state == st.SLACK:
            self._k += 1
            if self._k < len(self.steps_n):
                self._next(m.t_s, armed=True)
            else:
                self.acts.append(Act("disarm"))
                self._end("", m.t_s)

    def _begin(self, m: Held) -> None:
        if self._since_s is None:
            self._since_s = m.t_s
        if m.state in (st.UNARMED, st.SLACK):
            self._next(m.t_s, armed=m.state == st.SLACK)
        elif m.t_s - self._since_s > PATIENCE_S:
            self._end(f"The head is {m.state.replace('_', ' ')}: make it slack and clear it first.", m.t_s)

    def _next(self, t_s: float, armed: bool) -> None:
        reference = show_force(self.steps_n[self._k], self.unit)
        self.acts.append(Act("plan", self.steps_n[self._k]))
        first = "" if armed else "Hold the pedal for two seconds to arm; then "
        again = "tap it" if first else "Tap the pedal"
        self.told.append(f"{first}{again} to draw to {reference} ({self._k + 1} of {len(self.steps_n)}).")
        self._to("draw", t_s)

    def _draw(self, m: Held) -> None:
        assert self._since_s is not None
        if m.state == st.HOLDING:
            self._to("hold", m.t_s)
        elif m.state in (st.UNARMED, st.SLACK) and m.t_s - self._since_s > PATIENCE_S:
            self._end(f"Nobody has drawn within {PATIENCE_S:.0f} s.", m.t_s)
        elif m.state in (st.RETURNING, st.EASING_OFF):
            self._end("The draw ended without a hold: look at gauge, string and mount.", m.t_s)

    def _hold(self, m: Held) -> None:
        if m.state != st.HOLDING:
            self._end("The hold ended before the gauge was read: leave the pedal alone until it has been.", m.t_s)
            return
        if m.force_n is not None:
            self._window.append((m.t_s, m.force_n))
            while self._window[0][0] < m.t_s - MEAN_S:
                self._window.popleft()
        assert self._since_s is not None
        if self._part == "hold" and m.t_s - self._since_s >= HOLD_S and self._window:
            self._part = "ask"
            self.asking = True
            self.acts.append(Act("ask"))
            self.told.append("Holding. What does the gauge show? Type it with its unit, such as 20.4kgf, and Enter.")

    def typed(self, text: str) -> None:
        """What a person typed. A force far from the one held has to be typed twice."""
        if not self.asking or not self._window:
            self.told.append("Wait until the head holds and asks.")
            return
        try:
            force_n, last_n = read_off(text)
        except UnitError as e:
            self.told.append(str(e))
            return
        shown_n = math.fsum(f for _, f in self._window) / len(self._window)
        if abs(force_n / shown_n - 1.0) > ODD and self._odd != force_n:
            self._odd = force_n
            self.told.append(
                f"{text.strip()} is {force_n:.1f} N, the head holds {shown_n:.1f} N. Is the unit right? Type it again, the "
                "same to keep it."
            )
            return
        self._odd = None
        self.asking = False
        self.compared.append((shown_n, force_n, self.gauge.half(force_n, last_n)))
        self.told.append(f"Head {shown_n:.2f} N, gauge {force_n:.2f} N. Letting down.")
        self.acts.append(Act("let down"))
        self._to("down", self._window[-1][0])

    def give_up(self, why: str) -> None:
        """End here; what is on the head is let down."""
        if not self.over:
            self._end(why, self._since_s or 0.0)

    def _end(self, why: str, t_s: float) -> None:
        self.failed = why
        self.asking = False
        if why:
            self.acts.append(Act("let down"))
        self._to("over", t_s)
