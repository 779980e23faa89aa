"""Load on the frame, against the simulated bed without its memory: another program for the same springs."""

from __future__ import annotations

import pytest
from evenbed.job import load
from evenbed.job.load import Bed
from evenbed.job.plan import make_plan
from evenbed.racquet.model import Racquet, StringName
from evenbed_sim.bed import FrameParams, StringBed
from evenbed_sim.viscoelastic import PronySeries
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_racquets import racquet, racquets

# Frames and strings with which none goes slack: there the springs of the two programs would part.
pulls = st.lists(st.tuples(st.booleans(), st.floats(100.0, 300.0), st.floats(1.0, 30.0)), min_size=1, max_size=8)


@settings(deadline=None, max_examples=50)
@given(pulls, st.floats(1e-4, 1e-3), st.floats(0.0, 1.0))
def test_the_frame_gives_as_in_the_simulated_bed(
    strings: list[tuple[bool, float, float]], give: float, coupling: float
) -> None:
    ours = Bed(give, give * coupling)
    theirs = StringBed(PronySeries(1.0, (), ()), FrameParams(give, give, give * coupling))
    for i, (main, force, k) in enumerate(strings):
        ours.draw(StringName("main" if main else "cross", i + 1), force, k)
        theirs.add("main" if main else "cross", force, k, 0.0)
    assert list(ours.forces_n().values()) == pytest.approx(theirs.tensions_at(0.0), rel=1e-9)


def test_drawn_anew() -> None:
    ours, theirs = Bed(), StringBed(PronySeries(1.0, (), ()), FrameParams(6e-4, 6e-4, 3e-4))
    for number, force in ((1, 110.0), (2, 220.0)):
        ours.draw(StringName("cross", number), force, 20.0)
        theirs.add("cross", force, 20.0, 0.0)
    ours.draw(StringName("cross", 1), 225.0, 20.0)
    theirs.pull_directly(0, 225.0, 0.0)
    forces = ours.forces_n()
    assert [forces[StringName("cross", n)] for n in (1, 2)] == pytest.approx(theirs.tensions_at(0.0), rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(racquets())
def test_a_planned_order_is_never_lopsided(r: Racquet) -> None:
    # Common practice, no source: left against right is what matters while only mains are in.
    plan = make_plan(r)
    for now in plan.loads:
        assert abs(now.left_n - now.right_n) <= now.balance_limit_n * (1.0 + 1e-9)
        assert now.along_n == pytest.approx(now.left_n + now.right_n)
        assert load.remark(now, now) == ""
    assert all(now.across_n == 0.0 for now in plan.loads[: r.mains]) and plan.loads[-1].across_n > 0.0


def test_what_is_unusual_is_said() -> None:
    plan = make_plan(racquet())
    after_mains = plan.loads[15]
    names = [StringName("main", n, "left") for n in range(1, 6)]
    one_sided = load.of_forces(plan.racquet, dict.fromkeys(names, 220.0))
    assert "mains on the left pull 112.17 kgf more" in load.remark(after_mains, one_sided, "kgf")
    tight = load.of_forces(plan.racquet, {p.name: 280.0 for p in plan.pulls[:16]})
    assert "Along the length the frame carries 4480.0 N" in load.remark(after_mains, tight)
