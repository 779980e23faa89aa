"""What a job writes and says, until somebody takes it: its marks, which are applied at once, and lines for the stringer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from evenbed.job import marks
from evenbed.job.asked import Question
from evenbed.job.marks import JobState, Mark

TRACE_POINTS = 240


@dataclass(frozen=True)
class Line:
    """Something to say. ``kind``: "say", "remark" (worth a look), "question", "reference" (said aloud too), "trip"."""

    kind: str
    text: str


class Notebook:
    """The state of a job, those of its marks that are still to be written, and lines that are still to be said."""

    def __init__(self, state: JobState) -> None:
        self.state = state
        self._marks: list[Mark] = []
        self._lines: list[Line] = []

    def take(self) -> tuple[list[Mark], list[Line]]:
        """Marks to write and lines to say since the last call, in order."""
        out = (self._marks, self._lines)
        self._marks, self._lines = [], []
        return out

    @property
    def unwritten(self) -> int:
        """Marks not taken yet: the state has counted them already."""
        return len(self._marks)

    def _to(self, phase: str) -> None:
        self._mark("phase", phase=phase)

    def _ask(self, question: Question, number: int | None) -> None:
        self._mark(
            "questioned",
            key=question.key,
            text=question.text,
            answers=[list(a) for a in question.answers],
            waits=question.waits,
            values=question.values,
            number=number,
        )
        self._question_line(question)

    def _question_line(self, question: Question) -> None:
        choices = " · ".join(f"{key}: {meaning}" for key, meaning in question.answers)
        self._lines.append(Line("question", f"{question.text} ({choices})"))

    def _mark(self, kind: str, **values: Any) -> None:
        mark = Mark(kind, values)
        marks.apply(self.state, mark)
        self._marks.append(mark)

    def _say(self, text: str) -> None:
        self._lines.append(Line("say", text))

    def _remark(self, text: str) -> None:
        self._lines.append(Line("remark", text))


def thinned(trace: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """At most so many points that a picture needs; the first and the last stay."""
    if len(trace) <= TRACE_POINTS:
        return list(trace)
    step = (len(trace) - 1) / (TRACE_POINTS - 1)
    return [trace[round(i * step)] for i in range(TRACE_POINTS)]
