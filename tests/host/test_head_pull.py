"""Whole pulls through the wire: how they go, how they end, and what must not move."""

from __future__ import annotations

from dataclasses import fields
from functools import cache

import pytest
from evenbed.head import states as st
from evenbed.head.record import PullRecord
from evenbed.head.types import Ask, Fresh, Pull
from evenbed_fw import safety
from evenbed_sim import presets
from evenbed_sim.carriage import OVERTRAVEL_MM, CarriageParams
from evenbed_sim.rig import RigParams
from evenbed_sim.stringer import Habits
from handled_rig import UNLOADED_N, HandledRig, cross_strand, main_strand, tether
from reaching import FAR_SLACK_MM, in_state

MAINS = list(presets.FAMILIES)
CROSSES = [p for p in presets.FAMILIES if p is not presets.BADMINTON_NYLON]
BAND = 0.005  # settled: within +-0.5 % of the reference
AFTER_S = 0.3  # from settling, and after straightening has ended


def reference(preset: presets.StringPreset) -> float:
    return 105.0 if preset is presets.BADMINTON_NYLON else 230.0


@cache
def pulled(preset: presets.StringPreset, woven: bool, seed: int = 1) -> HandledRig:
    """One whole pull by the simulated stringer, made once for all tests that only look at it."""
    plant = cross_strand(preset) if woven else main_strand(preset)
    pull = Pull(reference(preset), family=preset.family, woven=woven)
    r = HandledRig(pull, plant, seed=seed, habits=Habits(straighten=woven, wait_s=4.5 if woven else 2.5))
    stringer = r.stringer
    assert stringer is not None
    assert r.until(lambda: stringer.done > 0, 40.0), r.host.events
    r.wait(2.0)
    return r


def check_record(record: PullRecord, ceiling_n: float) -> None:
    assert record.ended == "let off"
    assert record.proof in ("holds", "not yet judged")
    missing = [f.name for f in fields(record) if getattr(record, f.name) is None]
    assert missing == ["calibration", "expanded_n"]  # these rigs are not calibrated
    assert (
        0.0
        < (record.contact_s or 0.0)
        < (record.reached_s or 0.0)
        < (record.steady_s or 0.0)
        < (record.clamped_s or 0.0)
        < (record.done_s or 0.0)
    )
    assert record.ceiling_n == pytest.approx(ceiling_n, abs=0.01)
    # Nothing went wrong: it is the highest force, in the look at the clamp, that came nearest.
    top_n = max(record.peak_n, record.proof_peak_n)
    assert record.ceiling_n + 40.0 - 1.12 * top_n < record.least_margin_n <= record.ceiling_n + 40.0 - top_n + 1.0
    assert record.force_at_clamp_n == pytest.approx(record.reference_n, rel=BAND)
    assert (record.proof_ratio or 0.0) > 1.0
    assert (record.draw_length_mm or 0.0) > 2.0 and (record.take_up_mm or 0.0) > 0.0
    assert (record.creep_n_s or 0.0) > 0.0 and (record.loss_now_n or 0.0) > 0.0


def test_the_first_two_millimetres_of_a_draw_are_slow() -> None:
    # SAFETY.md section 2: 2 mm at 15 mm/s, time to take a finger away.
    r = HandledRig(Pull(150.0), tether(8.0, 40.0)).arm()
    r.tap()
    assert r.until("holding", 8.0)
    moments = r.moments
    start_mm = moments[0].carriage_mm
    pairs = [
        (a, b) for a, b in zip(moments, moments[4:], strict=False) if b.t_s - a.t_s > 0.03
    ]  # over 50 ms: steps are whole
    speeds = [(b.carriage_mm - start_mm, (b.carriage_mm - a.carriage_mm) / (b.t_s - a.t_s)) for a, b in pairs]
    first = [v for mm, v in speeds if 0.5 < mm < 1.95]
    assert len(first) >= 5 and 10.0 < max(first) < 15.5
    assert max(v for _, v in speeds) > 30.0  # it can go faster


@pytest.mark.parametrize(
    ("preset", "woven"),
    [(p, False) for p in MAINS] + [(p, True) for p in CROSSES],
    ids=lambda v: v.family if isinstance(v, presets.StringPreset) else "cross" if v else "main",
)
def test_a_whole_pull(preset: presets.StringPreset, woven: bool) -> None:
    r = pulled(preset, woven)
    record = r.head.record
    assert record is not None
    check_record(record, r.top_n)
    assert r.states == [
        "referencing",
        "slack",
        "taking_up",
        "drawing",
        "holding",
        "proving_clamp",
        "easing_off",
        "returning",
        "slack",
    ]
    assert not r.told("guard") and not r.told("proof_failed") and not r.told("refused")
    # The truth: below the ceiling always, and what was read is what was there.
    assert r.rig.plant.peak_n < r.top_n
    assert max(record.peak_n, record.proof_peak_n) == pytest.approx(r.rig.plant.peak_n, rel=0.01)
    assert woven or record.peak_n < (1.0 + BAND) * record.reference_n  # straightening pushes a cross above
    # Home: slack, at rest, where it began, and no millimetre upwards that was not asked for.
    assert r.rig.force_n == 0.0 and r.rig.board.core.state == safety.ARMED
    assert r.moments[-1].carriage_mm < 0.1
    assert r.unasked == []


@pytest.mark.parametrize(
    ("preset", "woven"),
    [(p, False) for p in MAINS] + [(p, True) for p in CROSSES],
    ids=lambda v: v.family if isinstance(v, presets.StringPreset) else "cross" if v else "main",
)
def test_the_hold_stays_within_the_band_until_the_clamp(preset: presets.StringPreset, woven: bool) -> None:
    """True force at the gripper, but for the time of the straightening itself."""
    r = pulled(preset, woven)
    log = {what: t for t, what in r.stringer.log} if r.stringer else {}
    reached = next(t for t, e in r.host.events if e.says == "holding")
    works = log.get("straightens", 1e9)
    h = Habits()
    quiet = [
        m
        for m in r.moments
        if m.state == "holding"
        and reached + AFTER_S < m.t_s < log["taps: clamped"]
        and not works < m.t_s < works + h.push_s + h.feed_s + AFTER_S
    ]
    assert len(quiet) > 150
    assert max(abs(m.force_n / reference(preset) - 1.0) for m in quiet) < BAND


def test_the_words_of_the_moment_come_in_their_order() -> None:
    assert pulled(presets.POLYESTER, False).words() == ["arm", "wait", "draw", "wait", "clamp", "wait", "let off", "draw"]
    words = pulled(presets.NYLON, True).words()
    assert words[:5] == ["arm", "wait", "draw", "wait", "straighten"]
    assert words[-4:] == ["clamp", "wait", "let off", "draw"]
    assert set(words[4:-3]) == {"straighten", "clamp"}


def test_a_second_pull_follows_the_first_and_the_clamp_is_learnt() -> None:
    r = HandledRig(Pull(220.0, family="nylon"), main_strand(), habits=Habits(wait_s=0.8))
    stringer = r.stringer
    assert stringer is not None
    for n in range(1, 6):
        assert r.until(lambda n=n: stringer.done >= n, 40.0), r.host.events  # type: ignore[misc]
        r.wait(0.3)
        r.rig.mount(main_strand())
        stringer.next_pull()
    done = [e.says for e in r.told("pull_done")]
    assert done == ["let off"] * 5
    record = r.head.record
    assert record is not None and record.proof == "holds"
    assert r.unasked == [] and r.rig.plant.peak_n < r.top_n


def test_pre_stretch_goes_over_holds_and_comes_back() -> None:
    r = HandledRig(Pull(200.0, family="nylon", over_pull=0.1, over_pull_s=2.0), main_strand())
    r.draw()
    r.wait(2.0)
    over = [m for m in r.moments if m.state == "pre_stretching"]
    assert over[-1].t_s - over[0].t_s == pytest.approx(2.0, abs=0.05)
    late = [m.force_n for m in over if m.t_s > over[-1].t_s - 1.0]
    assert max(abs(f / 220.0 - 1.0) for f in late) < BAND
    back = next(m.t_s for m in r.moments if m.state == "holding")
    held = [m.force_n for m in r.moments if m.t_s > back + 1.0]
    assert max(abs(f / 200.0 - 1.0) for f in held) < BAND
    assert r.rig.plant.peak_n < r.top_n and r.unasked == []


def test_out_of_travel_is_told_held_and_let_off() -> None:
    params = RigParams(carriage=CarriageParams(travel_mm=30.0))
    r = HandledRig(Pull(220.0, family="nylon"), main_strand(), params).draw()
    event = r.told("out_of_travel")[0]
    assert "shorter bite" in event.says and 50.0 < event.values["force_n"] < 200.0
    r.wait(1.0)
    assert r.state == st.HOLDING and not r.head.steady
    assert r.rig.carriage.mm < 30.0 + OVERTRAVEL_MM
    r.hold(1.3)
    assert r.until("slack", 6.0)
    assert r.rig.force_n == 0.0 and r.unasked == []
    assert r.rig.carriage.lost_mm == 0.0


def test_no_string_stops_asks_and_goes_back() -> None:
    r = HandledRig(Pull(220.0, slack_max_mm=60.0), tether(8.0, slack_mm=200.0))
    r.arm()
    r.tap()
    assert r.until(lambda: bool(r.told("no_string")), 5.0)
    assert "in the gripper" in r.told("no_string")[0].says
    assert r.until("slack", 5.0)
    assert 55.0 < max(m.carriage_mm for m in r.moments) < 62.0
    assert r.moments[-1].carriage_mm < 0.1
    assert r.head.record is not None and r.head.record.ended == "no string"
    # Another tap tries again.
    r.wait(1.0)
    r.rig.mount(tether(8.0, slack_mm=5.0))
    r.tap()
    assert r.until("holding", 5.0) and r.unasked == []


# --- stopping -------------------------------------------------------------------------------------------------------
def test_a_press_freezes_what_moves_and_a_tap_lets_down() -> None:
    r = in_state("drawing")
    r.press(True)
    r.wait(0.1)
    assert r.rig.board.core.state == safety.FROZEN
    r.press(False)
    assert r.until("frozen", 1.0)
    mm, force = r.rig.carriage.mm, r.rig.force_n
    r.wait(1.5)
    assert r.rig.carriage.mm == mm and force > 5.0
    assert r.told("pressed")
    r.tap()
    assert r.until("slack", 6.0)
    assert r.rig.force_n == 0.0 and r.unasked == []


def test_a_frozen_string_comes_down_by_holding_the_pedal_too() -> None:
    r = in_state("frozen")
    assert r.rig.force_n > 20.0
    assert r.let_down_by_pedal()
    r.wait(1.0)
    assert r.state == st.SLACK and r.unasked == []


LOADED = ["taking_up", "drawing", "pre_stretching", "holding", "proving_clamp", "easing_off", "returning"]


@pytest.mark.parametrize("state", LOADED)
def test_stop_freezes_every_loaded_state(state: str) -> None:
    r = in_state(state)
    r.ask(Ask.STOP)
    r.wait(0.3)
    assert r.state == st.FROZEN and r.told("stopped")
    assert r.rig.board.core.state == safety.FROZEN
    mm = r.rig.carriage.mm
    r.wait(2.0)
    assert r.rig.carriage.mm == mm
    r.tap()
    assert r.until("slack", 6.0), r.host.events
    assert r.rig.force_n == 0.0 and r.unasked == []


@pytest.mark.parametrize("state", st.STATES)
def test_let_down_may_be_asked_in_every_state(state: str) -> None:
    r = in_state(state)
    assert r.state == state
    top = r.rig.carriage.mm
    first = len(r.moments)
    r.ask(Ask.LET_DOWN)
    r.wait(6.0)
    # It never raises: at most what was on its way (60 mm/s for 40 ms and the braking from there, 2.3 mm).
    assert max(m.carriage_mm for m in r.moments[first:]) < top + 60.0 * 0.04 + 2.3
    assert r.unasked == []
    if state in (*LOADED, "frozen"):
        assert r.state == st.SLACK and r.rig.force_n == 0.0
        assert r.moments[-1].carriage_mm < FAR_SLACK_MM
    elif state == "tripped":
        assert r.state == st.TRIPPED and r.rig.force_n < UNLOADED_N and r.rig.hw.rate == 0  # down, and still to be cleared
    else:
        assert r.state in (state, "slack" if state == "referencing" else state)
        assert r.rig.carriage.mm == top


def test_a_force_is_fresh_or_it_is_none() -> None:
    r = in_state("holding")
    force = r.head.force
    assert isinstance(force, Fresh)
    assert force.force_n == pytest.approx(200.0, rel=BAND) and force.age_s < 0.05 and force.zero == "working"
    r.inject_now("cell off")
    r.wait(0.5)
    assert not isinstance(r.head.force, Fresh)


def test_a_plan_above_the_ceiling_is_refused() -> None:
    r = HandledRig(None)
    r.wait(0.5)
    for reference_n, over in ((r.top_n, 0.0), (r.top_n * 0.95, 0.1), (0.0, 0.0), (-5.0, 0.0)):
        with pytest.raises(ValueError, match=r"ceiling|reference"):
            r.head.plan(Pull(reference_n, over_pull=over))
    assert r.head.pull is None
    r.head.plan(Pull(r.top_n * 0.9))


def test_a_string_that_is_taken_back_is_let_down_by_the_pedal_and_no_tap_proves_anything() -> None:
    r = HandledRig(Pull(200.0, back=True))
    r.arm()
    r.tap()
    assert r.until(st.HOLDING, 5.0) and r.head.word == "let down"
    r.wait(1.5)
    r.tap()
    assert r.state == st.HOLDING and "is taken back" in r.told("hint")[-1].says
    r.wait(1.5)
    r.hold(1.3)
    assert r.until(st.SLACK, 8.0) and r.rig.force_n < 1.0
