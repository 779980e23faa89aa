"""The table of the head's states: reachable, without dead ends, tripped from everywhere, and nothing beside it."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
from evenbed.head import states as st
from evenbed.head.states import STATES, TABLE, MachineError, States, diagram

DOCUMENT = Path(__file__).parents[2] / "DEVELOPERS.md"
MARKER = "<!-- states -->"
NAMES = [name for name, _, _ in TABLE]


def way_to(target: str) -> list[str]:
    """Shortest list of events from power-up to a state."""
    ways: dict[str, list[str]] = {st.UNARMED: []}
    queue = [st.UNARMED]
    while queue:
        here = queue.pop(0)
        for name, sources, dest in TABLE:
            if here in sources and dest not in ways:
                ways[dest] = [*ways[here], name]
                queue.append(dest)
    return ways[target]


def at(state: str) -> States:
    states = States()
    for name in way_to(state):
        states.fire(name)
    assert states.state == state
    return states


def reachable(start: str, without: tuple[str, ...] = ()) -> set[str]:
    seen, queue = {start}, [start]
    while queue:
        here = queue.pop()
        for name, sources, dest in TABLE:
            if here in sources and dest not in seen and name not in without:
                seen.add(dest)
                queue.append(dest)
    return seen


def test_power_up_is_unarmed() -> None:
    assert States().state == st.UNARMED


@pytest.mark.parametrize("state", STATES)
def test_every_state_is_reachable(state: str) -> None:
    assert at(state).state == state


@pytest.mark.parametrize("state", STATES)
def test_no_state_is_a_dead_end_even_while_the_link_holds(state: str) -> None:
    # "lost" is a way out of everything; the stringer's own way home must not need it.
    assert st.UNARMED in reachable(state, without=("lost",))
    assert st.SLACK in reachable(state, without=("lost",))


@pytest.mark.parametrize("state", STATES)
def test_tripped_is_reached_from_everywhere_and_left_only_by_clearing(state: str) -> None:
    states = at(state)
    if state == st.TRIPPED:
        assert {name for name in NAMES if states.may(name)} == {"cleared", "lost"}
        states.fire("cleared")
        assert states.state == st.UNARMED
    else:
        states.fire("tripped")
        assert states.state == st.TRIPPED


@pytest.mark.parametrize("state", STATES)
def test_losing_the_link_ends_unarmed(state: str) -> None:
    states = at(state)
    if states.may("lost"):
        states.fire("lost")
    assert states.state == st.UNARMED


@pytest.mark.parametrize(("state", "name"), list(itertools.product(STATES, sorted(set(NAMES)))))
def test_the_machine_does_what_the_table_says_and_nothing_else(state: str, name: str) -> None:
    states = at(state)
    dests = [dest for n, sources, dest in TABLE if n == name and state in sources]
    assert len(dests) <= 1, "one event, two places to go"
    assert states.may(name) == bool(dests)
    if dests:
        states.fire(name)
        assert states.state == dests[0]
    else:
        with pytest.raises(MachineError):
            states.fire(name)
        assert states.state == state


def test_an_event_that_the_table_does_not_know_changes_nothing() -> None:
    states = at(st.HOLDING)
    with pytest.raises((MachineError, AttributeError)):
        states.fire("jump")
    assert states.state == st.HOLDING
    assert not states.may("jump")


def test_only_a_draw_leads_from_slack_to_a_string_under_load() -> None:
    loaded = set(st.LOADED)
    ways_in = {(name, s) for name, sources, dest in TABLE for s in sources if dest in loaded and s not in loaded}
    assert ways_in == {("draw", st.SLACK), ("let_down", st.FROZEN)}


def test_frozen_and_tripped_lead_only_downwards() -> None:
    up = {st.TAKING_UP, st.DRAWING, st.PRE_STRETCHING, st.HOLDING, st.PROVING_CLAMP}
    for state in (st.FROZEN, st.TRIPPED, st.EASING_OFF, st.RETURNING):
        assert not up & {dest for _, sources, dest in TABLE if state in sources}


def test_every_name_in_the_table_is_a_state() -> None:
    used = {s for _, sources, _ in TABLE for s in sources} | {dest for _, _, dest in TABLE}
    assert used == set(STATES)
    assert len(set(STATES)) == len(STATES)
    assert set(st.LOADED) < set(STATES)


def test_the_diagram_holds_every_arrow() -> None:
    arrows = set(re.findall(r"^    (\w+) --> (\w+): (\w+)$", diagram(), re.M))
    spoken = {"tripped", "lost", "froze"}  # told in words: from everywhere
    assert arrows == {(s, dest, name) for name, sources, dest in TABLE for s in sources if name not in spoken}


def test_the_documented_diagram_is_the_table() -> None:
    text = DOCUMENT.read_text() if DOCUMENT.exists() else ""
    if MARKER not in text:
        pytest.skip("DEVELOPERS.md does not show the states yet")
    shown = re.search(re.escape(MARKER) + r"\s*```mermaid\n(.*?)\n```", text, re.S)
    assert shown is not None, "the marker is followed by the diagram"
    assert shown.group(1) == diagram()
