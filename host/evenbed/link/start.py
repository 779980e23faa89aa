"""Where a conversation stood: enough to go on from there with its later lines."""

from __future__ import annotations

from dataclasses import dataclass

from evenbed.link.clock import ClockFit
from evenbed.link.messages import BoardInfo, Limits
from evenbed.link.session import Session

CLOCK_LINES = 80  # of the clock's fit: the age of a reading is all that hangs on it


@dataclass(frozen=True)
class LinkStart:
    """Plain values of one session between two lines."""

    board: BoardInfo | None
    limits: Limits | None
    seq: int
    asked_s: float
    heard_s: float | None
    silent: bool
    last_seq: int
    others: int
    last_us: int
    clock_us: int | None
    clock_wraps: int
    clock: list[tuple[float, float]]


def snapshot(session: Session) -> LinkStart:
    """Where ``session`` stands."""
    clock_us, clock_wraps, clock = session.clock.seen(CLOCK_LINES)
    return LinkStart(
        session.board,
        session.limits,
        session._seq,
        session._asked_s,
        session._heard_s,
        session._silent,
        session._last_seq,
        session._others,
        session._last_us,
        clock_us,
        clock_wraps,
        clock,
    )


def restore(start: LinkStart) -> Session:
    """A session that goes on from ``start``. Bytes of an unfinished line are not kept: feed whole lines."""
    session = Session()
    session.board = start.board
    session.limits = start.limits
    session._seq = start.seq
    session._asked_s = start.asked_s
    session._heard_s = start.heard_s
    session._silent = start.silent
    session._last_seq = start.last_seq
    session._others = start.others
    session._last_us = start.last_us
    session.clock = ClockFit.primed(start.clock_us, start.clock_wraps, start.clock)
    return session


__all__ = ["LinkStart", "restore", "snapshot"]
