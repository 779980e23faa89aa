"""The session's ceiling: the lowest of frame, plan, rig and person; typing errors are caught by it."""

from __future__ import annotations

import pytest
from evenbed.job.ceiling import SPORTS, TOPS_N, CeilingError, Frame, Planned, session_ceiling
from evenbed.units import N_PER_KGF, N_PER_LBF
from hypothesis import given
from hypothesis import strategies as some

KGF, LBF = N_PER_KGF, N_PER_LBF  # exact: NIST SP 811, App. B
TENNIS = Frame("tennis", 27.0 * KGF)  # invented frame
BADMINTON = Frame("badminton", 13.0 * KGF)


def test_the_lowest_bound_decides() -> None:
    plan = [Planned(24.0 * KGF, label="main 1", family="nylon"), Planned(23.0 * KGF, label="cross 1", family="nylon")]
    by_plan = session_ceiling(plan, TENNIS)
    assert by_plan.force_n == pytest.approx(24.0 * KGF + 25.0) and "main 1" in by_plan.why
    # A stiffer string rises more under the same hand: the lower reference may need the higher ceiling.
    hybrid = session_ceiling([plan[0], Planned(23.5 * KGF, label="cross 1", family="polyester")], TENNIS)
    assert hybrid.force_n == pytest.approx(23.5 * KGF + 42.0) and "cross 1" in hybrid.why
    by_frame = session_ceiling([Planned(26.0 * KGF, family="polyester")], TENNIS)
    assert by_frame.force_n == pytest.approx(27.0 * 1.1 * KGF) and "frame" in by_frame.why
    by_rig = session_ceiling(plan, TENNIS, limit_n=24.6 * KGF)
    assert by_rig.force_n == pytest.approx(24.6 * KGF) and "rig" in by_rig.why
    by_person = session_ceiling(plan, TENNIS, asked_n=24.8 * KGF)
    assert by_person.force_n == pytest.approx(24.8 * KGF)
    # Nobody asks for more than the frame takes.
    assert session_ceiling(plan, TENNIS, asked_n=40.0 * KGF).force_n == pytest.approx(27.0 * 1.1 * KGF)


def test_a_tennis_tension_on_a_badminton_frame_is_refused() -> None:
    # 24 kgf is a usual tension for tennis, more than twice one for badminton (common practice, no source).
    for frame in (BADMINTON, Frame("badminton")):
        with pytest.raises(CeilingError, match=r"24\.00 kgf \(235 N\) for main 1"):
            session_ceiling([Planned(24.0 * KGF, label="main 1")], frame, unit="kgf")
    assert session_ceiling([Planned(11.0 * KGF)], BADMINTON).force_n <= 13.0 * 1.1 * KGF


def test_kilograms_typed_for_pounds_are_refused_and_the_pounds_named() -> None:
    # 50 lbf = 222.4 N and 50 kgf = 490.3 N, by the exact factors.
    for frame in (TENNIS, Frame("tennis"), None):
        with pytest.raises(CeilingError, match=r"50 lbf would be 222 N"):
            session_ceiling([Planned(50.0 * KGF)], frame, unit="kgf")
    assert session_ceiling([Planned(50.0 * LBF)], TENNIS, unit="lbf").force_n == pytest.approx(50.0 * LBF + 42.0)


def test_pre_stretch_counts() -> None:
    with pytest.raises(CeilingError, match="pre-stretch"):
        session_ceiling([Planned(26.0 * KGF, 0.13)], TENNIS)


def test_what_is_nothing_is_refused() -> None:
    with pytest.raises(CeilingError, match="30 N"):
        session_ceiling([Planned(29.9)])
    with pytest.raises(ValueError, match="at least one"):
        session_ceiling([])
    with pytest.raises(ValueError, match="tennis"):
        session_ceiling([Planned(200.0)], Frame("croquet"))


@given(
    plan=some.lists(some.tuples(some.floats(31.0, 320.0), some.floats(0.0, 0.15)), min_size=1, max_size=6),
    sport=some.sampled_from([None, *SPORTS]),
    most_n=some.none() | some.floats(60.0, 330.0),
    limit_n=some.none() | some.floats(100.0, 400.0),
    asked_n=some.none() | some.floats(30.0, 500.0),
)
def test_a_ceiling_is_above_every_pull_and_below_every_bound(
    plan: list[tuple[float, float]],
    sport: str | None,
    most_n: float | None,
    limit_n: float | None,
    asked_n: float | None,
) -> None:
    pulls = [Planned(n, above) for n, above in plan]
    try:
        ceiling = session_ceiling(pulls, Frame(sport, most_n), limit_n, asked_n)
    except CeilingError:
        return
    top = max(p.top_n for p in pulls)
    assert ceiling.force_n >= 1.02 * top * (1.0 - 1e-12)
    for bound in (limit_n, asked_n, most_n and most_n * 1.1, sport and TOPS_N[sport] * 1.1):
        assert bound is None or most_n is not None or ceiling.force_n <= bound * (1.0 + 1e-12)
    if most_n is not None:
        assert max(p.reference_n for p in pulls) <= most_n and ceiling.force_n <= most_n * 1.1 * (1.0 + 1e-12)
