"""The pedal: what counts as a press, and what never may."""

from __future__ import annotations

import random

import pytest
from evenbed_fw import pedal
from evenbed_fw.pedal import Pedal, since
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.small import LARGEST, Small, make_small

WRAP = 1 << 30
REST, DOWN, BOTH, NEITHER = (False, True), (True, False), (True, True), (False, False)


class Foot:
    """Drives a Pedal on a clock of its own; keeps every reading it gave and every press that was counted."""

    def __init__(self, start_us: int = 0) -> None:
        self.p = Pedal()
        self.t_us = 0
        self.start_us = start_us
        self.seen: list[tuple[int, tuple[bool, bool]]] = []
        self.counted: list[int] = []  # indices into seen
        self.closings: list[int] = []
        self.ended: list[int] = []
        self.taps: list[int] = []

    def poll(self, contacts: tuple[bool, bool], after_us: int = 1000) -> None:
        self.t_us += after_us
        self.seen.append((self.t_us, contacts))
        before = self.p.presses
        self.p.step((self.start_us + self.t_us) % WRAP, *contacts)
        if self.p.presses != before:
            self.counted.append(len(self.seen) - 1)
        if self.p.edge:
            self.closings.append(len(self.seen) - 1)
        if self.p.ended:
            self.ended.append(len(self.seen) - 1)
            if self.p.last_ms < pedal.TAP_MS:
                self.taps.append(len(self.seen) - 1)

    def keep(self, contacts: tuple[bool, bool], ms: float) -> Foot:
        for _ in range(round(ms)):
            self.poll(contacts)
        return self


def ready() -> Foot:
    return Foot().keep(REST, 150)


@pytest.mark.parametrize("start_us", [0, WRAP - 1, WRAP - 160_000, WRAP - 200_000])
def test_a_press_is_counted_once_and_timed(start_us: int) -> None:
    f = Foot(start_us).keep(REST, 150).keep(DOWN, 300).keep(REST, 50)
    # Readings are 1 ms apart: what has stood for 6 ms is the seventh, for 20 ms the twenty-first.
    assert (f.p.presses, f.closings, f.counted, f.taps) == (1, [156], [170], [470])
    assert f.p.last_ms == 299  # from the first reading of down to the last
    assert not f.p.down and not f.p.fault and f.p.held_ms() == 0


def test_a_closing_too_soon_to_count_still_says_that_the_pedal_went_down() -> None:
    f = ready().keep(DOWN, 50).keep(REST, 40).keep(DOWN, 50)
    assert f.p.presses == 1 and len(f.closings) == 2


def test_held_time_runs_while_down() -> None:
    f = ready().keep(DOWN, 500)
    assert f.p.down and f.p.held_ms() == 500


@pytest.mark.parametrize("bounces", [1, 3, 4])
def test_bounce_is_one_press(bounces: int) -> None:
    f = ready()
    for _ in range(bounces):
        f.keep(DOWN, 2).keep(NEITHER, 1).keep(DOWN, 1).keep(REST, 1)
    f.keep(DOWN, 200)
    for _ in range(bounces):
        f.keep(REST, 3).keep(NEITHER, 1).keep(DOWN, 2)
    f.keep(REST, 200)
    assert f.p.presses == len(f.taps) == 1 and not f.p.fault


def test_what_freezes_stands_6_ms_and_what_counts_20() -> None:
    assert not ready().keep(DOWN, 6).closings  # 5 ms after the first reading
    assert ready().keep(DOWN, 7).closings
    assert ready().keep(DOWN, 20).p.presses == 0
    assert ready().keep(DOWN, 21).p.presses == 1
    f = ready().keep(DOWN, 100).keep(REST, 20)
    assert f.p.down and not f.ended
    f.keep(REST, 1)
    assert not f.p.down and len(f.taps) == 1


def test_unrest_of_50_ms_in_all_is_still_a_tap() -> None:
    """A worn contact bounces for about 10 ms at each end (from memory)."""
    for before, behind, taps in ((25, 25, 1), (26, 25, 0), (25, 26, 0), (0, 50, 1), (0, 51, 0), (50, 0, 1), (51, 0, 0)):
        f = ready()
        for n in range(before):
            f.keep((NEITHER, REST)[n % 2], 1)
        f.keep(DOWN, 100)
        for n in range(behind):
            f.keep((NEITHER, DOWN)[n % 2], 1)
        f.keep(REST, 30)
        assert (f.p.presses, len(f.ended), len(f.taps)) == (1, 1, taps), (before, behind)
        assert f.p.last_ms >= pedal.TAP_MS or taps


def test_unrest_is_forgotten_with_a_clean_release_only() -> None:
    for rest_ms, taps in ((100, 0), (101, 1)):
        f = ready().keep(BOTH, 51).keep(REST, rest_ms).keep(DOWN, 100).keep(REST, 30)
        assert len(f.ended) == 1 and len(f.taps) == taps


def test_a_contradiction_that_leads_back_is_unrest_and_a_slow_change_over_is_not() -> None:
    assert not ready().keep(NEITHER, 51).keep(REST, 50).keep(DOWN, 100).keep(REST, 30).taps
    assert ready().keep(NEITHER, 50).keep(REST, 50).keep(DOWN, 100).keep(REST, 30).taps
    assert not ready().keep(DOWN, 100).keep(BOTH, 51).keep(DOWN, 100).keep(REST, 30).taps
    assert ready().keep(NEITHER, 190).keep(DOWN, 100).keep(NEITHER, 190).keep(REST, 30).taps


def test_letting_go_for_a_moment_begins_a_hold_anew_and_is_no_tap() -> None:
    f = ready().keep(DOWN, 100).keep(REST, 7).keep(DOWN, 50)
    assert (f.p.presses, len(f.closings), f.p.held_ms()) == (1, 2, 50)
    f.keep(REST, 30)
    assert (len(f.ended), f.taps, f.p.last_ms) == (1, [], pedal.TAP_MS)
    f = ready().keep(DOWN, 100).keep(REST, 6).keep(DOWN, 50)  # a bounce
    assert (len(f.closings), f.p.held_ms()) == (1, 156)
    assert f.keep(REST, 30).taps


def test_a_long_press_keeps_its_length_whatever_its_unrest() -> None:
    f = ready().keep(NEITHER, 60).keep(REST, 10).keep(DOWN, 900).keep(REST, 30)
    assert f.p.last_ms == 899 and f.ended and not f.taps


def test_a_contact_that_contradicts_itself_ends_a_press_that_was_no_tap() -> None:
    f = ready().keep(DOWN, 100).keep(BOTH, 202)
    assert len(f.ended) == 1 and not f.taps and f.p.last_ms == pedal.TAP_MS


def test_a_tap_lasts_50_ms_at_least() -> None:
    assert not ready().keep(DOWN, 50).keep(REST, 30).taps  # 49 ms from the first reading to the last
    assert ready().keep(DOWN, 51).keep(REST, 30).taps


def test_garbage_on_both_contacts_makes_no_tap() -> None:
    """Any of the four readings, each for 2 to 12 ms: now and then one stands by chance, never a whole tap."""
    rng = random.Random(5)
    presses = 0
    for _ in range(500):
        f = ready()
        for _ in range(100):
            f.keep(rng.choice([REST, DOWN, BOTH, NEITHER]), rng.randint(2, 12))
        assert not f.taps
        presses += f.p.presses
    assert presses, "a press by chance is among them"


def test_release_of_100_ms_both_sides() -> None:
    assert Foot().keep(REST, 100).keep(DOWN, 50).p.presses == 0  # 99 ms between the first and the last reading
    assert Foot().keep(REST, 101).keep(DOWN, 50).p.presses == 1
    assert ready().keep(DOWN, 50).keep(REST, 100).keep(DOWN, 50).p.presses == 1
    assert ready().keep(DOWN, 50).keep(REST, 101).keep(DOWN, 50).p.presses == 2


def test_closed_at_boot_counts_for_nothing_and_is_a_fault() -> None:
    f = Foot().keep(DOWN, 5000)
    assert f.p.presses == 0 and not f.p.down and f.p.fault and f.p.held_ms() == 0
    f.keep(REST, 50)
    assert f.p.fault and not f.taps
    f.keep(REST, 60)
    assert not f.p.fault
    assert f.keep(DOWN, 50).p.presses == 1


def test_held_longer_than_ten_seconds_is_a_fault_both_sides() -> None:
    f = ready().keep(DOWN, 10_001)
    assert not f.p.fault
    f.keep(DOWN, 1)
    assert f.p.fault and f.p.down
    f.keep(REST, 110)
    assert not f.p.fault


def test_a_press_that_was_not_counted_is_a_fault_too_when_held() -> None:
    f = ready().keep(DOWN, 50).keep(REST, 40).keep(DOWN, 9_900)
    assert f.p.presses == 1 and not f.p.down and not f.p.fault
    assert f.keep(DOWN, 200).p.fault


@pytest.mark.parametrize("wrong", [BOTH, NEITHER])
def test_contradiction_is_a_fault_after_the_changeover_time(wrong: tuple[bool, bool]) -> None:
    f = ready().keep(wrong, 201)
    assert not f.p.fault
    assert f.keep(wrong, 1).p.fault
    f = ready().keep(DOWN, 100).keep(wrong, 202)
    assert f.p.fault and not f.p.down and f.p.held_ms() == 0 and not f.taps
    assert f.keep(DOWN, 500).p.presses == 1, "after a contradiction only a release makes it usable again"


def restless(f: Foot, ms: int) -> Foot:
    """No reading stands for 20 ms."""
    while ms > 0:
        f.keep(DOWN if ms // 15 % 2 else REST, min(ms, 15))
        ms -= 15
    return f


def test_contacts_that_come_to_no_rest_within_a_second_are_a_fault() -> None:
    f = restless(ready(), 1000)
    assert not f.p.fault
    assert restless(f, 20).p.fault and not f.p.presses
    assert f.keep(REST, 80).p.fault and not f.keep(REST, 30).p.fault
    assert f.keep(DOWN, 60).p.presses == 1  # well again
    f = restless(ready(), 990)
    restless(f.keep(REST, 25), 980)  # what stands for 20 ms is a rest
    assert not f.p.fault
    f = ready()
    for _ in range(6):  # nor is a contradiction, whatever lies between
        f.keep(NEITHER, 180).keep(DOWN, 5)
    assert f.p.fault


def test_a_press_that_counts_goes_on_through_chatter() -> None:
    """It may be letting a string down: a worn contact that opens for 3 ms every 18 ms does not end it."""
    f = ready().keep(DOWN, 30)
    for _ in range(200):
        f.keep(NEITHER, 3).keep(DOWN, 15)
    assert f.p.down and not f.p.fault and f.p.held_ms() > 3000


def test_slow_changeover_is_bridged() -> None:
    f = ready().keep(NEITHER, 150).keep(DOWN, 60)
    assert f.p.presses == 1
    f.keep(NEITHER, 150)
    assert f.p.down
    f.keep(REST, 21)
    assert len(f.taps) == 1 and not f.p.fault


contact_pairs = st.sampled_from([REST, DOWN, BOTH, NEITHER])
moves = st.lists(
    st.tuples(contact_pairs, st.integers(1, 60), st.integers(100, 20_000) | st.sampled_from([1000, 300_000])),
    max_size=40,
)


@settings(max_examples=300, deadline=None)
@given(moves, st.integers(0, WRAP - 1))
def test_a_press_is_only_counted_after_a_seen_release(sequence: list[tuple[tuple[bool, bool], int, int]], t: int) -> None:
    """Judged from the readings alone: since the press before, at rest throughout 100 ms; then pressed throughout 20 ms."""
    f = Foot(t)
    for contacts, times, after_us in sequence:
        for _ in range(times):
            f.poll(contacts, after_us)
    previous = -1
    for edge in f.counted:
        longest = run_from = 0
        running = False
        for at_us, contacts in f.seen[previous + 1 : edge]:
            run_from = run_from if running else at_us
            running = contacts == REST
            longest = max(longest, at_us - run_from) if running else longest
        assert longest >= 100_000
        now_us = f.seen[edge][0]
        back = edge
        while f.seen[back][1] == DOWN:
            back -= 1
        assert now_us - f.seen[back + 1][0] >= 20_000
        assert any(back < closing <= edge or previous < closing < edge for closing in f.closings)
        previous = edge
    assert f.p.presses == len(f.counted)
    assert len(f.taps) <= len(f.ended) <= len(f.counted)


def runs_of(seen: list[tuple[int, tuple[bool, bool]]]) -> list[tuple[int, int, int, int]]:
    """What ``seen`` says as (0 rest, 1 down, 2 neither or both; index of the first and last reading; us until the next)."""
    runs: list[tuple[int, int, int, int]] = []
    for n, (at_us, contacts) in enumerate(seen):
        what = {REST: 0, DOWN: 1}.get(contacts, 2)
        if runs and runs[-1][0] == what:
            runs[-1] = (what, runs[-1][1], n, at_us - seen[runs[-1][1]][0])
        else:
            if runs:
                runs[-1] = (*runs[-1][:3], at_us - seen[runs[-1][1]][0])
            runs.append((what, n, n, 0))
    return runs


@settings(max_examples=300, deadline=None)
@given(moves, st.integers(0, WRAP - 1))
def test_a_tap_is_clean_at_both_ends(sequence: list[tuple[tuple[bool, bool], int, int]], t: int) -> None:
    """From the readings alone: since the last 100 ms of release, at most 50 ms of what did not stand or led back."""
    f = Foot(t)
    for contacts, times, after_us in sequence:
        for _ in range(times):
            f.poll(contacts, after_us)
    for tap in f.taps:
        runs = runs_of(f.seen[: tap + 1])
        assert runs[-1][0] == 0 and runs[-1][3] >= 20_000
        unrest_us, stood = 0, False
        for n in range(len(runs) - 2, -1, -1):
            what, _, _, us = runs[n]
            if what == 0 and us >= 100_000:
                break
            stood = stood or (what == 1 and us >= 20_000)
            places = [r[0] for r in runs[:n] if r[0] != 2]
            back = what == 2 and places[-1:] == [runs[n + 1][0]]
            unrest_us += us if back or us < 20_000 else 0
        assert stood and unrest_us <= 50_000


stuck = st.sampled_from([(0, False), (0, True), (1, False), (1, True)])


@settings(max_examples=200, deadline=None)
@given(stuck, st.lists(st.tuples(st.booleans(), st.integers(1, 400)), max_size=12))
def test_one_bad_wire_never_makes_a_press_that_no_foot_made(
    fault: tuple[int, bool], sequence: list[tuple[bool, int]]
) -> None:
    """One contact's wire broken (open) or shorted from power-up: no press at all, whatever the foot does."""
    which, value = fault
    f = Foot()
    for down, ms in sequence:
        contacts = [down, not down]
        contacts[which] = value
        f.keep((contacts[0], contacts[1]), ms)
    assert f.p.presses == 0 and not f.p.down


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 1), st.lists(st.integers(1, 300), min_size=1, max_size=12), st.booleans())
def test_a_wire_that_breaks_or_shorts_with_the_foot_off_makes_no_press(
    which: int, pieces: list[int], shorted: bool
) -> None:
    """A loose wire, coming and going, while nobody touches the pedal."""
    f = ready()
    bad = True
    for ms in pieces:
        contacts = list(REST)
        if bad:
            contacts[which] = shorted
        f.keep((contacts[0], contacts[1]), ms)
        bad = not bad
    assert f.p.presses == 0 and not f.p.down


def test_count_wraps() -> None:
    f = ready()
    f.p.presses = pedal.COUNT_WRAP - 1
    assert f.keep(DOWN, 50).p.presses == 0


@given(st.integers(0, WRAP - 1), st.integers(0, WRAP - 1))
def test_since_on_the_wrapping_clock_in_small_integers(then_us: int, d: int) -> None:
    assert since(Small((then_us + d) % WRAP), Small(then_us)) == d <= LARGEST


@settings(max_examples=100, deadline=None)
@given(moves, st.integers(0, WRAP - 1))
def test_no_intermediate_leaves_the_small_integers(sequence: list[tuple[tuple[bool, bool], int, int]], t: int) -> None:
    p = Pedal()
    make_small(p)
    for contacts, times, after_us in sequence:
        for _ in range(times):
            t = (t + after_us) % WRAP
            p.step(Small(t), *contacts)
            p.held_ms()


# --- to the microsecond: the figures of hardware/protocol.md, section 7 ----------------------------------------------
def steps(*readings: tuple[int, tuple[bool, bool]]) -> Pedal:
    """A pedal that has been looked at just then, after 150 ms of release; times from there."""
    p = Pedal()
    for at_us, contacts in ((0, REST), (150_000, REST), *((150_000 + at, contacts) for at, contacts in readings)):
        p.step(at_us, *contacts)
    return p


def toggled(from_us: int, until_us: int) -> list[tuple[int, tuple[bool, bool]]]:
    """Nothing that stands."""
    return [(t, DOWN if t // 10_000 % 2 else REST) for t in range(from_us, until_us, 10_000)]


def test_at_boot_the_pedal_has_said_nothing() -> None:
    p = Pedal()
    assert (p.down, p.fault, p.ended, p.edge) == (False, False, False, False)
    assert (p.presses, p.last_ms, p.held_us, p.ended_us) == (0, 0, 0, 0)


def test_what_is_down_and_what_counts_to_the_microsecond() -> None:
    assert not steps((50_000, DOWN), (55_999, DOWN)).edge
    assert steps((50_000, DOWN), (56_000, DOWN)).edge
    assert not steps((50_000, DOWN), (69_999, DOWN)).down
    assert steps((50_000, DOWN), (70_000, DOWN)).down


@pytest.mark.parametrize(("released_us", "presses"), [(99_999, 0), (100_000, 1)])
def test_the_release_before_a_press_to_the_microsecond(released_us: int, presses: int) -> None:
    p = Pedal()
    for at_us, contacts in ((0, REST), (released_us, REST), (110_000, DOWN), (140_000, DOWN)):
        p.step(at_us, *contacts)
    assert p.presses == presses


@pytest.mark.parametrize(("unrest_us", "tap"), [(50_000, True), (50_001, False)])
def test_unrest_to_the_microsecond(unrest_us: int, tap: bool) -> None:
    """In two pieces, that are added up; from a release of 100 ms on it begins at nothing."""
    back = 50_000 + unrest_us - 20_000
    pieces = [(10_000, NEITHER), (30_000, REST), (50_000, NEITHER), (back, REST)]
    p = steps(*pieces, (110_000, DOWN), (140_000, DOWN), (220_000, DOWN), (221_000, REST), (241_000, REST))
    assert p.ended and p.last_ms == (110 if tap else 700)


def test_what_stands_for_20_ms_is_no_unrest() -> None:
    release = [(t + 25_000 * n, contacts) for n in range(3) for t, contacts in ((10_000, DOWN), (15_000, REST))]
    p = steps(*release, (85_000, DOWN), (105_000, DOWN), (200_000, DOWN), (201_000, REST), (221_000, REST))
    assert p.ended and p.last_ms == 115


@pytest.mark.parametrize(("us", "fault"), [(200_000, False), (200_001, True)])
def test_a_contradiction_to_the_microsecond(us: int, fault: bool) -> None:
    assert steps((10_000, NEITHER), (10_000 + us, NEITHER)).fault is fault


@pytest.mark.parametrize(("us", "fault"), [(1_000_000, False), (1_000_001, True)])
def test_no_rest_for_a_second_to_the_microsecond(us: int, fault: bool) -> None:
    assert steps(*toggled(10_000, 1_000_000), (us, REST)).fault is fault


def test_what_stands_for_20_ms_to_the_microsecond_is_a_rest() -> None:
    p = steps(*toggled(10_000, 900_000), (900_000, REST), (920_000, REST), *toggled(930_000, 1_200_000))
    assert not p.fault


@pytest.mark.parametrize(("us", "fault"), [(10_000_000, False), (10_000_001, True)])
def test_held_for_ten_seconds_to_the_microsecond(us: int, fault: bool) -> None:
    assert steps((10_000, DOWN), (40_000, DOWN), (10_000 + us, DOWN)).fault is fault


def test_held_for_ten_seconds_with_gaps_is_a_fault_too() -> None:
    """No stretch of pressed lasts ten seconds, the press does: the last answer stands through a contradiction."""
    f = ready().keep(DOWN, 6_000).keep(NEITHER, 100).keep(DOWN, 3_901)
    assert f.p.down and not f.p.fault and len(f.counted) == 1
    assert f.keep(DOWN, 1).p.fault and f.p.down


def test_an_interrupted_press_is_no_tap_however_long_it_goes_on() -> None:
    f = ready().keep(DOWN, 100).keep(REST, 7).keep(DOWN, 200).keep(REST, 30)
    assert len(f.ended) == 1 and not f.taps and f.p.last_ms == 700


@pytest.mark.parametrize("wrong", [BOTH, NEITHER])
def test_after_a_contradiction_without_a_press_a_release_comes_first(wrong: tuple[bool, bool]) -> None:
    f = ready().keep(wrong, 210).keep(DOWN, 500)
    assert f.p.fault and f.p.presses == 0 and not f.p.down
    assert f.keep(REST, 101).keep(DOWN, 50).p.presses == 1


def test_a_pedal_that_is_closed_at_boot_has_gone_down() -> None:
    assert Foot().keep(DOWN, 10).closings == [6]


def test_the_clock_may_show_anything_at_boot() -> None:
    """What comes to no rest is counted from the first look."""
    p = Pedal()
    p.step(900_000_000, *NEITHER)
    assert not p.fault


def test_a_long_press_is_timed_to_the_millisecond() -> None:
    f = ready().keep(DOWN, 5_000)
    assert f.p.held_ms() == 5_000
    assert f.keep(REST, 30).p.last_ms == 4_999


@pytest.mark.parametrize(("ms", "tap"), [(700, True), (701, False)])
def test_a_tap_lasts_less_than_700_ms(ms: int, tap: bool) -> None:
    f = ready().keep(NEITHER, 60).keep(REST, 101).keep(DOWN, ms).keep(REST, 30)
    assert f.p.last_ms == ms - 1 and (f.p.last_ms < 700) is tap and bool(f.taps) is tap


def test_presses_are_counted_to_9999() -> None:
    """hardware/protocol.md section 4: presses, 0 to 9999."""
    f = ready()
    f.p.presses = 9_998
    assert f.keep(DOWN, 50).p.presses == 9_999
    assert f.keep(REST, 110).keep(DOWN, 50).p.presses == 0


def test_since_just_before_then_is_a_whole_turn() -> None:
    assert since(0, 1) == WRAP - 1
