"""Where a head at rest stood: plain values from which another head goes on exactly as this one would have.

Only at rest and with nothing on its way is a head so simple; in a pull it is not. What a trip's record begins with.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from evenbed.head import states as st
from evenbed.head.head import Head
from evenbed.head.learning import Delay
from evenbed.head.reference import ZeroWatch
from evenbed.head.types import Event, Known, Pull, RigModel, Shot
from evenbed.link.messages import Sample

REST: dict[str, tuple[str, ...]] = {  # states from which a head can go on, and the way there
    st.UNARMED: (),
    st.SLACK: ("armed", "zeroed"),
    st.BOOTED_LOADED: ("found_loaded",),
}
PLAIN = (bool, int, float, str, type(None))
# What is carried over by hand, what comes with the rig, and what is only used in a pull, which there is none of at rest.
BY_HAND = (
    "states",
    "pull",
    "delays",
    "proofs",
    "pedal",
    "shot",
    "stop",
    "_aligner",
    "line",
    "_zero_watch",
    "known",
    "_rest",
)
MADE_ANEW = ("rig", "guard", "run", "_referencing", "_tripped", "_asking", "_commands", "_events")


@dataclass(frozen=True)
class HeadStart:
    """Plain values of one head at rest, ready for JSON."""

    state: str
    plain: dict[str, Any]  # the head's own numbers and flags, by name
    pedal: dict[str, Any]
    pull: dict[str, Any] | None
    stop: dict[str, Any] | None
    delays: list[tuple[float, float]]
    proofs: dict[str, list[float]]  # "main" and "woven"
    positions: list[tuple[float, float, float]]  # s of the board, mm, mm/s
    shot: dict[str, Any] | None
    line: list[int] | None
    zero_watch: dict[str, Any] | None = None
    known: dict[str, Any] | None = None
    near: tuple[str, float, float] | None = None  # of the proofs: family, N/mm, reference in N
    rest: dict[str, Any] | None = None


def at_rest(head: Head) -> bool:
    """May ``snapshot`` be taken now? In a state of rest, with no line unanswered and nothing due."""
    due = head._asking.wanted or head._clear_due or head._tripped or head._events
    return head.state in REST and not due and head._ceiling_due_n is None


def snapshot(head: Head) -> HeadStart:
    """Where ``head`` stands. Call it only when ``at_rest`` says so."""
    shot, aligner = head.shot, head._aligner
    return HeadStart(
        state=head.state,
        plain={
            name: value
            for name, value in vars(head).items()
            if isinstance(value, PLAIN) and name not in BY_HAND and name not in MADE_ANEW
        },
        pedal=dict(vars(head.pedal)),
        pull=asdict(head.pull) if head.pull is not None else None,
        stop=asdict(head.stop) if head.stop is not None else None,
        delays=[(found.delay_s, found.doubt_s) for found in head.delays.found],
        proofs={"main": list(head.proofs.ratios(False)), "woven": list(head.proofs.ratios(True))},
        positions=list(zip(aligner._t, aligner._x, aligner._v, strict=True)),
        shot={**vars(shot), "sample": list(shot.sample)} if shot is not None else None,
        line=list(head.line) if head.line is not None else None,
        zero_watch=_watch_plain(head._zero_watch),
        known=asdict(head.known) if head.known is not None else None,
        near=head.proofs.near,
        rest=dict(vars(head._rest)),
    )


def restore(rig: RigModel, start: HeadStart) -> Head:
    """A head that goes on from ``start``. Raises ValueError if it is none of this program's."""
    if start.state not in REST:
        raise ValueError(f"no head can go on from the state {start.state!r}")
    head = Head(rig, rig.limit_n)
    for name in REST[start.state]:
        head.states.fire(name)
    # A field that is no longer there, or that came later, keeps what a new head has.
    for owner, values in ((head, start.plain), (head.pedal, start.pedal), (head._rest, start.rest or {})):
        for name, value in values.items():
            if name in vars(owner):
                setattr(owner, name, value)
    head.pull = Pull(**start.pull) if start.pull is not None else None
    head.stop = Event(**start.stop) if start.stop is not None else None
    for delay_s, doubt_s in start.delays:
        head.delays.add(Delay(delay_s, doubt_s))
    for woven, kind in ((False, "main"), (True, "woven")):
        for ratio in start.proofs[kind]:
            head.proofs.add(woven, ratio)
    head.proofs.near = (start.near[0], start.near[1], start.near[2]) if start.near is not None else None
    for t_s, x_mm, v_mm_s in start.positions:
        head._aligner.add(t_s, x_mm, v_mm_s)
    if start.shot is not None:
        head.shot = Shot(**{**start.shot, "sample": Sample(*start.shot["sample"])})
    head.line = Sample(*start.line) if start.line is not None else None
    head._zero_watch = None
    if start.zero_watch is not None:
        head._zero_watch = ZeroWatch(0.0, 0.0)
        vars(head._zero_watch).update(start.zero_watch)
        head._zero_watch._window = [(t_s, force_n) for t_s, force_n in start.zero_watch["_window"]]
    if start.known is not None:
        table = tuple((float(f), float(u)) for f, u in start.known["table"])
        head.known = Known(**{**start.known, "table": table})
    return head


def _watch_plain(watch: ZeroWatch | None) -> dict[str, Any] | None:
    return None if watch is None else {**vars(watch), "_window": list(watch._window)}


def outside(head: Head) -> dict[str, Any]:
    """What is set from outside between two steps: the pull and the ceiling."""
    pull = asdict(head.pull) if head.pull is not None else None
    return {"pull": pull, "ceiling_n": head.ceiling_n, "ceiling_due_n": head._ceiling_due_n}


def set_outside(head: Head, values: dict[str, Any]) -> None:
    """Set them as they were."""
    head.pull = Pull(**values["pull"]) if values["pull"] is not None else None
    head.ceiling_n = values["ceiling_n"]
    head._ceiling_due_n = values["ceiling_due_n"]
