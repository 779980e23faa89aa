"""A stop once more, from its bundle: the product's own head, fed with the board's lines and with what people asked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from evenbed_fw import wire

from evenbed.control.blackbox import start_from
from evenbed.control.loop import ControlLoop, Mechanics
from evenbed.head.start import set_outside
from evenbed.head.types import Ask, Event
from evenbed.link.session import LinkError
from evenbed.record.bundle import Bundle, BundleError, intact

ROUNDING = 0.005  # absolute; values are in N, mm and s, and the age of a reading depends on when the clock's fit began
STOPS = ("guard", "link_lost", "unknown_fault", "also")


class ReplayError(ValueError):
    """This bundle cannot be replayed; the text says why."""


@dataclass(frozen=True)
class Told:
    """One event: seconds of the host, name, sentence, values."""

    t_s: float
    name: str
    says: str
    values: dict[str, float]


@dataclass(frozen=True)
class Replay:
    """What the replay came to. ``differences`` is empty if it is the same verdict; each is a sentence otherwise."""

    recorded: list[Told]
    told: list[Told]
    stops: list[str]
    states: list[str]
    lines: int  # lines fed to the head
    sent: int  # lines that the head sent, and how many of those recorded were the same
    same_sent: int
    differences: list[str] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """Did the head decide as it had?"""
        return not self.differences


def stops(told: Iterable[Told]) -> list[Told]:
    """Those that stopped something."""
    return [t for t in told if t.name in STOPS or "fault" in t.values]


def replay(bundle: Bundle) -> Replay:
    """Feed the recorded lines and wishes to a head that stands where the recorded one stood, and compare.

    Raises ReplayError if the bundle is of another protocol, has no beginning, or is not one.
    """
    protocol = bundle["versions"]["protocol"]
    if protocol != wire.PROTOCOL:
        raise ReplayError(
            f"this trip was recorded with protocol {protocol}, this program speaks {wire.PROTOCOL}: "
            f"replay it with the program it was recorded with, {bundle['versions']['program']}"
        )
    if not bundle["whole"]:
        raise ReplayError("the record does not go back to a moment of rest, so the head cannot be set up as it was")
    try:
        return _compare(bundle, *_run(bundle))
    except LinkError as e:
        raise ReplayError(f"the head refuses the recorded board: {e}") from None
    except (KeyError, TypeError, ValueError, AttributeError) as e:
        raise e if isinstance(e, BundleError) else ReplayError(f"the bundle is incomplete or damaged: {e}") from None


def _run(bundle: Bundle) -> tuple[list[Told], list[bytes]]:
    told: list[Told] = []

    def hear(now_s: float, event: Event) -> None:
        told.append(Told(now_s, event.name, event.says, dict(event.values)))

    loop = ControlLoop(bundle["start"]["ceiling_n"], hear, Mechanics(**bundle["mechanics"]))
    loop.go_on_from(start_from(bundle["start"]))
    sent: list[bytes] = []
    for now_s, happened in _moments(bundle):
        data = b""
        for what, value in happened:
            if what == "ask":
                loop.ask(Ask(value))
            elif what == "outside":
                loop.ceiling_before_head(value["loop_ceiling_n"])
                if loop.head is not None and value["head"] is not None:
                    set_outside(loop.head, value["head"])
            elif what == "<":
                data += value.encode("latin-1")
        sent += loop.receive(now_s, data).splitlines(keepends=True)
    return told, sent


def _moments(bundle: Bundle) -> Iterable[tuple[float, list[tuple[str, Any]]]]:
    """Everything that came or went, by its time: the loop was called at each of these moments, and at others that
    changed nothing."""
    inputs = [(t_s, 0, kind, value) for t_s, kind, value in bundle["inputs"]]
    lines = [(t_s, 1, way, text) for t_s, way, text in bundle["lines"]]
    ordered = sorted(inputs + lines, key=lambda i: (i[0], i[1]))
    for t_s, group in groupby(ordered, key=lambda i: i[0]):
        yield t_s, [(what, value) for _, _, what, value in group]


def _compare(bundle: Bundle, told: list[Told], sent: list[bytes]) -> Replay:
    recorded = [Told(*event[:4]) for event in bundle["events"]]
    differences = []
    if not intact(bundle):
        differences.append("The bundle was changed after it was recorded: its contents are not those that were sealed.")
    was, now = stops(recorded), stops(told)
    if [s.name for s in was] != [s.name for s in now]:
        differences.append(f"Stops: recorded {_list(s.name for s in was)}; now {_list(s.name for s in now)}.")
    else:
        for a, b in zip(was, now, strict=True):
            differences += _values(a, b)
    states_was = [t.says for t in recorded if t.name == "state"]
    states_now = [t.says for t in told if t.name == "state"]
    if states_was != states_now:
        at = next((i for i, (a, b) in enumerate(zip(states_was, states_now, strict=False)) if a != b), None)
        at = min(len(states_was), len(states_now)) if at is None else at
        differences.append(
            f"States: recorded {_list(states_was[at:]) or 'nothing more'}, now {_list(states_now[at:]) or 'nothing more'}, "
            f"after {at} that are the same."
        )
    if bundle["name"] not in [s.name for s in was]:
        differences.append(f"The bundle is about {bundle['name']!r}, which its own events do not hold.")
    lines_was = [text.encode("latin-1") for _, way, text in bundle["lines"] if way == ">"]
    return Replay(
        recorded,
        told,
        [s.name for s in now],
        states_now,
        sum(way == "<" for _, way, _ in bundle["lines"]),
        len(sent),
        sum(a == b for a, b in zip(lines_was, sent, strict=False)),
        differences,
    )


def _list(names: Iterable[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


def _values(was: Told, now: Told) -> list[str]:
    out = []
    for key, value in was.values.items():
        other = now.values.get(key)
        if other is None or abs(other - value) > ROUNDING + 1e-6 * abs(value):
            found = "missing" if other is None else f"{other:.3f}"
            out.append(f"{was.name.replace('_', ' ')}: {key} was {value:.3f}, now {found}.")
    return out
