"""After a Ctrl-C in a command that only has to end: wait until what is on the head is down, or say that it is not."""

from __future__ import annotations

from typing import cast

from evenbed.cli import leaving
from evenbed.cli.interrupts import Interrupts
from evenbed.cli.leaving import Lately, Leaving, left_on
from evenbed.cli.view import View
from evenbed.cli.words import sentence
from evenbed.control.client import Control
from evenbed.control.status import Status
from evenbed.head.types import Ask

WAIT_S = 0.1


def see_it_down(client: Control, view: View, lately: Lately, interrupts: Interrupts) -> str:
    """Act on each Ctrl-C until nothing is on the head, or until the one that leaves; returns what there is to say then."""
    presses = Leaving()
    gone = False
    if lately.last is None:
        _hear(client, view, lately, 4.0 * WAIT_S)
    while not (gone or client.ended):
        while interrupts.taken():
            act, says = presses.interrupted(lately)
            if act == leaving.LEAVE:
                return _said(lately, view.unit, presses.count > 1, False)
            view.tell(says)
            if act != leaving.STAY:
                client.ask(Ask.LET_DOWN if act == leaving.LET_DOWN else Ask.STOP)
        gone = _hear(client, view, lately, WAIT_S)
        if stands := presses.stands(lately, view.unit):
            view.tell(stands)
        if not gone and (lately.state in ("slack", "unarmed") or lately.down):
            return _said(lately, view.unit, True, False)
    if client.ended:
        view.tell("The control process has ended." + (" The board freezes by itself." if lately.last is not None else ""))
    return _said(lately, view.unit, True, True)


def _hear(client: Control, view: View, lately: Lately, wait_s: float) -> bool:
    """Take what has come; says whether the board is gone."""
    gone = False
    for message in client.messages(wait_s):
        if message["kind"] == "status":
            lately.hear(cast(Status, message))
            view.paint(cast(Status, message))
        elif message["kind"] == "event" and message["name"] != "state":
            text = sentence(message["name"], message["says"], message["values"], message.get("words"), view.unit)
            if text:
                view.tell(f"  {text}")
            gone = gone or message["name"] == "link_lost"
    return gone


def _said(lately: Lately, unit: str, loaded: bool, gone: bool) -> str:
    return left_on(lately, unit, gone) or ("Nothing is on the head any more." if loaded else "Ctrl-C.")


def after_ctrl_c(client: Control, view: View) -> str:
    """The same for a command into which the first Ctrl-C has broken."""
    with Interrupts(1) as interrupts:
        return see_it_down(client, view, Lately(), interrupts)
