"""A job driven by hand in tests: what the control process would say, without one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evenbed.job import marks
from evenbed.job.job import Job
from evenbed.job.marks import Mark
from evenbed.job.notebook import Line
from evenbed.job.plan import make_plan
from evenbed.job.planned import Plan
from evenbed.racquet.file import read

EXAMPLES = Path(__file__).parents[2] / "host/evenbed/racquet/examples"


def demo_plan() -> Plan:
    """The plan of the little demo racquet: six mains and seven crosses in one piece."""
    return make_plan(read(EXAMPLES / "demo-six-by-seven.racquet.toml"))


class Bench:
    """A job and everything that it has written and said."""

    def __init__(self, plan: Plan | None = None, before: list[Mark] | None = None) -> None:
        self.plan = plan or demo_plan()
        self.job = Job(self.plan, before or [])
        self.written: list[Mark] = list(before or [])
        self.said: list[Line] = []
        self.now_s = 0.0
        self.take()

    def take(self) -> list[Line]:
        """Empty what the job has to write and say; return what it said."""
        made, lines = self.job.take()
        self.written += made
        self.said += lines
        return lines

    def hear(self, message: dict[str, Any]) -> list[Line]:
        """One message of the control process."""
        self.job.hear(self.now_s, message)
        return self.take()

    def tap(self) -> list[Line]:
        """A tap of the pedal that draws nothing."""
        values = {"tap": 1.0}
        return self.hear({"kind": "event", "t_s": self.now_s, "name": "hint", "says": "", "values": values})

    def head(self, state: str) -> list[Line]:
        """The head has a new state."""
        return self.hear({"kind": "event", "t_s": self.now_s, "name": "state", "says": state, "values": {}})

    def act(self, action: str, **values: Any) -> list[Line]:
        """The stringer says something."""
        self.job.act(self.now_s, action, **values)
        return self.take()

    def record(self, ended: str = "let off", **values: Any) -> list[Line]:
        """The head has made the pull that is wanted, or not."""
        wanted = self.job.wanted
        assert wanted is not None
        pull = self.job.state.next or self.job.state.done[-1].pull
        free_mm = pull.length_mm + 150.0
        record = {
            "label": wanted.label,
            "reference_n": wanted.reference_n,
            "ended": ended,
            "reached_s": 1.5,
            "clamped_s": 6.0,
            "force_at_clamp_n": wanted.reference_n,
            "stiffness_n_mm": 3700.0 * (1.3 if pull.woven else 1.0) / free_mm,
            "draw_length_mm": wanted.reference_n * free_mm / 3200.0,
            "take_up_mm": 0.8,
            "proof": "holds",
            **values,
        }
        return self.hear({"kind": "record", "record": record})

    def pull(self, **values: Any) -> list[Line]:
        """One whole pull."""
        self.now_s += 30.0
        said: list[Line] = []
        for state in ("taking_up", "drawing", "holding", "proving_clamp", "easing_off", "returning"):
            said += self.head(state)
        said += self.record(**values)
        return said + self.head("slack")

    def to_stringing(self) -> None:
        """Through the list before the first main."""
        self.head("slack")
        while self.job.state.phase == marks.INTAKE:
            self.tap()

    def string(self, pulls: int) -> None:
        """So many pulls, with the knots that come between."""
        for _ in range(pulls):
            if self.job.state.knot:
                self.tap()
            self.pull()


def asked(said: list[Line]) -> list[str]:
    """The questions among these lines."""
    return [line.text for line in said if line.kind == "question"]
