"""Plays a scenario file on the virtual clock: the rig and the stringer of ``evenbed simrig``, the pull of its comment.

python -m tests.campaign.replay tests/campaign/worst/01-name.scenario
"""

from __future__ import annotations

import re
import shlex
import sys
from dataclasses import dataclass
from pathlib import Path

from evenbed.cli.main import main as evenbed
from evenbed.cli.simrig import habits_for
from evenbed.head.types import Pull
from evenbed_fw import faults, safety
from evenbed_sim.scenario import Scenario, read
from handled_rig import HandledRig

WORST = Path(__file__).with_name("worst")
STANDARD_S = 16.0


@dataclass(frozen=True)
class Replayed:
    """One replay. ``share`` is the least part of the truth that the cell shows, 1 where it does not read low."""

    scenario: Scenario
    r: HandledRig
    bed_n: list[tuple[float, float]]  # tension in the bed over time

    @property
    def margin_n(self) -> float:
        """What the true peak left of ceiling + overrun."""
        return self.r.bound_n - self.r.rig.plant.peak_n

    @property
    def told(self) -> list[str]:
        """What was told beyond the ordinary, in order."""
        ordinary = {"state", "connected", "disturbance", "steady", "pull_done", "hint", "also"}
        return [e.name for _, e in self.r.host.events if e.name not in ordinary]

    @property
    def trips(self) -> list[str]:
        """Trips and stops of the board among them."""
        return [name for name in self.told if name in faults.NAMES]


def pull_of(text: str) -> tuple[Pull, float]:
    """The pull and the ceiling (N) that the scenario's comment gives as a command, understood by the program's own command
    line."""
    m = re.search(r"^# +(evenbed pull .*--port PORT.*)$", text, re.MULTILINE)
    assert m is not None, "no '# evenbed pull ... --port PORT' in the scenario"
    said = evenbed.commands["pull"].make_context("pull", shlex.split(m.group(1))[2:]).params
    pull = Pull(
        said["reference"][0],
        family=said["family"],
        woven=said["woven"],
        speed_mm_s=said["speed"],
        over_pull=said["pre_stretch"] / 100.0,
    )
    assert said["ceiling"] is not None, "a scenario that is measured gives its --ceiling"
    return pull, said["ceiling"][0]


def replay(path: Path, for_s: float = STANDARD_S) -> Replayed:
    """Play one file."""
    text = path.read_text()
    scenario = read(text)
    pull, ceiling_n = pull_of(text)
    plan = scenario.rig
    r = HandledRig(pull, plan.plant(), plan.params(), plan.seed, ceiling_n, habits_for(plan))
    for fault in scenario.faults:
        r.faults.add(fault)
    bed: list[tuple[float, float]] = []
    witness = r.host.on_line
    assert witness is not None

    def listen(now_s: float) -> None:
        witness(now_s)
        bed.append((now_s, r.rig.plant.bed_tension_n()))

    r.host.on_line = listen
    r.wait(for_s)
    return Replayed(scenario, r, bed)


def main(path: Path) -> None:
    """Show what happens."""
    done = replay(path)
    r = done.r
    log = [(t, "FAULT " + what) for t, what in r.faults.log]
    log += [(t, "stringer " + what) for t, what in r.stringer.log] if r.stringer is not None else []
    log += [(t, f"{e.name}: {e.says}") for t, e in r.host.events]
    for t, what in sorted(log):
        m = min(r.moments, key=lambda m: abs(m.t_s - t))
        bed = min(done.bed_n, key=lambda b: abs(b[0] - t))[1]
        board = safety.STATES[m.board]
        print(f"{t:7.3f} s {m.force_n:6.1f} N, bed {bed:6.1f} N {m.carriage_mm:7.2f} mm {board:8} {what}")
    print(f"\npeak {r.rig.plant.peak_n:.1f} N, bound {r.bound_n:.1f} N, margin {done.margin_n:.1f} N, told {done.told}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
