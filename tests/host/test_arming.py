"""Arming is refused for each missing or implausible precondition, with its reason and what to do."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenbed.head import states as st
from evenbed.head.types import Ask, Pull
from evenbed.link.session import LinkError
from evenbed_fw import safety
from evenbed_sim.converter import CellParams
from evenbed_sim.rig import RigParams
from handled_rig import HandledRig, main_strand, tether


def rig(settings: dict[str, int] | None = None, ceiling_n: float | None = None) -> HandledRig:
    return HandledRig(Pull(100.0), tether(8.0), RigParams(settings=settings or {}), ceiling_n=ceiling_n)


def estop(r: HandledRig) -> None:
    r.rig.press_estop(True)


def supply(r: HandledRig) -> None:
    r.rig.switch_supply(False)


def fault(line: str) -> Callable[[HandledRig], None]:
    return lambda r: r.inject_now(line)


def nothing(r: HandledRig) -> None:
    return


def pulled(r: HandledRig) -> None:
    """Somebody pulls the string by hand: 60 N before anything is armed."""
    r.rig.flush()
    r.rig.plant.advance(0.01, 5.0 + 60.0 / 8.0)


CASES: list[tuple[str, dict[str, int], Callable[[HandledRig], None], str]] = [
    ("emergency stop", {}, estop, "the emergency stop is pressed"),
    ("no supply", {}, supply, "the drive has no supply"),
    ("no readings", {}, fault("cell off"), "not sound"),
    ("frozen readings", {}, fault("cell stuck"), "The reading is frozen"),
    ("gain too high", {"gain_mcounts_n": 8759000 * 13 // 10}, nothing, "20 % away from the cell's rating"),
    ("gain too low", {"gain_mcounts_n": 8759000 * 7 // 10}, nothing, "20 % away from the cell's rating"),
    ("settings too fast to count with", {"rate_max_steps_s": 120_000}, nothing, "settings contradict"),
    ("ceiling above the limit", {"limit_mn": 90000}, nothing, "the rig's limit of 90.0 N"),
]


@pytest.mark.parametrize(("settings", "make", "reason"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_arming_is_refused_with_its_reason(
    settings: dict[str, int], make: Callable[[HandledRig], None], reason: str
) -> None:
    r = rig(settings, ceiling_n=89.0 if "limit_mn" in settings else None)
    if "limit_mn" in settings:
        r.pull = None
    r.wait(0.4)
    make(r)
    if "limit_mn" in settings:
        r.head.ceiling_n = r.head.wished_n = 120.0  # a host that forgot its own bound
    r.wait(0.5)
    r.hold(2.3)
    r.wait(1.0)
    # A press without readings is a let-down to the board, and a frozen reading then a stop with its own sentence.
    refused = r.told("refused") + r.told("stuck")
    assert refused and reason in refused[0].says, [e.says for e in refused]
    assert r.rig.board.core.state != safety.ARMED and r.state in (st.UNARMED, st.TRIPPED)
    assert max(m.carriage_mm for m in r.moments) == 0.0
    assert refused[0].says.count(".") >= 2  # what happened, and what to do


def test_a_string_on_the_head_is_let_down_not_armed() -> None:
    r = rig()
    r.wait(0.2)
    pulled(r)
    r.wait(0.5)
    assert r.state == st.BOOTED_LOADED and "hold the pedal to let it down" in r.told("loaded")[0].says.lower()
    r.hold(0.9)
    assert not r.told("refused") and r.state == st.BOOTED_LOADED


def test_arming_from_the_screen_with_a_broken_pedal_is_refused_with_its_reason() -> None:
    # hardware/protocol.md section 5: arm with a live fault is refused. The pedal itself cannot ask: the screen does.
    r = rig()
    r.wait(0.5)
    r.inject_now("pedal wrong")
    r.wait(0.5)
    assert r.rig.board.pedal.fault
    r.ask(Ask.ARM)
    r.wait(1.0)
    (refused,) = r.told("refused")
    assert "pedal" in refused.says and "hold the pedal for two seconds again" in refused.says
    assert not r.rig.hw.enabled and r.state == st.UNARMED and r.rig.board.core.state == safety.LATCHED


def test_a_pedal_that_contradicts_itself_cannot_even_ask() -> None:
    r = rig()
    r.inject_now("pedal wrong")
    r.wait(1.0)
    r.hold(3.0)
    assert not r.rig.hw.enabled and r.state == st.UNARMED


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_zero_far_from_the_reference_zero_is_refused_both_ways(sign: float) -> None:
    # 3 N may remain; the simulated cell is off by 5 N against what the board has stored.
    cell = CellParams()
    params = RigParams(settings={"zero_counts": round(cell.zero_counts - sign * 5.0 * cell.counts_per_n)})
    r = HandledRig(Pull(100.0), tether(8.0), params)
    r.wait(0.4)
    r.hold(2.3)
    r.wait(3.0)
    told = r.told("zero_refused")
    assert told and f"shows {5.0 * sign:.1f} N" in told[0].says and "at most 3.0 N" in told[0].says
    assert r.until(st.UNARMED, 2.0) and not r.rig.hw.enabled


def test_a_zero_that_moves_is_refused() -> None:
    r = HandledRig(Pull(100.0), main_strand(slack_mm=0.0))
    r.wait(0.4)
    sway = [0.0]

    def push(t_us: float) -> None:
        if r.state == st.REFERENCING:
            sway[0] += 1
            r.rig.bend_reading = lambda code: code + (17_000 if int(sway[0]) % 8 < 4 else 0)  # 2 N to and fro

    r.rig.watchers.append(push)
    r.hold(2.3)
    r.wait(7.0)
    assert "moved by more than 0.5 N" in r.told("zero_refused")[0].says
    assert r.state == st.UNARMED and not r.rig.hw.enabled


def test_without_readings_after_arming_no_zero_is_taken() -> None:
    r = rig()
    r.wait(0.4)
    r.hold(2.05)
    assert r.until(st.REFERENCING, 1.0)
    r.rig.bend_reading = lambda code: code if int(r.t_s * 4) % 2 else None  # comes and goes: never sound for long
    r.wait(8.0)
    told = r.told("zero_refused") + r.told("refused")
    assert told and r.state in (st.UNARMED, st.TRIPPED)


@pytest.mark.parametrize(("hz", "usable"), [(39.0, False), (40.0, True), (400.0, True), (420.0, False)])
def test_a_board_that_cannot_be_used_is_refused_with_its_reason(hz: float, usable: bool) -> None:
    params = RigParams(cell=CellParams(period_us=1e6 / hz), settings={"period_us": round(1e6 / hz)})
    r = HandledRig(params=params)
    if usable:
        r.wait(1.0)
        assert r.state == st.UNARMED
    else:
        with pytest.raises(LinkError, match=r"cannot be used.*samples/s.*Correct its settings"):
            r.wait(1.0)
