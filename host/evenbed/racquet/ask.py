"""The questions that make a racquet file, their usual answers, and the file that comes of them. Knows no terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from evenbed.racquet import naming
from evenbed.racquet.file import KNOTS, NEWTONS, WRITABLE_N
from evenbed.racquet.frame import INSIDE_MM, MOST_STRINGS, main_holes
from evenbed.racquet.rules import mistaken
from evenbed.racquet.sports import FAMILIES, SPORTS, Sport
from evenbed.racquet.table import nearest, printable
from evenbed.units import UNITS, show_force

Answers = Mapping[str, str]
NONE, UNKNOWN = "none", "unknown"
_LIKE = {
    "short side": "head 6 left",
    "mains left": "head 6 left",
    "mains right": "head 6 right",
    "crosses start": "head 5 left",
    "crosses end": "throat 6 right",
}


class AnswerError(ValueError):
    """An answer that cannot be taken. The text says why, and what would do."""


@dataclass(frozen=True)
class Question:
    """One question. ``usual`` gives what Enter takes; ``check`` returns the answer as it is kept, or raises AnswerError;
    ``wanted`` says whether it is asked at all. All see the answers given so far."""

    key: str
    text: Callable[[Answers], str]
    usual: Callable[[Answers], str]
    check: Callable[[Answers, str], str]
    wanted: Callable[[Answers], bool] = lambda a: True


def _sport(a: Answers) -> Sport:
    return SPORTS[a["sport"]]


def _pattern(a: Answers) -> tuple[int, int]:
    mains, crosses = a["pattern"].split("x")
    return int(mains), int(crosses)


def _number(text: str) -> float:
    if not re.fullmatch(r"[0-9]{1,6}([.,][0-9]{1,6})?", text):
        raise AnswerError(f"{text[:30]!r} is no number.")
    return float(text.replace(",", "."))


def _pair(text: str, like: str) -> tuple[float, float]:
    parts = re.split(r"\s*(?:[x×*-]|to|by)\s*", text.strip().lower())
    if len(parts) != 2:
        raise AnswerError(f"{text[:30]!r} is not understood: write it like {like}.")
    return _number(parts[0]), _number(parts[1])


def _name(a: Answers, text: str) -> str:
    if not printable(text) or len(text) > 80:
        raise AnswerError("Some words on one line, 80 letters at most.")
    return " ".join(text.split())


def _choice(choices: tuple[str, ...]) -> Callable[[Answers, str], str]:
    def check(a: Answers, text: str) -> str:
        exact = [c for c in choices if c.lower() == text.lower()]
        begun = exact or [c for c in choices if c.lower().startswith(text.lower())]
        if len(begun) == 1:
            return begun[0]
        if begun:
            raise AnswerError(f"{text!r} could be {' or '.join(begun)}.")
        raise AnswerError(f"{text[:30]!r} is none of {', '.join(choices)}: {nearest(text, choices)}")

    return check


def _strings(a: Answers, text: str) -> str:
    mains, crosses = _pair(text, f"{_sport(a).mains}x{_sport(a).crosses}, mains first")
    for what, count in (("mains", mains), ("crosses", crosses)):
        if not count.is_integer() or not 4 <= count <= MOST_STRINGS:
            raise AnswerError(f"{count:g} {what}: a whole number from 4 to {MOST_STRINGS}.")
    if mains % 2:
        raise AnswerError(f"{mains:g} mains are odd: count them left and right together; mains come first.")
    return f"{mains:.0f}x{crosses:.0f}"


def _inside(a: Answers, text: str) -> str:
    length, width = _pair(text, "335x252, the length first, in mm")
    for what, mm in (("length", length), ("width", width)):
        if not INSIDE_MM[0] <= mm <= INSIDE_MM[1]:
            raise AnswerError(f"A {what} of {mm:g} mm is outside {INSIDE_MM[0]:g} to {INSIDE_MM[1]:g} mm.")
    return f"{length:g}x{width:g}"


def _loop(a: Answers, text: str) -> str:
    mains, _ = _pattern(a)
    if text.lower() in ("head", "throat"):
        return text.lower()
    count = _number(text) if text[:1].isdigit() else 0.0
    if not count.is_integer() or count % 2 or not 2 <= count <= mains:
        raise AnswerError(f"Write head, throat, or an even number of mains at the throat from 2 to {mains}.")
    return f"{count:.0f}"


def _usual_loop(a: Answers) -> str:
    """The end from which the mains of one side end at the head."""
    mains, _ = _pattern(a)
    return "throat" if mains // 2 % 2 else "head"


def _skipped(a: Answers, text: str) -> str:
    if text.lower() == NONE:
        return NONE
    try:
        pairs = [naming.hole_pair(part) for part in text.lower().split(",")]
    except naming.NamingError as e:
        raise AnswerError(f"{e} Separate them by commas.") from None
    mains, _ = _pattern(a)
    for end in ("head", "throat"):
        numbers = {n for e, n in pairs if e == end}
        last = main_holes(numbers, mains // 2)[-1]
        if beyond := [n for n in numbers if n > last]:
            raise AnswerError(f"{end} {min(beyond)} lies beyond the last main, in hole {last}: no main skips it.")
    return ", ".join(f"{e} {n}" for e, n in sorted(set(pairs)))


def _diameter(a: Answers, text: str) -> str:
    if text.lower() == UNKNOWN:
        return UNKNOWN
    mm = _number(text)
    if not 0.4 <= mm <= 2.0:
        raise AnswerError(f"{mm:g} mm is outside 0.4 to 2.0 mm. Is it in mm? Else write {UNKNOWN}.")
    return f"{mm:g}"


def _bare(a: Answers, text: str) -> str:
    """Without the unit, if it is the file's."""
    unit = a["unit"]
    bare = text[: -len(unit)].strip() if text.lower().endswith(unit.lower()) else text
    if re.search(r"[a-z]\s*$", bare.lower()):
        raise AnswerError(f"{text[:30]!r} is not in {unit}: write the number alone, in {unit}.")
    return bare


def _force(a: Answers, text: str) -> str:
    unit = a["unit"]
    bare = _bare(a, text)
    newtons = _number(bare) * NEWTONS[unit]
    top_n = _sport(a).top_n
    if newtons < WRITABLE_N[0]:
        least = show_force(WRITABLE_N[0], unit)
        raise AnswerError(f"{_number(bare):g} {unit} ({newtons:.0f} N) is less than {least}. Is it in {unit}?")
    if newtons > top_n:
        raise AnswerError(
            f"{_number(bare):g} {unit} ({newtons:.0f} N) is more than anybody strings a {a['sport']} frame at "
            f"({show_force(top_n, unit)}). {mistaken(newtons, top_n, unit)}Is it in {unit}?"
        )
    return f"{_number(bare):g}"


def _range(a: Answers, text: str) -> str:
    if text.lower() == UNKNOWN:
        return UNKNOWN
    low, high = (_force(a, f"{v:g}") for v in _pair(_bare(a, text), f"20-27, or {UNKNOWN}"))
    if float(low) >= float(high):
        raise AnswerError(f"{low} is not less than {high}.")
    return f"{low}-{high}"


def _within(a: Answers, text: str) -> str:
    force = _force(a, text)
    if a["range"] != UNKNOWN and float(force) > float(a["range"].split("-")[1]):
        raise AnswerError(f"{force} {a['unit']} is more than the maker allows, {a['range']} {a['unit']}.")
    return force


def _usual_main(a: Answers) -> str:
    step = 1.0 if a["unit"] == "N" else 0.5
    value = round(_sport(a).main_n / NEWTONS[a["unit"]] / step) * step
    if a["range"] != UNKNOWN:
        low, high = (float(v) for v in a["range"].split("-"))
        value = min(max(value, low), high)
    return f"{value:g}"


def _usual_cross(a: Answers) -> str:
    value = round(float(a["main"]) * _sport(a).cross_ratio, 1)
    highest = _sport(a).top_n / NEWTONS[a["unit"]]
    if a["range"] != UNKNOWN:
        highest = float(a["range"].split("-")[1])
    return f"{min(value, float(a['main']) if value > highest else value):g}"


def _two(a: Answers) -> bool:
    return a["pieces"] == "2"


def _of_mains(a: Answers) -> str:
    return " of the mains" if _two(a) else ""


QUESTIONS: tuple[Question, ...] = (
    Question("name", lambda a: "What do you call this racquet?", lambda a: "my racquet", _name),
    Question("sport", lambda a: f"Sport: {', '.join(SPORTS)}?", lambda a: "tennis", _choice(tuple(SPORTS))),
    Question("unit", lambda a: "Unit of its tensions: N, kgf or lbf?", lambda a: _sport(a).unit, _choice(UNITS)),
    Question("pattern", lambda a: "Mains x crosses?", lambda a: f"{_sport(a).mains}x{_sport(a).crosses}", _strings),
    Question(
        "inside",
        lambda a: "Inside of the hoop, length x width in mm (measured where the strings lie)?",
        lambda a: f"{_sport(a).inside_length_mm:g}x{_sport(a).inside_width_mm:g}",
        _inside,
    ),
    Question(
        "loop",
        lambda a: "Where are the two centre mains joined: head or throat? Or how many mains run through the throat?",
        _usual_loop,
        _loop,
    ),
    Question("skipped", lambda a: "Holes that the mains skip, such as: head 7, throat 7?", lambda a: NONE, _skipped),
    Question("pieces", lambda a: "How many pieces of string: 1 or 2?", lambda a: "1", _choice(("1", "2"))),
    Question(
        "family",
        lambda a: f"Kind of string{_of_mains(a)}: {', '.join(FAMILIES)}?",
        lambda a: _sport(a).family,
        _choice(FAMILIES),
    ),
    Question(
        "diameter",
        lambda a: f"Diameter{_of_mains(a)} in mm?",
        lambda a: f"{_sport(a).diameter_mm:g}",
        _diameter,
    ),
    Question("cross_family", lambda a: "Kind of string of the crosses?", lambda a: a["family"], _choice(FAMILIES), _two),
    Question("cross_diameter", lambda a: "Diameter of the crosses in mm?", lambda a: a["diameter"], _diameter, _two),
    Question(
        "range",
        lambda a: f"Tension that the frame's maker allows in {a['unit']}, from-to?",
        lambda a: UNKNOWN,
        _range,
    ),
    Question("main", lambda a: f"Tension of the mains in {a['unit']}?", _usual_main, _within),
    Question("cross", lambda a: f"Tension of the crosses in {a['unit']}?", _usual_cross, _within),
    Question("wish", lambda a: "What does the player wish for?", lambda a: NONE, _name),
)


def file_text(a: Answers) -> str:
    """The racquet file for a full set of answers."""
    mains, crosses = _pattern(a)
    length, width = a["inside"].split("x")
    lines = [
        "# A racquet. Lengths in mm. 'evenbed racquet check' says what is taken for what is missing.",
        f"name = {json.dumps(a['name'], ensure_ascii=False)}",
        f'sport = "{a["sport"]}"',
        f'unit = "{a["unit"]}"  # of every tension in this file',
        "",
        "[frame]",
        "# length_mm = 685  # over all",
        f"inside_length_mm = {length}",
        f"inside_width_mm = {width}",
    ]
    if a["range"] == UNKNOWN:
        lines += ["# least = 20  # what the maker allows", "# most = 27"]
    else:
        low, high = a["range"].split("-")
        lines += [f"least = {low}  # what the maker allows", f"most = {high}"]
    lines += ["", "[pattern]", f"mains = {mains}  # left and right together", f"crosses = {crosses}"]
    if a["loop"] in ("head", "throat"):
        lines += [f'first_loop = "{a["loop"]}"  # where the two centre mains are joined']
    else:
        lines += [f"mains_at_throat = {a['loop']}  # both sides together; where the first loop lies follows from it"]
    if a["skipped"] != NONE:
        lines += [f"skipped = {json.dumps(a['skipped'].split(', '))}  # by the mains, left and right alike"]
    lines += ["# mains_x_mm = [...]    # where the mains lie, from the centre line; or main_lengths_mm"]
    lines += ["# crosses_y_mm = [...]  # where the crosses lie, from the inside of the head; or cross_lengths_mm"]
    if _two(a):
        lines += _piece("[[string]]", "mains", a["family"], a["diameter"])
        lines += _piece("[[string]]", "crosses", a["cross_family"], a["cross_diameter"])
    else:
        lines += _piece("[string]", "", a["family"], a["diameter"])
    lines += ["", "[tension]", f"main = {a['main']}", f"cross = {a['cross']}"]
    lines += ["", "[tie_offs]  # the hole of each knot"]
    lines += [f'# "{knot}" = "{_LIKE[knot]}"' for knot in KNOTS[2 if _two(a) else 1]]
    if a["wish"] != NONE:
        lines += ["", "[player]", f"wish = {json.dumps(a['wish'], ensure_ascii=False)}"]
    return "\n".join(lines) + "\n"


def _piece(head: str, part: str, family: str, diameter: str) -> list[str]:
    lines = ["", head, *([f'part = "{part}"'] if part else []), f'family = "{family}"']
    return [*lines, "# diameter_mm = 1.25" if diameter == UNKNOWN else f"diameter_mm = {diameter}"]
