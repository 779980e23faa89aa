"""Simulated hands that hang weights: lines in, deeds on the rig. And a rig with such hands of one's own."""

from __future__ import annotations

import contextlib
import math
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from random import Random

from evenbed_sim.converter import CODE_MAX, CODE_MIN, CellParams
from evenbed_sim.faults import FaultError, FaultPlayer, parse
from evenbed_sim.rig import Rig

from evenbed.calibration.weights import KG_PER_LB, Place, weight_force
from evenbed.units import STANDARD_GRAVITY

HOLD_S = 2.3
RATED_COUNTS_N = CellParams().counts_per_n
SWING, SWING_HZ, SWING_TAU_S = 0.005, 1.4, 0.4  # a weight hung by a careful hand
TREMOR, TREMOR_TAU_S = 0.05, 0.2  # of the force of a hand that leans (no source)
MAINS_HZ = 50.2  # off the half of 80 readings a second, where a hum could not be told from an offset
HOW = (
    "5 or 5kg hangs that mass (lb and N too), 0 takes it off, hold presses the pedal for 2.3 s, lean 3 leans a hand on the "
    "gripper with 3 N, drift 1 lets the cell drift by 1 N a minute, hum 0.5 adds a hum of 0.5 N, repair ends all that, "
    "fault LINE brings a fault in"
)


class WeightHands:
    """Hands at one rig. ``do`` takes a line and returns what was done, in words."""

    def __init__(self, rig: Rig, player: FaultPlayer, g_m_s2: float = STANDARD_GRAVITY, seed: int = 1) -> None:
        self._rig = rig
        self._player = player
        self._place = Place(g_m_s2, 0.0)
        self._rng = Random(f"hands {seed}")
        self._hung_n = 0.0
        self._hung_s = 0.0
        self._lean_n = 0.0
        self._tremor = 0.0
        self._drift_n_min = 0.0
        self._drift_from_s = 0.0
        self._hum_n = 0.0
        self._release_s: float | None = None
        self._reading = rig.bend_reading
        rig.bend_reading = self._bend
        rig.watchers.append(self._watch)

    @property
    def _t_s(self) -> float:
        return self._rig.t_us * 1e-6

    def do(self, line: str) -> str:
        """Do what the line says."""
        words = line.strip().split()
        if not words:
            return ""
        if words[0] == "hold":
            self._rig.press_pedal(True)
            self._release_s = self._t_s + HOLD_S
            return "holds the pedal"
        if words[0] == "fault":
            return self._fault(" ".join(words[1:]))
        if words[0] == "repair":
            self._player.repair()
            self._lean_n = self._drift_n_min = self._hum_n = 0.0
            return "everything is as it was"
        try:
            if words[0] == "lean":
                self._lean_n = float(words[1])
                return f"a hand leans on the gripper with {self._lean_n:g} N"
            if words[0] == "drift":
                self._drift_n_min, self._drift_from_s = float(words[1]), self._t_s
                return f"the cell drifts by {self._drift_n_min:g} N a minute"
            if words[0] == "hum":
                self._hum_n = float(words[1])
                return f"a hum of {self._hum_n:g} N"
        except (IndexError, ValueError):
            return f"{line.strip()!r} needs a number. These hands know: {HOW}."
        return self._hang(line.strip())

    def _hang(self, text: str) -> str:
        m = re.fullmatch(r"(\d+(?:\.\d*)?)\s*(kg|lb|N)?", text)
        if m is None:
            return f"{text!r} is not understood. These hands know: {HOW}."
        value = float(m[1])
        mass_kg = value * (KG_PER_LB if m[2] == "lb" else 1.0)
        self._hung_n = value if m[2] == "N" else weight_force(mass_kg, self._place) if mass_kg else 0.0
        self._hung_s = self._t_s
        return f"{self._hung_n:.3f} N hang on the gripper" if self._hung_n else "takes everything off"

    def _fault(self, text: str) -> str:
        try:
            fault = parse(text if re.match(r"\d", text) else f"0s {text}")
        except FaultError as e:
            return str(e)
        self._player.add(fault)
        return f"fault: {text}"

    def _watch(self, t_us: float) -> None:
        t = t_us * 1e-6
        if self._release_s is not None and t >= self._release_s:
            self._release_s = None
            self._rig.press_pedal(False)
        hangs_s = t - self._hung_s
        swing = SWING * math.exp(-hangs_s / SWING_TAU_S) * math.cos(2.0 * math.pi * SWING_HZ * hangs_s)
        keep = math.exp(-0.01 / TREMOR_TAU_S)
        self._tremor = keep * self._tremor + math.sqrt(1.0 - keep * keep) * self._rng.gauss(0.0, TREMOR)
        self._rig.hang(self._hung_n * (1.0 + swing) + self._lean_n * (1.0 + self._tremor))

    def _bend(self, code: int) -> int | None:
        bent = self._reading(code)
        if bent is None or not (self._drift_n_min or self._hum_n):
            return bent
        t = self._t_s
        more_n = self._drift_n_min * (t - self._drift_from_s) / 60.0 if self._drift_n_min else 0.0
        more_n += self._hum_n * math.sin(2.0 * math.pi * MAINS_HZ * t)
        return min(max(bent + round(more_n * self._rig.params.cell.counts_per_n), CODE_MIN), CODE_MAX)


@contextlib.contextmanager
def rig_with_hands(arguments: Sequence[str]) -> Iterator[tuple[str, Callable[[str], None]]]:
    """Start ``evenbed simrig --hands weights`` with ``arguments``; yields its port and what takes a line for the hands.
    Raises ValueError if it does not start."""
    command = [sys.executable, "-m", "evenbed.cli.main", "simrig", "--hands", "weights", *arguments]
    rig = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True)
    assert rig.stdin is not None and rig.stdout is not None
    hands = rig.stdin

    def say(line: str) -> None:
        with contextlib.suppress(OSError):  # a rig that has gone is told by its port
            hands.write(line + "\n")
            hands.flush()

    try:
        first = rig.stdout.readline()
        m = re.search(r" on (\S+)", first)
        if not m:
            raise ValueError("The simulated rig did not start: " + first.strip())
        yield m.group(1), say
    finally:
        with contextlib.suppress(OSError):
            hands.close()
        rig.terminate()
        rig.wait(2.0)
        rig.stdout.close()
