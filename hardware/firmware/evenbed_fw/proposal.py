"""Settings that a host proposes and a person confirms on the rig: the calibration and the limit, nothing else.

The host can only offer. Taken over is what was offered once the pedal has been held for two seconds, on a board that is
latched and slack; within half a minute, or not at all.
"""

from evenbed_fw import wire
from evenbed_fw.pedal import since
from evenbed_fw.safety import LATCHED, Core
from evenbed_fw.settings import RANGES, Settings

OPEN_US = 30000000
CONFIRM_MS = 2000
EMPTY_MN = 10000  # the head must be empty, by the zero that is offered
ZERO_PART = 5  # the zero lies within this part of the limit: a string that pulls is no zero


class Proposal:
    """At most one offer at a time."""

    def __init__(self) -> None:
        self.offered = None  # type: Settings | None
        self.offered_us = 0

    def offer(self, now_us: int, core: Core, stored: Settings, zero: int, gain: int, rated: int, limit_mn: int) -> int:
        """Take an offer; answers 0 or a reason of wire.py. Nothing changes before it is confirmed."""
        if not core.greeted:
            return wire.NOT_GREETED
        if core.state != LATCHED:
            return wire.WRONG_STATE
        if core.unusable:
            return wire.SETTINGS_UNUSABLE  # what is stored is not what the board reckons with
        if limit_mn > stored.limit_most_mn:
            return wire.ABOVE_LIMIT
        new = Settings()
        names = [r[0] for r in RANGES]
        for name, value in zip(names, stored.values()):
            setattr(new, name, value)
        new.zero_counts = zero
        new.gain_mcounts_n = gain
        new.rated_mcounts_n = rated
        new.limit_mn = limit_mn
        if new.unusable():
            return wire.SETTINGS_UNUSABLE
        if not new.gain_plausible():
            return wire.GAIN_IMPLAUSIBLE
        if not core.sound:
            return wire.DATA_NOT_SOUND
        if abs(new.millinewtons(core.raw - zero)) > EMPTY_MN or abs(zero) * ZERO_PART > new.counts(limit_mn):
            return wire.LOADED
        self.offered = new
        self.offered_us = now_us
        core.offered = True
        return 0

    def void(self, core: Core) -> None:
        """Forget the offer."""
        self.offered = None
        core.offered = False

    def step(self, now_us: int, core: Core, held_ms: int) -> bool:
        """Call on every pass while there is an offer; True once it is confirmed, with the settings in ``offered``."""
        open_us = since(now_us, self.offered_us)
        new = self.offered
        loaded = new is not None and abs(new.millinewtons(core.raw - new.zero_counts)) > EMPTY_MN
        if core.state != LATCHED or not core.sound or open_us > OPEN_US or loaded:
            self.void(core)
            return False
        # The press must have begun after the offer.
        return held_ms >= CONFIRM_MS and held_ms * 1000 < open_us
