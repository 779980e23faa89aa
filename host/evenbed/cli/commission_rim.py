"""Where a first start meets a board: only listened to, or with a control process of its own for each step that moves."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

import serial

from evenbed.cli.keyboard import Keyboard
from evenbed.cli.words import sentence
from evenbed.commission.hearing import Hearing
from evenbed.commission.moments import Moment
from evenbed.control.client import Control, ControlClient
from evenbed.control.loop import Mechanics, rig_model
from evenbed.control.port import PortError, open_port, ports
from evenbed.control.status import Status
from evenbed.head.types import RigModel
from evenbed.link.messages import BoardInfo, Limits
from evenbed.link.session import LinkError
from evenbed.record.keeping import Keeper

SHOWN = ("hint", "also", "records")  # events without an entry in the catalogue that are told all the same
RETRY_S = 3.0  # for a port that the last control process has not yet let go of
POLL_S = 0.005
TICK_S = 0.1


class RimError(Exception):
    """It cannot go on; the text says why and what to do."""


@dataclass(frozen=True)
class Told:
    """An event for a person, and its name."""

    name: str
    text: str


class Rim(Protocol):
    """What the first start needs of the world."""

    simulated: bool
    told: list[Told]
    board: tuple[RigModel, str] | None

    def listen(self) -> None:
        """Only listen from now on."""

    def connect(self, ceiling_n: float) -> Control:
        """A control loop with this ceiling, for what moves."""

    def moments(self, wait_s: float) -> list[Moment]:
        """What has come; one that is not alive if nothing has. Raises RimError."""

    def asked(self, deed: str) -> None:
        """A person has been asked for this."""

    def typed(self) -> list[str]:
        """Lines that were typed."""

    def close(self) -> None:
        """The end."""


def described(board: BoardInfo, limits: Limits) -> tuple[RigModel, str]:
    """The board's view of its rig, and what it says of itself."""
    says = (
        f"firmware {board.version}, protocol {board.protocol}; set to {limits.counts_per_n:.1f} counts/N, limit "
        f"{limits.limit_n:.0f} N, {1e6 / max(1, limits.period_us):.0f} readings a second, "
        f"{limits.steps_mm} steps a millimetre"
    )
    return rig_model(limits, Mechanics()), says


def unreckonable(limits: Limits) -> str:
    """Why nothing can be worked out from what the board is set to, or nothing. A wrong rate is for its own step."""
    least = min(limits.gain_mcounts_n, limits.steps_mm, limits.accel_steps_s2, limits.rate_max_steps_s, limits.period_us)
    return "" if least > 0 else "a sensitivity, speed, rate or number of steps in its settings is not above zero"


def heard(message: dict[str, Any], told: list[Told]) -> Moment | None:
    """The moment that a message of the control process makes; an event goes to ``told``. Raises RimError."""
    kind = message["kind"]
    if kind == "status":
        s = cast(Status, message)
        return Moment(
            s["t_s"],
            s["flags"],
            s["presses"],
            s["fault"],
            s["reference_force_n"],
            state=s["state"],
            position_mm=s["position_mm"],
            overrun_n=s["overrun_n"],
            stop_mm=s["stop_mm"],
        )
    if kind == "event" and ("entry" in message["values"] or message["name"] in SHOWN):
        text = sentence(message["name"], message["says"], message["values"], message.get("words"))
        if text:
            told.append(Told(message["name"], text))
    elif kind in ("fatal", "refused"):
        raise RimError(str(message["says"]))
    return None


class ControlRim:
    """Moments from a control process, its finished pulls hung on the next one."""

    def __init__(self, control: Control, told: list[Told]) -> None:
        self.control = control
        self._told = told
        self._records: list[dict[str, Any]] = []

    def moments(self, wait_s: float) -> list[Moment]:
        """What has come. Raises RimError."""
        found = []
        for message in self.control.messages(wait_s):
            if message["kind"] == "record":
                self._records.append(message["record"])
                continue
            m = heard(message, self._told)
            if m is not None:
                found.append(Moment(**{**vars(m), "records": tuple(self._records)}))
                self._records.clear()
        if self.control.ended and not found:
            raise RimError("The control process has ended. The board freezes by itself; hold the pedal to let down.")
        return found


class PortRim:
    """A real port."""

    def __init__(self, port: str, records: Path, keys: Keyboard) -> None:
        """Begins to listen. Raises RimError."""
        self.simulated = False
        self.told: list[Told] = []
        self.board: tuple[RigModel, str] | None = None
        self._port_name = port
        self._records = records
        self._keys = keys
        self._port: serial.Serial | None = None
        self._hearing = Hearing()
        self._moving: ControlRim | None = None
        self._keeper: Keeper | None = None
        self._open(0.0)

    def listen(self) -> None:
        """Only listen from now on. Raises RimError."""
        self._let_go()
        self._hearing = Hearing()
        self._open(RETRY_S)

    def _open(self, patience_s: float) -> None:
        until = time.monotonic() + patience_s
        while True:
            try:
                self._port = open_port(self._port_name)
                return
            except PortError as e:
                if time.monotonic() >= until:
                    raise RimError(str(e)) from None
                time.sleep(TICK_S)

    def connect(self, ceiling_n: float) -> Control:
        """A control process with this ceiling. Raises RimError."""
        self._let_go()
        try:
            self._keeper = Keeper(self._records)
            client = ControlClient(self._port_name, ceiling_n, records=self._keeper.socket)
        except (OSError, AttributeError):
            raise RimError("What moves needs Linux for its control process: no sequenced-packet sockets here.") from None
        self._moving = ControlRim(client, self.told)
        return client

    def _let_go(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None
        if self._moving is not None:
            self._moving.control.close()
            self._moving = None
        if self._keeper is not None:
            self._keeper.close()
            self._keeper = None

    def moments(self, wait_s: float) -> list[Moment]:
        """See ``Rim``."""
        found = self._moving.moments(wait_s) if self._moving is not None else self._listened(wait_s)
        return found or [Moment(time.monotonic(), alive=False)]

    def _listened(self, wait_s: float) -> list[Moment]:
        assert self._port is not None
        until = time.monotonic() + wait_s
        found: list[Moment] = []
        while not found and time.monotonic() < until:
            time.sleep(POLL_S)
            try:
                found, out = self._hearing.receive(time.monotonic(), bytes(self._port.read(self._port.in_waiting or 1)))
            except LinkError as e:
                raise RimError(str(e)) from None
            except (serial.SerialException, OSError):
                raise RimError(f"{self._port_name} has gone. Plug it in again, then begin again.") from None
            if out:
                with contextlib.suppress(serial.SerialException, OSError):
                    self._port.write(out)
        self._meet()
        return found

    def _meet(self) -> None:
        if self.board is None and self._hearing.board is not None:
            board, limits = self._hearing.board
            why = unreckonable(limits)
            if why:
                raise RimError(f"This board cannot be worked with: {why}. Correct them, then begin again.")
            self.board = described(board, limits)

    def asked(self, deed: str) -> None:
        """A person reads what is asked."""

    def typed(self) -> list[str]:
        """See ``Rim``."""
        return self._keys.lines()

    def close(self) -> None:
        """Let go of the port; a control process with something on the head goes on until it is off."""
        self._let_go()


def find_port(tell: Callable[[str], None], listed: Callable[[], list[str]] = ports, wait_s: float = 120.0) -> str:
    """The port that appears when the board is plugged in. Raises RimError if none does."""
    before = set(listed())
    tell("Plug the board in now; if it is plugged in already, pull it out first.")
    until = time.monotonic() + wait_s
    while time.monotonic() < until:
        now = listed()
        before &= set(now)  # what was pulled out counts as new when it comes back
        for name in now:
            if name not in before:
                tell(f"There it is: {name}")
                return name.split(" ")[0]
        time.sleep(TICK_S)
    there = "; ".join(sorted(before)) or "none"
    raise RimError(
        f"No port has appeared within {wait_s:.0f} s (ports here: {there}). A cable that only charges has no data wires; "
        "else name the port: --port."
    )
