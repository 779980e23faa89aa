"""The pedal: a changeover contact on two inputs, debounced, counted and timed.

At rest contact B is closed and A open; pressed, A is closed and B open. Both or neither for longer than the change
takes is a fault, so a broken wire can never look like a press, and so are contacts that come to no rest within a
second. A press counts only after a release of 100 ms has been seen, so a pedal that is closed when power comes counts
for nothing: it is a fault until it has been let go.

To freeze what moves 6 ms of closed contact are enough. What counts stands for 20 ms; and what may permit, a tap, lasts
as long as a foot needs and has nearly clean changes at both ends, so that a chattering contact starts nothing.
"""

FREEZE_US = 6000
STAND_US = 20000
RELEASE_US = 100000
UNREST_US = 50000  # of a tap with all its bouncing; a worn contact bounces for 10 ms
CHANGE_US = 200000
RESTLESS_US = 1000000
LONGEST_US = 10000000
COUNT_WRAP = 10000
SHORTEST_MS = 50  # a shorter press is no tap: no foot is that quick
TAP_MS = 700  # and neither is a longer one

REST = 0
DOWN = 1
NEITHER = 2  # or both


def since(now_us: int, then_us: int) -> int:
    """Microseconds from ``then_us`` to ``now_us`` on a clock that wraps at 2**30."""
    d = now_us - then_us
    # In two steps: 2**30 itself is not a small integer on the chip.
    return d + 1073741823 + 1 if d < 0 else d


class Pedal:
    """State of the pedal; ``step`` takes the two contacts as they are now."""

    def __init__(self) -> None:
        self.down = False
        self.fault = False
        self.presses = 0  # counted, wraps at COUNT_WRAP
        self.last_ms = 0  # how long the last finished press was; TAP_MS or more if it was no tap
        self.held_us = 0
        self.ended = False  # a counted press ended in this step
        self.ended_us = 0  # when the contacts left it, or contradicted each other
        self.edge = False  # it went down in this step, counted or not: what moves stands still
        self._closed = False
        self._usable = False  # a long enough release has been seen
        self._released = False  # ... at least once since power came
        self._reading = -1
        self._reading_us = 0
        self._rested_us = 0  # when either of the two last stood
        self._place = NEITHER  # last reading that was one of the two
        self._unrest_us = 0  # since the last long enough release, capped
        self._since_us = 0

    def step(self, now_us: int, contact_a: bool, contact_b: bool) -> None:
        """Take both contacts (True: closed) at ``now_us``."""
        self.ended = False
        self.edge = False
        reading = DOWN if contact_a and not contact_b else REST if contact_b and not contact_a else NEITHER
        if self._reading < 0:
            self._rested_us = now_us
        if reading != self._reading:
            self._changes(reading, since(now_us, self._reading_us))
            self._reading_us = now_us
        stood_us = since(now_us, self._reading_us)
        if self.down or (reading != NEITHER and stood_us >= STAND_US):
            # A press that counts goes on through chatter: it may be letting a string down.
            self._rested_us = now_us
        elif since(now_us, self._rested_us) > RESTLESS_US:
            self._contradict()
        if reading == NEITHER:
            # The last answer stands for as long as the change-over takes.
            if stood_us > CHANGE_US:
                self._contradict()
        elif stood_us < FREEZE_US:
            return
        elif reading == DOWN:
            self._is_down(now_us, stood_us)
        else:
            self._closed = False
            if stood_us >= STAND_US:
                self._end()
            if stood_us >= RELEASE_US:
                self._usable = True
                self._released = True
                self.fault = False
                self._unrest_us = 0

    def _changes(self, reading: int, stood_us: int) -> None:
        """Add up what changes before it stood, and what leads back to where it came from."""
        back = self._reading == NEITHER and reading == self._place
        if back or stood_us < STAND_US:
            self._unrest_us = self._unrest_us + stood_us if stood_us <= UNREST_US else UNREST_US + 1
            if self._unrest_us > UNREST_US:
                self._unrest_us = UNREST_US + 1
        self._reading = reading
        if reading != NEITHER:
            self._place = reading

    def _is_down(self, now_us: int, stood_us: int) -> None:
        if not self._released or stood_us > LONGEST_US:
            self.fault = True
        if not self._closed:
            self._closed = True
            self.edge = True
            if self.down:  # let go of for a moment: no tap, and a hold begins anew
                self._unrest_us = UNREST_US + 1
                self._since_us = self._reading_us
        if stood_us >= STAND_US and self._usable and not self.down:
            self.down = True
            self._since_us = self._reading_us
            self.presses = self.presses + 1 if self.presses < COUNT_WRAP - 1 else 0
        if self.down:
            self.held_us = since(now_us, self._since_us)
            if self.held_us > LONGEST_US:
                self.fault = True

    def _contradict(self) -> None:
        """The contacts tell nothing: a press under way ends, and is no tap."""
        self.fault = True
        self._usable = False
        self._unrest_us = UNREST_US + 1
        self._end()

    def _end(self) -> None:
        """A press under way is over."""
        if not self.down:
            return
        self.down = False
        self.ended = True
        self.ended_us = self._reading_us
        self._usable = False
        self.last_ms = self.held_us // 1000
        if self.last_ms < TAP_MS and (self.last_ms < SHORTEST_MS or self._unrest_us > UNREST_US):
            self.last_ms = TAP_MS

    def held_ms(self) -> int:
        """How long the pedal has been down, ms; 0 when up."""
        return self.held_us // 1000 + 1 if self.down else 0
