"""Proving the clamp: does the new clamp hold, before the tension is gone?

Easing alone cannot tell: friction reverses, and an open strand first eases as stiffly as a closed one. A small look
upwards can: if the clamp is open it stretches the whole strand, if it is closed only the piece between clamp and gripper.

Friction holds part of the strand fast wherever the head or a knock last went back, so a look goes up in two steps and
only the second counts. How stiff a closed clamp looks on a main is learnt from those that held; until then a pass is "not
yet judged". On a woven cross friction makes even an open strand look stiff, so first looks are taken while the clamp must
still be open, after each thing that hands do, and the look of the proof is weighed against the softest of them and
against the draw, and against the look of the last cross that held. Where the evidence is weak, or hands disturb the look,
nothing is asked: the watch decides, and a pass is "not yet judged".

Then the head eases slowly and watches the slope: string that comes through the jaws makes it fall from that of the near
piece towards that of the whole strand. The clamp's own drawback, which sets in below the force at which it was set, and
the string's recovery lower it a little and slowly. Where force is missing the carriage stands for a second: whoever touched
the string has let go of it by then, and what has slipped is missing still. String that creeps through evenly shows no such
fall of the slope; but near the end, with most of the tension on the jaws, the carriage stands, and there it goes on: the
force rises more than recovery makes it. Where hands take the force away before that, or string or gripper let go, nothing
has been seen and nothing passes.

All this takes the steps for travel. A look that the force does not follow is none, and where it does not follow the easing
either, the motor stands still: that is said, whatever the clamp is.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from evenbed_fw import wire

from evenbed.head.governor import PIPELINE_S
from evenbed.head.learning import Delay
from evenbed.head.look import PATIENCE, Look, Seen
from evenbed.head.slope import GATHERING, SLIP, SlopeWatch
from evenbed.head.types import Go, RigModel

LOOK = 0.01  # of the reference, if the clamp is open; a closed one makes up to twice as much of it
STUCK = 0.005  # of the reference, before it: what friction holds fast since the head or a knock last went back
# Of the room between the soft ceiling of a look and the session's: higher, hands press, and the carriage gives way, if the
# force has risen by so much since it stands, or since a clear look; settled after so many readings.
CROWDED, PRESSED_N, SETTLED = 0.5, 5.0, 5
LOOKS = 2  # one that hands have disturbed is repeated, a step higher
CLOSED_MAIN = 1.58  # look over draw stiffness from which a clamp counts as closed
CLOSED_UNSURE = 1.1  # the same where the delay, and so the draw's stiffness, is still unsure
OPEN_MOST = 1.65  # times the draw, on a cross: a first look that is stiffer was made while the strand stuck
LEAST_CROSS, LEAST_SHORT = 1.5, 1.3  # no closed clamp on a cross looks less stiff; where one is known, however short
# Evidence on a cross as the logarithm of a likelihood ratio, closed over open: the middle between the two, the slope per
# logarithm of the ratio, and the most that is believed (a draw stiffens, a first look is disturbed).
DRAW_MIDDLE, DRAW_SLOPE, DRAW_MOST = 1.86, 13.0, 5.0  # look over draw
FIRST_MIDDLE, FIRST_SLOPE, FIRST_MOST = 1.22, 37.0, 4.0  # look over first look
NEAR_MIDDLE, NEAR_SLOPE, NEAR_MOST = 0.86, 25.0, 4.0  # look over that of the last cross that held, where one is known
DRAW_LEAST = -1.0  # what the draw says at least, where one is known
SAME = 0.1  # of the reference: no further apart, and two looks can be compared
OPEN_EVIDENCE, CLOSED_EVIDENCE = -2.0, 2.0  # beyond these a question, and a judgement; between them neither
LEAST_CLOSED = 1.25  # no threshold learnt lies lower
UNSURE_PERIODS = 1.0  # doubt of the delay above which the draw's stiffness says little
WATCHED_TO, WATCHED_TO_N = 0.05, 8.0  # of the reference, and at least: down to there it is eased under watch
# So far the frame yields to who leans on it, and so fast; and so much is to be left of the force then, to see anything by.
LEANS_MM, LEANS_MM_S, LEFT_N = 0.8, 5.5, 6.0
LEFT_SHARE = 0.8  # of what it was when the carriage stood: less, and hands are taking the rest of it away
BELOW_N = 2.0  # so far below that it is sent: or it would come there slower and slower
FLOOR_N = 4.0  # from the zero of the board: not sent further down than this
# Below this share of the reference the board may not pull above so much: then it calls no string lost if hands take away
# what is left (protocol, section 6: up to 30 N).
LETTING_GO, LETTING_GO_N = 0.4, 25.0
SLACK_N = 3.0  # less is a slack string
TAKEN_N, TAKEN_READINGS = 35.0, 3  # more within so many readings than the way explains is no hand that lets go
WATCH_PER_DELAY = 0.024  # of the reference, eased per dead time
SHORTEST_S = 0.02  # no delay is believed shorter than this here
STANDS = 0.2  # of the fall due on the whole strand: less is no string that slips, but a carriage or a cell that stands
STANDS_WAY = 0.15  # of the reference, due by then: hands hold up as much for a while at most
AHEAD_S = 0.3  # the easing is told so far ahead: longer than lines may be late, or it would go by fits and starts
# Power of the ratio of look and draw by which a closed clamp may be softer in the easing than in the look: an open one is
# by the whole of it; the drawback of a clamp makes half of it on a short stiff piece.
CLOSED_POWER = 0.6
GAPS, GAP_PERIODS = 20, 2.0  # readings that are remembered for the longest gap among them; what counts as one, periods
NEAR_MOST_STIFF = 3.0  # times the draw: as stiff as that the near piece may be where no look has shown it
# Where force is missing: times that the easing stands; how long, at least and at most, s; readings that agree.
PAUSES, PAUSE_LEAST_S, PAUSE_S, AT_REST = 3, 1.0, 1.6, 4
RISING_S = 0.4  # so long at last it is seen how fast the string recovers
# Of the reference, and at least: there it stands to see what creeps through the jaws, with most of the tension on them.
STOPS_AT, STOPS_AT_N = 0.15, 20.0
CREEP_S, CREEP_MOST_S = 0.5, 1.2  # so long; and if the force goes on rising
# Most that the near piece shortens of itself, mm/s, and of the way down per second: after half a second the simulated
# strings do by up to 0.033 of it, after 1.2 s by half as much (the logarithmic law of recovery).
RECOVERS_MM_S, RECOVERS = 0.05, 0.04
LEISURE = 2.0  # times what all looks and the whole easing take at most: longer no proof lasts


class ProofBook:
    """The rig's normal: looks that were followed by an honest ease-off. ``near`` is the last of them on a cross, as family,
    N/mm and reference: between clamp and gripper the next cross of that string is the same piece, however short it is."""

    def __init__(self) -> None:
        self._ratios: dict[bool, deque[float]] = {False: deque(maxlen=20), True: deque(maxlen=20)}
        self.near: tuple[str, float, float] | None = None

    def near_n_mm(self, family: str, reference_n: float) -> float | None:
        """How stiff a closed clamp should look on a cross, N/mm; None where that is not known."""
        if self.near is None or self.near[0] != family or abs(self.near[2] / reference_n - 1.0) > SAME:
            return None
        return self.near[1]

    def learnt(self, woven: bool) -> bool:
        """Enough looks to know what a closed clamp looks like on this rig?"""
        return len(self._ratios[woven]) >= 3

    def add(self, woven: bool, ratio: float) -> None:
        """Take the ratio (look over draw) of a clamp that proved to hold."""
        self._ratios[woven].append(ratio)

    def ratios(self, woven: bool) -> tuple[float, ...]:
        """The ratios learnt, oldest first; ``add`` them to a new book to restore this one."""
        return tuple(self._ratios[woven])

    def threshold(self) -> float:
        """Ratio of the look to the draw from which a clamp on a main counts as closed."""
        if not self.learnt(woven=False):
            return CLOSED_MAIN
        ordered = sorted(self._ratios[False])
        return max(LEAST_CLOSED, math.sqrt(ordered[len(ordered) // 2]))


class ClampProof:
    """One proof. ``step`` returns the lease; ``verdict`` is "" while it runs, then "holds", "open", "slips", "gone" (no
    force is left to see anything by) or "stands" (the force does not follow the carriage: nothing can be proved). It comes
    within ``longest_s`` of readings."""

    def __init__(
        self,
        rig: RigModel,
        reference_n: float,
        k_draw_n_mm: float,
        k_open_n_mm: float | None,
        delay: Delay,
        book: ProofBook,
        woven: bool,
        x_mm: float,
        family: str = "unknown",
        lowest_n: float = math.inf,
    ) -> None:
        """``lowest_n`` is the lowest force of an earlier proof of the same clamp."""
        self._rig = rig
        self._reference_n = reference_n
        self._k_draw = k_draw_n_mm
        self._k_open = k_open_n_mm
        self._delay_s = delay.delay_s
        # Until some draws agree on the delay, a draw's stiffness may be off by half.
        self._draw_sure = delay.doubt_s <= UNSURE_PERIODS * rig.period_s
        self._book = book
        self._woven = woven
        self._family = family
        self._near = book.near_n_mm(family, reference_n) if woven else None
        all_mm = reference_n / max(k_open_n_mm or 0.0, k_draw_n_mm)
        self._rise_mm = LOOK * all_mm
        self._look = Look(LOOK * reference_n, self._rise_mm, x_mm, first_mm=STUCK * all_mm)
        self._looks = 1
        self._slope = SlopeWatch(reference_n, lowest_n)
        # Times and readings of a carriage that stands to see what is missing still, and since when it should.
        self._rest: list[tuple[float, float]] | None = None
        self._rest_s = 0.0
        self._pauses = 0
        self._crowded_n = self._settled_n = math.inf
        self._standing = 0  # readings in a row
        self._lately: deque[tuple[float, float]] = deque(maxlen=TAKEN_READINGS + 1)  # force and position
        self._creeping: bool | None = None  # does string creep through? None: not yet looked; True: not yet known
        self.learnt = book.learnt(woven)  # else a pass is "not yet judged"
        self.verdict = ""
        self.ratio = 0.0  # of the look to the draw
        self.end_mm = self._low_mm = x_mm
        self._last_s: float | None = None
        self._spent_s = 0.0  # in readings that came
        self._gaps: deque[float] = deque(maxlen=GAPS)
        self._top_mm = x_mm  # where the easing began
        self._from = (x_mm, reference_n)  # where the carriage last stood, and the force there
        self._due_n = 0.0  # fall of the force since then, if the whole strand comes back
        self._stood = 0  # times in a row that the force had not come down by then
        self.eased_mm = 0.0  # the way down so far
        self._gone = False  # has force been missing?
        self._followed = True  # has every look been?
        easing_s = reference_n / k_draw_n_mm / min(rig.hold_rate_mm_s, self._rate_mm_s(k_draw_n_mm))
        self.longest_s = LEISURE * (LOOKS * PATIENCE * rig.period_s + easing_s) + (PAUSES + 1) * PAUSE_S

    @property
    def k_look_n_mm(self) -> float:
        """Stiffness that the look showed; 0 before."""
        return self._look.k_n_mm or 0.0

    def wait(self, force_n: float, x_mm: float, ceiling_n: float) -> Go:
        """Stand, as far down as it has come: sent back to where it was a moment ago it would go to and fro. It gives way to
        hands that press the force up."""
        own_n = self._look.force_n + PRESSED_N if self._look.clear else 0.0
        pressed_n = max(0.0, force_n - max(self._crowded_n, own_n))
        self.end_mm = self._low_mm = min(x_mm - pressed_n / max(self._k_draw, self.k_look_n_mm), self._low_mm)
        return Go(wire.HOLD, self._rig.hold_rate_mm_s, self.end_mm, self._soft_n(force_n, ceiling_n))

    def _soft_n(self, force_n: float, ceiling_n: float) -> float:
        """Above which force the board is not to pull, where it is not to pull at all."""
        return min(LETTING_GO_N, ceiling_n) if force_n < LETTING_GO * self._reference_n else ceiling_n

    def step(
        self, t_s: float, force_n: float, seen: Seen, x_mm: float, v_mm_s: float, ceiling_n: float, zero_n: float = 0.0
    ) -> Go:
        """Take one reading: force, the positions it may belong to, the position now and its speed. The force counts from a
        zero that lies ``zero_n`` above the one from which the board reckons the ceiling."""
        look = self._look
        self._crowded_n = self._most_n + CROWDED * max(0.0, ceiling_n - zero_n - self._most_n)
        self._standing = self._standing + 1 if v_mm_s == 0.0 else 0
        self._settled_n = min(self._settled_n, force_n) if self._standing > SETTLED else math.inf
        self._count(t_s)
        if not self.verdict and self._spent_s > self.longest_s:
            self.verdict = "stands"
        elif look.k_n_mm is None:
            if force_n > max(self._crowded_n, self._settled_n + PRESSED_N):
                look.give_up()
                self._judge()
            elif look.step(t_s, force_n, seen.mm, seen.unsure_mm, self._short_mm(force_n, x_mm)):
                self._followed = self._followed and look.followed
                if look.clear or self._looks == LOOKS:
                    self._judge()
                else:
                    self._looks += 1
                    self._look = Look(LOOK * self._reference_n, self._rise_mm, look.end_mm, k_first=look.k_first)
            self.end_mm = self._low_mm = self._look.end_mm
            return Go(wire.HOLD, self._rig.hold_rate_mm_s, self.end_mm, min(ceiling_n, zero_n + self._most_n))
        elif not self.verdict and self._emptied(force_n, seen.mm):
            self.verdict = "gone"
        elif not self.verdict and self._rest is not None:
            self._stand(t_s, force_n, seen.mm, v_mm_s)
        elif not self.verdict:
            self._watch(t_s, force_n, seen.late_mm, v_mm_s)
        if self._rest is not None or (self.verdict and self.verdict != "holds"):
            return self.wait(force_n, x_mm, ceiling_n)
        self._low_mm = x_mm
        k = max(self.k_look_n_mm, self._k_draw * (1.0 if self._look.clear else NEAR_MOST_STIFF))
        rate = self._rate_mm_s(k)
        # Told so far ahead it may go on although the host is late: not much below where it is to stand or to end.
        left_n = min(force_n - self._next_n + BELOW_N, force_n + zero_n - FLOOR_N)
        self.end_mm = max(x_mm - rate * AHEAD_S, min(x_mm, seen.mm - left_n / k))
        return Go(wire.HOLD, rate, self.end_mm, self._soft_n(force_n, ceiling_n))

    def _short_mm(self, force_n: float, x_mm: float) -> float | None:
        """Where the carriage stands, if the force that a look may make keeps it from the look's end."""
        return x_mm if self._standing and force_n > self._most_n and x_mm < self._look.end_mm else None

    @property
    def _most_n(self) -> float:
        """The highest force that the looks may make."""
        return self._reference_n * (1.0 + 2.0 * (STUCK + LOOK * self._looks))

    def _emptied(self, force_n: float, seen_mm: float) -> bool:
        """Has the force gone, nearly all or much at once, before it was seen whether string creeps through? What came
        through meanwhile cannot be told from what was taken away, and a slack string shows nothing."""
        self._lately.append((force_n, seen_mm))
        if self._creeping is False or len(self._lately) <= TAKEN_READINGS:
            return False
        due_n = max(self._k_draw, self.k_look_n_mm) * (self._lately[0][1] - seen_mm)
        slack = all(n < SLACK_N for n, _ in list(self._lately)[-2:])
        return slack or self._lately[0][0] - force_n - due_n > TAKEN_N

    def _count(self, t_s: float) -> None:
        period = self._rig.period_s
        if self._last_s is not None:
            gap = t_s - self._last_s
            self._spent_s += min(gap, GAP_PERIODS * period)
            self._gaps.append(max(0.0, gap - GAP_PERIODS * period))
        self._last_s = t_s

    @property
    def _dead_s(self) -> float:
        """From a force to the motion that it causes: longer where readings are lost."""
        return max(self._delay_s, SHORTEST_S) + PIPELINE_S + max(self._gaps, default=0.0)

    def _rate_mm_s(self, k_n_mm: float) -> float:
        """How fast to ease under watch: where readings are lost, slower, or the clamp slips between two of them."""
        return WATCH_PER_DELAY * self._reference_n / self._dead_s / k_n_mm

    def _judge(self) -> None:
        k = self.k_look_n_mm
        self.ratio = k / self._k_draw
        if not self._look.clear:
            self.learnt = False  # hands were at work: the watch alone decides, and that is no judgement
        elif self._woven:
            evidence = self._evidence(k)
            self.learnt = evidence > CLOSED_EVIDENCE
            if evidence < OPEN_EVIDENCE:
                self.verdict = "open"
                # Gripped further out than before, a good clamp looks softer: that is asked once, not for ever.
                self._book.near = None
        elif self.ratio < (self._book.threshold() if self._draw_sure else CLOSED_UNSURE):
            self.verdict = "open"
        self.learnt &= self._draw_sure or self._woven
        # What hands or a motor made of an unclear look bounds nothing; the whole strand is the softest there is.
        if self._look.clear:
            self._slope.begin(self._look.force_n, k, k / max(1.0, self.ratio) ** CLOSED_POWER)
        else:
            # Nor does an easing by which the whole strand comes back show a clamp that holds.
            least = LEAST_CLOSED * self._k_draw if self._draw_sure else self._k_draw
            near = self._look.k_first if self._look.short else 0.0
            self._slope.begin(self._look.force_n, max(k, self._k_draw, near), least)
        self._top_mm = self._look.end_mm
        self._from = (self._top_mm, self._look.force_n)

    def _evidence(self, k_n_mm: float) -> float:
        def weigh(ratio: float, middle: float, slope: float, most: float) -> float:
            return min(max(slope * math.log(ratio / middle), -most), most)

        if self._draw_sure and self.ratio < (LEAST_CROSS if self._near is None else LEAST_SHORT):
            return OPEN_EVIDENCE - 1.0
        evidence = weigh(self.ratio, DRAW_MIDDLE, DRAW_SLOPE, DRAW_MOST) if self._draw_sure else 0.0
        if self._near is not None:
            # That a look is hardly stiffer than the draw says little of a string that may be short.
            evidence = max(evidence, DRAW_LEAST) + weigh(k_n_mm / self._near, NEAR_MIDDLE, NEAR_SLOPE, NEAR_MOST)
        if self._k_open is not None:
            evidence += weigh(k_n_mm / self._k_open, FIRST_MIDDLE, FIRST_SLOPE, FIRST_MOST)
        return evidence

    def _stand(self, t_s: float, force_n: float, seen_mm: float, v_mm_s: float) -> None:
        """The carriage stands: force was missing, or nearly all the tension is on the jaws."""
        assert self._rest is not None
        self._rest = [*self._rest, (t_s, force_n)] if v_mm_s == 0.0 else []
        stood_s, rests_s = t_s - self._rest_s, t_s - self._rest[0][0] if self._rest else 0.0
        if self._creeping:
            rising_n_s, even = self._rising(t_s)
            most_mm_s = RECOVERS_MM_S + RECOVERS * self.eased_mm
            if even and rests_s > CREEP_S and rising_n_s < most_mm_s * self._slope.slope_n_mm:
                self._creeping = False
                self._go_on(force_n, seen_mm)
            elif (even and rests_s > CREEP_MOST_S) or stood_s > CREEP_S + PAUSE_S:
                self.verdict = "slips"
            return
        if self._creeping is False and self._rest and force_n < min(self._next_n, LEFT_SHARE * self._rest[0][1]):
            # Only hands that go take force away from a carriage that stands. It is not waited for what they leave.
            if self._slope.still_missing(force_n, seen_mm):
                self.verdict = "slips"
            else:
                self._end()
            self._go_on(force_n, seen_mm)
            return
        last = self._rest[-AT_REST:]
        agree = rests_s > PAUSE_LEAST_S and max(n for _, n in last) - min(n for _, n in last) < SLIP * self._reference_n
        if stood_s < PAUSE_S and not agree:
            return
        # A touch is over when the carriage has stood for a while; what has slipped stays missing.
        if self._stands(force_n):
            # Who has let go of a string meanwhile may have raised the force as far as the carriage has lowered it, but not
            # twice; and where little was asked of it there is no slip to be seen either.
            self._stood += self._due_n > STANDS_WAY * self._reference_n
            missing = False
        else:
            self._stood = 0
            missing = self._slope.still_missing(force_n, seen_mm, self._rising(t_s)[0])
        self.verdict = "stands" if self._stood > 1 else "slips" if missing or self._pauses > PAUSES else ""
        self._go_on(force_n, seen_mm)

    def _rising(self, t_s: float) -> tuple[float, bool]:
        """How fast the force has risen at last, N/s; and is a line all that it was? A touch is none."""
        assert self._rest is not None
        late = [(t - t_s, n) for t, n in self._rest if t > t_s - RISING_S]
        if len(late) <= AT_REST:
            return 0.0, False
        line = np.polyfit([t for t, _ in late], [n for _, n in late], 1)
        off_n = max(abs(n - float(np.polyval(line, t))) for t, n in late)
        return float(line[0]), off_n < SLIP * self._reference_n

    def _go_on(self, force_n: float, seen_mm: float) -> None:
        self._rest = None
        self._from = (seen_mm, force_n)
        self._slope.go_on(force_n, seen_mm)

    @property
    def _next_n(self) -> float:
        """Force at which it stands to see what creeps; when that is done, the force down to which it is watched."""
        done = self._creeping is not None
        share, least_n = (WATCHED_TO, WATCHED_TO_N) if done else (STOPS_AT, STOPS_AT_N)
        leans_mm = min(LEANS_MM, LEANS_MM_S * self._dead_s) if done else LEANS_MM
        return max(share * self._reference_n, least_n, leans_mm * self._slope.slope_n_mm + LEFT_N)

    def _stands(self, force_n: float) -> bool:
        return self._from[1] - force_n < STANDS * self._due_n

    def _watch(self, t_s: float, force_n: float, late_mm: float, v_mm_s: float) -> None:
        # While the easing gathers speed, a reading later than believed looks like a missing slope; held against a
        # position one period late it cannot.
        self.eased_mm = self._top_mm - late_mm
        self._due_n = self._k_draw * (self._from[0] - late_mm)
        stands = self._stands(force_n)
        self._gone = self._slope.gone(force_n, late_mm, v_mm_s) or self._gone
        doubtful = self._due_n > STANDS_WAY * self._reference_n if stands else self._gone
        if doubtful:
            self._gone = False
            self._rest, self._rest_s = [], t_s
            self._pauses += 1
        elif not (stands or self._look.clear or self._followed) and self._due_n > GATHERING * self._reference_n:
            self.verdict = "open"  # it follows now, but did not in the looks: nothing has been seen
        elif self._creeping is None and force_n < self._next_n:
            self._creeping = True
            self._rest, self._rest_s = [], t_s
        elif force_n < self._next_n:
            self._end()

    def _end(self) -> None:
        """It has come down all the way."""
        # By fits and starts no slope shows: nothing has been seen of a clamp that slips.
        self.verdict = "holds" if self._slope.even else "open"
        if self._slope.even and self._look.clear and self._draw_sure:
            self._book.add(self._woven, self.ratio)
        if self._slope.even and self._look.clear and self._woven:
            self._book.near = (self._family, self.k_look_n_mm, self._reference_n)
