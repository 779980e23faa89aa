"""Proving the clamp, on whole pulls: nothing is let off an open or slipping clamp, and a good one is let off.

Fact behind it: easing cannot tell an open clamp from a closed one until much of the force is gone: friction reverses
(capstan, both directions); a forgotten clamp then loses the string's tension (common practice, no source).
"""

from __future__ import annotations

import pytest
from evenbed.head import states as st
from evenbed.head.types import Pull
from evenbed_sim import presets
from evenbed_sim.rig import Rig
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer

REFERENCE_N = 220.0
MAINS = (presets.GUT, presets.NYLON, presets.POLYESTER, presets.ARAMID)


def proved(preset: presets.StringPreset, habits: Habits) -> tuple[VirtualRun, Stringer]:
    """One main, pulled and proved; ends when it is let off or a question is asked."""
    strand = Strand(presets.main(preset, previous_mm=300.0, previous_tension_n=0.75 * REFERENCE_N))
    rig = Rig(strand, seed=3)
    stringer = Stringer(rig, habits, seed=3)
    run = VirtualRun(rig, 1.1 * REFERENCE_N)

    def plan(_now_s: float) -> None:
        head = run.loop.head
        if head is not None and head.pull is None:
            head.plan(Pull(REFERENCE_N, family=preset.family))

    run.on_line = plan
    assert run.run(40.0, lambda: stringer.done > 0 or bool(run.loop.head and run.loop.head.question))
    return run, stringer


@pytest.mark.parametrize("preset", MAINS, ids=lambda p: p.family)
def test_nothing_is_let_off_a_forgotten_clamp(preset: presets.StringPreset) -> None:
    run, stringer = proved(preset, Habits(forgets_clamp=True))
    head = run.loop.head
    assert head is not None and head.record is not None
    assert head.question == head.record.proof == "open"
    run.run(run.rig.t_us * 1e-6 + 3.0)
    assert head.state == st.PROVING_CLAMP and stringer.done == 0
    assert run.rig.force_n > 0.9 * REFERENCE_N


# Jaws that hold a part of the load and no more let the rest go once the head does (common practice, no source).
@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7])
@pytest.mark.parametrize("preset", MAINS, ids=lambda p: p.family)
def test_a_slipping_clamp_is_noticed_before_its_tension_is_gone(preset: presets.StringPreset, share: float) -> None:
    held, _ = proved(preset, Habits())
    good_n = held.rig.plant.bed_tension_n()
    run, stringer = proved(preset, Habits(clamp_slips_above_n=share * REFERENCE_N))
    head = run.loop.head
    assert head is not None and head.question == "slips" and stringer.done == 0
    assert run.rig.plant.bed_tension_n() > 0.95 * good_n


@pytest.mark.parametrize("preset", MAINS, ids=lambda p: p.family)
def test_a_good_clamp_is_left_in_peace(preset: presets.StringPreset) -> None:
    run, stringer = proved(preset, Habits())
    head = run.loop.head
    assert head is not None and head.question == "" and stringer.done == 1
