"""Single lines to the board that want an answer: one at a time, told if refused or not answered."""

from __future__ import annotations

from evenbed.head.stops import causes, told
from evenbed.head.types import Event, Say, Shot
from evenbed.link.messages import No, Ok, Sample

ANSWER_S = 0.5
ECHO_N = 0.5  # the board rounds a ceiling down, by less than this
REFUSED = 20  # the catalogue's number of the board's reason 0
CEILING_NOT_TAKEN, NO_ANSWER = 53, 54  # of the catalogue
DEEDS = {"arm": "arm", "disarm": "disarm", "clear": "clear the stop", "ceiling": "lower the ceiling"}


class Asking:
    """The line whose answer is awaited. Forces in N."""

    def __init__(self) -> None:
        self.wanted = ""
        self.since_s = 0.0
        self._asked_n = 0.0

    def ask(self, now_s: float, kind: str, value_n: float = 0.0) -> Say | None:
        """The line to send, or None while another answer is awaited."""
        if self.wanted and now_s - self.since_s < ANSWER_S:
            return None
        self.wanted = kind
        self.since_s = now_s
        self._asked_n = int(value_n * 1000.0) / 1000.0  # as it goes over the wire
        return Say(kind, value_n)

    def overdue(self, now_s: float) -> Event | None:
        """What to tell once when the answer has not come in time."""
        if not self.wanted or now_s - self.since_s <= ANSWER_S:
            return None
        wanted, self.wanted = self.wanted, ""
        return told(NO_ANSWER, {"wanted": DEEDS[wanted]})

    def take(
        self, said: Ok | No, limit_n: float, line: Sample | None, shot: Shot | None
    ) -> tuple[str, float, Event | None]:
        """Take the answer: what was granted ("" if nothing), the force the board echoes, and what is to be told."""
        wanted, self.wanted = self.wanted, ""
        words = {"wanted": DEEDS[wanted]}
        if isinstance(said, No):
            values = {"asked_n": self._asked_n, "limit_n": limit_n, "reason": float(said.reason)}
            if shot is not None:
                values["force_n"] = shot.reference_force_n
            return "", 0.0, told(REFUSED + said.reason, {**words, "causes": causes(line)}, **values)
        echo_n = said.value / 1000.0
        if wanted in ("arm", "ceiling") and not self._asked_n - ECHO_N < echo_n <= self._asked_n:
            # Armed with a ceiling that is not ours: the head disarms what it has not armed.
            return "", 0.0, told(CEILING_NOT_TAKEN, words, asked_n=self._asked_n, echo_n=echo_n)
        return wanted, echo_n, None
