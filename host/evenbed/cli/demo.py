"""``evenbed demo``: the simulated rig strings a small racquet; a table and a picture at the end."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from evenbed_sim.scenarios.demo import Demo, Strung
from evenbed_sim.scenarios.virtual import VirtualRun

from evenbed.cli.picture import Trace, svg
from evenbed.cli.view import View
from evenbed.control.status import status
from evenbed.units import show_force

FRAME_S = 0.04
SHORT = 3.2  # virtual seconds per second shown
PACE = {"real": 1.0, "short": SHORT, "none": 0.0}


class Show:
    """Paces the virtual clock and paints it."""

    def __init__(self, pace: str, view: View, pulls: int) -> None:
        self._speed = PACE[pace]
        self._view = view
        self._pulls = pulls
        self._begun = time.monotonic()
        self._frame_s = -1.0
        self._press_s = 0.0
        self._was = ""
        self.demo: Demo | None = None
        self.trace: list[tuple[float, float]] = []

    def __call__(self, now_s: float, host: VirtualRun) -> None:
        """Called with every line that the board sends."""
        head = host.loop.head
        if head is None or self.demo is None:
            return
        if head.state == "taking_up" and self._was != "taking_up":
            self._press_s = now_s
            self.trace = []
        self._was = head.state
        if head.shot is not None and head.record is not None and not head.record.ended:
            self.trace.append((now_s - self._press_s, head.shot.force_n))
        if not self._speed:
            return
        ahead = now_s / self._speed - (time.monotonic() - self._begun)
        if ahead > 0.002:
            time.sleep(ahead)
        if now_s - self._frame_s >= FRAME_S * self._speed:
            self._frame_s = now_s
            done = len(self.demo.strung)
            doing = self.demo.stringer.log[-1][1] if self.demo.stringer.log else ""
            self._view.paint(status(now_s, head), f"{done} of {self._pulls} strings · the stringer {doing}")


def row(s: Strung, unit: str) -> list[str]:
    """One line of the table."""
    r = s.record

    def number(value: float | None, digits: int) -> str:
        return "-" if value is None else f"{value:.{digits}f}"

    held = None if r.clamped_s is None or r.reached_s is None else r.clamped_s - r.reached_s
    return [
        s.pull.label,
        show_force(r.reference_n, unit),
        show_force(r.force_at_clamp_n, unit) if r.force_at_clamp_n is not None else "-",
        show_force(s.peak_n, unit),
        number(r.reached_s, 2),
        number(held, 1),
        number(r.draw_length_mm, 1),
        number(r.take_up_mm, 1),
        number(r.stiffness_n_mm, 1),
        r.proof,
        show_force(s.kept_n, unit),
    ]


HEAD = [
    ("string", "", 12),
    ("asked", "", 9),
    ("at clamp", "", 9),
    ("highest", "true", 9),
    ("reached", "s", 7),
    ("held", "s", 4),
    ("draw", "mm", 5),
    ("take-up", "mm", 7),
    ("k", "N/mm", 5),
    ("clamp", "", 14),
    ("kept", "true", 9),
]


def table(strung: list[Strung], unit: str) -> str:
    """All pulls as a table with units in its head."""

    def line(cells: list[str]) -> str:
        pairs = zip(cells, HEAD, strict=True)
        return " ".join(c.ljust(w) if i in (0, 9) else c.rjust(w) for i, (c, (_, _, w)) in enumerate(pairs))

    out = [line([name for name, _, _ in HEAD]), line([u for _, u, _ in HEAD])]
    out += [line(row(s, unit)) for s in strung]
    return "\n".join(out)


def run(pace: str, unit: str, picture: Path, seed: int) -> int:
    """Run the demo; return the exit code."""
    view = View(unit)
    if not picture.parent.is_dir():
        print(f"evenbed demo: there is no folder {picture.parent} for the picture.", file=sys.stderr)
        return 2
    try:
        demo = Demo(seed)
    except ImportError:
        print("evenbed demo needs pseudo-terminals: Linux or macOS.", file=sys.stderr)
        return 1
    show = Show(pace, view, len(demo.pulls))
    show.demo = demo
    demo.watch(show)
    mains = sum(not p.woven for p in demo.pulls)
    view.tell(
        f"Stringing a demo racquet of {mains} mains and {len(demo.pulls) - mains} crosses on a simulated rig; its board "
        f"is on {demo.wire.name}."
    )
    if pace == "short":
        view.tell(f"Time runs {SHORT:g} times as fast as on a real rig. Ctrl-C stops.")
    try:
        for strung in demo.run():
            strung.trace = show.trace
            r = strung.record
            view.tell(
                f"  {strung.pull.label:<13} {show_force(r.force_at_clamp_n or 0.0, unit):>10} at the clamp, "
                f"reached in {r.reached_s or 0.0:.2f} s, held {(r.clamped_s or 0.0) - (r.reached_s or 0.0):.1f} s, "
                f"clamp {r.proof}"
            )
    except KeyboardInterrupt:
        view.tell("Stopped. On a real rig Ctrl-C lets the string down first.")
        return 130
    view.tell("")
    view.tell(table(demo.strung, unit))
    share = sum(s.kept_n for s in demo.strung) / sum(s.record.reference_n for s in demo.strung)
    view.tell("")
    view.tell(
        f"Ten minutes later the strings keep {100.0 * share:.0f} % of what was asked, in the simulation's own truth: the "
        "rest went into\nrelaxation, friction, the clamps and the frame. 'not yet judged': the rig's normal clamp is "
        "learnt over three pulls."
    )
    traces = [
        Trace(s.pull.label, s.record.reference_n, s.trace, s.marks, f"reached in {s.record.reached_s or 0.0:.2f} s")
        for s in demo.strung
    ]
    picture.write_text(svg(traces, unit, "Every pull of the demo racquet"))
    view.tell(f"A picture of every pull: {picture}")
    view.tell("Next: '.venv/bin/evenbed simrig' in one terminal, a pull in another; the README shows how.")
    return 0
