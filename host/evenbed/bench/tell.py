"""What the head's events say on a page, in each unit: who looks chooses the unit."""

from __future__ import annotations

import math
from typing import Any

from evenbed_fw import faults, safety

from evenbed.catalogue import ENTRIES, say, say_later
from evenbed.head.steady import FORECAST_S, THRESHOLD
from evenbed.units import UNITS

AWAY = (41, 42, 43, 44)  # of the catalogue: the board is silent, has started anew, is missing, comes and goes
GUARD = (51, 52, 55)  # of the catalogue: the head itself has stopped the board
ORDERED = (faults.PRESSED, faults.STOPPED)
CALM_S = 1.0  # so long nothing may speak against what is said of the string
LOADED_N = 8.0
NO_DRIVE = {
    safety.F_ESTOP: "The emergency stop is pressed: the drive has no power, and no button lets the string down. Turn the "
    "hand knob; or release the emergency stop and hold the pedal.",
    safety.F_SUPPLY: "The drive has no supply, and no button lets the string down. Turn the hand knob; or bring the "
    "supply back and hold the pedal.",
    0: "The drive is off: only the pedal switches it on again. Hold it to let the string down, or turn the hand knob.",
}
SILENT = ("state", "steady", "pull_done", "disturbance")  # the page has words of its own for these


def told(message: dict[str, Any]) -> dict[str, Any]:
    """An event of the control process as the pages get it: ``says`` by unit, empty where the page knows better; what the
    catalogue has of it in two parts, what happened and what to do next."""
    name, values, words = message["name"], message["values"], message.get("words") or {}
    out: dict[str, Any] = {"kind": "event", "name": name, "values": values, "state": "", "says": {}, "trouble": False}
    if name == "state":
        return {**out, "state": message["says"]}
    if name in SILENT:
        return {**out, "what": message["says"]}
    out["trouble"] = "fault" in values or name in ("also", "records", "link_lost", "rebooted")
    number = values.get("entry")
    if number is None:
        return {**out, "says": dict.fromkeys(UNITS, message["says"])}
    later = say_later(int(values.get("later", 0)))
    whole = {unit: say(int(number), {**values, **words}, unit) for unit in UNITS}
    out["says"] = {unit: f"{text} {later}".rstrip() for unit, text in whole.items()}
    entry = ENTRIES.get(int(number))
    if entry is not None:
        # The sentence without what to do next ends where the entry's own second half begins.
        begins = entry.do_next.partition("{")[0]
        parts = {unit: text.partition(begins) if begins else (text, "", "") for unit, text in whole.items()}
        out["parts"] = {unit: [a.strip(), f"{b}{c} {later}".strip()] for unit, (a, b, c) in parts.items()}
    return out


class Settling:
    """How far a hold is from steady: its creep rate as a multiple of the rate at which it counts as steady."""

    def __init__(self, family: str = "unknown") -> None:
        self._threshold = THRESHOLD.get(family, THRESHOLD["unknown"])
        self._since_s: float | None = None

    def ratio(self, status: dict[str, Any]) -> float | None:
        """Take a moment of the head. The rate is what its forecast comes from: a loss of ``q t ln((t + T) / t)`` over the
        next T seconds at time t of the hold. None where there is no forecast."""
        if status["state"] != "holding":
            self._since_s = None
            return None
        if self._since_s is None:
            self._since_s = status["t_s"]
        if status["loss_now_n"] is None or not status["reference_n"]:
            return None
        t = max(0.3, status["t_s"] - self._since_s)
        rate = status["loss_now_n"] / (t * math.log((t + FORECAST_S) / t))
        return float(rate / (self._threshold * status["reference_n"]))


def newest_stop(shown: dict[str, Any] | None, event: dict[str, Any]) -> dict[str, Any]:
    """What is shown as the stop once ``event`` has come. When the head has stopped the board for a reason, the board's
    "stopped" is only the answer, and a press changes nothing of the reason: it stands until the stop is over."""
    if shown is not None and shown["values"]["fault"] in GUARD and event["values"]["fault"] in ORDERED:
        return shown
    return event


def no_way_down(status: dict[str, Any]) -> str:
    """Why a button cannot let the string down now, or nothing. Without power on the drive only a pedal or a hand can."""
    if status["state"] != "tripped" or status["flags"] & safety.F_ENABLED:
        return ""
    return next(says for flag, says in NO_DRIVE.items() if status["flags"] & flag or not flag)


class Strung:
    """What may be said of the string, calmly: readings that come and go say nothing, and slack has to last."""

    def __init__(self) -> None:
        self._unknown_s: float | None = None
        self._pulled_s = -math.inf

    def now(self, status: dict[str, Any]) -> str:
        """Take a moment of the head; "unknown", "pulls" or "slack"."""
        t, force_n = status["t_s"], status["force_n"]
        if force_n is None or self._unknown_s is None:
            self._unknown_s = t
        if force_n is not None and force_n >= LOADED_N:
            self._pulled_s = t
        if t - self._unknown_s < CALM_S:
            return "unknown"
        return "pulls" if t - self._pulled_s < CALM_S else "slack"
