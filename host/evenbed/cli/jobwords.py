"""What a stringer types during a job, and what it means. Any beginning of a word that is clear will do."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, cast

from evenbed.racquet.model import Kind, Side, StringName
from evenbed.units import UnitError, parse_force

HELP = (
    ("Enter, or a tap", "go on: the line of the list is done, the knot is tied, the question is answered"),
    ("no", "this line of the list is not as it should be"),
    ("again", "pull the last string once more"),
    ("back", "take the last string back"),
    ("string", "go on stringing"),
    ("take 12", "take pull 12 next, whatever the plan says"),
    ("crosses", "free work: crosses from here on; 'mains' the other way"),
    ("tension main 23kgf", "from now on; or: tension main 3 left 23kgf"),
    ("break", "a break; Enter or a tap ends it"),
    ("note TEXT", "write something down"),
    ("left", "the pulls that are left"),
    ("broken", "a string has broken: what to do"),
    ("give up", "give the racquet up: what to do, in which order"),
    ("finish", "no more pulls: the closing list"),
    ("down", "let down what is on the head"),
    ("quit", "leave; the job is kept, and resumes"),
)
WORDS = (*(h[0].split()[0] for h in HELP[1:]), "mains", "help")


@dataclass(frozen=True)
class Typed:
    """An action of the job (see ``Job.act``), or one of the terminal's own: "left", "help", "down", "quit", "crosses",
    "mains"; ``trouble`` says what was not understood."""

    action: str = ""
    values: dict[str, Any] = field(default_factory=dict)
    trouble: str = ""


def typed(text: str, listed: bool = False) -> Typed:
    """Understand one line. ``listed``: a list is being gone through, and a figure may be meant."""
    text = text.strip()
    if not text:
        return Typed("go on")
    if text == "?":
        return Typed("help")
    if listed and text[0].isdigit():
        return Typed("figure", {"text": text})
    first, _, rest = text.partition(" ")
    meant = [w for w in WORDS if w.startswith(first.lower())]
    exact = [w for w in meant if w == first.lower()]
    word = (exact or meant or [""])[0]
    if len(meant) != 1 and not exact:
        could = f" It could be {', '.join(meant)}." if meant else " 'help' says what there is."
        return Typed(trouble=f"'{first}' is not clear.{could}")
    rest = rest.strip()
    if word == "take":
        if not rest.isdigit():
            return Typed(trouble="Say which pull, by its number: take 12. 'left' lists them.")
        return Typed("choose", {"number": int(rest)})
    if word == "note":
        return Typed("note", {"text": rest}) if rest else Typed(trouble="Say what to write down: note frame was scratched")
    if word == "tension":
        return _tension(rest)
    own = {"no": "not fine", "back": "take back", "string": "string on", "give": "give up"}
    return Typed(own.get(word, word))


def _tension(rest: str) -> Typed:
    example = "Say it like this: tension main 23kgf, tension cross 50lbf, tension main 3 left 23kgf."
    m = re.fullmatch(r"(main|cross)(?:e?s)?(?:\s+(\d+)(?:\s+(left|right))?)?\s+(\S.*)", rest)
    if m is None:
        return Typed(trouble=example)
    try:
        newtons, _ = parse_force(m.group(4))
    except UnitError as e:
        return Typed(trouble=f"{e} {example}")
    kind, number, side = cast(Kind, m.group(1)), m.group(2), cast(Side | None, m.group(3))
    if number is None:
        return Typed("tension", {"kind": kind, "newtons": newtons})
    if (kind == "main") != (side is not None):
        return Typed(trouble=f"A main has a side, a cross has none. {example}")
    return Typed("tension", {"kind": kind, "newtons": newtons, "name": StringName(kind, int(number), side)})
