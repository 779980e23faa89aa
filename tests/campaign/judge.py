"""What a run must not do, judged by the truth.

The bound of the true force is ceiling + overrun, with one exception: a cell that reads low fools every layer that trusts
it (board and host share one cell), so there it is what the cell makes of the ceiling.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field, replace

from evenbed.head import states as st
from evenbed.head.running import NOT_AT_REST
from evenbed_fw import faults, safety

from .cases import Case
from .play import RESTING, Played, play

STOPS = {faults.NAMES[faults.PRESSED], faults.NAMES[faults.STOPPED]}
TRIPS = set(faults.NAMES[1:]) - STOPS
OTHERS = (
    "link_lost", "guard", "no_string", "out_of_hold_travel", "out_of_travel", "end_reached", "proof_failed",
    "zero_refused", "refused", "loaded", "hint",
)  # fmt: skip
HELD = 0.02  # of the reference: what a hold that rides through may be off by, as the cell shows it
LET_OFF = 0.05  # of the bed's tension: more is gone means that a string was let off that no clamp held
LET_DOWN_S = 1.5  # a let-down that began so shortly before the end of the watch is under way
BACK_OFF_MM = 3.6  # the board's 3 mm after over-tension, and some braking
LEFT = 0.5  # of the force before the fault: less, with the carriage gone back unasked, is a string let off
LATE_MS = 300.0  # a line that is so late comes after the board has forgotten that it has just frozen
NO_FAULT = "string slow 0"
LASTING_S = 0.3  # a shorter loss is one that the head is about to tell


@dataclass
class Verdict:
    """What became of one run. ``margin_n`` is what the true peak left of the bound; ``lost_n`` the most that the true
    force was below the reference while the head said that all was well."""

    case: Case
    margin_n: float
    lost_n: float = 0.0
    told: str = ""  # the first thing told after the fault came, or "rides"
    state: str = ""
    reads_low: bool = False
    violations: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)  # shortfalls that are written down elsewhere
    reached: bool = True

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        wrong = "; ".join(self.violations) or "nothing wrong"
        return f"{self.case.told()} → {self.told}, {self.state}, margin {self.margin_n:.1f} N: {wrong}"


def reads_low(case: Case) -> float:
    """The least share of the truth that the cell shows; 1 where it does not read low."""
    shares = [f.value for f in case.faults if (f.part, f.how) == ("cell", "wrong") and 0.0 < f.value < 1.0]
    return min(shares, default=1.0)


def bound_n(p: Played) -> float:
    """What the true force must not exceed."""
    return p.r.bound_n / reads_low(p.case)


def judge(p: Played, fooled: bool = False) -> Verdict:
    """Judge one run. ``fooled``: of a class that every layer is fooled by, whose peak is only told."""
    r, case = p.r, p.case
    v = Verdict(case, bound_n(p) - r.rig.plant.peak_n, reached=p.reached, reads_low=reads_low(case) < 1.0)
    v.state = p.watched_state
    v.told = _first_told(p)
    v.lost_n = _lost_n(p)
    if p.raised:
        v.violations.append(f"raised {p.raised}")
        return v
    if v.margin_n < 0.0 and not fooled:
        text = f"true force {r.rig.plant.peak_n:.1f} N, bound {bound_n(p):.1f} N"
        # A motor that turns the wrong way pulls when it is told to back off or to let down.
        backwards = any(f.value < 0.0 for f in case.faults if f.part == "motor")
        (v.known if backwards else v.violations).append(text)
    _unasked(p, v)
    _end(p, v)
    _let_off(p, v)
    _records(p, v)
    if not p.down:
        v.violations.append(f"the string did not come down: {r.rig.force_n:.0f} N left")
    return v


def _first_told(p: Played) -> str:
    names = [e.name for t, e in p.r.host.events if t >= p.fault_s and (e.name in TRIPS | STOPS or e.name in OTHERS)]
    # What a person does while letting down is no longer the fault's doing.
    before = [e.name for t, e in p.r.host.events if p.fault_s <= t <= p.watched_s + 0.5 and e.name in TRIPS]
    return before[0] if before else names[0] if names else "rides"


def _has(case: Case, part: str, *hows: str) -> bool:
    return any(f.part == part and (not hows or f.how in hows) for f in case.faults)


def _unasked(p: Played, v: Verdict) -> None:
    if not p.r.unasked:
        return
    t = p.r.unasked[0][0]
    total = sum(mm for _, mm in p.r.unasked)
    text = f"{total:.2f} mm upwards that no press asked for, from {t:.2f} s"
    if _has(p.case, "pedal"):
        # The contacts themselves say "pressed": the rig cannot know that no foot did it.
        v.known.append("the pedal's own contacts: " + text)
    else:
        v.violations.append(text)


def _began_s(p: Played, state: str) -> float:
    """When the state in which the watch ended was entered last; it may be told a moment later."""
    entered = (t for t, e in p.r.host.events if (e.name, e.says) == ("state", state))
    return max((t for t in entered if t < p.watched_s + 0.1), default=0.0)


def _end(p: Played, v: Verdict) -> None:
    """Stopped and standing, or holding what the cell shows, or slack."""
    r, case = p.r, p.case
    state = p.watched_state
    if state == st.HOLDING:
        shares = [f.value for f in case.faults if (f.part, f.how) == ("cell", "wrong")]
        seen = [m.force_n for m in r.moments if p.watched_s - 0.1 < m.t_s <= p.watched_s]
        off = max((min(abs(f * s / case.reference_n - 1.0) for s in (1.0, *shares)) for f in seen), default=1.0)
        told = {e.name for t, e in r.host.events if t >= p.fault_s}
        told |= {"not at rest" for t, e in r.host.events if e.says == NOT_AT_REST}
        # It may hunt or stand, as long as it says so and does not call that good.
        good = any(m.word == "clamp" for m in r.moments if p.watched_s - 0.1 < m.t_s <= p.watched_s)
        said = told & {"out_of_hold_travel", "out_of_travel"} or ("not at rest" in told and not good)
        said = said or (not seen and told & {"lease_expired", "no_data", "link_lost"})  # nothing comes, and that is told
        # What came a moment before the end is told with the next readings.
        said = said or any(p.watched_s <= t < p.watched_s + 0.1 and e.name in TRIPS for t, e in r.host.events)
        if off > HELD and not said and not _has(case, "cell", "garbage"):
            holds = f"{seen[-1]:.1f} N" if seen else "what nothing is seen of,"
            v.violations.append(f"holds {holds} instead of {case.reference_n:.0f} N and says nothing")
    elif state in RESTING:
        if not case.plan.holds_without_power and (_has(case, "estop") or _has(case, "supply")):
            return  # the screw turns back, which is said in SAFETY.md
        if not p.stood and _has(case, "board", "off"):
            v.known.append("a board that goes on after a hang makes its braking way a second time")
        elif not p.stood and r.rig.board.core.state not in (safety.EASING,) and not _has(case, "pedal"):
            v.violations.append(f"{state}, and the carriage still moves")
    elif not p.question and not (p.stood and (state == st.RETURNING or r.told("end_reached"))):
        if state == st.EASING_OFF and _has(case, "motor", "off", "stuck"):
            v.known.append("nothing is told of a let-down that a dead motor does not make")
        elif state != st.EASING_OFF or p.watched_s - _began_s(p, state) > LET_DOWN_S:
            v.violations.append(f"still {state} long after the fault")


def _let_off(p: Played, v: Verdict) -> None:
    r, case = p.r, p.case
    for c in p.clamping:
        share = 1.0 - c.after_n / c.before_n if c.before_n > 0.0 else 0.0
        if c.proved and not c.holds and share > LET_OFF and not _has(case, "string"):
            text = f"let off a clamp that does not hold: {100 * share:.0f} % of the bed's tension gone"
            # The proof has its own limits, fault or none: the same pull without the fault tells which it was. And it takes
            # the steps for the travel: a motor that goes further than it is told makes any string look stiff.
            sound = play(replace(case, fault=NO_FAULT, second=""))
            weak = any(c.proved for c in sound.clamping) or _has(case, "motor", "wrong", "slow")
            (v.known if weak else v.violations).append(text)
    if case.plan.holds_without_power is False and _has(case, "estop") | _has(case, "supply"):
        return  # the screw turned back, which is said in SAFETY.md
    if _has(case, "string") or _has(case, "pedal") or _has(case, "motor", "wrong", "slow"):
        return
    # Nothing goes down that neither a press, a proof nor the board's back-off explains.
    quiet = [m for m in r.moments if p.fault_s <= m.t_s <= p.watched_s and m.board not in (safety.EASING, safety.CUT)]
    quiet = [m for m in quiet if m.state not in (st.EASING_OFF, st.RETURNING, st.PROVING_CLAMP, st.SLACK, st.UNARMED, "")]
    if len(quiet) > 1:
        back = max(m.carriage_mm for m in quiet) - quiet[-1].carriage_mm
        before, after = max(m.force_n for m in quiet), quiet[-1].force_n
        if back > BACK_OFF_MM and after < LEFT * before:
            text = f"let down by {back:.1f} mm unasked: {before:.0f} to {after:.0f} N"
            # The let-down under way was asked for. What is left of it and comes later than the board's 0.3 s after a freeze
            # looks like a new wish: a line does not carry the time at which it was sent. So does an order of a host
            # that has its readings so late.
            ways = ("to-board", "to-host")
            late = max((f.value for f in case.faults if f.part in ways and f.how == "delayed"), default=0.0) >= LATE_MS
            before_it = [m.state for m in r.moments if m.t_s <= p.fault_s][-1:]
            under_way = before_it in ([st.EASING_OFF], [st.RETURNING])
            (v.known if late and under_way else v.violations).append(text)


def _records(p: Played, v: Verdict) -> None:
    """Every pull that began has ended in one record; every trip was told once."""
    r = p.r
    begun = closed = 0
    tripped: Counter[str] = Counter()
    for _, e in r.host.events:
        if e.name == "state" and e.says == st.TAKING_UP:
            begun += 1
        elif e.name == "pull_done":
            closed += 1
    if begun != closed:
        # A pull that still stands is not over.
        stands = r.head.state in (st.HOLDING, st.PROVING_CLAMP) or p.down == "by hand" or bool(r.told("end_reached"))
        if not (begun == closed + 1 and stands and r.head.record is not None and not r.head.record.ended):
            v.violations.append(f"{begun} pulls begun, {closed} closed (head {r.head.state})")
    in_trip = False
    count = 0
    for _, e in r.host.events:
        if e.name == "state":
            if in_trip and e.says != st.TRIPPED:
                tripped[str(count)] += 1
                in_trip = False
            if e.says == st.TRIPPED:
                in_trip, count = True, 0
        elif e.name in TRIPS and in_trip:
            count += 1
    if in_trip:
        tripped[str(count)] += 1
    links = sum(e.name == "link_lost" for _, e in r.host.events)
    if sum(n for told, n in tripped.items() if told != "1") > links:
        v.violations.append(f"a trip was told {', '.join(tripped)} times")


def _lost_n(p: Played) -> float:
    """Most that the true force was short of the reference, for a while, under the word "clamp", and what was lost behind a
    clamp that does not hold but was called good."""
    ref = p.case.reference_n
    most = 0.0
    window: deque[tuple[float, float]] = deque()
    for m in p.r.moments:
        if m.word != "clamp" or m.t_s > p.watched_s:
            window.clear()
            continue
        window.append((m.t_s, ref - m.force_n))
        if m.t_s - window[0][0] >= LASTING_S:
            most = max(most, min(short for _, short in window))
            window.popleft()
    bed = [c.before_n - c.after_n for c in p.clamping if c.proved and not c.holds]
    return max([most, *bed])
