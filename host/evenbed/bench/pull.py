"""Free work at its smallest: one reference, as many pulls as wanted, nothing counted."""

from __future__ import annotations

from typing import Any

from evenbed.control.client import Control
from evenbed.head.types import Pull
from evenbed.job.ceiling import Ceiling, Planned, session_ceiling
from evenbed.job.notebook import Line


def ceiling_of(reference_n: float, family: str, unit: str) -> Ceiling:
    """The session's ceiling for pulls without a racquet. Raises CeilingError with what to do."""
    return session_ceiling([Planned(reference_n, family=family)], unit=unit)


class FreePull:
    """Pulls at one reference, one after another."""

    def __init__(self, control: Control, reference_n: float, family: str, woven: bool, unit: str) -> None:
        self._control = control
        self.unit = unit
        self._pull = Pull(reference_n=reference_n, family=family, woven=woven, label="one pull")
        self._records: list[dict[str, Any]] = []
        self.unwritten = False  # it writes nothing

    def start(self) -> list[Line]:
        """Plan the pull."""
        self._control.plan(self._pull)
        return []

    def hear(self, messages: list[dict[str, Any]]) -> list[Line]:
        """Take messages of the control process."""
        self._records += [m["record"] for m in messages if m["kind"] == "record"]
        return [Line("remark", m["says"]) for m in messages if m["kind"] == "refused"]

    def act(self, action: str, **values: Any) -> list[Line]:
        """There is no job to do anything with."""
        return [Line("say", "That belongs to a job; this is a single pull.")]

    def view(self) -> dict[str, Any]:
        """What there is to see, in the manner of a job."""
        let_off = [r for r in self._records if r["ended"] == "let off"]
        return {
            "name": "",
            "unit": self.unit,
            "phase": "free",
            "done": len(let_off),
            "total": 0,
            "reference_n": self._pull.reference_n,
            "woven": self._pull.woven,
        }
