"""What the board does about each of its faults, by the state it is in. The tests hold the firmware to it.

``python -m evenbed.responses`` prints the tables of SAFETY.md.
"""

from __future__ import annotations

import re

from evenbed_fw import faults, safety

from evenbed.catalogue import ENTRIES, KINDS

# state before -> state after; a fault that is not raised in a state, or changes nothing there, keeps it
_L, _A, _M, _H, _F, _E, _B, _C = range(8)
_STAND = {_A: _F, _M: _F, _H: _F, _B: _F}
_CUT = {_A: _C, _M: _C, _H: _C, _F: _C, _E: _C, _B: _C}
RESPONSES: dict[int, dict[int, int]] = {
    faults.OVER_TENSION: {_M: _B, _H: _B},
    faults.NO_DATA: {_M: _F, _H: _F, _B: _F},
    faults.STUCK: _STAND,
    faults.SATURATED: _STAND,
    faults.IMPLAUSIBLE: _STAND,
    faults.STRING_LOST: {_M: _F, _H: _F},
    faults.LEASE_EXPIRED: {_M: _F, _H: _F},
    faults.PEDAL: {_M: _F, _H: _F},
    faults.EMERGENCY_STOP: _CUT,
    faults.SUPPLY_LOST: _CUT,
    faults.PRESSED: {_M: _F},
    faults.STOPPED: {_M: _F, _H: _F},
    faults.STRETCH: {_M: _F},
    faults.WRONG_WAY: {_M: _F, _E: _F, _B: _F},
}
# what a state after a fault means for the string: (the screw holds without power, it does not)
MEANS: dict[int, tuple[str, str]] = {
    _F: ("stands, drive holds", "stands, drive holds"),
    _B: ("brakes, backs off 3 mm, stands, drive holds", "brakes, backs off 3 mm, stands, drive holds"),
    _C: ("drive off; the screw keeps the string", "drive off; **the string goes slack at once**: fit a brake"),
}


def tables() -> str:
    """The fault tables of SAFETY.md."""
    out = [
        "What the board does, by the state it is in. Frozen, letting down and cut it only records a fault, emergency stop "
        "and lost supply excepted, and 14 in letting down. Latched and slack it looks again when it is armed; latched with "
        "a string on, emergency stop and lost supply are latched too. While it eases off, and in a hold that may not pull "
        "above 30 N (the last part of a clamp's proof), 6 is not judged: hands may take away what is "
        "left there.",
        "",
        "| | fault | moving | holding | backing off | armed | the string: screw holds without power | it does not |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for number, answers in RESPONSES.items():
        after = [answers.get(state) for state in (_M, _H, _B, _A)]
        cells = ["–" if a is None else safety.STATES[a] for a in after]
        worst = next(a for a in after if a is not None)
        holds, lets_go = MEANS[worst]
        out.append(f"| {number} | {faults.NAMES[number]} | {' | '.join(cells)} | {holds} | {lets_go} |")
    out += ["", "Every entry: " + "; ".join(f"*{kind}* {what}" for kind, what in KINDS.items()) + ".", ""]
    out += [
        "| | name | raised by | kind | says | what to do | over when | proved by |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for e in ENTRIES.values():
        proof = e.proved_by.removeprefix("tests/").replace("::", ": ")
        out.append(f"| {e.number} | {e.name} | {e.raised_by} | {e.kind} | {e.says} | {e.do_next} | {e.clears} | {proof} |")
    return re.sub(r"\{(\w+?)(?:_n|_s|_mm)?\}", r"*\1*", "\n".join(out))


if __name__ == "__main__":
    print(tables())
