"""A board that is only listened to: readings for calibration, check and health. No lease is asked for, nothing is armed."""

from __future__ import annotations

import contextlib
import select
import time
from collections.abc import Sequence
from dataclasses import dataclass

import serial

from evenbed.control.port import open_port
from evenbed.link.messages import CellRating, Limits, No, Ok, Sample
from evenbed.link.session import Rebooted, Session, Silent

CONNECT_S = 5.0
ANSWER_S = 1.0


class MeasureError(Exception):
    """Nothing can be measured on this port; the text says why and what to do."""


@dataclass(frozen=True)
class Reading:
    """One conversion: time on the board's clock in s, counts, whether the board believes it, and its whole line."""

    t_s: float
    counts: int
    sound: bool
    sample: Sample


class Listening:
    """One board on one port. Raises PortError, MeasureError, LinkError."""

    def __init__(self, port_name: str) -> None:
        self.port_name = port_name
        self._port: serial.Serial = open_port(port_name)
        self.session = Session()
        self._conversion = -1
        self._answers: dict[int, Ok | No] = {}
        self._rating: CellRating | None = None
        self._again = False
        self._connect()

    @property
    def limits(self) -> Limits:
        """What the board stores of its rig."""
        if self.session.limits is None:
            raise MeasureError(f"The board on {self.port_name} is gone. Check cable and power, then begin again.")
        return self.session.limits

    def _connect(self) -> None:
        until = time.monotonic() + CONNECT_S
        while not self.session.ready:
            if time.monotonic() > until:
                raise MeasureError(
                    f"Nothing on {self.port_name} answers as an evenbed board ({CONNECT_S:.0f} s). Is the firmware on it, "
                    "is it the right port, is the board powered?"
                )
            self.readings(0.05)

    def readings(self, wait_s: float, also: Sequence[int] = ()) -> list[Reading]:
        """New conversions, waiting at most ``wait_s`` for the first bytes (or for one of the descriptors ``also``)."""
        with contextlib.suppress(AttributeError, OSError, serial.SerialException):
            select.select([self._port.fileno(), *also], [], [], wait_s)
        try:
            data = bytes(self._port.read(self._port.in_waiting or 1))
        except (serial.SerialException, OSError):
            raise MeasureError(f"{self.port_name} has gone. Plug it in again, then begin again.") from None
        now = time.monotonic()
        found: list[Reading] = []
        for said in self.session.receive(now, data):
            if isinstance(said, Sample):
                if said.conversion != self._conversion:
                    self._conversion = said.conversion
                    found.append(Reading(self.session.clock.seconds(said.board_us), said.raw_counts, said.sound, said))
            elif isinstance(said, (Ok, No)):
                self._answers[said.of] = said
            elif isinstance(said, CellRating):
                self._rating = said
            elif isinstance(said, (Silent, Rebooted)):
                self._again = True
        out = self.session.take()
        if out:
            with contextlib.suppress(serial.SerialException, OSError):
                self._port.write(out)
        return found

    def restarted(self) -> bool:
        """Has the board been silent or started anew since this was last asked?"""
        again, self._again = self._again, False
        return again

    def ask(self, kind: str, *numbers: int) -> Ok | No:
        """Send one line and wait for its answer. Raises MeasureError if none comes."""
        seq = self.session.ask(time.monotonic(), kind, *numbers)
        until = time.monotonic() + ANSWER_S
        while time.monotonic() < until:
            self.readings(0.05)
            if seq in self._answers:
                return self._answers.pop(seq)
        raise MeasureError(f"The board has not answered '{kind}'. Check the cable, then try again.")

    def cell(self) -> CellRating:
        """Ask for the cell's rating and the highest limit that may be proposed. Raises MeasureError if no answer comes."""
        self._rating = None
        seq = self.session.ask(time.monotonic(), "cell")
        until = time.monotonic() + ANSWER_S
        while time.monotonic() < until:
            self.readings(0.05)
            if self._rating is not None:
                return self._rating
            if isinstance(self._answers.pop(seq, None), No):
                raise MeasureError("The board does not know of its cell's rating: its firmware is older. Flash it anew.")
        raise MeasureError("The board has not answered 'cell'. Check the cable, then try again.")

    def refresh(self) -> Limits | None:
        """Ask the board for its limits anew; None if no answer came."""
        self.session.ask(time.monotonic(), "limits")
        until = time.monotonic() + 0.4
        while time.monotonic() < until:
            self.readings(0.05)
        return self.session.limits

    def close(self) -> None:
        """Close the port."""
        self._port.close()
