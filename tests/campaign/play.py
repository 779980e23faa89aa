"""Plays one case: a person brings the rig into the phase, the fault comes, the person goes on, and in the end lets down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from evenbed.head import states as st
from evenbed.head.types import Ask, Pull
from evenbed_fw import safety
from evenbed_sim.carriage import OVERTRAVEL_MM
from evenbed_sim.plant import Plant
from handled_rig import UNLOADED_N, HandledRig

from . import cases
from .cases import BY_FORCE, Case

WATCH_S = 0.5
SETTLE_S = 0.6
LATELY_S = 0.3
HOLD_S = 8.0  # of a hold that does not come to its reference; the head says so after 5 s
STILL_S = 1.0  # a person who sees nothing move for so long lets go of the pedal
KNOB_MM_S = 10.0  # a hand on the knob
PUSH_MM, PUSH_S = 1.5, 0.3
FEED_MM, FEED_S = 2.5, 0.8
HAND_N = 25.0
END_N = 40.0  # most that may be left on a string whose carriage is at the end on the slack side
RESTING = (st.UNARMED, st.SLACK, st.FROZEN, st.TRIPPED, st.BOOTED_LOADED)
NEEDED = {"pedal", "motor", "board", "estop", "supply"}  # parts without which the pedal lets nothing down


@dataclass
class Clamping:
    """One proof of a clamp, seen from the bed: its tension before the tap, at the end, and whether it was let off."""

    holds: bool
    before_n: float
    after_n: float = 0.0
    proved: bool = False
    disturbed: bool = False  # the string itself was lost meanwhile


@dataclass
class Played:
    """One run, for the judge."""

    case: Case
    r: HandledRig
    reached: bool = False  # the phase, before the fault came
    watched_s: float = 0.0  # when the watching ended and the let-down began
    watched_state: str = ""
    question: str = ""  # asked at the end of the watching
    stood: bool = False  # the carriage at the end of the watching
    clamping: list[Clamping] = field(default_factory=list)
    down: str = ""  # how the string came down: "slack", "pedal", "repaired", "knob", "by hand"; empty: it did not
    end_low: bool = False  # the pedal brought it to the end of the travel, with some newtons left
    raised: str = ""

    @property
    def fault_s(self) -> float:
        """When the first fault came; infinite if it did not."""
        return self.r.faults.log[0][0] if self.r.faults.log else float("inf")


def play(case: Case, wrap: Callable[[Plant], Plant] | None = None) -> Played:
    """Play a case, its plant replaced by what ``wrap`` makes of it; what the product raises is kept. Raises AssertionError
    if the rig itself does not work."""
    pull = Pull(case.reference_n, family=case.family, woven=case.plan.woven)
    plant = case.plan.plant()
    r = HandledRig(pull, wrap(plant) if wrap else plant, case.plan.params(), seed=case.plan.seed)
    p = Played(case, r)
    try:
        _HOW[case.phase](p)
        _settle(p)
        _come_down(p)
    except AssertionError:
        raise
    except Exception as e:  # whatever it is, it is a finding
        p.raised = f"{type(e).__name__}: {e}"
    return p


# --- hands ---------------------------------------------------------------------------------------------------------
def _state(r: HandledRig) -> str:
    return r.host.loop.head.state if r.host.loop.head is not None else ""


def _arm(r: HandledRig) -> bool:
    r.wait(0.34)
    r.ask(Ask.ARM)
    armed = r.until(st.SLACK, 2.0)
    r.wait(0.35)  # until a press is no longer too soon after the change
    return armed


def _tap(r: HandledRig) -> None:
    r.press(True)
    r.wait(0.1)
    r.press(False)


def _bring(p: Played, after_s: float = 0.0) -> None:
    """The fault now, or a while from now."""
    case, r = p.case, p.r
    p.reached = True
    at = r.t_s + after_s
    r.inject(f"{at:.4f}s {case.fault}")
    if case.second:
        r.inject(f"{at + case.second_after_s:.4f}s {case.second}")


def _drawn(p: Played) -> bool:
    """Armed, drawn, reached; the previous clamp is opened half a second later."""
    r = p.r
    if not _arm(r):
        return False
    _tap(r)
    return r.until(st.HOLDING, 5.0)


def _hand_over(p: Played) -> None:
    p.r.wait(0.2)
    if p.case.plan.tether_n_mm is None:
        p.r.rig.flush()
        p.r.rig.plant.free_previous_clamp()
    p.r.wait(0.3)


def _clamp(p: Played, tap: bool = True) -> None:
    """Set the new clamp and say so."""
    r = p.r
    slips = p.case.plan.clamp_slips_above_n
    r.rig.flush()
    r.rig.plant.close_clamp(slips)
    r.wait(0.2)
    p.clamping.append(Clamping(slips is None, r.rig.plant.bed_tension_n()))
    if tap:
        _tap(r)


# --- phases ----------------------------------------------------------------------------------------------------------
def _arming(p: Played) -> None:
    r = p.r
    r.wait(0.35)
    _bring(p, p.case.within)
    r.press(True)
    r.wait(2.1)
    r.press(False)
    r.until(st.SLACK, 1.0)
    if _state(r) == st.SLACK:
        r.wait(1.0)
        _tap(r)
        r.wait(0.3)


def _slack(p: Played) -> None:
    if _arm(p.r):
        _bring(p)
        p.r.wait(p.case.within)
        _tap(p.r)
        p.r.wait(0.3)


def _taking_up(p: Played) -> None:
    r = p.r
    if _arm(r):
        _tap(r)
        if r.until(st.TAKING_UP, 0.5):
            _bring(p, p.case.within)
            r.wait(0.3)


def _drawing(p: Played) -> None:
    case, r = p.case, p.r
    if not _arm(r):
        return
    at = case.within * case.reference_n
    r.inject(f"{at:.1f}N {case.fault}")
    if case.second:
        r.inject(f"{at:.1f}N+{case.second_after_s:.3f}s {case.second}")
    _tap(r)
    p.reached = r.until(lambda: bool(r.faults.log), 4.0)


def _reached(p: Played) -> None:
    if _drawn(p):
        _bring(p, p.case.within)
        p.r.wait(0.2)


def _holding(p: Played) -> None:
    if _drawn(p):
        _bring(p, p.case.within)
        _hand_over(p)
        p.r.wait(max(0.0, p.case.within - 0.3))


def _straightening(p: Played) -> None:
    if _drawn(p):
        _hand_over(p)
        _bring(p, p.case.within)
        p.r.rig.flush()
        # A hand on a stiff thing gives no more way than its strength allows.
        k = max(p.r.rig.plant.stiffness_n_per_mm(), 1.0)
        p.r.rig.plant.add_path(min(PUSH_MM, HAND_N / k), PUSH_S)
        p.r.rig.plant.add_path(-min(FEED_MM, 2.0 * HAND_N / k), FEED_S)
        p.r.wait(PUSH_S + FEED_S)


def _proved(p: Played, bring: bool) -> bool:
    if not _drawn(p):
        return False
    _hand_over(p)
    p.r.wait(0.25)
    if bring:
        _bring(p, 0.3 + p.case.within)
    _clamp(p)
    return bring or p.r.until(st.EASING_OFF, 5.0)


def _proving(p: Played) -> None:
    if _proved(p, True):
        p.r.wait(1.0)


def _easing_off(p: Played) -> None:
    if _proved(p, False):
        _bring(p, p.case.within)
        p.r.wait(0.4)


def _returning(p: Played) -> None:
    if _proved(p, False) and p.r.until(st.RETURNING, 4.0):
        _bring(p, p.case.within)
        p.r.wait(0.3)


def _frozen(p: Played) -> None:
    r = p.r
    if not _arm(r):
        return
    _tap(r)
    r.until(lambda: r.rig.force_n > 0.5 * p.case.reference_n, 4.0)
    r.press(True)
    r.wait(0.1)
    r.press(False)
    if r.until(st.FROZEN, 0.5):
        _bring(p, p.case.within)
        r.wait(0.7)


def _tripped(p: Played) -> None:
    r = p.r
    if _drawn(p):
        r.inject_now("to-board off for 0.3s")
        if r.until(st.TRIPPED, 1.0):
            r.wait(0.4)
            r.faults.log.clear()
            _bring(p, p.case.within)
            r.wait(0.7)


_HOW: dict[str, Callable[[Played], None]] = {
    cases.ARMING: _arming,
    cases.SLACK: _slack,
    cases.TAKING_UP: _taking_up,
    cases.REACHED: _reached,
    cases.HOLDING: _holding,
    cases.STRAIGHTENING: _straightening,
    cases.PROVING: _proving,
    cases.EASING_OFF: _easing_off,
    cases.RETURNING: _returning,
    cases.FROZEN: _frozen,
    cases.TRIPPED: _tripped,
    **dict.fromkeys(BY_FORCE, _drawing),
}


# --- the end ---------------------------------------------------------------------------------------------------------
def _at_rest(r: HandledRig) -> bool:
    state = _state(r)
    if state == st.RETURNING and r.rig.board.core.state == safety.ARMED:
        return True  # it may wait for readings that do not come: nothing moves
    if state == st.EASING_OFF and r.told("end_reached"):
        return True  # said: there is no more way
    return state in (*RESTING, st.HOLDING) or bool(r.host.loop.head and r.head.question)


def _on_target(p: Played) -> bool:
    """At the reference, and not only in passing."""
    lately = [m.force_n for m in p.r.moments[-100:] if m.t_s > p.r.t_s - LATELY_S] or [0.0]
    return max(abs(force_n / p.case.reference_n - 1.0) for force_n in lately) < 0.01


def _settle(p: Played) -> None:
    """Watch until nothing more is to be expected; a hold that goes well is ended as a stringer does."""
    r = p.r
    r.until(lambda: _at_rest(r), 2.0)
    r.wait(WATCH_S)
    if not _at_rest(r):
        r.until(lambda: _at_rest(r), 10.0)
        r.wait(0.3)
    entered_s = next((t for t, e in reversed(r.host.events) if e.name == "state"), 0.0)
    if r.t_s - entered_s < SETTLE_S:
        r.wait(SETTLE_S)
    if _state(r) == st.HOLDING and not _on_target(p):
        r.until(lambda: _state(r) != st.HOLDING or _on_target(p) or bool(r.told("out_of_hold_travel")), HOLD_S)
        r.wait(0.15)
    if not _at_rest(r):  # a press that became a hold meanwhile
        r.until(lambda: _at_rest(r), 10.0)
        r.wait(0.3)
    r.until(lambda: r.rig.board.core.state != safety.BACKING, 1.0)
    p.watched_state = _state(r)
    p.watched_s = r.t_s
    p.question = r.head.question if r.host.loop.head is not None else ""
    mm = r.rig.carriage.mm
    if p.watched_state == st.HOLDING and p.case.clamps and not p.clamping:
        _clamp(p)
        r.until(lambda: _state(r) in RESTING or bool(r.head.question), 8.0)
    else:
        r.wait(0.1)
        p.stood = abs(r.rig.carriage.mm - mm) < 1e-6 and r.rig.hw.rate == 0
    for c in p.clamping:
        c.after_n = r.rig.plant.bed_tension_n()
        states = r.states
        # A pedal held over a question lets down too, and that is no proof.
        passed = r.head.record is not None and r.head.record.proof in ("holds", "not yet judged")
        c.proved = passed and st.PROVING_CLAMP in states and st.EASING_OFF in states[states.index(st.PROVING_CLAMP) :]


def _come_down(p: Played) -> None:
    r = p.r
    broken = {f.part for f in p.case.faults if f.for_s is None} & NEEDED
    if r.rig.force_n < UNLOADED_N:
        p.down = "slack"
    elif not broken and _by_pedal(p):
        p.down = "pedal"
    elif r.rig.board.core.no_way_down or (p.end_low if not broken else p.case.plan.seed % 2):
        # Nothing but hands: the emergency stop takes the motor's grip away, then the knob.
        r.rig.press_estop(True)
        r.rig.turn_knob(-KNOB_MM_S)
        r.host.run(r.t_s + 15.0, lambda: r.rig.force_n < 1.0 or r.rig.carriage.mm <= -OVERTRAVEL_MM)
        if r.rig.force_n < UNLOADED_N:
            p.down = "knob"
        elif r.rig.carriage.end_low and r.rig.force_n < END_N:
            p.down = "by hand"  # there is no more way: it is taken out of the gripper, as the program says
        r.rig.turn_knob(0.0)
    else:
        r.faults.repair()
        r.rig.press_estop(False)
        r.wait(0.5)
        if _by_pedal(p):
            p.down = "repaired"
        elif p.end_low:
            p.down = "by hand"
    r.wait(0.6)  # a trip is told with its record, or 0.4 s without


def _by_pedal(p: Played) -> bool:
    """Hold the pedal, again if need be; say whether the string is slack."""
    r = p.r
    for _ in range(4):
        r.press(True)
        still_s, mm = r.t_s + 0.5, r.rig.carriage.mm
        while r.t_s < still_s + STILL_S and r.rig.force_n >= 1.0 and r.rig.pedal_down:
            r.wait(0.1)
            if abs(r.rig.carriage.mm - mm) > 0.1:
                still_s, mm = r.t_s, r.rig.carriage.mm
        r.press(False)
        r.wait(0.3)
        if r.rig.force_n < UNLOADED_N:
            return True
        # What was long stretched recovers, and the carriage may be at its end: the rest is for the knob.
        p.end_low = r.rig.carriage.end_low and r.rig.force_n < END_N
        if p.end_low:
            break
    return False
