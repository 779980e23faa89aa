"""``evenbed pull``: one pull on a port, or on a simulated rig started for it."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from evenbed_fw.safety import F_ESTOP, F_SUPPLY

from evenbed.cli.picture import Trace, svg
from evenbed.cli.simulated import simulated as simulated_rig
from evenbed.cli.view import View
from evenbed.cli.words import sentence
from evenbed.control.client import ControlClient
from evenbed.control.status import Status
from evenbed.head.types import Ask, Pull
from evenbed.job.ceiling import Ceiling, CeilingError, Frame, Planned, session_ceiling
from evenbed.record.keeping import Keeper, what_happened
from evenbed.record.store import folder
from evenbed.rig import RigError, load
from evenbed.units import show_force
from evenbed.work.mechanics import mechanics
from evenbed.work.readiness import Readiness, readiness

NO_POWER = (
    "The drive has no power: turn the hand knob; or release the emergency stop, or restore the supply, and hold the pedal."
)
AFTER_STOP_S = 60.0
UNKNOWN_S = 15.0
LOADED_N = 8.0
CONNECT_S = 5.0


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


def rig_arguments(request: PullRequest) -> list[str]:
    """What the simulated rig of ``--sim`` is told of the string."""
    arguments = [] if request.family == "unknown" else ["--string", request.family]
    return [*arguments, "--woven"] if request.woven else arguments


class Session:
    """One pull seen from the terminal."""

    def __init__(self, request: PullRequest, view: View, client: ControlClient) -> None:
        self.request = request
        self.view = view
        self.client = client
        self.record: dict[str, Any] | None = None
        self.trace = Trace(f"{show_force(request.reference_n, request.unit)}", request.reference_n)
        self.exit_code: int | None = None
        self._press_s: float | None = None
        self._stopped_s: float | None = None
        self._interrupts = 0
        self._disarmed = False
        self._begun_s = time.monotonic()
        self._connected = False
        self._last: Status | None = None

    @property
    def last_force_n(self) -> float | None:
        """Force last shown, None if it was not to be trusted."""
        return self._last["force_n"] if self._last is not None else None

    @property
    def unpowered(self) -> bool:
        """Has the drive no power: emergency stop, or no supply?"""
        return self._last is not None and bool(self._last["flags"] & (F_ESTOP | F_SUPPLY))

    @property
    def connected(self) -> bool:
        """Has a board answered?"""
        return self._connected

    def run(self) -> int:
        """Until the pull is over; return the exit code."""
        while self.exit_code is None:
            try:
                for message in self.client.messages(0.1):
                    self._hear(message)
                self._check()
            except KeyboardInterrupt:
                self._interrupted()
        return self.exit_code

    def _interrupted(self) -> None:
        self._interrupts += 1
        state = self._last["state"] if self._last is not None else "unarmed"
        at_rest = state in ("unarmed", "slack", "referencing", "booted_loaded")
        if state in ("tripped", "frozen"):
            at_rest = self._last is None or self._last["force_n"] is None or self._last["force_n"] < LOADED_N
        if at_rest or self._interrupts > 2:
            self._finish(130)
        elif self.unpowered:
            self.view.tell(f"Ctrl-C: nothing can be let down from here. {NO_POWER} Ctrl-C once more leaves the program.")
            self._interrupts = 2
        elif self._interrupts == 1:
            self.view.tell("Ctrl-C: letting the string down. Once more freezes the head.")
            self.client.ask(Ask.LET_DOWN)
        else:
            self.view.tell("Ctrl-C again: frozen. Tap the pedal to let down; Ctrl-C once more leaves the program.")
            self.client.ask(Ask.STOP)

    def _finish(self, code: int) -> None:
        self.exit_code = code

    def _check(self) -> None:
        now = time.monotonic()
        if self.exit_code is not None:
            return  # what was heard last has already ended it
        if self.client.ended:
            self.view.tell("The control process has ended. The board freezes by itself; hold the pedal to let down.")
            self._finish(3)
        elif not self._connected and now - self._begun_s > CONNECT_S:
            self.view.tell(
                f"Nothing on this port answers as an evenbed board ({CONNECT_S:.0f} s). Is the firmware on it, is it "
                "the right port, is the board powered?"
            )
            self._finish(1)
        elif self._stopped_s is not None:
            unknown = self._last is None or self._last["force_n"] is None
            if now - self._stopped_s > (UNKNOWN_S if unknown else AFTER_STOP_S):
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
        self._last = s
        self.view.paint(s)
        if self._press_s is not None and s["force_n"] is not None and self.record is None:
            self.trace.points.append((s["t_s"] - self._press_s, s["force_n"]))
        if self.record is not None and s["state"] == "slack" and not self._disarmed:
            if self.record["ended"] == "let off" or self._interrupts:
                self._disarmed = True
                self.client.ask(Ask.DISARM)
            else:
                self.view.tell("  Slack. Tap the pedal to draw again, Ctrl-C ends.")
                self.record = None
                self._press_s = None
                self._stopped_s = None
                self.trace.points.clear()
                self.trace.marks.clear()
        elif self._disarmed and s["state"] == "unarmed":
            self._finish(130 if self._interrupts else 0 if self.record and self.record["ended"] == "let off" else 4)
        elif self._stopped_s is not None and s["state"] in ("tripped", "unarmed"):
            force = s["force_n"]
            if force is not None and force < LOADED_N and time.monotonic() - self._stopped_s > 0.6:
                self.view.tell("The string is slack.")
                self._finish(3)

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
                self._stopped_s = time.monotonic()
            else:
                self.view.tell(
                    "  The board had stopped before. Once the string is slack, hold the pedal for 2 s to clear it."
                )
        if name == "link_lost":
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
    # Ended by another program it lets the string down like on Ctrl-C.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if request.picture is not None and not request.picture.parent.is_dir():
        print(f"evenbed pull: there is no folder {request.picture.parent} for the picture.", file=sys.stderr)
        return 2
    try:
        top = ceiling(request)
        known = mechanics(load()) if port is not None else None
    except (CeilingError, RigError) as e:
        print(f"evenbed pull: {e}", file=sys.stderr)
        return 2
    simulated = port is None
    with contextlib.ExitStack() as stack:
        if port is None:
            port = stack.enter_context(simulated_rig(rig_arguments(request), view))
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
        session = Session(request, view, client)
        code = session.run()
    last = session.last_force_n
    if code != 0 and session.connected:
        if last is None:
            print("! The force is not known: look at the string. To let it down, hold the pedal.")
        elif last > LOADED_N:
            way = NO_POWER if session.unpowered else "Hold the pedal to let it down."
            print(f"! {show_force(last, request.unit)} still on the string. {way}")
    if session.record is not None:
        print("\n".join(summary(session.record, request.unit)))
    if request.picture is not None and session.trace.points:
        request.picture.write_text(svg([session.trace], request.unit, "One pull"))
        print(f"  picture      {request.picture}")
    return code
