"""``evenbed prove``: the self-proving start on a port, or on a simulated rig with simulated hands."""

from __future__ import annotations

import contextlib
import time
from typing import cast

from evenbed.cli.interrupts import Interrupts
from evenbed.cli.leaving import Lately, left_on
from evenbed.cli.letdown import see_it_down
from evenbed.cli.simulated import simulated
from evenbed.cli.view import View
from evenbed.control.client import Control, ControlClient
from evenbed.control.port import in_use
from evenbed.control.status import Status
from evenbed.head.types import Ask, Pull
from evenbed.job.proving import ARMED_CEILING_N, SPEED_MM_S, Act, Moment, Proving
from evenbed.record.keeping import Keeper
from evenbed.record.store import folder
from evenbed.units import show_force

CONNECT_S = 5.0
CLEARS = 40  # looks of 0.1 s at a board that is to forget its trip
SIGNS = {"passed": "+", "failed": "!", "left out": "-"}


def moment(s: Status) -> Moment:
    """One moment as the steps see it."""
    return Moment(
        s["t_s"],
        s["state"],
        s["flags"],
        s["presses"],
        s["reference_force_n"],
        s["fault"],
        s["overrun_n"],
        s["position_mm"],
        s["stop_mm"],
    )


def run(port: str | None, weight_n: float | None, unit: str, records: str | None = None) -> int:
    """Prove the safeguards; return the exit code: 0 all passed, 1 no board, 3 something failed, 130 Ctrl-C."""
    view = View(unit)
    proving = Proving(weight_n)
    with contextlib.ExitStack() as stack:
        if port is None:
            arguments = ["--hands", "prove", "--tether", "6"]
            if weight_n is not None:
                arguments += ["--weight", f"{weight_n:.4f}N"]
            port = stack.enter_context(simulated(arguments, view, "simulated hands do what is asked"))
        elif used := in_use(port):
            view.tell(f"! {used}")
            return 1
        interrupts = stack.enter_context(Interrupts())
        try:
            keeper = Keeper(folder(records))
            stack.callback(keeper.close)
            client = ControlClient(port, ARMED_CEILING_N, records=keeper.socket)
        except (OSError, AttributeError):
            view.tell("evenbed prove needs Linux for its control process; this system has no sequenced-packet sockets.")
            return 1
        stack.callback(client.close)
        view.tell("Self-proving start: no racquet on the rig, eyes covered, one hand near the emergency stop. Ctrl-C ends.")
        lately = Lately()
        said = _follow(client, proving, view, lately, interrupts)
        if said is None:
            view.tell(f"{see_it_down(client, view, lately, interrupts)} Nothing is proved.")
            return 130
        if not said and proving.passed:
            clear_own_trip(client, lately)
    if said:
        view.tell(" ".join(filter(None, (said, left_on(lately, unit, client.ended)))))
        return 1
    for outcome in proving.outcomes:
        view.tell(f"{SIGNS[outcome.verdict]} {outcome.step:<16} {outcome.verdict:<9} {outcome.says}")
    if not proving.passed and (left := left_on(lately, unit)):
        view.tell(f"! {left}")
    view.tell("Proved." if proving.passed else "Not proved: do not string before that is put right. SAFETY.md says why.")
    return 0 if proving.passed else 3


def clear_own_trip(client: Control, lately: Lately) -> None:
    """The trip was this command's own: with the string slack nothing of it is left for the next one to be told of."""
    asked = False
    for _ in range(CLEARS):
        if lately.state != "tripped" or client.ended:
            return
        if lately.down and not asked:
            asked = True
            client.ask(Ask.CLEAR)
        for message in client.messages(0.1):
            if message["kind"] == "status":
                lately.hear(cast(Status, message))


def _follow(client: Control, proving: Proving, view: View, lately: Lately, interrupts: Interrupts) -> str | None:
    """Go through the steps; returns why that could not be done, "" if it was, None once there was a Ctrl-C."""
    begun_s = time.monotonic()
    while not proving.over:
        if interrupts.waiting:
            return None
        for message in client.messages(0.1):
            if message["kind"] == "status":
                lately.hear(cast(Status, message))
                _show(client, proving, view, cast(Status, message))
            elif message["kind"] in ("fatal", "refused"):
                return str(message["says"])
            elif message["kind"] == "event" and "fault" in message["values"]:
                if proving.asked_to_trip and message["name"] == "over_tension":
                    continue  # as asked for; the step says what it was
                view.tell(f"! {message['says']}")
        if client.ended:
            return "The control process has ended." + (" The board freezes by itself." if lately.last is not None else "")
        if lately.last is None and time.monotonic() - begun_s > CONNECT_S:
            return "Nothing on this port answers as an evenbed board. Is the firmware on it, is it the right port?"
    return ""


def _show(client: Control, proving: Proving, view: View, status: Status) -> None:
    done = len(proving.outcomes)
    proving.step(moment(status))
    for outcome in proving.outcomes[done:]:
        view.tell(f"  {outcome.verdict}: {outcome.says}.")
    for text in proving.told:
        view.tell(text)
    proving.told.clear()
    for act in proving.acts:
        _do(client, act)
    proving.acts.clear()
    force = status["reference_force_n"]
    view.status(
        [f"  {status['state'].replace('_', ' ')}   {'no reading' if force is None else show_force(force, view.unit)}"]
    )


def _do(client: Control, act: Act) -> None:
    if act.kind == "ceiling":
        client.set_ceiling(act.value_n)
    else:
        client.plan(Pull(act.value_n, speed_mm_s=SPEED_MM_S, label="deliberate trip"))
