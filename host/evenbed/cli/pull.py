"""``evenbed pull``: one pull on a port, or on a simulated rig started for it."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from evenbed.cli import leaving
from evenbed.cli.interrupts import Interrupts
from evenbed.cli.leaving import Lately, Leaving, left_on
from evenbed.cli.picture import Trace, svg
from evenbed.cli.simulated import simulated as simulated_rig
from evenbed.cli.view import View
from evenbed.cli.words import sentence
from evenbed.control.client import Control, ControlClient
from evenbed.control.port import in_use
from evenbed.control.status import Status
from evenbed.head.types import Ask, Pull
from evenbed.job.ceiling import Ceiling, CeilingError, Frame, Planned, session_ceiling
from evenbed.record.keeping import Keeper, what_happened
from evenbed.record.store import folder
from evenbed.rig import RigError, default_rig, load
from evenbed.units import show_force
from evenbed.work.mechanics import mechanics
from evenbed.work.readiness import Readiness, readiness

AFTER_STOP_S = 60.0
UNKNOWN_S = 15.0
CONNECT_S = 5.0
DISARM_S = 2.0  # a board that refuses to disarm (a string that still pulls a little, readings that fail) keeps nobody here


@dataclass(frozen=True)
class PullRequest:
    """What was asked on the command line."""

    reference_n: float
    unit: str
    ceiling_n: float | None = None
    sport: str | None = None
    frame_max_n: float | None = None
    family: str = "unknown"
    over_pull: float = 0.0
    woven: bool = False
    speed_mm_s: float = 60.0
    picture: Path | None = None
    despite_check: bool = False
    records: Path | None = None


def ceiling(request: PullRequest) -> Ceiling:
    """The session's ceiling for one pull. Raises CeilingError with what to do."""
    pull = Planned(request.reference_n, request.over_pull, "this pull", request.family)
    frame = Frame(request.sport, request.frame_max_n)
    return session_ceiling([pull], frame, asked_n=request.ceiling_n, unit=request.unit)


def beyond(request: PullRequest, limit_n: float) -> str:
    """Why this rig cannot make the pull at all, "" if it can: known before anything is connected."""
    top_n = request.reference_n * (1.0 + request.over_pull)
    if top_n < limit_n:
        return ""
    over = f" with its over-pull of {100.0 * request.over_pull:.0f} %" if request.over_pull else ""
    shown = " = ".join(dict.fromkeys((show_force(top_n, request.unit), show_force(top_n, "N"))))
    return (
        f"{shown}{over} is not below this rig's own limit of {show_force(limit_n, request.unit)}: nothing was connected. "
        "Is the unit right? Ask for less; the limit is the board's, and rig.toml says it (limits.limit_n)."
    )


def rig_arguments(request: PullRequest) -> list[str]:
    """What the simulated rig of ``--sim`` is told of the string."""
    arguments = [] if request.family == "unknown" else ["--string", request.family]
    return [*arguments, "--woven"] if request.woven else arguments


class Session:
    """One pull seen from the terminal."""

    def __init__(
        self,
        request: PullRequest,
        view: View,
        client: Control,
        interrupts: Interrupts,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.request = request
        self.view = view
        self.client = client
        self.record: dict[str, Any] | None = None
        self.trace = Trace(f"{show_force(request.reference_n, request.unit)}", request.reference_n)
        self.exit_code: int | None = None
        self.lately = Lately()
        self.gone = False  # the board, or the process that hears it
        self._interrupts = interrupts
        self._leaving = Leaving()
        self._clock = clock
        self._press_s: float | None = None
        self._stopped_s: float | None = None
        self._disarm_s: float | None = None  # since when it is to disarm
        self._begun_s = self._heard_s = clock()
        self._connected = False

    def run(self) -> int:
        """Until the pull is over; return the exit code."""
        while self.exit_code is None:
            for message in self.client.messages(0.1):
                if self.exit_code is None:
                    self._hear(message)
            while self.exit_code is None and self._interrupts.taken():
                self._interrupted()
            self._check()
        return self.exit_code

    def _interrupted(self) -> None:
        act, says = self._leaving.interrupted(self.lately)
        if says:
            self.view.tell(says)
        if act == leaving.LEAVE:
            self._finish(130)
        elif act != leaving.STAY:
            self.client.ask(Ask.LET_DOWN if act == leaving.LET_DOWN else Ask.STOP)

    def _finish(self, code: int) -> None:
        self.exit_code = code

    def _check(self) -> None:
        now = self._clock()
        if self.exit_code is not None:
            return  # what was heard last has already ended it
        if stands := self._leaving.stands(self.lately, self.request.unit):
            self.view.tell(stands)
        if self.client.ended:
            self.gone = True
            self.view.tell("The control process has ended." + (" The board freezes by itself." if self._connected else ""))
            self._finish(3)
        elif not self._connected and now - self._begun_s > CONNECT_S:
            self.view.tell(
                f"Nothing on this port answers as an evenbed board ({CONNECT_S:.0f} s). Is the firmware on it, is it "
                "the right port, is the board powered?"
            )
            self._finish(1)
        elif self._stopped_s is not None and not self._leaving.count:
            # Whoever has pressed Ctrl-C is there, and leaves with the next one.
            unknown_s = self.lately.unknown_s + now - self._heard_s
            if unknown_s > UNKNOWN_S or (self.lately.standing and now - self._stopped_s > AFTER_STOP_S):
                self._finish(3)

    def _hear(self, message: dict[str, Any]) -> None:
        kind = message["kind"]
        if kind == "status":
            self._status(cast(Status, message))
        elif kind == "event":
            self._event(message)
        elif kind == "record":
            self.record = message["record"]
        elif kind in ("fatal", "refused"):
            self.view.tell(message["says"])
            self._finish(1)

    def _status(self, s: Status) -> None:
        self.lately.hear(s)
        self._heard_s = self._clock()
        self.view.paint(s)
        if self._press_s is not None and s["force_n"] is not None and self.record is None:
            self.trace.points.append((s["t_s"] - self._press_s, s["force_n"]))
        asked = self._leaving.count > 0
        if (self.record is not None or asked) and s["state"] == "slack" and self._disarm_s is None:
            if asked or (self.record is not None and self.record["ended"] == "let off"):
                self._disarm_s = self._clock()
                self.client.ask(Ask.DISARM)
            else:
                self.view.tell("  Slack. Tap the pedal to draw again, Ctrl-C ends.")
                self.record = None
                self._press_s = None
                self._stopped_s = None
                self.trace.points.clear()
                self.trace.marks.clear()
        elif self._disarm_s is not None and (s["state"] == "unarmed" or self._clock() - self._disarm_s > DISARM_S):
            self._finish(130 if asked else 0 if self.record and self.record["ended"] == "let off" else 4)
        elif s["state"] in ("tripped", "unarmed") and self.lately.down and (self._stopped_s is not None or asked):
            if not left_on(self.lately, self.request.unit):
                self.view.tell("The string is slack.")
            self._finish(3 if self._stopped_s is not None else 130)

    def _event(self, message: dict[str, Any]) -> None:
        name, says, values = message["name"], message["says"], message["values"]
        if name == "connected":
            self._connected = True
            says += " Hold the pedal for two seconds to arm."
        if name == "state" and says == "taking_up":
            self._press_s = message["t_s"]
        if name == "state" and self._press_s is not None:
            self.trace.marks.append((message["t_s"] - self._press_s, says.replace("_", " ")))
        quiet = self.record is not None and name == "state"
        text = None if quiet else sentence(name, says, values, message.get("words"), self.request.unit)
        if text:
            self.view.tell(("! " if "fault" in values or name in ("also", "records") else "  ") + text)
        if name == "state" and says in ("tripped", "frozen"):
            if self._press_s is not None:
                self._stopped_s = self._clock()
            else:
                self.view.tell(
                    "  The board had stopped before. Once the string is slack, hold the pedal for 2 s to clear it."
                )
        if name == "link_lost":
            self.gone = True
            self._finish(3)


def summary(record: dict[str, Any], unit: str) -> list[str]:
    """What a pull was, in lines."""

    def force(value: float | None) -> str:
        return "-" if value is None else show_force(value, unit)

    def number(value: float | None, digits: int, unit_: str) -> str:
        return "-" if value is None else f"{value:.{digits}f} {unit_}"

    calibration = []
    if record["expanded_n"] is not None:
        calibration = [
            f"  calibration  number {record['calibration']}; U = {force(record['expanded_n'])} (k = 2) at the reference"
        ]
    held = None
    if record["clamped_s"] is not None and record["reached_s"] is not None:
        held = record["clamped_s"] - record["reached_s"]
    if record["reached_s"] is None:
        return [
            f"  ended        {record['ended'].replace('_', ' ')} before the reference of {force(record['reference_n'])}; "
            f"highest shown until then {force(record['peak_n'])}",
            "  what stopped it is kept: evenbed trips",
        ]
    return [
        f"  ended        {record['ended'].replace('_', ' ')}; clamp {record['proof']}",
        f"  reference    {force(record['reference_n'])}, highest shown {force(record['peak_n'])}, "
        f"ceiling {force(record['ceiling_n'])}; in the look at the clamp {force(record['proof_peak_n'] or None)}",
        f"  stop budget  {force(record['least_margin_n'])} left at the least before ceiling + overrun",
        f"  reached in   {number(record['reached_s'], 2, 's')} (contact {number(record['contact_s'], 2, 's')}), "
        f"held {number(held, 1, 's')}",
        f"  draw length  {number(record['draw_length_mm'], 1, 'mm')} at "
        f"{number(record['stiffness_n_mm'], 1, 'N/mm')}, take-up {number(record['take_up_mm'], 2, 'mm')}",
        *calibration,
        f"  at the clamp {force(record['force_at_clamp_n'])}; next minute's loss if held so: {force(record['loss_now_n'])}",
    ]


def run(request: PullRequest, port: str | None) -> int:
    """Make the pull; return the exit code: 0 let off, 1 could not start, 3 stopped, 4 let down, 130 Ctrl-C."""
    view = View(request.unit)
    if request.picture is not None and not request.picture.parent.is_dir():
        print(f"evenbed pull: there is no folder {request.picture.parent} for the picture.", file=sys.stderr)
        return 2
    try:
        top = ceiling(request)
        rig = load() if port is not None else default_rig()
        known = mechanics(rig) if port is not None else None
    except (CeilingError, RigError) as e:
        print(f"evenbed pull: {e}", file=sys.stderr)
        return 2
    if too_much := beyond(request, rig.limits.limit_n):
        print(f"evenbed pull: {too_much}", file=sys.stderr)
        return 2
    simulated = port is None
    with contextlib.ExitStack() as stack:
        if port is None:
            port = stack.enter_context(simulated_rig(rig_arguments(request), view))
        elif used := in_use(port):
            view.tell(f"! {used}")
            return 1
        interrupts = stack.enter_context(Interrupts())
        where = folder(request.records)
        for said in what_happened(where, request.unit, port):
            view.tell(f"! {said}")
        ready = Readiness() if simulated else readiness(where, request.despite_check)
        for said in ready.lines:
            view.tell(f"  {said}")
        if ready.refused:
            view.tell(f"! {ready.refused}")
            return 3
        try:
            keeper = Keeper(where)
            stack.callback(keeper.close)
            client = ControlClient(
                port, top.force_n, known, records=keeper.socket, simulated=simulated or None, known=ready.known
            )
        except (OSError, AttributeError):
            print("evenbed pull needs Linux for its control process; this system has no sequenced-packet sockets.")
            return 1
        stack.callback(client.close)
        view.tell(
            f"Pull to {show_force(request.reference_n, request.unit)} ({request.reference_n:.1f} N), ceiling "
            f"{show_force(top.force_n, request.unit)} ({top.why}). Eyes covered, nobody in the line of pull."
        )
        client.plan(
            Pull(
                reference_n=request.reference_n,
                family=request.family,
                speed_mm_s=request.speed_mm_s,
                over_pull=request.over_pull,
                woven=request.woven,
                label="one pull",
            )
        )
        session = Session(request, view, client, interrupts)
        code = session.run()
        said = left_on(session.lately, request.unit, session.gone) if code != 0 else ""
        if said:
            print(f"! {said}", flush=True)
        if session.record is not None:
            print("\n".join(summary(session.record, request.unit)), flush=True)
    if request.picture is not None and session.trace.points:
        request.picture.write_text(svg([session.trace], request.unit, "One pull"))
        print(f"  picture      {request.picture}")
    return code
