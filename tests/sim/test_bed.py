"""The filling bed: springs in closed form, an independent integrator, and the loss a whole racquet shows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from evenbed_sim import presets
from evenbed_sim.bed import FrameParams, StringBed
from evenbed_sim.presets import BADMINTON_NYLON, GUT, NYLON, POLYESTER, StringPreset
from evenbed_sim.strand import Strand, StrandParams
from evenbed_sim.viscoelastic import PronySeries, log_law_series
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

ELASTIC = PronySeries(1.0, (), ())
RIGID = FrameParams(0.0, 0.0, 0.0)
LENGTHWISE = FrameParams(5e-4, 0.0, 0.0)


def test_a_new_main_slackens_the_earlier_ones() -> None:
    # Elastic: with n mains in, a new one at T adds dS = T / (1 + (n+1) k c) to their sum S, and each loses k c dS.
    bed = StringBed(ELASTIC, LENGTHWISE)
    k, c, pulled = 11.0, 5e-4, 240.0
    expected: list[float] = []
    for n in range(8):
        bed.add("main", pulled, k, 30.0 * n)
        added = pulled / (1.0 + (n + 1) * k * c)
        expected = [t - k * c * added for t in [*expected, pulled]]
        assert bed.tensions_at(30.0 * n) == pytest.approx(expected, rel=1e-12)
    assert expected == sorted(expected)
    assert bed.previous_tension(300.0) == pytest.approx(expected[-1])


def test_crosses_tighten_mains_and_slacken_each_other() -> None:
    frame = FrameParams()
    bed = StringBed(ELASTIC, frame)
    for n in range(4):
        bed.add("main", 240.0, 11.0, float(n))
    before = bed.tensions_at(3.0)
    bed.add("cross", 220.0, 14.0, 4.0)
    one = bed.tensions_at(4.0)
    assert all(b > a for a, b in zip(before, one, strict=False))
    bed.add("cross", 220.0, 14.0, 5.0)
    two = bed.tensions_at(5.0)
    assert two[4] < one[4]
    # The frame is where its springs say: each string has lost k times the frame's change since it came in. The
    # first main came into an unloaded frame and gave it its whole tension.
    mains, crosses = sum(two[:4]), sum(two[4:])
    shorter = frame.length_mm_per_n * mains - frame.coupling_mm_per_n * crosses
    assert two[0] == pytest.approx(240.0 - 11.0 * shorter, rel=1e-12)


def test_a_string_alone_follows_the_log_law() -> None:
    # F(t) = F1 [1 - s log10(t/1 s)] with s = 5 %: 0.9111, 0.8611, 0.8222 of the 1 s force after 1 min, 10 min, 1 h
    # (derived). Measured from the pull, as a difference, because the string had been held 3 s before; twice the
    # ripple of equal arms, 0.0181 s, and 0.005 s for the ladder's end at 1e5 s.
    bed = StringBed(log_law_series(0.05), RIGID, held_s=3.0)
    bed.add("main", 250.0, 11.0, 0.0)
    f_10, f_1h, f_1min = (bed.previous_tension(t - 3.25) for t in (600.0, 3600.0, 60.0))
    one = 250.0 / (1.0 - 0.05 * math.log10(3.25))
    for force, left in ((f_1min, 0.9111), (f_10, 0.8611), (f_1h, 0.8222)):
        assert force / one == pytest.approx(left, abs=0.05 * (2 * 0.0181 + 0.005))


def test_relaxing_bed_against_an_integrator() -> None:
    """Two mains and a cross on a giving frame; scipy's solve_ivp for the same equations."""
    series = log_law_series(0.08, 1.4)
    frame = FrameParams(9e-3, 8e-3, 4e-3)
    pulls = [(0, 240.0, 12.0, 0.0), (0, 230.0, 11.0, 20.0), (1, 220.0, 15.0, 45.0)]
    compliance = np.array([[9e-3, -4e-3], [-4e-3, 8e-3]])
    taus, weights = np.array(series.time_constants_s), np.array(series.weights)
    bed = StringBed(series, frame, held_s=2.0)
    rows: list[np.ndarray] = []  # measure, then arms, per string
    kinds: list[int] = []
    ks: list[float] = []
    old = np.zeros(2)

    def sums(tensions: np.ndarray) -> np.ndarray:
        return np.array([float(tensions[np.array(kinds) == direction].sum()) for direction in (0, 1)])

    def tensions(y: np.ndarray) -> np.ndarray:
        y = y.reshape(len(kinds), -1)
        return np.asarray(np.array(ks) * (series.equilibrium * y[:, 0] + y[:, 1:].sum(axis=1)))

    def stiff() -> np.ndarray:
        return np.diag(sums(np.array(ks)) * series.instantaneous)

    def slope(_t: float, flat: np.ndarray) -> np.ndarray:
        y = flat.reshape(len(kinds), -1)
        k = np.array(ks)
        fade = -k * (y[:, 1:] / taus).sum(axis=1)
        # S' = fade - K G0 C S' for each direction
        rate = np.linalg.solve(np.eye(2) + stiff() @ compliance, sums(fade))
        change = -(compliance @ rate)[kinds]
        return np.column_stack((change, -y[:, 1:] / taus + weights * change[:, None])).ravel()

    def integrated(start: float, end: float, rows: list[np.ndarray]) -> np.ndarray:
        run = solve_ivp(slope, (start, end), np.array(rows).ravel(), method="LSODA", rtol=1e-8, atol=1e-10)
        return np.asarray(run.y[:, -1])

    now = 0.0
    for kind, pulled, k, when in pulls:
        if rows:
            flat = integrated(now, when, rows)
            rows = list(flat.reshape(len(kinds), -1))
            old = sums(tensions(flat))
        arms = weights * taus / 0.5 * (1.0 - np.exp(-0.5 / taus)) * np.exp(-2.0 / taus)
        measure = pulled / (k * (series.equilibrium + arms.sum()))
        rows.append(np.concatenate(([measure], arms * measure)))
        kinds.append(kind)
        ks.append(k)
        now = when
        y = np.array(rows)
        rise = np.linalg.solve(np.eye(2) + stiff() @ compliance, sums(tensions(y.ravel())) - old)
        change = -(compliance @ rise)[kinds]
        rows = list(np.column_stack((y[:, 0] + change, y[:, 1:] + weights * change[:, None])))
        bed.add("cross" if kind else "main", pulled, k, when)
        assert bed.tensions_at(when) == pytest.approx(list(tensions(np.array(rows).ravel())), rel=2e-5)
    flat = integrated(now, 2000.0, rows)
    assert bed.tensions_at(2000.0) == pytest.approx(list(tensions(flat)), rel=2e-5)


def test_asking_changes_nothing() -> None:
    beds = [StringBed(log_law_series(0.05, 1.35)) for _ in range(2)]
    for n in range(5):
        for bed in beds:
            bed.add("main", 240.0, 11.0, 30.0 * n)
        for later in (0.0, 3.0, 29.0, 1000.0):
            beds[0].tensions_at(30.0 * n + later)
    assert beds[0].tensions_at(500.0) == beds[1].tensions_at(500.0)


def test_a_cross_pulled_through_its_neighbour() -> None:
    # Common practice, no source: about half of the reference until it is pulled directly. exp(-0.2 pi): the capstan
    # check 1.874 456 the other way.
    bed = StringBed(log_law_series(NYLON.loss_per_decade, NYLON.fast_ratio), RIGID)
    turn = NYLON.mu_grommet * math.pi
    first = bed.add("cross", 240.0, 14.0, 0.0, turn=turn)
    bed.add("cross", 240.0, 14.0, 0.0)
    through, direct = bed.tensions_at(0.0)
    assert through / direct == pytest.approx(1.0 / 1.874456, rel=1e-6)
    assert 0.4 < through / direct < 0.6
    bed.pull_directly(first, 240.0, 60.0)
    anew, since = bed.tensions_at(60.0)
    assert anew == pytest.approx(240.0)
    assert since < direct


@settings(deadline=None)
@given(
    pulls=st.lists(
        st.tuples(st.sampled_from(["main", "cross"]), st.floats(0.0, 400.0), st.floats(0.5, 100.0), st.floats(0.0, 1e4)),
        min_size=1,
        max_size=8,
    ),
    frame=st.builds(FrameParams, st.floats(1e-4, 0.05), st.floats(1e-4, 0.05), st.just(1e-4)),
)
def test_no_string_pushes(pulls: list[tuple[str, float, float, float]], frame: FrameParams) -> None:
    bed = StringBed(log_law_series(0.08, 1.4), frame)
    now = 0.0
    for kind, tension, k, wait in pulls:
        bed.add("cross" if kind == "cross" else "main", tension, k, now)
        now += wait
        assert all(0.0 <= t < 1e4 for t in bed.tensions_at(now))


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="semidefinite"):
        FrameParams(1e-4, 1e-4, 2e-4)
    bed = StringBed(ELASTIC)
    bed.add("main", 200.0, 10.0, 5.0)
    with pytest.raises(ValueError, match="cannot take the bed"):
        bed.tensions_at(4.0)
    with pytest.raises(ValueError, match="negative"):
        bed.add("main", -1.0, 10.0, 6.0)
    with pytest.raises(ValueError, match="positive"):
        bed.add("main", 1.0, 0.0, 6.0)


def delivered_n(params: StrandParams, reference_n: float, straightened: bool) -> float:
    """Mean tension inside the frame after a pull, 3 s of hold, clamp and let-off."""
    strand = Strand(replace(params, slack_mm=0.0))
    while strand.force_n < reference_n:
        strand.advance(0.002, 0.08)
    if straightened:
        strand.add_path(1.0, 0.3)
        strand.add_path(-1.0, 0.3)
    for _ in range(750):
        strand.advance(0.004, 0.5 * (reference_n - strand.force_n) / strand.stiffness_n_per_mm())
    strand.close_clamp()
    while strand.force_n > 0.0:
        strand.advance(0.004, -0.08)
    inside = strand.tensions_n()[:-1]
    return sum(inside) / len(inside)


@pytest.mark.parametrize("family", [GUT, NYLON, POLYESTER, BADMINTON_NYLON], ids=lambda f: f.family)
@pytest.mark.parametrize("straightened", [False, True])
def test_a_strung_racquet_has_lost_about_thirty_per_cent(family: StringPreset, straightened: bool) -> None:
    # "Immediately after stringing typically about 30 % lower than the pull tension", from stress relaxation, frame
    # distortion and string friction: Cross & Bower, Sports Engineering 4 (2001) 165, abstract. Band 20-40 %.
    reference_n = 105.0 if family is BADMINTON_NYLON else 240.0
    main_n = delivered_n(presets.main(family), reference_n, False)
    cross_n = delivered_n(presets.cross(family), reference_n, straightened)
    bed = StringBed(log_law_series(family.loss_per_decade, family.fast_ratio))
    now = 0.0
    for n in range(16 + 19):
        if n < 16:
            bed.add("main", main_n, family.ea_n / 330.0, now)
            now += 30.0
        else:
            bed.add("cross", cross_n, family.ea_n / 250.0, now)
            now += 45.0
    after = bed.tensions_at(now + 300.0)
    loss = 1.0 - sum(after) / len(after) / reference_n
    assert 0.20 <= loss <= 0.40
