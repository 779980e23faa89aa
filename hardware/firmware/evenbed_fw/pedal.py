"""The pedal: a changeover contact on two inputs, debounced, counted and timed.

At rest contact B is closed and A open; pressed, A is closed and B open. Both or neither for longer than the change
takes is a fault, so a broken wire can never look like a press. A press counts only after a release of 100 ms has been
seen, so a pedal that is closed when power comes counts for nothing: it is a fault until it has been let go.
"""

DEBOUNCE_US = 6000
RELEASE_US = 100000
CHANGE_US = 200000
LONGEST_US = 10000000
COUNT_WRAP = 10000


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
        self.last_ms = 0  # how long the last finished press was
        self.held_us = 0
        self.tapped = False  # a counted press ended in this step
        self.edge = False  # it went down in this step, counted or not: what moves stands still
        self._closed = False
        self._usable = False  # a long enough release has been seen
        self._released = False  # ... at least once since power came
        self._candidate = -1
        self._candidate_us = 0
        self._since_us = 0

    def step(self, now_us: int, contact_a: bool, contact_b: bool) -> None:
        """Take both contacts (True: closed) at ``now_us``."""
        self.tapped = False
        self.edge = False
        reading = 1 if contact_a and not contact_b else 0 if contact_b and not contact_a else 2
        if reading != self._candidate:
            self._candidate = reading
            self._candidate_us = now_us
        stable_us = since(now_us, self._candidate_us)
        if reading == 2:
            # The last answer stands for as long as the change-over takes.
            if stable_us > CHANGE_US:
                self.fault = True
                self.down = False
                self._usable = False
            return
        if stable_us < DEBOUNCE_US:
            return
        if reading == 1:
            if not self._released or stable_us > LONGEST_US:
                self.fault = True
            if not self._closed:
                self._closed = True
                self.edge = True
            if not self.down and self._usable:
                self.down = True
                self._since_us = now_us
                self.held_us = 0
                self.presses = self.presses + 1 if self.presses < COUNT_WRAP - 1 else 0
            if self.down:
                self.held_us = since(now_us, self._since_us)
                if self.held_us > LONGEST_US:
                    self.fault = True
            return
        self._closed = False
        if self.down:
            self.down = False
            self.last_ms = self.held_us // 1000
            self.tapped = True
            self._usable = False
        if stable_us >= RELEASE_US:
            self._usable = True
            self._released = True
            self.fault = False

    def held_ms(self) -> int:
        """How long the pedal has been down, ms; 0 when up."""
        return self.held_us // 1000 + 1 if self.down else 0
