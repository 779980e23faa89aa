"""The terminal view: the word of the moment, the force against its reference, and the string on the head.

On a terminal three lines are repainted in place; elsewhere (a pipe, a log) only what happens is printed.
"""

from __future__ import annotations

import sys
from typing import TextIO

from evenbed.control.status import Status
from evenbed.units import show_force

BAR = 48
SPAN = 0.05  # the bar's half width, of the reference


def gauge(force_n: float | None, reference_n: float) -> str:
    """Draw the force as a mark on a bar whose middle is the reference; the band of +-0.5 % is marked.

    Below the bar's span the whole bar shows the way from zero instead, so that a draw is seen coming.
    """
    half = BAR // 2
    cells = ["-"] * (BAR + 1)
    if force_n is None:
        return "[" + "?" * (BAR + 1) + "]"
    off = (force_n - reference_n) / reference_n
    if off < -SPAN:
        filled = round(max(0.0, force_n / reference_n) * half)
        return "[" + "=" * filled + " " * (half - filled) + "|" + " " * half + "]"
    band = max(1, round(0.005 / SPAN * half))
    for i in range(half - band, half + band + 1):
        cells[i] = "="
    cells[half] = "|"
    cells[min(max(round(half + off / SPAN * half), 0), BAR)] = "O"
    return "[" + "".join(cells) + "]"


def lines(s: Status, unit: str, extra: str = "") -> list[str]:
    """The three lines of one moment."""
    reference = s["reference_n"]
    shown = show_force(s["force_n"], unit) if s["force_n"] is not None else "no force: " + s["why"]
    first = f"  {s['word'].upper():<12} {s['label']:<18} {extra}"
    if reference is None:
        return [first, f"  {shown}", ""]
    off = ""
    if s["force_n"] is not None and s["state"] in ("drawing", "holding", "pre_stretching", "proving_clamp"):
        off = f"{100.0 * (s['force_n'] / reference - 1.0):+.2f} %"
    second = f"  {shown:>12}  {gauge(s['force_n'], reference)}  {show_force(reference, unit)}  {off}"
    third = f"  {s['state'].replace('_', ' ')}"
    if s["loss_now_n"] is not None and s["loss_later_n"] is not None:
        third += (
            f" · clamped now it would lose {show_force(s['loss_now_n'], unit)} in the next minute,"
            f" in 5 s {show_force(s['loss_later_n'], unit)}"
        )
    return [first, second, third]


class View:
    """Paints statuses and tells events."""

    def __init__(self, unit: str, out: TextIO | None = None) -> None:
        self.unit = unit
        self._out = out or sys.stdout
        self.live = self._out.isatty()
        self._painted = 0

    def _wipe(self) -> None:
        if self._painted:
            self._out.write(f"\x1b[{self._painted}A\x1b[J")
            self._painted = 0

    def paint(self, s: Status, extra: str = "") -> None:
        """Show one moment, on a terminal only."""
        self.status(lines(s, self.unit, extra))

    def status(self, text: list[str]) -> None:
        """Show lines that the next ones replace, on a terminal only."""
        if not self.live:
            return
        self._wipe()
        self._out.write("".join(f"\x1b[2K{line}\n" for line in text))
        self._painted = len(text)
        self._out.flush()

    def tell(self, text: str) -> None:
        """Print a line that stays."""
        self._wipe()
        self._out.write(text + "\n")
        self._out.flush()
