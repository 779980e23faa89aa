"""A string pulled once more begins at its old clamp: only the stub is drawn, and the proof goes by the whole strand.

Springs in a row (Hooke's law): the piece between clamp and gripper is as much stiffer than the whole strand as it is
shorter.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenbed.head import states as st
from evenbed.head.record import PullRecord
from evenbed.head.types import Pull
from evenbed_sim import presets
from evenbed_sim.strand import Strand
from handled_rig import HandledRig

REFERENCE_N, K_N_MM = 220.0, 8.0
INSIDE_MM, STUB_MM = 300.0, 100.0
OPENS = 0.0  # N: jaws that slip above nothing


def strand(inside_mm: float = INSIDE_MM) -> Strand:
    """An elastic strand of K_N_MM at the gripper, the rig's own give included. ``inside_mm``: so much of it in the bed."""
    made = presets.steel_tether(K_N_MM, 5.0)
    whole = inside_mm + STUB_MM
    return Strand(replace(made, ea_n=made.ea_n / made.free_mm * whole, inside_mm=(inside_mm,), outer_mm=STUB_MM))


def held_once_more(told: float | None, woven: bool = False) -> tuple[HandledRig, float]:
    """Pulled, clamped, let off, and drawn again from its clamp; then that is opened, and the whole strand hangs on the
    head. ``told``: how much of the stiffness that the first pull has shown the second is told, None for nothing. That
    stiffness, N/mm, is the other thing returned. A woven one is straightened, and half of it lies in the bed."""
    r = HandledRig(Pull(REFERENCE_N, family="unknown", woven=woven), strand(STUB_MM if woven else INSIDE_MM)).draw()
    k = recorded(r).stiffness_n_mm
    assert k is not None and k == pytest.approx(K_N_MM, rel=0.05)
    r.wait(2.0)
    r.rig.plant.close_clamp()
    r.tap()
    assert r.until("slack", 10.0), r.host.events
    assert recorded(r).ended == "let off"
    r.head.plan(Pull(REFERENCE_N, family="unknown", stiffness_n_mm=k * told if told else None, woven=woven))
    r.wait(0.8)
    r.tap()
    assert r.until("holding", 5.0), r.host.events
    r.rig.plant.close_clamp(OPENS)
    r.wait(1.0)
    for way_mm in (1.5, -1.5) if woven else ():
        r.rig.plant.add_path(way_mm, 0.3)
        r.wait(0.3)
    r.wait(4.0)
    assert r.rig.force_n == pytest.approx(REFERENCE_N, rel=0.02)
    return r, k


def recorded(r: HandledRig) -> PullRecord:
    record = r.head.record
    assert record is not None
    return record


def answered(r: HandledRig) -> str:
    """The verdict on the clamp, once there is one."""
    r.tap()
    assert r.until(lambda: bool(r.head.question) or r.state == "slack", 10.0), r.host.events
    return r.head.question or recorded(r).ended


def test_with_the_stiffness_of_its_first_draw_a_good_clamp_is_let_off_and_the_record_keeps_it() -> None:
    r, k = held_once_more(1.0)
    r.rig.plant.close_clamp()
    assert answered(r) == "let off"
    assert recorded(r).stiffness_n_mm == k
    assert r.rig.plant.bed_tension_n() > 0.9 * REFERENCE_N


@pytest.mark.parametrize("woven", [False, True])
@pytest.mark.parametrize("told", [0.4, 0.5, 0.62, 0.85])
def test_an_open_clamp_is_not_let_off_by_a_strand_that_is_told_too_soft(told: float, woven: bool) -> None:
    """As a clamp that slipped in the first draw makes it look."""
    r, k = held_once_more(told, woven)
    assert answered(r) == "open" and r.rig.force_n > 0.9 * REFERENCE_N
    known = recorded(r).stiffness_n_mm
    assert known is not None and known > 0.5 * k


@pytest.mark.parametrize("woven", [False, True])
@pytest.mark.parametrize("told", [1.3, 2.0])
def test_a_good_clamp_is_let_off_by_a_strand_that_is_told_too_stiff(told: float, woven: bool) -> None:
    """As one looks that was caught on something in its first draw."""
    r, _ = held_once_more(told, woven)
    r.rig.plant.close_clamp()
    assert answered(r) == "let off" and r.rig.plant.bed_tension_n() > 0.9 * REFERENCE_N


def test_without_it_the_same_clamp_would_look_open() -> None:
    r, k = held_once_more(None)
    stub = recorded(r).stiffness_n_mm
    assert stub is not None and stub > 2.0 * k
    r.rig.plant.close_clamp()
    assert answered(r) == "open"


def test_nothing_is_let_off_a_clamp_that_was_not_set_again() -> None:
    r, _ = held_once_more(1.0)
    assert answered(r) == "open"
    r.wait(2.0)
    assert r.state == st.PROVING_CLAMP and r.rig.force_n > 0.9 * REFERENCE_N


@pytest.mark.parametrize(
    ("set_after_s", "ends", "proof"),
    [(0.0, "let off", "not yet judged"), (3.0, "let off", "holds"), (None, "open", "open")],
)
def test_a_first_look_that_finds_the_clamp_set_already_says_nothing_of_an_open_strand(
    set_after_s: float | None, ends: str, proof: str
) -> None:
    """A clamp set as the straightening ends, before that is looked at, is a good one all the same. Half of the strand lies
    in the bed: by the draw alone open and closed can hardly be told apart, and the first look decides."""
    r = HandledRig(Pull(REFERENCE_N, family="unknown", woven=True), strand(STUB_MM)).draw()
    r.wait(1.0)
    for way_mm in (1.5, -1.5):
        r.rig.plant.add_path(way_mm, 0.3)
        r.wait(0.3)
    assert r.until(lambda: bool(r.told("disturbance")), 5.0)
    if set_after_s is not None:
        r.wait(set_after_s)
        r.rig.plant.close_clamp()
    r.wait(4.0)
    assert answered(r) == ends and recorded(r).proof == proof


@pytest.mark.parametrize("told", [5.0, 9.0, 16.0])
def test_the_looks_at_a_cross_come_to_an_end_and_so_does_the_waiting(told: float) -> None:
    cross = Strand(presets.cross(presets.NYLON, 400.0))
    r = HandledRig(Pull(REFERENCE_N, family="nylon", stiffness_n_mm=told, woven=True), cross).draw()
    for way_mm in (1.5, -2.5):
        r.rig.plant.add_path(way_mm, 0.4)
        r.wait(0.5)
    assert r.until(lambda: r.head.word == "clamp", 12.0), r.host.events
