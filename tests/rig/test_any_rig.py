"""Any rig whose values are allowed: its file says the same again, and its review comes to an end with sentences."""

from __future__ import annotations

import math
import tempfile
from datetime import date
from pathlib import Path

from evenbed.cli.size import RATES_HZ, report
from evenbed.design.review import computed, review
from evenbed.rig import Rig, as_data, changed, read, update, write
from evenbed.units import UNITS
from hypothesis import given, settings
from hypothesis import strategies as st
from rig_strategies import rigs

REMARKS = ("# first line", "# about the clamps", "# two of them", "# the screw", "# last line")
COMMENTED = """\
# first line
[clamps] # about the clamps
count = 2 # two of them

# the screw
[screw]
pitch_mm = 2.0
# last line
"""


@settings(max_examples=15, deadline=None)
@given(rigs(12))
def test_the_file_says_the_same_again(rig: Rig) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        write(path, rig)
        assert read(path) == rig
        text = path.read_text(encoding="utf-8")
        write(path, rig)
        assert path.read_text(encoding="utf-8") == text


@settings(max_examples=15, deadline=None)
@given(rigs(12), st.booleans())
def test_comments_and_order_stay_whatever_is_changed(rig: Rig, one_by_one: bool) -> None:
    values = {f"{table}.{key}": value for table, keys in as_data(rig).items() for key, value in keys.items()}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        path.write_text(COMMENTED, encoding="utf-8")
        if one_by_one:
            write(path, rig)
        else:
            update(path, values)
        assert read(path) == rig
        text = path.read_text(encoding="utf-8")
        places = [text.find(remark) for remark in REMARKS]
        assert -1 not in places
        assert places == sorted(places)
        assert text.find("[clamps]") < text.find("count") < text.find("[screw]") < text.find("pitch_mm")


@settings(max_examples=40, deadline=None)
@given(rigs(10), st.sampled_from(UNITS))
def test_a_review_always_ends_and_says_what_to_change(rig: Rig, unit: str) -> None:
    lines = review(rig, RATES_HZ, unit)
    assert not any(math.isnan(line.value) for line in lines)
    assert all(line.says for line in lines if line.verdict != "ok")
    assert all(line.formula and line.source for line in lines)
    # A line with a limit is sound just where the limit is met, unless something else is wrong with it.
    assert all(line.margin is None or line.margin >= 1.0 - 1e-9 for line in lines if line.verdict == "ok")
    text = report(lines, "a rig", unit, True)
    if unit != "N":
        assert not [line for line in text.splitlines() if line.endswith(" N")]
    assert changed(rig, computed(rig, date(2031, 5, 4))).computed.steps_mm is not None
