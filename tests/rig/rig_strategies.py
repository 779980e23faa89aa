"""Rigs for property tests: every value anywhere inside its bounds."""

from __future__ import annotations

import math
import typing
from dataclasses import Field, replace
from datetime import date
from functools import cache
from typing import Any

from evenbed.rig.check import RigError, as_data, build, entry_of, known_keys
from evenbed.rig.tables import Result, Rig
from hypothesis import assume
from hypothesis import strategies as st

DAYS = st.dates(date(2000, 1, 1), date(2099, 12, 31))


def _value(item: Field[Any], kind: Any) -> st.SearchStrategy[Any]:
    e = entry_of(item)
    kinds = set(typing.get_args(kind)) or {kind}
    bounds = {
        "min_value": e.least if math.isfinite(e.least) else -1e6,
        "max_value": e.most if math.isfinite(e.most) else 1e6,
    }
    if e.choices:
        return st.sampled_from(e.choices)
    found: st.SearchStrategy[Any]
    if Result in kinds:
        found = st.builds(Result, st.floats(**bounds) if e.unit else st.booleans(), DAYS)
    elif date in kinds:
        found = DAYS
    elif bool in kinds:
        found = st.booleans()
    elif str in kinds:
        found = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=30)
    elif int in kinds:
        found = st.integers(int(e.least), int(e.most))
    elif float in kinds:
        found = st.floats(**bounds)
    else:
        point = st.tuples(st.floats(0.0, 1000.0), st.floats(0.0, 1000.0))
        found = st.lists(point, max_size=4, unique_by=lambda p: p[0]).map(lambda points: tuple(sorted(points)))
    return st.none() | found if type(None) in kinds else found


@cache
def fields() -> list[tuple[str, str, st.SearchStrategy[Any]]]:
    """Every value of a rig: table, name, what it may be."""
    hints = typing.get_type_hints(Rig)
    kinds = {table: typing.get_type_hints(hints[table]) for table in known_keys()}
    return [
        (table, item.name, _value(item, kinds[table][item.name]))
        for table, keys in known_keys().items()
        for item in keys.values()
    ]


@st.composite
def rigs(draw: st.DrawFn, most: int) -> Rig:
    """A rig with up to ``most`` of its values changed to any that is allowed."""
    tables: dict[str, dict[str, Any]] = {}
    for number in draw(st.sets(st.integers(0, len(fields()) - 1), max_size=most)):
        table, name, values = fields()[number]
        tables.setdefault(table, {})[name] = draw(values)
    rig = Rig(**{name: replace(getattr(Rig(), name), **values) for name, values in tables.items()})
    try:
        build(as_data(rig), "the test")
    except RigError:
        assume(False)
    return rig
