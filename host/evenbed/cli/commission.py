"""``evenbed commission``: the first start of a rig, guided, from cold."""

from __future__ import annotations

import contextlib
import signal
import sys
import tempfile
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from evenbed.cli.basis import keep
from evenbed.cli.commission_rim import PortRim, Rim, RimError, find_port
from evenbed.cli.keyboard import Keyboard, keyboard
from evenbed.cli.letdown import after_ctrl_c
from evenbed.cli.view import View
from evenbed.commission.commissioning import Commissioning, Outcome
from evenbed.commission.moments import Act, Moment
from evenbed.control.client import Control
from evenbed.control.loop import MAX_PERIOD_US, MIN_PERIOD_US
from evenbed.record.store import folder
from evenbed.rig import Rig, RigError, default_rig, read, update, where
from evenbed.units import show_force

RATES_HZ = (1e6 / MAX_PERIOD_US, 1e6 / MIN_PERIOD_US)
SIGNS = {"passed": "+", "kept": "=", "failed": "!", "left out": "-"}
WIDTH = 112
INTRODUCTION = (
    "First start. No racquet on the rig, eyes covered, one hand near the emergency stop. Nothing moves without a press of "
    "the pedal, and any press stops what moves. At any time you may type: again, skip and why, or stop. Ctrl-C lets down "
    "and keeps what is done."
)


@dataclass(frozen=True)
class CommissionRequest:
    """What was asked on the command line."""

    rig: Path | None = None
    records: Path | None = None
    begin_at: str = "port"
    mistake: str | None = None
    unit: str = "N"
    seed: int = 1


class Window:
    """Carries moments to the steps, and what they say and want to the rim."""

    def __init__(self, rim: Rim, steps: Commissioning, path: Path, view: View, keys: Keyboard) -> None:
        self._rim = rim
        self._steps = steps
        self._path = path
        self._view = view
        self._keys = keys
        self.control: Control | None = None
        self.last: Moment | None = None
        self._told_outcomes = 0

    def run(self) -> None:
        """Until every step is done or it is stopped. Raises RimError, RigError, KeyboardInterrupt."""
        while not self._steps.over:
            for m in self._rim.moments(0.1):
                if self._rim.board is not None:
                    self._steps.meet(*self._rim.board)
                self._steps.step(m)
                if m.alive:
                    self.last = m
                self._carry_out()
            for text in self._rim.typed():
                self._steps.typed(text)
                self._carry_out()
            self._show()
        self._carry_out()

    def _carry_out(self) -> None:
        for happened in self._rim.told:
            if happened.name not in self._steps.expects:
                self._tell(happened.text, "      " if happened.name == "hands" else "    ! ")
        self._rim.told.clear()
        for values in self._steps.writes:
            update(self._path, values)
        self._steps.writes.clear()
        for act in self._steps.acts:
            self._do(act)
        self._steps.acts.clear()
        for say in self._steps.told:
            self._tell(say.text, "  > " if say.deed else "    ")
            self._rim.asked(say.deed)
        self._steps.told.clear()

    def _tell(self, text: str, mark: str) -> None:
        indent = " " * len(mark)
        self._view.tell("\n".join(textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=indent)))

    def _do(self, act: Act) -> None:
        if act.kind == "listen":
            self.control = None
            self._rim.listen()
        elif act.kind == "connect":
            self.control = self._rim.connect(act.value_n)
        elif self.control is not None and act.kind == "ceiling":
            self.control.set_ceiling(act.value_n)
        elif self.control is not None and act.kind == "plan":
            self.control.plan(act.pull)
        elif self.control is not None and act.ask is not None:
            self.control.ask(act.ask)

    def _show(self) -> None:
        if self.last is None or not self._view.live:
            return
        m = self.last
        force = "no reading" if m.force_n is None else show_force(m.force_n, self._view.unit)
        where = "" if m.position_mm is None else f"   {m.position_mm:8.2f} mm"
        state = m.state.replace("_", " ") or "listening"
        self._view.status([f"  {state:<12} {force:>12}{where}", f"  > {self._keys.typing}" if self._keys.typing else ""])


def run(port: str | None, sim: bool, request: CommissionRequest) -> int:
    """Commission; return the exit code: 0 every step passed or kept, 1 no board, 2 asked wrongly, 3 something is open, 130
    Ctrl-C. Without ``port`` and ``sim`` the board's port is looked for."""
    view = View(request.unit)
    # Ended by another program it lets down as on Ctrl-C.
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.ExitStack() as stack:
        try:
            path, rig = _rig_file(request, sim, stack)
            steps = Commissioning(rig, date.today(), RATES_HZ, request.begin_at)
            keys = stack.enter_context(keyboard())
            rim = _rim(port, sim, request, view, keys)
        except (RigError, ValueError) as e:
            print(f"evenbed commission: {e}", file=sys.stderr)
            return 2
        except RimError as e:
            view.tell(str(e))
            return 1
        except KeyboardInterrupt:
            return 130
        stack.callback(rim.close)
        view.tell(textwrap.fill(INTRODUCTION, WIDTH))
        window = Window(rim, steps, path, view, keys)
        code = _follow(window, view)
        return _close(steps, rim, request, path, view, code)


def _rig_file(request: CommissionRequest, sim: bool, stack: contextlib.ExitStack) -> tuple[Path, Rig]:
    """Where results go, and the rig so far. What a simulated rig shows is not written into anybody's own file."""
    if sim and request.rig is None:
        path = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "rig.toml"
    else:
        path = where(request.rig)
        if sim and path.resolve() == where().resolve():
            raise ValueError(f"{path} is your own rig: a simulated one writes its results into another file (--rig FILE)")
    return path, read(path) if path.exists() else default_rig()


def _rim(port: str | None, sim: bool, request: CommissionRequest, view: View, keys: Keyboard) -> Rim:
    if not sim:
        return PortRim(port or find_port(view.tell), folder(request.records), keys)
    from evenbed.cli.commission_sim import SimRim

    rim = SimRim(request.mistake, seed=request.seed)
    seeded = f", with a mistake ({request.mistake})" if request.mistake else ""
    view.tell(f"A simulated rig{seeded}; simulated hands do what is asked. Time runs as fast as it can.")
    return rim


def _follow(window: Window, view: View) -> int | None:
    """Run it; returns an exit code if it could not come to its end."""
    try:
        window.run()
    except (RimError, RigError) as e:
        view.tell(str(e))
        return 1
    except KeyboardInterrupt:
        said = after_ctrl_c(window.control, view) if window.control is not None else "Ctrl-C."
        view.tell(f"{said} What is done is kept.")
        return 130
    return None


def _close(steps: Commissioning, rim: Rim, request: CommissionRequest, path: Path, view: View, code: int | None) -> int:
    """The list of what was done, and the entry in the records."""
    view.status([])
    view.tell("")
    for o in steps.outcomes:
        mark = f"{SIGNS[o.verdict]} {o.step.title:<24}{o.verdict:<10}"
        view.tell(textwrap.fill(o.says, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark)))
    says = _verdict(steps)
    if path.exists():
        theirs = rim.simulated and request.rig is None
        view.tell("Results, as rig.toml would hold them:" if theirs else f"Results in {path}:")
        view.tell("\n".join(_results(path)))
    if not steps.outcomes and not steps.failures:
        return code if code is not None else 3
    values: dict[str, Any] = {o.step.name: _plain(o) for o in steps.outcomes}
    values["failures"] = [list(f) for f in steps.failures]
    if rim.simulated:
        values["simulated"] = True
    number, why_not = keep(folder(request.records), "commission", None, "pass" if steps.passed else "fail", says, values)
    view.tell(textwrap.fill(f"{says} {f'Kept as measurement {number}.' if number is not None else why_not}", WIDTH))
    return code if code is not None else 0 if steps.passed else 3


def _verdict(steps: Commissioning) -> str:
    if steps.passed:
        return "Commissioned: every step has passed. Next: evenbed calibrate, then evenbed prove before each session."
    unfinished = [s.title for s in steps.unfinished]
    return (
        f"Not finished: {', '.join(unfinished)}. No string before that is put right; go on with --from "
        f"{steps.unfinished[0].name}."
    )


def _plain(o: Outcome) -> dict[str, Any]:
    found: Mapping[str, Any] = o.found
    return {"verdict": o.verdict, "says": o.says, "found": dict(found)}


def _results(path: Path) -> list[str]:
    """The lines of the file that commissioning has written."""
    lines, inside = [], False
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            inside = line.strip() in ("[measured]", "[holds_without_power]")
        if inside and "=" in line and not line.lstrip().startswith("#"):
            lines.append("  " + line.split("#")[0].rstrip())
    return lines
