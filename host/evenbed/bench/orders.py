"""What a page may say, understood or refused. Pure: nothing here moves anything.

There is no order that starts a draw: that is the pedal's alone. On a simulated rig the page has the pedal.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Literal
from unicodedata import category

from evenbed.bench.guided import RUNS
from evenbed.calibration.weights import WeightError, parse_weights
from evenbed.head.types import Ask
from evenbed.racquet.model import StringName
from evenbed.racquet.sports import SPORTS
from evenbed.units import UNITS, UnitError, parse_force

MOST_BYTES = 4096
MOST_TEXT = 500
FAMILIES = ("unknown", "nylon", "polyester", "gut", "aramid", "badminton nylon")
PLAIN_ACTIONS = ("go on", "again", "take back", "string on", "break", "not fine", "give up", "broken", "finish")
Kind = Literal["take", "release", "pedal", "ask", "act", "say", "begin", "leave", "unit", "look", "alive"]
FOR_HOLDER = ("pedal", "ask", "act", "say", "begin", "leave", "unit")


class Refused(ValueError):
    """An order that is not understood or not allowed; the text says why."""


@dataclass(frozen=True)
class Order:
    """One order of a page, its values checked."""

    kind: Kind
    values: dict[str, Any] = field(default_factory=dict)


def read(text: str) -> Order:
    """Understand one message of a page. Raises Refused."""
    if len(text) > MOST_BYTES:
        raise Refused(f"A message of {len(text)} bytes; {MOST_BYTES} at most.")
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        raise Refused("A message that is not JSON.") from None
    if not isinstance(said, dict) or not isinstance(said.get("do"), str) or said["do"] not in _READ:
        raise Refused("A message that this program does not know.")
    return Order(said["do"], _READ[said["do"]](said))


def allowed(order: Order, controls: bool, holds: bool) -> str:
    """Why this page may not say so, or nothing. Anybody at this computer may stop; all else is for who has the controls."""
    if order.kind in ("look", "alive"):
        return ""
    if not controls:
        return "This link is for looking only."
    if order.kind == "ask" and order.values["ask"] is Ask.STOP:
        return ""
    if order.kind in FOR_HOLDER and not holds:
        return "This page does not have the controls: take them first."
    return ""


def _nothing(said: dict[str, Any]) -> dict[str, Any]:
    return {}


def _text(said: dict[str, Any], key: str) -> str:
    value = said.get(key, "")
    if not isinstance(value, str) or len(value) > MOST_TEXT:
        raise Refused(f"'{key}' is a text of {MOST_TEXT} letters at most.")
    return value


def _typed(said: dict[str, Any], key: str) -> str:
    """A text that goes on to another process or into the records: neither takes every letter."""
    value = _text(said, key)
    if any(category(letter) in ("Cc", "Cs") and not letter.isspace() for letter in value):
        raise Refused(f"'{key}' has letters that cannot be printed.")
    return value


def _flag(said: dict[str, Any], key: str) -> bool:
    value = said.get(key, False)
    if not isinstance(value, bool):
        raise Refused(f"'{key}' is true or false.")
    return value


def _number(said: dict[str, Any], key: str) -> int:
    value = said.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value < 1_000_000:
        raise Refused(f"'{key}' is a number from 1.")
    return value


def _one_of(said: dict[str, Any], key: str, choices: tuple[str, ...]) -> str:
    value = _text(said, key)
    if value not in choices:
        raise Refused(f"'{key}' is one of {', '.join(choices)}.")
    return value


def _force(said: dict[str, Any], key: str) -> tuple[float, str]:
    try:
        return parse_force(_text(said, key))
    except UnitError as e:
        raise Refused(str(e)) from None


def _pedal(said: dict[str, Any]) -> dict[str, Any]:
    return {"down": _flag(said, "down")}


def _ask(said: dict[str, Any]) -> dict[str, Any]:
    return {"ask": Ask(_one_of(said, "what", tuple(a.value for a in Ask)))}


def _unit(said: dict[str, Any]) -> dict[str, Any]:
    return {"unit": _one_of(said, "unit", UNITS)}


def _act(said: dict[str, Any]) -> dict[str, Any]:
    action = _text(said, "action")
    if action in PLAIN_ACTIONS:
        return {"action": action}
    if action in ("note", "figure"):
        return {"action": action, "text": _typed(said, "text")}
    if action == "choose":
        return {"action": action, "number": _number(said, "number")}
    if action == "tension":
        kind = _one_of(said, "string", ("main", "cross"))
        out: dict[str, Any] = {"action": action, "kind": kind, "newtons": _force(said, "force")[0]}
        if said.get("number") is not None:
            side = _one_of(said, "side", ("left", "right")) if kind == "main" else None
            out["name"] = StringName(kind, _number(said, "number"), side)  # type: ignore[arg-type]
        return out
    raise Refused(f"'{action}' is nothing that a job knows.")


def _say(said: dict[str, Any]) -> dict[str, Any]:
    return {"text": _typed(said, "text")}


def _begin(said: dict[str, Any]) -> dict[str, Any]:
    what = _one_of(said, "what", tuple(_BEGIN))
    return {"what": what, "rig": _text(said, "rig") or "simulated", **_BEGIN[what](said)}


def _pull(said: dict[str, Any]) -> dict[str, Any]:
    reference_n, unit = _force(said, "reference")
    return {"reference_n": reference_n, "unit": unit, "family": _family(said), "woven": _flag(said, "woven")}


def _free(said: dict[str, Any]) -> dict[str, Any]:
    main_n, unit = _force(said, "main")
    cross_n = _force(said, "cross")[0] if said.get("cross") else main_n
    return {"main_n": main_n, "cross_n": cross_n, "unit": unit, "family": _family(said),
            "sport": _one_of(said, "sport", tuple(SPORTS))}  # fmt: skip


def _job(said: dict[str, Any]) -> dict[str, Any]:
    return {"racquet": _text(said, "racquet"), "twin": _number(said, "twin") if said.get("twin") is not None else None}


def _resume(said: dict[str, Any]) -> dict[str, Any]:
    return {"number": _number(said, "number")}


def _guided(said: dict[str, Any]) -> dict[str, Any]:
    run = _one_of(said, "run", tuple(RUNS))
    out: dict[str, Any] = {"run": run, "unit": _one_of(said, "unit", UNITS), "resume": _flag(said, "resume")}
    out["weight"], out["latitude"] = _typed(said, "weight").strip(), None
    if RUNS[run].weight:
        try:
            parse_weights(out["weight"])
        except WeightError as e:
            raise Refused(str(e)) from None
    if latitude := _text(said, "latitude").strip():
        try:
            out["latitude"] = float(latitude.rstrip("°").replace(",", "."))
        except ValueError:
            raise Refused(f"'{latitude}' is no latitude: degrees, such as 48 or -33.9.") from None
        if not -90.0 <= out["latitude"] <= 90.0:
            raise Refused(f"A latitude of {latitude} degrees: -90 to 90.")
    return out


def _family(said: dict[str, Any]) -> str:
    return _one_of(said, "family", FAMILIES) if said.get("family") else "unknown"


_BEGIN = {"pull": _pull, "free": _free, "job": _job, "resume": _resume, "guided": _guided}
_READ = {
    "take": _nothing,
    "release": _nothing,
    "leave": _nothing,
    "look": _nothing,
    "alive": _nothing,
    "pedal": _pedal,
    "ask": _ask,
    "act": _act,
    "say": _say,
    "begin": _begin,
    "unit": _unit,
}
