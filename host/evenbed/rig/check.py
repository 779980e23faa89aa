"""From plain data (as a TOML file holds it) to a Rig and back, with errors a builder can act on."""

from __future__ import annotations

import difflib
import math
import typing
from collections.abc import Mapping
from dataclasses import Field, fields
from datetime import date, datetime
from functools import cache
from itertools import pairwise
from typing import Any

from evenbed.rig.tables import INF, Entry, Result, Rig


class RigError(ValueError):
    """A rig description that cannot be used; its text names file, table, key, value, unit and bound."""


def entry_of(item: Field[Any]) -> Entry:
    """The Entry of a table's field."""
    found: Entry = item.metadata["entry"]
    return found


def key_of(item: Field[Any]) -> str:
    """The key of a field in the file."""
    return entry_of(item).key or item.name


def bounds_text(e: Entry) -> str:
    """The bounds as words: ``from 2 to 4``."""
    unit = f" {e.unit}" if e.unit else ""
    if e.least > -INF and e.most < INF:
        return f"from {e.least:g} to {e.most:g}{unit}"
    if e.least > -INF:
        return f"{e.least:g}{unit} or more"
    return f"a number in {e.unit}" if e.unit else "a number"


@cache
def known_keys() -> dict[str, dict[str, Field[Any]]]:
    """Every table's keys with their fields."""
    hints = typing.get_type_hints(Rig)
    return {table.name: {key_of(item): item for item in fields(hints[table.name])} for table in fields(Rig)}


def _nearest(word: str, known: typing.Iterable[str]) -> str:
    names = list(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else "known here: " + ", ".join(sorted(names)) + "."


def _shown(value: Any) -> str:
    text = f"{value:g}" if isinstance(value, float) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


class _Reader:
    """Turns one file's values into fields; ``source`` begins every complaint."""

    def __init__(self, source: str) -> None:
        self.source = source

    def fail(self, table: str, key: str, value: Any, e: Entry, wants: str) -> typing.NoReturn:
        unit = f" {e.unit}" if e.unit and not isinstance(value, str | bool | Mapping | list | date) else ""
        says = f" ({e.says})" if e.says else ""
        raise RigError(f"{self.source}: [{table}] {key} = {_shown(value)}{unit}: it has to be {wants}{says}.")

    def number(self, table: str, key: str, value: Any, e: Entry, whole: bool) -> float | int:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fail(table, key, value, e, f"a {'whole ' if whole else ''}number, {bounds_text(e)}")
        if whole and not (isinstance(value, int) or (math.isfinite(value) and value == int(value))):
            self.fail(table, key, value, e, f"a whole number, {bounds_text(e)}")
        # Compared before it becomes a float: a whole number of TOML may be too large for one.
        if not e.least <= value <= e.most or (isinstance(value, float) and not math.isfinite(value)):
            self.fail(table, key, value, e, bounds_text(e))
        try:
            return int(value) if whole else float(value)
        except OverflowError:
            self.fail(table, key, value, e, bounds_text(e))

    def result(self, table: str, key: str, value: Any, e: Entry) -> Result:
        example = "{ value = ..., on = 2031-05-04 }"
        if not isinstance(value, Mapping) or set(value) != {"value", "on"}:
            self.fail(table, key, value, e, f"written as {example}")
        found = value["value"]
        if e.unit:
            found = self.number(table, f"{key}.value", found, e, False)
        elif not isinstance(found, bool):
            self.fail(table, f"{key}.value", found, e, "true or false")
        return Result(found, self.day(table, f"{key}.on", value["on"], e))

    def day(self, table: str, key: str, value: Any, e: Entry) -> date:
        if isinstance(value, datetime) or not isinstance(value, date):
            self.fail(table, key, value, e, "a date such as 2031-05-04, without quotes")
        return date(value.year, value.month, value.day)

    def curve(self, table: str, key: str, value: Any, e: Entry) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list | tuple):
            self.fail(table, key, value, e, "a list of [turns/s, N·m]")
        points = []
        for point in value:
            if not isinstance(point, list | tuple) or len(point) != 2:
                self.fail(table, key, point, e, "a list of [turns/s, N·m]")
            a, b = (self.number(table, key, part, e, False) for part in point)
            points.append((float(a), float(b)))
        if any(b[0] <= a[0] for a, b in pairwise(points)):
            self.fail(table, key, value, e, "a list whose speeds rise")
        return tuple(points)

    def value(self, table: str, key: str, value: Any, e: Entry, kind: Any) -> Any:
        kinds = set(typing.get_args(kind)) if type(None) in typing.get_args(kind) else {kind}
        if Result in kinds:
            return self.result(table, key, value, e)
        if date in kinds:
            return self.day(table, key, value, e)
        if bool in kinds:
            if not isinstance(value, bool):
                self.fail(table, key, value, e, "true or false")
            return bool(value)
        if str in kinds or e.choices:
            if not isinstance(value, str):
                self.fail(table, key, value, e, "text in quotes")
            if e.choices and value not in e.choices:
                near = difflib.get_close_matches(value, e.choices, n=1)
                hint = f"; did you mean {near[0]!r}?" if near else ""
                self.fail(table, key, value, e, "one of " + ", ".join(repr(c) for c in e.choices) + hint)
            return str(value)
        if int in kinds or float in kinds:
            return self.number(table, key, value, e, int in kinds)
        return self.curve(table, key, value, e)


@cache
def _kinds(table: str) -> dict[str, Any]:
    return typing.get_type_hints(typing.get_type_hints(Rig)[table])


def build(data: Mapping[str, Any], source: str) -> Rig:
    """The rig that ``data`` (tables of plain values) describes; what is left out has its default.

    ``source`` is named in errors. Raises RigError for a table or key that is unknown, for a value of the wrong kind or
    out of bounds, and for values that do not fit together.
    """
    reader, known = _Reader(source), known_keys()
    tables = {}
    for name, table in data.items():
        if name not in known:
            what = (
                f"[{name}] is no table" if isinstance(table, Mapping) else f"{name!r} is no table, and every key needs one"
            )
            raise RigError(f"{source}: {what} of a rig; {_nearest(name, known)}")
        if not isinstance(table, Mapping):
            raise RigError(f"{source}: {name} = {_shown(table)}: it has to be a table, [{name}] with its keys below.")
        values = {}
        for key, value in table.items():
            item = known[name].get(key)
            if item is None:
                raise RigError(f"{source}: [{name}] {key} is not known; {_nearest(key, known[name])}")
            values[item.name] = reader.value(name, key, value, entry_of(item), _kinds(name)[item.name])
        tables[name] = type(getattr(Rig(), name))(**values)
    rig = Rig(**tables)
    _together(rig, source)
    return rig


def _together(rig: Rig, source: str) -> None:
    """Refuse values that contradict each other."""
    screw, strings = rig.screw, rig.strings
    for wrong, text in (
        (
            screw.thread != "ball" and screw.pitch_mm >= 0.8 * screw.diameter_mm,
            f"[screw] pitch_mm = {screw.pitch_mm:g} mm on diameter_mm = {screw.diameter_mm:g} mm leaves no core. The pitch "
            "is from one thread to the next; several threads side by side are starts.",
        ),
        (
            screw.friction_least > screw.friction,
            f"[screw] friction_least = {screw.friction_least:g} is more than friction = {screw.friction:g}.",
        ),
        (
            strings.softest_n_mm > strings.stiffest_n_mm,
            f"[strings] softest_n_mm = {strings.softest_n_mm:g} N/mm is more than stiffest_n_mm = "
            f"{strings.stiffest_n_mm:g} N/mm.",
        ),
        (
            strings.lowest_n > strings.highest_n,
            f"[strings] lowest_n = {strings.lowest_n:g} N is more than highest_n = {strings.highest_n:g} N.",
        ),
    ):
        if wrong:
            raise RigError(f"{source}: {text}")


def plain(value: Any) -> Any:
    """A field's value as TOML holds it."""
    if isinstance(value, Result):
        return {"value": value.value, "on": value.on}
    if isinstance(value, tuple):
        return [list(point) for point in value]
    return value


def as_data(rig: Rig) -> dict[str, dict[str, Any]]:
    """The rig as tables of plain values; what is None is left out."""
    return {
        name: {
            key: plain(value) for key, item in keys.items() if (value := getattr(getattr(rig, name), item.name)) is not None
        }
        for name, keys in known_keys().items()
    }


def split(dotted: str, source: str) -> tuple[str, str]:
    """``clamps.count`` as table and key. Raises RigError if there is no such value."""
    known = known_keys()
    table, dot, key = dotted.partition(".")
    if not dot:
        raise RigError(f"{source}: {dotted!r} names no value: write table.key, such as clamps.count.")
    if table not in known:
        raise RigError(f"{source}: [{table}] is no table of a rig; {_nearest(table, known)}")
    if key not in known[table]:
        raise RigError(f"{source}: [{table}] {key} is not known; {_nearest(key, known[table])}")
    return table, key


def changed(rig: Rig, values: Mapping[str, Any], source: str = "the change") -> Rig:
    """``rig`` with some values replaced, ``{"clamps.count": 3}``; None removes a value. Raises RigError."""
    data = as_data(rig)
    for dotted, value in values.items():
        table, key = split(dotted, source)
        if value is None:
            data[table].pop(key, None)
        else:
            data[table][key] = plain(value)
    return build(data, source)
