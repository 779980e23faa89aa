"""What draws at low force tell: stiffness of the rig, delay of the reading, limits, holding without power, a trip."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, ClassVar

from evenbed_fw import safety
from evenbed_fw.settings import LOOP_US

from evenbed.commission.moments import PATIENCE_S, Failed, Moment, Script, Step, mean
from evenbed.commission.moving import ARM_AND_TAP, Moving
from evenbed.head import states as st
from evenbed.head.stopbudget import STIFFENING, Speeds, terms
from evenbed.head.types import Pull
from evenbed.job import proving

CEILING_N = proving.ARMED_CEILING_N
SLACK_MM = 60.0
SETTLE_S, MEAN_S = 1.5, 1.0
TETHER_N = (30.0, 60.0)
TETHER_MM_S = 10.0
SOFT_N_MM = 20.0  # a tether that gives as much as this tells nothing of the rig (no source)
LOOP_N, LOOP_MM_S = 60.0, 40.0
DRAWS = 3
FLOOR_PERIODS = 0.3  # as the head takes a delay that was found
HOLD_N, HOLD_CEILING_N, HOLD_MM_S = 100.0, 125.0, 20.0
DEAD_S = 20.0  # without power
LOST_SHARE, LOST_N = 0.1, 3.0  # a string gives less by itself: under a tenth of its force in a decade of time
WEAR_EYES = "Cover your eyes, hands away."


class Drawn(Moving):
    """A step with something in the gripper."""

    ceiling_n = CEILING_N
    needs: ClassVar[tuple[str, ...]] = (*Moving.needs, "direction", "switches", "travel")


class Stiffness(Drawn):
    """Stiffness at the gripper against a steel tether: between two holds, both reached from below."""

    name, title = "stiffness", "stiffness of the rig"
    numbers = ("stiffness_n_mm",)

    def script(self) -> Script[str]:
        yield from self.connect()
        self.say(
            "A short, thick steel rope (the tether) from the gripper to where the frame is held, nearly without slack. "
            + WEAR_EYES,
            "tether",
        )
        points = []
        for i, force_n in enumerate(TETHER_N):
            text = f"{ARM_AND_TAP}: it draws to {force_n:.0f} N." if i == 0 else f"Tap again: it draws to {force_n:.0f} N."
            pull = Pull(force_n, speed_mm_s=TETHER_MM_S, slack_max_mm=SLACK_MM, label=self.title)
            yield from self.held(pull, text)
            yield from self.watch(SETTLE_S, st.HOLDING)
            seen = yield from self.watch(MEAN_S, st.HOLDING)
            points.append((mean([m.position_mm or 0.0 for m in seen]), mean([m.force_n or 0.0 for m in seen])))
            yield from self.let_down()
        (x0, f0), (x1, f1) = points
        return self._judge(f1 - f0, x1 - x0)

    def _judge(self, rise_n: float, travel_mm: float) -> str:
        if travel_mm <= 0.0:
            raise Failed(f"{rise_n:.0f} N more took no travel: the tether slips in the gripper, or the motor loses steps")
        k = rise_n / travel_mm
        stiffest = self.setup.known.stiffest_n_mm
        if k > stiffest:
            raise Failed(
                f"{k:.0f} N/mm is more than the stiffest thing that the board reckons with, {stiffest:.0f} N/mm: set "
                f"stiffest_n_mm to {1.1 * k:.0f} or more, on the board and in rig.toml"
            )
        if k < SOFT_N_MM:
            raise Failed(
                f"{k:.1f} N/mm is no steel tether: something gives. Look at the gripper, the cell's mounting, the frame's "
                "supports and the rope's ends"
            )
        self.found["measured.stiffness_n_mm"] = round(k, 1)
        return f"{k:.0f} N/mm with the tether; the board reckons with up to {stiffest:.0f} N/mm"


class Delay(Drawn):
    """How late the reading is behind the motion: three draws, each by a head that knows nothing of the others."""

    name, title = "delay", "delay of the reading"
    numbers = ("delay_s", "delay_doubt_s")

    def script(self) -> Script[str]:
        self.say("A loop of old string into the gripper, as long as it goes, nearly without slack. " + WEAR_EYES, "loop")
        found = []
        for i in range(DRAWS):
            yield from self.connect()
            text = f"{ARM_AND_TAP} ({i + 1} of {DRAWS}): it draws to {LOOP_N:.0f} N."
            pull = Pull(LOOP_N, speed_mm_s=LOOP_MM_S, slack_max_mm=SLACK_MM, label=self.title)
            yield from self.held(pull, text)
            yield from self.watch(MEAN_S, st.HOLDING)
            seen = yield from self.let_down()
            found.append(self._delay([r for m in seen for r in m.records]))
        middle = sorted(found)[DRAWS // 2]
        model = self.setup.known
        doubt = max(FLOOR_PERIODS * model.period_s, *(abs(d - middle) for d in found))
        self.found = {"measured.delay_s": round(middle, 5), "measured.delay_doubt_s": round(doubt, 5)}
        return f"{1000.0 * middle:.1f} ms, give or take {1000.0 * doubt:.1f} ms ({middle / model.period_s:.2f} readings)"

    def _delay(self, records: list[Any]) -> float:
        delay = records[-1]["delay_s"] if records else None
        # Where the draw cannot tell, the head goes on with what it believed before.
        if delay is None or abs(delay - self.setup.known.delay_s) < 1e-9:
            raise Failed("this draw cannot tell the delay: take a softer loop, one that stretches by a centimetre")
        return float(delay)


class Limits(Step):
    """What follows for the governor. Nothing moves."""

    name, title = "limits", "governor limits"
    needs = ("port", "rate")

    def script(self) -> Script[str]:
        yield
        found, model = self.setup.found, self.setup.known
        delay, doubt = found.get("measured.delay_s"), found.get("measured.delay_doubt_s", 0.0)
        measured = "measured" if delay is not None else "not measured, as the converter settles"
        delay_s = float(delay) if delay is not None else model.delay_s
        model = replace(model, delay_s=delay_s)
        oldest_s = delay_s + float(doubt) + LOOP_US * 1e-6
        for line in self._lines(delay_s, measured):
            self.say(line)
        if oldest_s > model.age_s:
            raise Failed(
                f"a reading may be {1000.0 * oldest_s:.1f} ms old when it acts ({1000.0 * delay_s:.1f} ms delay, "
                f"{1000.0 * float(doubt):.1f} ms doubt, {LOOP_US / 1000.0:.0f} ms of the board's loop), the board reckons "
                f"with {1000.0 * model.age_s:.1f} ms: raise age_samples in its settings by one"
            )
        return (
            f"a reading is at most {1000.0 * oldest_s:.1f} ms old when it acts, {1000.0 * model.age_s:.1f} ms are allowed"
        )

    def _lines(self, delay_s: float, measured: str) -> list[str]:
        model, rig = self.setup.known, self.setup.rig
        speeds = Speeds(model)
        top = terms(model, model.rate_max_mm_s)
        ceiling_n = min(rig.strings.highest_n, model.limit_n)
        before = speeds.allowed_mm_s(model.stiffest_n_mm, ceiling_n + model.overrun_n)
        lines = [
            f"Delay of the reading {1000.0 * delay_s:.1f} ms ({measured}); grants last {1000.0 * model.granted_s:.1f} ms; "
            f"braking {model.accel_mm_s2:.0f} mm/s2.",
            f"A stop from {model.rate_max_mm_s:.0f} mm/s takes {top.total_mm:.2f} mm: {top.aged_mm:.2f} while the reading "
            f"aged, {top.granted_mm:.2f} granted, {top.braking_mm:.2f} braking.",
            f"Under {ceiling_n:.0f} N: {before:.1f} mm/s before contact, where {model.stiffest_n_mm:.0f} N/mm may come.",
        ]
        for k in (rig.strings.softest_n_mm, rig.strings.stiffest_n_mm):
            v = speeds.allowed_mm_s(min(STIFFENING * k, model.stiffest_n_mm), model.overrun_n)
            lines.append(f"At the ceiling itself {v:.1f} mm/s on a string of {k:g} N/mm.")
        return lines


class Holding(Drawn):
    """Does the screw hold a string when the drive has no power?"""

    name, title = "holding", "holding without power"
    ceiling_n = HOLD_CEILING_N
    expects = (*Drawn.expects, "emergency_stop", "supply_lost")

    def script(self) -> Script[str]:
        yield from self.connect()
        self.say(
            f"The loop of old string stays in the gripper, fit for {HOLD_CEILING_N:.0f} N. {WEAR_EYES} One hand at the "
            "emergency stop.",
            "loop",
        )
        pull = Pull(HOLD_N, speed_mm_s=HOLD_MM_S, slack_max_mm=SLACK_MM, label=self.title)
        yield from self.held(pull, f"{ARM_AND_TAP}: it draws to {HOLD_N:.0f} N.")
        before_n = mean([m.force_n or 0.0 for m in (yield from self.watch(SETTLE_S, st.HOLDING))])
        self.say("Press the emergency stop, and keep it pressed. What does the force do?", "press estop")
        late = "the emergency stop was not pressed"
        yield from self.until(lambda m: m.has(safety.F_ESTOP) and not m.has(safety.F_ENABLED), late, PATIENCE_S)
        after_n = yield from self._dead()
        lost_n = before_n - after_n
        at = {"holds_without_power.at_n": round(before_n, 1)}
        if lost_n > max(LOST_N, LOST_SHARE * before_n):
            raise Failed(
                f"without power {before_n:.0f} N fell to {after_n:.0f} N within {DEAD_S:.0f} s: the string turns the screw "
                "back, and an emergency stop would let it go at once. Do not use this rig until that is put right "
                "(SAFETY.md, section 5): fit a brake that closes without power, behind a timed relay (and say so in "
                "[brake]), or a screw of less lead; then this step again",
                {"holds_without_power.proved": False, **at},
            )
        self.found = {"holds_without_power.proved": True, **at}
        return f"without power {before_n:.1f} N became {after_n:.1f} N in {DEAD_S:.0f} s: it holds"

    def _dead(self) -> Script[float]:
        """Force at the end of ``DEAD_S`` without power, N; 0 once it is gone."""
        begun_s: float | None = None
        last: list[Moment] = []
        while True:
            m = yield from self.alive()
            begun_s = m.t_s if begun_s is None else begun_s
            if not m.has(safety.F_ESTOP):
                raise Failed("the emergency stop was released too soon: keep it pressed until told")
            if m.force_n is not None:
                last.append(m)
            if m.t_s - begun_s >= DEAD_S and last:
                return mean([p.force_n or 0.0 for p in last if m.t_s - p.t_s < 0.5] or [last[-1].force_n or 0.0])


class Trip(Drawn):
    """A deliberate trip at low force: the overrun against the stop budget."""

    name, title = "trip", "stop budget"
    flags = ("stop_budget",)
    numbers = ("stop_rise_n",)
    expects = (*Drawn.expects, "over_tension")

    def script(self) -> Script[str]:
        yield from self.connect()
        proof = yield from self.proved(proving.TRIP, ("draw", "let down"))
        rise_n = max(0.0, proof.peak_n - proving.TRIP_CEILING_N)
        self.found = {"measured.stop_budget": True, "measured.stop_rise_n": round(rise_n, 1)}
        return proof.says
