"""Rigs that a fault has stopped, in several phases of a pull, and the bundle that their own loop has kept of it."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# The rig with a hand on its pedal lives beside the host's tests; plain pytest does not look there.
sys.path.insert(0, str(Path(__file__).parents[1] / "host"))

from evenbed.head.types import Ask, Pull
from evenbed.record.bundle import Bundle, of_capture, pack, unpack
from handled_rig import HandledRig, main_strand

MADE = "2026-01-02T03:04:05.678+00:00"
REFERENCE_N = 220.0
TAKE_UP, CONTACT, DRAW, HOLD, LOOK, EASE = "take-up", "contact", "draw", "hold", "look", "ease"


@dataclass(frozen=True)
class Case:
    """One fault, injected in one phase, and the stop that it must lead to."""

    fault: str
    phase: str
    stop: str

    def __str__(self) -> str:
        return f"{self.fault} in the {self.phase}"


CASES = [
    Case("cell stuck", DRAW, "stuck"),
    Case("cell stuck", HOLD, "stuck"),
    Case("cell off", DRAW, "no_data"),
    Case("cell off", LOOK, "no_data"),
    Case("cell off", TAKE_UP, "no_data"),
    Case("cell garbage 0.5", HOLD, "string_lost"),
    Case("string off", CONTACT, "guard"),
    Case("string off", DRAW, "string_lost"),
    Case("string off", HOLD, "string_lost"),
    Case("estop on", DRAW, "emergency_stop"),
    Case("estop on", EASE, "emergency_stop"),
    Case("supply off", HOLD, "supply_lost"),
    Case("pedal wrong", HOLD, "pedal"),
    Case("to-board off", DRAW, "lease_expired"),
    Case("to-board off", HOLD, "lease_expired"),
    Case("to-board off", EASE, "lease_expired"),
    Case("to-host off", DRAW, "link_lost"),
    Case("to-host off for 0.6s", HOLD, "link_lost"),
    Case("to-host delayed 300", HOLD, "lease_expired"),
    Case("board off", TAKE_UP, "link_lost"),
]


def pulled_before(pulls: int = 1) -> HandledRig:
    """A rig with pulls behind it, let down by the screen: what the head has learnt is part of where a record begins."""
    r = HandledRig(Pull(REFERENCE_N, family="nylon"), main_strand())
    r.arm()
    for _ in range(pulls):
        r.tap()
        assert r.until("holding", 5.0), r.host.events
        r.wait(3.0)
        r.ask(Ask.LET_DOWN)
        assert r.until("slack", 10.0), r.host.events
        r.wait(9.0)
    r.host.loop.box.take()
    return r


def bring(r: HandledRig, phase: str) -> None:
    """Tap, and stop time in the middle of a phase."""
    r.tap()
    if phase == TAKE_UP:
        assert r.until("taking_up", 1.0)
        r.wait(0.05)
        return
    assert r.until("drawing", 2.0), r.host.events
    if phase in (CONTACT, DRAW):
        r.wait(0.15 if phase == CONTACT else 0.4)
        return
    assert r.until("holding", 4.0), r.host.events
    r.wait(1.2)
    if phase == LOOK:
        r.rig.flush()
        r.rig.plant.close_clamp()
        r.wait(0.4)
        r.tap()
        assert r.state == "proving_clamp", r.host.events
    elif phase == EASE:
        r.ask(Ask.LET_DOWN)
        assert r.until("easing_off", 1.0)


def bundles_of(r: HandledRig) -> list[Bundle]:
    """What the loop has kept, through the form in which it is stored."""
    return [unpack(pack(of_capture(c, MADE, "a simulated rig"))) for c in r.host.loop.box.take()]


def stopped(case: Case, r: HandledRig | None = None) -> Bundle:
    """The bundle of one case."""
    r = r or pulled_before()
    bring(r, case.phase)
    r.inject_now(case.fault)
    r.wait(3.0)
    found = bundles_of(r)
    assert found, (str(case), r.host.events[-8:])
    return found[0]


def event_names(bundle: Bundle) -> list[Any]:
    """Names of the events of a bundle, states aside."""
    return [name for _, name, *_ in bundle["events"] if name != "state"]
