"""Jobs as the records would hold them, made by the job itself: a seeded stringer and a seeded string answer it.

The string is a log law with friction on crosses; numbers of hands are invented. What a test checks is said in the test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from evenbed.job import marks as kinds
from evenbed.job.job import Job
from evenbed.job.marks import Mark, fold
from evenbed.job.plan import make_plan
from evenbed.job.planned import Plan, PlannedPull
from evenbed.racquet.file import examples, parse
from evenbed.record.jobs import JobRow, Jobs
from evenbed.record.store import Store
from evenbed.report.kept import Kept, of

START = datetime(2031, 5, 4, 9, 30, tzinfo=UTC)
EA_N = {"gut": 4900.0, "nylon": 3900.0, "polyester": 7400.0, "aramid": 20000.0, "badminton nylon": 1150.0}
DECADE = {"gut": 0.033, "nylon": 0.053, "polyester": 0.092, "aramid": 0.066, "badminton nylon": 0.053}
OUTER_MM = 150.0


class Made:
    """One job being made. ``odd`` changes the record of a pull by its number; ``text`` replaces the racquet's."""

    def __init__(
        self,
        example: str = "tennis-two-piece-18x20",
        seed: int = 1,
        odd: Mapping[int, Mapping[str, Any]] | None = None,
        text: str = "",
        calibration: int | None = 3,
    ) -> None:
        self.text = text or examples()[example].read_text("utf-8")
        self.plan: Plan = make_plan(parse(self.text, example))
        self.job = Job(self.plan)
        self.marks: list[Mark] = []
        self.rng = Random(seed)
        self.now_s = 0.0
        self.odd = odd or {}
        self.calibration = calibration
        self.job.head_state = "slack"
        self._take()

    # --- doing -----------------------------------------------------------------------------------------------
    def do(self, action: str, wait_s: float = 2.0, **values: Any) -> Made:
        """The stringer says something."""
        self.now_s += wait_s
        self.job.act(self.now_s, action, **values)
        return self._take()

    def lists(self, figures: Mapping[str, str] | None = None) -> Made:
        """Through the list of this phase; figures by item."""
        phase = self.job.state.phase
        while self.job.state.phase == phase and phase in (kinds.INTAKE, kinds.CLOSING, kinds.GIVING_UP, kinds.BROKEN):
            from evenbed.job.job import ITEMS

            item = ITEMS[phase][self.job.state.item]
            typed = (figures or {}).get(item.key)
            self.do("figure", 8.0, text=typed) if typed else self.do("go on", 6.0)
        return self

    def string(self, pulls: int = 999, answers: Callable[[str], str] = lambda key: "go on") -> Made:
        """So many pulls more, with the knots between, and an answer to each question."""
        while pulls and self.job.state.phase == kinds.STRINGING and self.job.state.next is not None:
            if self.job.state.knot:
                self.do("go on", self.rng.uniform(30.0, 50.0))
            if self.job.state.question is not None:
                key = self.job.state.question.key
                answer = answers(key)
                if answer != "draw on":
                    self.do(answer, 5.0)
            self.pull()
            pulls -= 1
        if self.job.state.knot and self.job.state.next is None:
            self.do("go on", 40.0)
        return self

    def pull(self) -> Made:
        """One pull from the press to the let-off."""
        p = self.job.state.next
        wanted = self.job.wanted
        assert p is not None and wanted is not None
        self.now_s += self.rng.uniform(35.0, 60.0) if p.woven else self.rng.uniform(20.0, 32.0)
        self._head("taking_up")
        record, trace = self._record(p, wanted.reference_n, wanted.label)
        for t, n in trace:
            self.job.hear(self.now_s + t, {"kind": "status", "t_s": self.now_s + t, "force_n": n})
        self._head("holding")
        self.now_s += record["done_s"]
        self.job.hear(self.now_s, {"kind": "record", "record": record})
        self._head("slack")
        return self._take()

    def tone(self, hz: float, when: str, age_s: float, how: str = "typed", temp: float | None = 21.0) -> Made:
        """A tone is written down."""
        self.now_s += age_s
        values = {"hz": hz, "u_hz": 1.5, "when": when, "how": how, "temp": temp, "age_s": age_s}
        self.marks.append(Mark("tone", values, self._at()))
        return self

    # --- having ----------------------------------------------------------------------------------------------
    def row(self, number: int = 7, simulated: bool = False) -> JobRow:
        """The job as it began."""
        labels = tuple(p.label for p in self.plan.pulls)
        name = self.plan.racquet.name
        return JobRow(
            number, START.isoformat(), name, self.text, asdict(self.plan.equipment), labels, simulated, "0.1.0", None
        )

    def kept(self, number: int = 7, simulated: bool = False) -> Kept:
        """What a report is made of."""
        return of(self.row(number, simulated), self.marks, fold(self.plan, self.marks))

    def store(self, where: Path) -> int:
        """Write it into records; returns its number."""
        store = Store(where)
        try:
            row = self.row()
            number = Jobs(store).begin(row.name, row.racquet, row.equipment, row.labels, row.simulated)
            for n, m in enumerate(self.marks, 1):
                Jobs(store).mark(number, n, m)
        finally:
            store.close()
        return number

    # --- within ----------------------------------------------------------------------------------------------
    def _at(self) -> str:
        return (START + timedelta(seconds=self.now_s)).isoformat(timespec="milliseconds")

    def _take(self) -> Made:
        made, _ = self.job.take()
        self.marks += [Mark(m.kind, m.values, self._at()) for m in made]
        return self

    def _head(self, state: str) -> None:
        self.job.hear(self.now_s, {"kind": "event", "t_s": self.now_s, "name": "state", "says": state, "values": {}})
        self._take()

    def _record(self, p: PlannedPull, n: float, label: str) -> tuple[dict[str, Any], list[tuple[float, float]]]:
        rng, free_mm = self.rng, p.length_mm + OUTER_MM
        k = EA_N.get(p.family, 5000.0) * (1.25 if p.woven else 1.0) * rng.uniform(0.97, 1.03) / free_mm
        contact, held = rng.uniform(0.5, 0.9), rng.uniform(6.0, 9.0) if p.woven else rng.uniform(4.0, 6.5)
        draw_mm = 1.1 * n / k + (4.0 if p.woven else 1.5)
        reached = contact + draw_mm / p.speed_mm_s + 0.35
        clamped = reached + held
        creep = DECADE.get(p.family, 0.06) * n / math.log(10.0) / held * rng.uniform(0.85, 1.15)
        off = rng.gauss(0.0, 0.0006)
        record: dict[str, Any] = {
            "label": label, "reference_n": n, "ceiling_n": 1.12 * n, "contact_s": contact, "reached_s": reached,
            "steady_s": reached + 0.7 * held, "clamped_s": clamped, "done_s": clamped + rng.uniform(1.0, 1.9),
            "draw_length_mm": draw_mm, "stiffness_n_mm": k, "delay_s": 0.0171,
            "take_up_mm": rng.uniform(1.3, 2.1) * (1.5 if p.woven else 1.0), "creep_n_s": creep,
            "loss_now_n": creep * held * math.log((held + 60.0) / held), "proof": "holds", "proof_ratio": 2.9,
            "peak_n": n * 1.002, "proof_peak_n": n * 1.03, "least_margin_n": rng.uniform(3.0, 9.0),
            "force_at_clamp_n": n * (1.0 + off), "limited": False, "calibration": self.calibration,
            "expanded_n": 0.45 if self.calibration is not None else None,
            "disturbances": [{"name": "straightening", "path_mm": 1.2, "duration_s": 1.4}] if p.woven else [],
            "ended": "let off",
        }  # fmt: skip
        record.update(self.odd.get(p.number, {}))
        return record, _trace(record, n, rng)


def _trace(record: Mapping[str, Any], n: float, rng: Random) -> list[tuple[float, float]]:
    points = []
    t = 0.0
    while t < record["done_s"]:
        rise = (t - record["contact_s"]) / (record["reached_s"] - record["contact_s"])
        force = n * min(1.0, max(0.0, rise)) ** 1.15
        if t > record["reached_s"] + 1.0 and t < record["reached_s"] + 1.15:
            force *= 0.985
        if t > record["clamped_s"]:
            force = max(0.0, n * (1.03 if t < record["clamped_s"] + 0.25 else 1.0 - 2.5 * (t - record["clamped_s"] - 0.25)))
        points.append((t, round(force + rng.gauss(0.0, 0.06), 2)))
        t += 0.05
    return points


def whole(**more: Any) -> Made:
    """A finished job with two questions, a break, a note, shapes and two tones."""
    odd: dict[int, dict[str, Any]] = {
        9: {"draw_length_mm": 52.0, "take_up_mm": 2.0},
        24: {"clamped_s": 22.0, "done_s": 23.4},
        30: {"proof": "slips"},
    }
    made = Made(odd=odd, **more).lists({"shape": "332 x 243"})
    made.string(14).do("break").do("go on", 900.0).do("note", text="left-hander, thin grip <b>")
    made.string().lists({"shape": "330,5 x 244 mm"})
    return made.tone(560.0, "after the job", 900.0).tone(548.0, "after a day", 86400.0)
