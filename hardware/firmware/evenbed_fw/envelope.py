"""The envelope: how fast and how far the board may go on the strength of one good reading.

Before contact the stiffest thing that the rig can meet is assumed, after it the stiffest that the board itself has seen,
with a factor; never what a host claims. From the travel table of ``budget.py`` follows the speed at which everything
still stands before ceiling + overrun, and from that the steps granted.
"""

from evenbed_fw import budget
from evenbed_fw.settings import Settings

RING = 8  # readings kept


class Envelope:
    """What readings have shown of the string, and what they grant. Forces in counts above zero, positions in steps."""

    def __init__(self, settings: Settings) -> None:
        self.s = settings
        self.ceiling = 0  # of the session
        self.soft = 0  # the command's own
        self.rate = 0  # asked for by the command
        # the string
        self.contact = False
        self.contact_position = 0
        self.stiff16 = 0  # stiffest seen since contact, counts/mm >> 4; 0: not yet known
        self.ring_force = [0] * RING
        self.ring_position = [0] * RING
        self.ring = 0
        self.ring_loaded = 0  # readings in a row with contact, capped
        # the grants, positions
        self.high = 0
        self.low = 0
        self.cap_up = 0
        self.limiting = False

    def stretch_steps(self) -> int:
        """More travel under load than the softest string needs to reach the ceiling means that the cell reads low."""
        s = self.s
        return s.millinewtons(self.ceiling) // s.softest_mn_mm * s.steps_mm

    def lost(self, force: int, loaded: bool, holding: bool) -> bool:
        """Is so little left, with this newest of the readings kept, that the string must have gone?"""
        last2 = self.ring_force[(self.ring - 3) % RING]
        if loaded and last2 > self.s.lost_floor_counts and force * 10 < last2 * 7:
            return True
        return holding and force < self.s.contact_counts >> 1

    def _look(self, force: int, position: int) -> None:
        """Contact, and the stiffest string seen since."""
        s = self.s
        if not self.contact:
            if force > s.contact_counts:
                self.contact = True
                # The force is about two readings late.
                self.contact_position = self.ring_position[(self.ring - 3) % RING]
                self.stiff16 = 0
                self.ring_loaded = 0
            return
        if force < s.contact_counts >> 1:
            self.contact = False
            return
        self.ring_loaded = min(self.ring_loaded + 1, RING)
        if self.ring_loaded < RING - 1:
            return
        # The force is about two readings late: it is held against the positions of two readings ago.
        i = self.ring - 1
        moved = self.ring_position[(i - 2) % RING] - self.ring_position[(i - 6) % RING]
        rise = max(0, min(force - self.ring_force[(i - 4) % RING] >> 4, s.rise_most))
        if moved * 4 >= s.steps_mm:
            self.stiff16 = max(self.stiff16, rise * s.steps_mm // moved)

    def _grant(self, force: int, position: int, rate: int) -> None:
        """The envelope: the speed at which everything still stands before ceiling + overrun, and the steps for it."""
        s = self.s
        k16 = s.stiffest_k16
        if self.contact and self.stiff16:
            k16 = min(self.stiff16 * s.stiffening_x10 // 10 + 1, s.stiffest_k16)
        room16 = self.ceiling + s.overrun_counts - force >> 4
        # While the reading aged the gripper moved on, perhaps faster than it may now: that travel is known.
        gone = position - self.ring_position[(self.ring - 1 - s.age_samples) % RING]
        left16 = max(0, room16 - k16 * max(0, min(gone, s.gone_most)) // s.steps_mm)
        i = budget.fastest(s.travel_um, room16 * 1000 // k16)
        i = min(i, budget.fastest(s.travel_late_um, left16 * 1000 // k16))
        self.cap_up = s.rates[i]
        self.limiting = i < len(s.rates) - 1 and self.rate > self.cap_up
        up = max(0, rate)
        self.high = position + (self._reach(self.cap_up, up) if force < self.soft else self._brake(up))
        self.low = position - self._reach(s.rate_max_steps_s, s.rate_max_steps_s)

    def _brake(self, rate: int) -> int:
        v16 = rate >> 4
        return v16 * v16 // (2 * self.s.accel_steps_s2 >> 8) + 1 if rate else 0

    def _reach(self, allowed: int, rate: int) -> int:
        """Steps for the granted time at the allowed rate, and to brake from the faster of both rates."""
        granted_ms = self.s.granted_us // 1000 + 1
        return allowed * granted_ms // 1000 + self._brake(max(rate, allowed))
