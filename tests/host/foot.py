"""What a foot does, and after which of its presses alone a draw may begin: hardware/protocol.md, section 7.

Written from that document, not from the firmware. It knows the foot itself; the board reads two contacts, now and then. So
whatever lies within ``edge_s`` of a bound may go either way, and so may a press during which something is wrong between
foot and board.
"""

from __future__ import annotations

# hardware/protocol.md, section 7
SHORTEST_S, TOO_LONG_S = 0.050, 0.700  # "a press of 50 ms or more and less than 700 ms"
AGAIN_S = 1.0  # "unless it began within 1 s after the end of the press before"
LOCKED_S = 0.3  # "or within 300 ms after a change of state"
STOOD_S = 0.020  # "counts as a press once it has stood for 20 ms", "ends once released has stood for 20 ms"
RELEASED_S = 0.100  # "counts only after 100 ms of released have been seen"
DOWN_S = 0.006  # "pressed for 6 ms is down"; "any press voids the permit"
WAITS_S = 2.0  # section 2: how long a permit waits for its draw

NEVER_S = -1000.0


class Foot:
    """Shown the pedal as often as it changes and more; says whether a draw may begin now."""

    def __init__(self, edge_s: float) -> None:
        self.edge_s = edge_s
        self.down = False
        self.why = "no press"  # what speaks against a draw
        self._began_s = self._up_s = self._doubt_s = self._changed_s = NEVER_S
        self._ended_s = NEVER_S  # end of the last press that counted
        self._again = self._too_soon = self._locked = False
        self._tapped_s = self._permit_s = NEVER_S

    def changed(self, now_s: float) -> None:
        """The board's state has changed."""
        self._changed_s = now_s

    def sees(self, now_s: float, down: bool, armed: bool, doubtful: bool = False) -> None:
        """The pedal is so; the board is in state 1 or not. In doubt the board need not see what the foot does."""
        if doubtful:
            self._doubt_s = now_s
        if down and not self.down:
            self._began_s = now_s
            self._again = now_s - self._ended_s < AGAIN_S - self.edge_s
            self._too_soon = now_s - self._up_s < RELEASED_S - self.edge_s
            self._locked = now_s - self._changed_s < LOCKED_S - self.edge_s
        elif self.down and not down:
            self._comes_up(now_s)
        self.down = down
        if armed and now_s - self._tapped_s <= STOOD_S + self.edge_s:
            self._permit_s, self._tapped_s = self._tapped_s, NEVER_S

    def _comes_up(self, now_s: float) -> None:
        for_s = now_s - self._began_s
        sure = self._doubt_s < self._began_s - self.edge_s
        wrong = [
            self._again and "a second press within a second",
            self._too_soon and "a press without a release before it",
            self._locked and "a press right after a change of state",
            for_s < SHORTEST_S - self.edge_s and "a press too short",
            for_s >= TOO_LONG_S + self.edge_s and "a press too long",
        ]
        self.why = next((text for text in wrong if text), "not armed, or too late") if sure else "not armed, or too late"
        may = not sure or not any(wrong)
        if may or for_s > STOOD_S + self.edge_s:
            self._permit_s = NEVER_S
        if may:
            self._tapped_s = now_s
        counted = now_s - self._began_s > STOOD_S + self.edge_s and self._began_s - self._up_s > RELEASED_S + self.edge_s
        if sure and counted:
            self._ended_s = now_s
        self._up_s = now_s

    def permits(self, now_s: float) -> bool:
        """May a draw begin now?"""
        voided = self.down and now_s - self._began_s > DOWN_S + self.edge_s
        return now_s - self._permit_s <= WAITS_S + self.edge_s and not voided

    def drawn(self) -> None:
        """A draw has begun: its press is used up."""
        self._permit_s = NEVER_S
        self.why = "its press had its draw before"

    def void(self) -> None:
        """Whatever was pressed before counts for nothing any more: the board has been armed anew."""
        self._permit_s = self._tapped_s = NEVER_S
        self.why = "no press since it was armed"
