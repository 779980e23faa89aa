"""Faults of the simulated rig, each a line of text: when, what, how.

    <when> <part> <how> [value] [for <seconds>s]

``when`` is a time since power-up (``4.2s``), a true force first exceeded (``180N``) or a while after that (``180N+0.5s``).
``how`` is one of a fixed vocabulary; ``value`` where it needs one:

    cell    off · stuck · garbage · wrong <factor> · slow <factor> · delayed <readings> · intermittent <share>
    motor   off · stuck · wrong <factor> · slow <factor> · intermittent <share lost>
    pedal   off · stuck · garbage · wrong (both contacts closed) · intermittent <share>
    to-host, to-board (the two ways of the wire)
            off · stuck (the last line again) · garbage <share> · delayed <ms> · intermittent <share lost>
    board   off · slow <ms per pass>
    estop   on      supply  off      string  off (breaks) · slow <mm slipped at the gripper>

A part that does not know a word refuses it. Several lines make a scenario file; ``#`` begins a comment. Such a file may
also say how the rig is built (:mod:`evenbed_sim.scenario`).
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, replace
from random import Random

from evenbed_fw.hardware import I_PEDAL_A, I_PEDAL_B

from evenbed_sim.converter import CODE_MAX, CODE_MIN
from evenbed_sim.rig import Rig

KNOWN = {
    "cell": {"off", "stuck", "garbage", "wrong", "slow", "delayed", "intermittent"},
    "motor": {"off", "stuck", "wrong", "slow", "intermittent"},
    "pedal": {"off", "stuck", "garbage", "wrong", "intermittent"},
    "to-host": {"off", "stuck", "garbage", "delayed", "intermittent"},
    "to-board": {"off", "stuck", "garbage", "delayed", "intermittent"},
    "board": {"off", "slow"},
    "estop": {"on"},
    "supply": {"off"},
    "string": {"off", "slow"},
}
NEEDS_VALUE = {"wrong": {"cell", "motor"}, "slow": {"cell", "motor", "board", "string"}, "delayed": {"cell"}}
DEFAULTS = {"garbage": 0.3, "intermittent": 0.3, "delayed": 60.0}


class FaultError(ValueError):
    """A fault line that cannot be understood; the text says which and why."""


@dataclass(frozen=True)
class Fault:
    """One fault. Exactly one of ``at_s`` and ``above_n`` is set, ``after_s`` counts from the latter; ``for_s`` None means
    for good."""

    part: str
    how: str
    value: float = 0.0
    at_s: float | None = None
    above_n: float | None = None
    for_s: float | None = None
    after_s: float = 0.0


def parse(line: str) -> Fault:
    """Read one line. Raises FaultError with the reason."""
    words = line.split("#")[0].split()
    for_s = None
    if len(words) >= 2 and words[-2] == "for":
        for_s = _number(words[-1].removesuffix("s"), line)
        words = words[:-2]
    if len(words) not in (3, 4):
        raise FaultError(f"{line!r}: write when, what and how, such as '180N cell stuck' or '4.2s estop on for 2s'.")
    m = re.fullmatch(r"(\d+(?:\.\d+)?)(?:(s)|N(?:\+(\d+(?:\.\d+)?)s)?)", words[0])
    if not m:
        raise FaultError(f"{line!r}: {words[0]!r} is no time (4.2s) and no force (180N, 180N+0.5s).")
    part, how = words[1], words[2]
    if part not in KNOWN:
        raise FaultError(f"{line!r}: no part {part!r}; there are {', '.join(KNOWN)}.")
    if how not in KNOWN[part]:
        raise FaultError(f"{line!r}: {part} can be {', '.join(sorted(KNOWN[part]))}, not {how!r}.")
    if len(words) == 4:
        value = _number(words[3], line)
    elif part in NEEDS_VALUE.get(how, set()):
        raise FaultError(f"{line!r}: {part} {how} needs a value.")
    else:
        value = DEFAULTS.get(how, 0.0)
    number = float(m.group(1))
    if m.group(2) == "s":
        return Fault(part, how, value, at_s=number, for_s=for_s)
    return Fault(part, how, value, above_n=number, for_s=for_s, after_s=float(m.group(3) or 0.0))


def parse_file(text: str) -> list[Fault]:
    """Read a scenario: one fault a line, blank lines and comments aside. Raises FaultError."""
    return [parse(line) for line in text.splitlines() if line.split("#")[0].strip()]


def _number(word: str, line: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise FaultError(f"{line!r}: {word!r} is not a number.") from None


class FaultPlayer:
    """Brings faults into one rig when they are due and takes them out again. Hooks every part once."""

    def __init__(self, rig: Rig, faults: list[Fault], seed: int = 1) -> None:
        self._rig = rig
        self._rng = Random(seed)
        self._waiting = list(faults)
        self._ends: list[tuple[float, Fault]] = []
        self._on: dict[str, Fault] = {}
        self._last_code = 0
        self._late_codes: deque[int] = deque()
        self._last_line: dict[str, bytes] = {}
        self.log: list[tuple[float, str]] = []
        rig.watchers.append(self._watch)
        rig.bend_reading = self._reading
        rig.motor_scale = self._motor
        rig.pedal_wires = self._pedal
        rig.bend_wire = self._wire

    @property
    def active(self) -> bool:
        """Is a fault in the rig now?"""
        return bool(self._on)

    def add(self, fault: Fault) -> None:
        """One more fault."""
        self._waiting.append(fault)

    def repair(self) -> None:
        """Take out every fault, and those that are still to come. A broken string stays broken."""
        self._waiting.clear()
        self._ends.clear()
        for fault in list(self._on.values()):
            self._switch(fault, False, self._rig.t_us * 1e-6)

    def _watch(self, t_us: float) -> None:
        t = t_us * 1e-6
        for end, fault in list(self._ends):
            if t >= end:
                self._ends.remove((end, fault))
                self._switch(fault, False, t)
        for fault in list(self._waiting):
            due = fault.at_s is not None and t >= fault.at_s
            above = fault.above_n is not None and self._rig.force_n > fault.above_n
            if above and fault.after_s:
                self._waiting.remove(fault)
                self._waiting.append(replace(fault, at_s=t + fault.after_s, above_n=None, after_s=0.0))
            elif due or above:
                self._waiting.remove(fault)
                self._switch(fault, True, t)
                if fault.for_s is not None:
                    self._ends.append((t + fault.for_s, fault))

    def _switch(self, fault: Fault, on: bool, t: float) -> None:
        rig = self._rig
        if not on and self._on.get(fault.part) is not fault:
            return  # a later fault of this part has taken its place
        self.log.append((t, f"{fault.part} {fault.how}" + ("" if on else " ends")))
        if on:
            self._on[fault.part] = fault
        else:
            self._on.pop(fault.part, None)
        if fault.part == "estop":
            rig.press_estop(on)
        elif fault.part == "supply":
            rig.switch_supply(not on)
        elif fault.part == "board":
            rig.board_runs = not (on and fault.how == "off")
            rig.board_delay_us = fault.value * 1000.0 if on and fault.how == "slow" else 0.0
        elif fault.part == "string" and on:
            rig.flush()
            if fault.how == "off":
                rig.plant.string_breaks()
            else:
                rig.plant.gripper_slips(fault.value)
        elif fault.part == "cell":
            rig.period_scale = fault.value if on and fault.how == "slow" else 1.0

    def _reading(self, code: int) -> int | None:
        fault = self._on.get("cell")
        if fault is None or fault.how == "slow":
            self._last_code = code
            self._late_codes.clear()
            return code
        if fault.how == "off":
            return None
        if fault.how == "stuck":
            return self._last_code
        if fault.how == "garbage":
            if self._rng.random() < fault.value:
                # Bits slipped while they were clocked out.
                return (
                    (code >> self._rng.randint(1, 4)) if self._rng.random() < 0.5 else (1 << self._rng.randint(4, 23)) - 1
                )
            return code
        if fault.how == "wrong":
            zero = self._rig.params.cell.zero_counts
            return min(max(round(zero + (code - zero) * fault.value), CODE_MIN), CODE_MAX)
        if fault.how == "delayed":
            self._late_codes.append(code)
            return self._late_codes.popleft() if len(self._late_codes) > fault.value else self._late_codes[0]
        return None if self._rng.random() < fault.value else code

    def _motor(self) -> float:
        fault = self._on.get("motor")
        if fault is None:
            return 1.0
        if fault.how in ("off", "stuck"):
            return 0.0
        if fault.how in ("wrong", "slow"):
            return fault.value
        return 0.0 if self._rng.random() < fault.value else 1.0

    def _pedal(self, pins: int) -> int:
        fault = self._on.get("pedal")
        if fault is None:
            return pins
        both = I_PEDAL_A | I_PEDAL_B
        rest = pins & ~both
        if fault.how == "off":
            return rest
        if fault.how == "stuck":
            return rest | I_PEDAL_A
        if fault.how == "wrong":
            return rest | both
        if fault.how == "garbage":
            return rest | (self._rng.getrandbits(2) * I_PEDAL_A & both)
        return rest if self._rng.random() < fault.value else pins

    def _wire(self, way: str, line: bytes) -> list[tuple[float, bytes]]:
        """What becomes of one line: (microseconds later, bytes)."""
        fault = self._on.get(way)
        before = self._last_line.get(way, line)
        if fault is None:
            self._last_line[way] = line
            return [(0.0, line)]
        if fault.how == "off":
            return []
        if fault.how == "stuck":
            return [(0.0, before)]
        if fault.how == "delayed":
            return [(fault.value * 1000.0, line)]
        if self._rng.random() >= fault.value:
            return [(0.0, line)]
        if fault.how == "intermittent":
            return []
        broken = bytearray(line)
        broken[self._rng.randrange(len(broken))] ^= 1 << self._rng.randrange(8)
        return [(0.0, bytes(broken))]
