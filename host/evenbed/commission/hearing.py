"""A board that is only listened to, without its port: bytes in, moments and bytes out. Nothing is armed."""

from __future__ import annotations

from evenbed.calibration.readings import Heard
from evenbed.commission.moments import Moment
from evenbed.link.messages import BoardInfo, Limits, Sample
from evenbed.link.session import Session


class Hearing:
    """One conversation. Every line of the board is a moment, with a reading or without: a converter that gives none must
    not hide the switches."""

    def __init__(self) -> None:
        self._session = Session()
        self._conversion = -1

    @property
    def board(self) -> tuple[BoardInfo, Limits] | None:
        """What the board says of itself, once it has answered."""
        board, limits = self._session.board, self._session.limits
        return (board, limits) if board is not None and limits is not None else None

    def receive(self, now_s: float, data: bytes) -> tuple[list[Moment], bytes]:
        """Take bytes (none is fine) and return the moments that they tell of and the bytes to send. Raises LinkError."""
        moments = []
        for said in self._session.receive(now_s, data):
            if isinstance(said, Sample) and self._session.limits is not None:
                moments.append(self._moment(now_s, said, self._session.limits))
        return moments, self._session.take()

    def _moment(self, now_s: float, s: Sample, limits: Limits) -> Moment:
        heard: tuple[Heard, ...] = ()
        if s.conversion != self._conversion:
            heard = (Heard(self._session.clock.seconds(s.board_us), s.raw_counts, s.sound, s.conversion),)
        self._conversion = s.conversion
        return Moment(
            now_s,
            s.flags,
            s.presses,
            s.fault,
            (s.raw_counts - limits.zero_counts) / limits.counts_per_n,
            position_mm=s.position_steps / limits.steps_mm,
            heard=heard,
        )
