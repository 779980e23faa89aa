"""Boards at the stages of a pull, each reached through the wire and the pedal."""

from __future__ import annotations

from evenbed_fw import safety, wire

from firmware.mpy_rig import Desk

K = 160  # counts per step: 29 N/mm
SLACK = 8_000
END = 19_000


def fresh(k: int = K) -> Desk:
    d = Desk(0, None)
    d.hw.k, d.hw.slack = k, SLACK
    d.run(400)
    return d


def armed() -> Desk:
    d = fresh()
    d.say("hello", wire.PROTOCOL)
    d.run(5)
    d.say("arm", 250_000)
    d.run(1_100)
    assert d.board.core.state == safety.ARMED
    return d


def drawing() -> Desk:
    """In flight with a string on, however slowly the envelope lets it come there."""
    d = armed()
    d.press(100)
    for _ in range(400):
        d.run(5, (wire.DRAW, 40_000, END, 8_388_607, 150))
        if d.board.core.loaded() and d.hw.force() > 40 * 8_759:
            break
    assert d.board.core.state == safety.MOVING and d.board.rate > 0 and d.board.core.loaded()
    return d


def holding() -> Desk:
    d = armed()
    d.press(100)
    d.run(900, (wire.DRAW, 40_000, END, 8_388_607, 150))
    d.run(100, (wire.HOLD, 9_600, END, 8_388_607, 150))
    assert d.board.core.state == safety.HOLDING and d.hw.at == END
    return d
