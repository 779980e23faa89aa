"""One table of a racquet file: takes values out of it, and collects what is wrong instead of stopping at the first."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence


def shown(value: object) -> str:
    """A value as a message shows it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > 10**18:
        return "a huge number"  # Python refuses to write the longest
    try:
        text = repr(value)
    except ValueError:
        return "a huge number in a list"
    return text if len(text) <= 40 else text[:37] + "..."


def printable(text: str) -> bool:
    """Is it a text that can be shown on one line, and not empty?"""
    words = " ".join(text.split())
    return bool(words) and words.isprintable()


def nearest(word: str, known: Sequence[str]) -> str:
    """`` (did you mean ...?)`` for a word that is not known, or what there is."""
    near = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}."


class Table:
    """``where`` is how messages call it, ``raw`` what the file holds. Every method adds to ``problems`` what is wrong,
    and then returns None, as it does where the key is missing."""

    def __init__(self, where: str, raw: Mapping[str, object], problems: list[str]) -> None:
        self.where, self.raw, self.problems = where, raw, problems
        self.known: list[str] = []

    def wrong(self, key: str, what: str) -> None:
        """Note what is wrong with a key."""
        self.problems.append(f"{self.where} {key if key.isprintable() else repr(key)}: {what}".strip())

    def take(self, key: str, needed: str = "") -> object | None:
        """The value as it is; ``needed`` says what to write where it is missing."""
        self.known.append(key)
        value = self.raw.get(key)
        if value is None and needed:
            self.wrong(key, f"missing: {needed}")
        return value

    def number(self, key: str, low: float, high: float, unit: str, needed: str = "") -> float | None:
        """A number between bounds."""
        return self._number(key, self.take(key, needed), low, high, unit)

    def _number(self, key: str, value: object, low: float, high: float, unit: str) -> float | None:
        if value is None:
            return None
        of = f" {unit}" if unit else ""
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, f"{shown(value)} is no number: write one from {low:.4g} to {high:.4g}{of}, without quotes.")
            return None
        if not low <= value <= high:
            self.wrong(key, f"{shown(value)}{of} is outside {low:.4g} to {high:.4g}{of}: correct it.")
            return None
        return float(value)

    def whole(self, key: str, low: int, high: int, needed: str = "") -> int | None:
        """A whole number between bounds."""
        value = self.take(key, needed)
        if isinstance(value, float) and value == value and abs(value) < 1e9 and not value.is_integer():
            self.wrong(key, f"{value:g} is no whole number.")
            return None
        number = self._number(key, value, low, high, "")
        return None if number is None else int(number)

    def word(self, key: str, choices: Sequence[str], needed: str = "") -> str | None:
        """One of some words."""
        value = self.take(key, needed)
        if value is None:
            return None
        if not isinstance(value, str) or value not in choices:
            hint = nearest(value, choices) if isinstance(value, str) else "put it in quotes."
            self.wrong(key, f"{shown(value)} is none of {', '.join(choices)}: {hint}")
            return None
        return value

    def text(self, key: str, needed: str = "") -> str | None:
        """Free words, one line."""
        value = self.take(key, needed)
        if value is None:
            return None
        if not isinstance(value, str) or not printable(value):
            self.wrong(key, f"{shown(value)} is no text: write some words in quotes.")
            return None
        return " ".join(value.split())

    def flag(self, key: str) -> bool | None:
        """true or false."""
        value = self.take(key)
        if value is not None and not isinstance(value, bool):
            self.wrong(key, f"{shown(value)} is neither true nor false (write it without quotes).")
            return None
        return value

    def numbers(self, key: str, count: int | None, low: float, high: float, unit: str) -> tuple[float, ...] | None:
        """As many numbers as there are strings."""
        value = self.take(key)
        if value is None:
            return None
        if not isinstance(value, list):
            self.wrong(key, f"{shown(value)} is no list: write the numbers in brackets, in {unit}.")
            return None
        found = [self._number(f"{key}, number {i + 1}", v, low, high, unit) for i, v in enumerate(value)]
        if count is not None and len(value) != count:
            self.wrong(key, f"{count} strings need {count} numbers, not {len(value)}.")
            return None
        good = [v for v in found if v is not None]
        return tuple(good) if len(good) == len(found) else None

    def texts(self, key: str) -> list[str]:
        """A list of texts, or one text; empty where the key is missing."""
        value = self.take(key)
        if value is None:
            return []
        listed = [value] if isinstance(value, str) else value
        if not isinstance(listed, list) or not all(isinstance(v, str) and printable(v) for v in listed):
            self.wrong(key, f"{shown(value)} is no list of texts: write them in quotes, in brackets.")
            return []
        return [str(v) for v in listed]

    def table(self, key: str, needed: str = "") -> Table:
        """A table inside this one; empty where it is missing."""
        value = self.take(key, needed)
        if value is not None and not isinstance(value, dict):
            self.wrong(key, f"{shown(value)} is no table: write [{key}] on a line of its own, its keys below.")
            value = None
        return Table(f"[{key}]", value if isinstance(value, dict) else {}, self.problems)

    def finish(self) -> None:
        """Complain of the keys that nobody asked for."""
        for key in self.raw:
            if key not in self.known:
                self.wrong(key, f"not a key of this table; {nearest(key, self.known)}")
