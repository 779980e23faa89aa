"""Power screws against published examples."""

from __future__ import annotations

import math

import pytest
from evenbed.design.screws import Drive, Thread, collar_nm, efficiency, root_mm
from evenbed.rig.tables import Screw
from hypothesis import given, settings
from hypothesis import strategies as st

N_PER_LBF, MM_PER_IN = 4.4482216152605, 25.4


def test_shigleys_example() -> None:
    """Shigley's Mechanical Engineering Design, Example 8-1 (from memory, recomputed): square thread, d 32 mm, pitch 4 mm,
    double, f = fc = 0.08, collar 40 mm, 6.4 kN."""
    screw = Screw("square", 32.0, 4.0, 2, friction=0.08, friction_least=0.08, collar_friction=0.08, collar_diameter_mm=40.0)
    drive = Drive(screw)
    assert drive.thread is not None
    assert (drive.thread.mean_mm, drive.lead_mm, root_mm(screw)) == (30.0, 8.0, 28.0)
    assert drive.thread.draw_nm(6400.0, 0.08) == pytest.approx(15.94, abs=5e-3)
    assert collar_nm(6400.0, 0.08, 40.0) == pytest.approx(10.24, abs=5e-3)
    assert drive.draw_nm(6400.0) == pytest.approx(26.18, abs=5e-3)
    assert drive.thread.let_down_nm(6400.0, 0.08) == pytest.approx(-0.466, abs=5e-4)
    assert drive.let_down_nm(6400.0) == pytest.approx(9.77, abs=5e-3)
    assert drive.efficiency() == pytest.approx(0.311, abs=5e-4)
    assert efficiency(6400.0, 8.0, drive.thread.draw_nm(6400.0, 0.08)) == pytest.approx(0.511, abs=5e-4)
    # pi f dm = 7.54 mm is less than the lead of 8 mm: the thread alone does not hold.
    assert drive.locking() == pytest.approx(7.54 / 8.0, abs=5e-4)
    assert drive.back_nm(6400.0) == pytest.approx(0.466, abs=5e-4)


def test_an_acme_screw() -> None:
    """Mott, Machine Elements in Mechanical Design, 4th ed., Example Problem 17-1 (read): 12 500 lb on an Acme screw, four
    threads an inch, mean diameter 1.3429 in, f = 0.15: lead angle 3.39 degrees, 1809 lb in to raise. The figures printed
    there, 12500 x 1.3429 / 2 x (0.968 x 0.0592 + 0.15) / (0.968 - 0.15 x 0.0592), give 1814."""
    thread = Thread(1.3429 * MM_PER_IN, 0.25 * MM_PER_IN, 14.5)
    assert math.degrees(math.atan2(thread.lead_mm, math.pi * thread.mean_mm)) == pytest.approx(3.39, abs=5e-3)
    lbf_in = N_PER_LBF * MM_PER_IN / 1000.0
    assert thread.draw_nm(12500.0 * N_PER_LBF, 0.15) / lbf_in == pytest.approx(1809.0, rel=0.004)


def test_a_drive_of_stated_efficiency() -> None:
    """A textbook's example of e = F l / (2 pi T) (read): 20 kN, lead 10 mm, e = 0.7 needs 45.5 N m."""
    drive = Drive(Screw("ball", 25.0, 10.0, efficiency=0.7, collar_friction=0.0))
    assert drive.draw_nm(20000.0) == pytest.approx(45.5, abs=0.05)
    assert drive.efficiency() == pytest.approx(0.7)


def test_a_ball_screw_always_turns_back() -> None:
    """A ball screw never locks (textbooks); 300 N on 5 mm, eta' 0.9: 0.215 N m (derived)."""
    drive = Drive(Screw("ball", 12.0, 5.0, back_efficiency=0.9))
    assert drive.locking() == 0.0
    assert drive.back_nm(300.0) == pytest.approx(0.214859, rel=1e-5)


def test_trapezoidal_screws_of_a_rig() -> None:
    """Tr 8 at 300 N, f = 0.15, no collar (derived with f sec 15 deg): lead 2 locks, lead 8 drives back."""
    single = Drive(Screw("trapezoidal", 8.0, 2.0, friction=0.15, friction_least=0.15, collar_friction=0.0))
    assert single.draw_nm(300.0) == pytest.approx(0.262253, rel=1e-5)
    assert single.let_down_nm(300.0) == pytest.approx(0.066622, rel=1e-5)
    assert single.efficiency() == pytest.approx(0.3641, abs=5e-5)
    assert single.back_nm(300.0) == 0.0
    four = Drive(Screw("trapezoidal", 8.0, 2.0, 4, friction=0.15, friction_least=0.15, collar_friction=0.0))
    assert four.draw_nm(300.0) == pytest.approx(0.577661, rel=1e-5)
    assert four.let_down_nm(300.0) == pytest.approx(-0.207210, rel=1e-5)
    assert four.back_nm(300.0) == pytest.approx(0.207210, rel=1e-5)
    assert four.locking() < 1.0 < single.locking()


@pytest.mark.parametrize(
    ("diameter", "pitch", "core"), [(8, 1.5, 6.2), (10, 2, 7.5), (12, 3, 8.5), (20, 4, 15.5), (40, 7, 32)]
)
def test_core_of_trapezoidal_screws(diameter: float, pitch: float, core: float) -> None:
    """Core diameters d3 of ISO metric trapezoidal screws, as tables of ISO 2904 give them (from memory)."""
    assert root_mm(Screw("trapezoidal", diameter, pitch)) == pytest.approx(core)


THREADS = st.builds(Thread, st.floats(3.0, 50.0), st.floats(0.5, 60.0), st.sampled_from((0.0, 14.5, 15.0)))
FRICTION = st.floats(0.0, 0.6)


@settings(max_examples=50)
@given(THREADS, FRICTION, FRICTION)
def test_more_friction_never_helps_a_draw(thread: Thread, one: float, other: float) -> None:
    less, more = sorted((one, other))
    easy, hard = thread.draw_nm(100.0, less), thread.draw_nm(100.0, more)
    assert hard >= easy * (1.0 - 1e-12)
    assert efficiency(100.0, thread.lead_mm, hard) <= efficiency(100.0, thread.lead_mm, easy) * (1.0 + 1e-12)
    assert thread.let_down_nm(100.0, more) >= thread.let_down_nm(100.0, less) - 1e-12


@settings(max_examples=50)
@given(THREADS, FRICTION)
def test_it_locks_just_where_letting_down_takes_torque(thread: Thread, friction: float) -> None:
    """Shigley ch. 8-2: self-locking is a lowering torque above zero, pi f dm > l."""
    ratio = thread.locking(friction)
    if abs(ratio - 1.0) > 1e-9:
        assert (ratio > 1.0) == (thread.let_down_nm(100.0, friction) > 0.0)
    # A thread that locks wastes more than half of the work (textbooks).
    torque = thread.draw_nm(100.0, friction)
    if ratio >= 1.0:
        assert efficiency(100.0, thread.lead_mm, torque) <= 0.5 + 1e-9


@settings(max_examples=50)
@given(THREADS)
def test_without_friction_the_work_is_kept(thread: Thread) -> None:
    assert thread.draw_nm(100.0, 0.0) == pytest.approx(100.0 * thread.lead_mm / 2000.0 / math.pi)
    assert thread.let_down_nm(100.0, 0.0) == pytest.approx(-thread.draw_nm(100.0, 0.0))
