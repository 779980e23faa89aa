"""Faults in every phase of a pull, judged by the truth: seven in ten of all pairs of fault and phase, for the sake of time.

All pairs, and thousands of cases more: ``python -m tests.campaign.run --runs 462``.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from . import cases
from .cases import KINDS, PHASES, STRATA, STRINGS, case
from .judge import TRIPS, Verdict, judge
from .play import play

SEED = 1
PLAYED = [index for index in range(len(STRATA)) if (index + index // len(KINDS)) % 10 < 7]


@pytest.fixture(scope="module")
def verdicts() -> dict[tuple[tuple[str, str], str], Verdict]:
    return {}


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("part", sorted({part for part, _ in KINDS}))
def test_no_fault_in_any_phase_harms_frame_string_or_record(
    part: str, phase: str, verdicts: dict[tuple[tuple[str, str], str], Verdict]
) -> None:
    wrong = []
    for index in PLAYED:
        kind, where = STRATA[index]
        if kind[0] == part and where == phase:
            v = verdicts[kind, phase] = judge(play(case(SEED, index)))
            if v.violations:
                wrong.append(f"--seed {SEED} --only {index}: {v.sentence}")
    assert not wrong, "\n".join(wrong)


def test_the_campaign_met_what_it_was_to_meet(verdicts: dict[tuple[tuple[str, str], str], Verdict]) -> None:
    if len(verdicts) < len(PLAYED):
        pytest.skip("only with the whole campaign")
    assert len(verdicts) >= 300
    assert {kind for kind, _ in verdicts} == set(KINDS) and {phase for _, phase in verdicts} == set(PHASES)
    reached = sum(v.reached for v in verdicts.values())
    assert reached > 0.95 * len(verdicts)
    told = Counter(v.told for v in verdicts.values())
    # Stopped, ridden through, and most trips of the board seen: a judge that sees nothing would see none of it.
    assert told["rides"] > 50 and len(set(told) & TRIPS) >= 9, told
    assert {v.case.plan.tether_n_mm for v in verdicts.values()} == {plan.tether_n_mm for plan, _, _ in STRINGS}
    assert min(v.margin_n for v in verdicts.values()) < 45.0  # some came near their ceiling


def test_a_case_is_the_same_every_time() -> None:
    one, again = (judge(play(case(SEED, 300))) for _ in range(2))
    assert one == again and case(SEED, 300) == case(SEED, 300) != case(SEED + 1, 300)


# --- the judge itself: each thing it is to find, brought about ---------------------------------------------------------
QUIET = replace(case(SEED, 300), plan=replace(STRINGS[2][0], slack_mm=5.0), reference_n=200.0, second="", clamps=False)


@pytest.mark.parametrize("stall_s", [0.06, 0.15, 0.3])
def test_a_motor_that_stalls_as_contact_is_made_is_no_soft_string(stall_s: float) -> None:
    stiff = next(plan for plan, _, _ in STRINGS if plan.tether_n_mm == 60.0)
    for within in (0.1, 0.15, 0.2):
        fault = f"motor stuck for {stall_s}s"
        v = judge(play(replace(QUIET, plan=stiff, phase=cases.EARLY, within=within, fault=fault, reference_n=250.0)))
        assert not v.violations and v.margin_n > 25.0, (within, v.margin_n)


def test_the_judge_sees_a_force_beyond_the_bound() -> None:
    # Twenty times as stiff at once: the class that only mechanics stop.
    from tests.benchmarks.plants import Stiffened

    quiet = replace(QUIET, phase=cases.NEAR, within=0.9, fault="string slow 0")
    v = judge(play(quiet, lambda plant: Stiffened(plant, 120.0, 20.0)))
    assert any("true force" in text for text in v.violations) and v.margin_n < 0.0


def test_the_judge_sees_motion_that_nobody_asked_for() -> None:
    p = play(replace(QUIET, phase=cases.HOLDING, within=0.6, fault="cell off"))
    assert not judge(p).violations
    p.r.unasked.append((5.0, 0.4))
    assert any("upwards" in text for text in judge(p).violations)


def test_the_judge_sees_a_string_let_off_an_open_clamp() -> None:
    quiet = replace(QUIET, phase=cases.PROVING, within=0.1, fault="string slow 0")
    p = play(replace(quiet, fault="to-host delayed 5", plan=replace(quiet.plan, clamp_slips_above_n=0.0)))
    assert p.clamping and not p.clamping[0].proved  # the head notices it
    p.clamping[0].proved = True
    p.clamping[0].after_n = 0.0
    assert any("does not hold" in text for text in judge(p).violations)


def test_the_judge_sees_a_lost_record_and_a_trip_told_twice() -> None:
    p = play(replace(QUIET, phase=cases.HOLDING, within=0.6, fault="cell stuck"))
    assert not judge(p).violations
    told = next(i for i, (_, e) in enumerate(p.r.host.events) if e.name == "stuck")
    p.r.host.events.insert(told, p.r.host.events[told])
    assert any("told 2 times" in text for text in judge(p).violations)
    p.r.host.events[:] = [(t, e) for t, e in p.r.host.events if e.name != "pull_done"]
    assert any("0 closed" in text for text in judge(p).violations)


def test_the_judge_sees_a_string_that_stays_up_and_what_was_raised() -> None:
    p = play(replace(QUIET, phase=cases.HOLDING, within=0.6, fault="cell off"))
    p.down = ""
    assert any("did not come down" in text for text in judge(p).violations)
    p.raised = "ValueError: x"
    assert judge(p).violations == ["raised ValueError: x"]


def test_tension_lost_under_the_word_clamp_is_measured() -> None:
    # A cell that comes to read 4 % high is followed down by as much: nobody can tell.
    v = judge(play(replace(QUIET, phase=cases.HOLDING, within=0.6, fault="cell wrong 1.04")))
    assert v.told == "rides" and v.lost_n == pytest.approx(200.0 - 200.0 / 1.04, abs=1.0)
    assert judge(play(replace(QUIET, phase=cases.HOLDING, within=0.6, fault="board slow 5"))).lost_n < 1.0
