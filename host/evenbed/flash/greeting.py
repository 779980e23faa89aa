"""What runs on the board before it is touched, and whether it may be interrupted."""

from __future__ import annotations

import contextlib
import select
import time
from dataclasses import dataclass

import serial
from evenbed_fw import safety
from evenbed_fw.settings import Settings

from evenbed.control.port import open_port
from evenbed.link.messages import BoardInfo, Limits, Sample
from evenbed.link.session import LinkError, Session
from evenbed.units import show_force

SILENT_S = 0.6  # a board speaks all the time, asked or not
LOOK_S = 0.3  # for so long after the handshake the board is watched
CONTACT_N = Settings().contact_mn / 1000.0  # a rig may have another; no line tells it

LET_DOWN = "Let the string down first (hold the pedal until it is slack)"
STATES = {
    safety.ARMED: "The board is armed. End what runs on it so that it disarms, or press the emergency stop; then again.",
    safety.MOVING: "The rig is moving. Wait until it stands, let the string down and disarm; then again.",
    safety.HOLDING: f"The rig holds a string. {LET_DOWN} and disarm; then again.",
    safety.FROZEN: f"The rig stands with its drive on, as after a trip. {LET_DOWN} and clear the trip; then again.",
    safety.EASING: "The rig is moving: it lets the string down. Wait until it is slack; then again.",
    safety.BACKING: f"The rig is moving: it backs off. {LET_DOWN} and clear the trip; then again.",
}


@dataclass(frozen=True)
class Heard:
    """A board that answered: what it says of itself, the states it was in, and the reading furthest from zero in N, None if
    the board believed none."""

    info: BoardInfo
    states: frozenset[int]
    force_n: float | None


def refusal(heard: Heard, no_string: bool, unit: str = "N") -> str:
    """Why the board must not be interrupted, and what to do; empty if it may. ``no_string``: somebody has looked."""
    for state in sorted(heard.states, reverse=True):
        if state in STATES:
            return STATES[state]
    if no_string:
        return ""
    looked = "If nothing is in the gripper, run this again with --no-string."
    if heard.force_n is None:
        return f"The board has no sound reading of its cell and cannot tell whether a string is on. Look. {looked}"
    if abs(heard.force_n) > CONTACT_N:
        return (
            f"The cell shows {show_force(heard.force_n, unit)}, more than the {show_force(CONTACT_N, unit)} of an empty "
            f"gripper. {LET_DOWN}. {looked} (A cell that is not calibrated yet shows anything.)"
        )
    return ""


def says(heard: Heard, unit: str = "N") -> str:
    """One line about a board that answered."""
    state = " and ".join("unarmed" if s == safety.LATCHED else safety.STATES[s] for s in sorted(heard.states))
    force = "no sound reading" if heard.force_n is None else show_force(heard.force_n, unit)
    return f"firmware {heard.info.version}, {state}, {force}"


def greet(port_name: str, wait_s: float) -> Heard | None:
    """Ask for a board of this protocol for at most ``wait_s`` seconds. None: nothing answers, or in another protocol.

    Raises PortError.
    """
    port = open_port(port_name)
    try:
        return _listen(port, wait_s)
    except (LinkError, serial.SerialException, OSError):
        return None
    finally:
        port.close()


def _listen(port: serial.Serial, wait_s: float) -> Heard | None:
    session = Session()
    port.write(b"\n")
    begun = time.monotonic()
    lines = 0
    watched: list[Sample] = []
    ready_s: float | None = None
    while (now := time.monotonic()) < begun + (wait_s if lines else min(wait_s, SILENT_S)):
        if session.ready:
            ready_s = now if ready_s is None else ready_s
            if watched and now - ready_s > LOOK_S:
                break
        with contextlib.suppress(AttributeError, OSError):
            select.select([port.fileno()], [], [], 0.05)
        for said in session.receive(time.monotonic(), bytes(port.read(port.in_waiting or 1))):
            lines += 1
            if isinstance(said, Sample) and session.ready:
                watched.append(said)
        port.write(session.take())
    if session.board is None or session.limits is None or not watched:
        return None
    return Heard(session.board, frozenset(s.state for s in watched), _furthest(watched, session.limits))


def _furthest(watched: list[Sample], limits: Limits) -> float | None:
    forces = [(s.raw_counts - limits.zero_counts) / limits.counts_per_n for s in watched if s.sound]
    return max(forces, key=abs, default=None)
