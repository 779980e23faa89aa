"""A rig brought into each state of the head, by a hand on the pedal and what a person at a screen may ask."""

from __future__ import annotations

from evenbed.head.types import Ask, Pull
from handled_rig import HandledRig, main_strand

FAR_SLACK_MM = 30.0
REFERENCE_N = 200.0


def fresh() -> HandledRig:
    return HandledRig(Pull(REFERENCE_N, family="nylon", over_pull=0.1), main_strand(slack_mm=FAR_SLACK_MM))


def _until(r: HandledRig, state: str, within_s: float = 6.0) -> HandledRig:
    assert r.until(state, within_s), (state, r.host.events)
    return r


def _tapped(r: HandledRig, state: str) -> HandledRig:
    """Tap and stop time in the moment the state is entered."""
    r.press(True)
    r.wait(0.15)
    r.press(False)
    return _until(r, state)


def in_state(state: str) -> HandledRig:
    """A rig whose head is in this state now, reached as a person would."""
    r = fresh()
    if state in ("unarmed", "referencing"):
        r.wait(0.5)
        if state == "referencing":
            r.press(True)
            _until(r, state)
            r.press(False)
        return r
    r.arm()
    if state == "slack":
        return r
    if state == "taking_up":
        _tapped(r, state)
        r.wait(0.1)
        return r
    if state in ("drawing", "pre_stretching"):
        _tapped(r, state)
        r.wait(0.15)
        return r
    if state in ("frozen", "booted_loaded"):
        _tapped(r, "drawing")
        r.wait(0.3)
        r.ask(Ask.STOP)
        _until(r, "frozen")
        r.wait(0.2)
        if state == "booted_loaded":
            r.inject_now("to-host off for 0.5s")
            _until(r, "unarmed")
            _until(r, state)
        return r
    _tapped(r, "holding")
    if state == "tripped":
        r.wait(0.5)
        r.inject_now("cell stuck for 0.3s")
        _until(r, state)
        r.wait(0.6)
        return r
    r.wait(0.8)
    r.rig.flush()
    r.rig.plant.free_previous_clamp()
    r.wait(1.2)
    if state == "holding":
        return r
    r.rig.flush()
    r.rig.plant.close_clamp()
    r.wait(0.4)
    _tapped(r, "proving_clamp")
    return r if state == "proving_clamp" else _until(r, state)
