"""The one table of the tension head's states and of what leads from one to the next.

``transitions`` keeps the table honest; samples never go through it. The diagram in the documents is drawn from here.
"""

from __future__ import annotations

from transitions import Machine, MachineError

from evenbed.head.types import Pull

UNARMED = "unarmed"
REFERENCING = "referencing"
SLACK = "slack"
TAKING_UP = "taking_up"
DRAWING = "drawing"
PRE_STRETCHING = "pre_stretching"
HOLDING = "holding"
PROVING_CLAMP = "proving_clamp"
EASING_OFF = "easing_off"
RETURNING = "returning"
FROZEN = "frozen"
BOOTED_LOADED = "booted_loaded"
TRIPPED = "tripped"

STATES = (
    UNARMED,
    REFERENCING,
    SLACK,
    TAKING_UP,
    DRAWING,
    PRE_STRETCHING,
    HOLDING,
    PROVING_CLAMP,
    EASING_OFF,
    RETURNING,
    FROZEN,
    BOOTED_LOADED,
    TRIPPED,
)
LOADED = (TAKING_UP, DRAWING, PRE_STRETCHING, HOLDING, PROVING_CLAMP, EASING_OFF, RETURNING)

# (what happens, from, to)
TABLE: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("armed", (UNARMED,), REFERENCING),
    ("zeroed", (REFERENCING,), SLACK),
    ("zero_refused", (REFERENCING,), UNARMED),
    ("disarmed", (SLACK, REFERENCING), UNARMED),
    ("draw", (SLACK,), TAKING_UP),
    ("contact", (TAKING_UP,), DRAWING),
    ("no_contact", (TAKING_UP,), RETURNING),
    ("over_pulled", (DRAWING,), PRE_STRETCHING),
    ("reached", (DRAWING, PRE_STRETCHING), HOLDING),
    ("out_of_travel", (DRAWING, PRE_STRETCHING), HOLDING),
    ("clamped", (HOLDING,), PROVING_CLAMP),
    ("proved", (PROVING_CLAMP,), EASING_OFF),
    ("back_to_reference", (PROVING_CLAMP,), HOLDING),
    ("let_down", (DRAWING, PRE_STRETCHING, HOLDING, PROVING_CLAMP, FROZEN), EASING_OFF),
    ("slack_again", (EASING_OFF,), RETURNING),
    ("returned", (RETURNING,), SLACK),
    ("froze", (*LOADED, SLACK), FROZEN),
    ("down", (FROZEN,), SLACK),
    ("found_loaded", (UNARMED,), BOOTED_LOADED),
    ("found_slack", (BOOTED_LOADED,), UNARMED),
    ("tripped", tuple(s for s in STATES if s != TRIPPED), TRIPPED),
    ("cleared", (TRIPPED, FROZEN), UNARMED),
    ("lost", tuple(s for s in STATES if s != UNARMED), UNARMED),
)


class States:
    """The head's state. ``fire`` moves it along the table; anything the table does not hold raises MachineError and
    changes nothing."""

    state: str

    def __init__(self) -> None:
        self._machine = Machine(
            model=self,
            states=list(STATES),
            initial=UNARMED,
            transitions=[{"trigger": name, "source": list(sources), "dest": dest} for name, sources, dest in TABLE],
            auto_transitions=False,
            model_override=False,
        )

    def fire(self, name: str) -> None:
        """Let ``name`` happen. Raises ``transitions.MachineError`` if it cannot happen in this state."""
        self.trigger(name)  # type: ignore[attr-defined]

    def may(self, name: str) -> bool:
        """Does the table hold ``name`` in this state?"""
        return name in self._machine.get_triggers(self.state)


WORDS = {
    UNARMED: "arm",
    SLACK: "draw",
    EASING_OFF: "let off",
    RETURNING: "let off",
    FROZEN: "stopped",
    TRIPPED: "stop",
    BOOTED_LOADED: "loaded",
}


def word(state: str, question: str, steady: bool, pull: Pull | None) -> str:
    """The one word that leads the stringer in ``state``."""
    if pull is not None and pull.back and state == HOLDING:
        return "let down"
    if question and state in (HOLDING, PROVING_CLAMP):
        return "question"
    if state == HOLDING:
        return "clamp" if steady else "straighten" if pull is not None and pull.woven else "wait"
    return WORDS.get(state, "wait")


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {UNARMED}"]
    for name, sources, dest in TABLE:
        if name in ("tripped", "lost", "froze"):
            continue
        lines += [f"    {source} --> {dest}: {name}" for source in sources]
    lines.append(f"    note right of {TRIPPED}: from every state, tripped")
    lines.append(f"    note right of {FROZEN}: from every loaded state, froze")
    return "\n".join(lines)


__all__ = ["STATES", "TABLE", "MachineError", "States", "diagram"]


if __name__ == "__main__":
    print(diagram())
