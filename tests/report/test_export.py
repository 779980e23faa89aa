"""Exports: what is written can be read back into the very same marks."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from evenbed.job.marks import Mark, fold
from evenbed.job.plan import make_plan
from evenbed.job.planned import Equipment
from evenbed.racquet.file import parse
from evenbed.report import export
from evenbed.report.export import ExportError
from evenbed.report.kept import Kept
from hypothesis import given, settings
from hypothesis import strategies as st
from report_jobs import Made, whole


@pytest.fixture(scope="module")
def kept() -> Kept:
    made = whole()
    made.marks[:] = [json_mark(m) for m in made.marks]
    return made.kept()


def json_mark(m: Mark) -> Mark:
    """As it comes out of the store."""
    return Mark(m.kind, json.loads(json.dumps(m.values)), m.at)


def test_json_holds_everything_to_make_the_job_again(kept: Kept) -> None:
    text = export.to_json(kept.row, kept.marks, kept)
    row, marks = export.from_json(text)
    assert row == kept.row and marks == list(kept.marks)
    plan = make_plan(parse(row.racquet, row.name), Equipment(**row.equipment))
    state = fold(plan, marks)
    assert state.done == kept.state.done and state.phase == kept.state.phase
    assert tuple(p.label for p in plan.pulls) == row.labels


def test_a_job_that_cannot_be_planned_any_more_is_exported_all_the_same(kept: Kept) -> None:
    text = export.to_json(kept.row, kept.marks, None)
    assert export.from_json(text) == (kept.row, list(kept.marks)) and json.loads(text)["pulls"] is None


DEMO = Made("demo-six-by-seven").row()
_JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False) | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text().filter(lambda k: k != "not finite"), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=40)
@given(st.lists(st.builds(Mark, st.text(), st.dictionaries(st.text(min_size=1), _JSON, max_size=3), st.text()), max_size=3))
def test_any_marks_survive(marks: list[Mark]) -> None:
    row = DEMO
    text = export.to_json(row, marks, None)

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")  # RFC 8259, section 6: infinity and NaN are not permitted

    json.loads(text, parse_constant=refuse)
    assert export.from_json(text) == (row, marks)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{}", "no export"),
        ("not json", "no export"),
        ('{"format": "something else"}', "something else"),
        ('{"format": "evenbed job", "version": 99}', "newer"),
        ('{"format": "evenbed job", "version": 1, "job": {}, "marks": []}', "no export"),
    ],
)
def test_other_files_are_refused(text: str, says: str) -> None:
    with pytest.raises(ExportError, match=says):
        export.from_json(text)


def test_csv_has_a_line_for_each_pull(kept: Kept) -> None:
    rows = list(csv.DictReader(io.StringIO(export.to_csv(kept))))
    pulled = [m for m in kept.marks if m.kind == "pulled"]
    assert len(rows) == len(pulled) == 38
    for row, mark in zip(rows, pulled, strict=True):
        record = mark.values["record"]
        assert float(row["at_clamp_n"]) == record["force_at_clamp_n"] and float(row["asked_n"]) == record["reference_n"]
        assert float(row["held_s"]) == pytest.approx(record["clamped_s"] - record["reached_s"])
        for key in (
            "draw_length_mm",
            "stiffness_n_mm",
            "delay_s",
            "take_up_mm",
            "creep_n_s",
            "loss_now_n",
            "least_margin_n",
        ):
            assert float(row[key]) == record[key]
        assert row["proof"] == record["proof"] and int(row["calibration"]) == 3 and float(row["expanded_n"]) == 0.45
        trace = [tuple(map(float, pair.split(":"))) for pair in row["trace_s_n"].split()]
        assert trace == [pytest.approx(tuple(p), abs=1e-3) for p in mark.values["trace"]]
    asked = [r for r in rows if r["asked"]]
    assert [r["pull"] for r in asked] == ["main 5 left"] and asked[0]["answered"] == "it is as it should be"


def test_a_second_pull_has_a_line_of_its_own() -> None:
    made = Made("demo-six-by-seven").lists().string(3)
    made.do("again").string(2)
    rows = export.pulls(made.kept())
    assert [(r["pull"], r["again"]) for r in rows][2:4] == [("main 2 right", False), ("main 2 right, once more", True)]
    assert rows[2]["delivered_n"] is None and rows[3]["delivered_n"] is not None  # only the last one is in the bed
