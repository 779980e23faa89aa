"""What the board's lines tell of a head at rest, where nothing trips: readings that fail, a string that is on it."""

from __future__ import annotations

from evenbed.head import states as st
from evenbed.head.guard import LOADED_N
from evenbed.head.stops import told
from evenbed.head.types import Event
from evenbed.link.messages import Sample

ON_N, ON_S = 1.0, 0.3  # so far above, for so long, there is one: garbage shows any force for a moment
QUIET_S = 3.0  # a converter that starts anew needs less
WELL_S = 1.0  # sound for so long, the readings are well again: garbage looks sound now and then
AT_REST = (st.UNARMED, st.SLACK, st.BOOTED_LOADED, st.FROZEN)
NO_READINGS = 89  # of the catalogue


class RestWatch:
    """``loaded``: is a string on the head? And have the readings not been sound for ``QUIET_S`` of rest?"""

    def __init__(self) -> None:
        self.loaded = False
        self._loaded_s: float | None = None  # since when
        self._sound_s: float | None = None
        self._ill_s: float | None = None
        self._told = False

    def hear(self, now_s: float, sample: Sample, state: str, force_n: float) -> Event | None:
        """Take a line of the board and the force from the reference zero; return what is to be told, once until the
        readings are well again."""
        if not sample.sound or force_n <= LOADED_N + ON_N:
            self._loaded_s = None
        elif self._loaded_s is None:
            self._loaded_s = now_s
        self.loaded = self._loaded_s is not None and now_s - self._loaded_s > ON_S
        if not sample.sound:
            self._sound_s = None
        elif self._sound_s is None:
            self._sound_s = now_s
        if self._sound_s is not None and now_s - self._sound_s > WELL_S:
            self._ill_s, self._told = None, False
        elif self._ill_s is None or state not in AT_REST:
            self._ill_s = now_s
        elif now_s - self._ill_s > QUIET_S and not (sample.sound or self._told):
            self._told = True
            return told(NO_READINGS, quiet_s=now_s - self._ill_s)
        return None
