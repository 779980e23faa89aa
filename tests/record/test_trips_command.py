"""``evenbed trips``: the list, one trip in words and as a picture, a replay, an export; and what is refused."""

from __future__ import annotations

import copy
import csv
import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from evenbed.cli.main import main
from evenbed.record.bundle import Bundle, digest
from evenbed.record.store import FILE, Store
from stopped_rigs import CONTACT, DRAW, HOLD, Case, stopped

SVG = "{http://www.w3.org/2000/svg}"
CASES = [
    Case("cell stuck", HOLD, "stuck"),
    Case("string off", CONTACT, "guard"),
    Case("to-host off", DRAW, "link_lost"),
]


@pytest.fixture(scope="module")
def bundles() -> list[Bundle]:
    return [stopped(case) for case in CASES]


@pytest.fixture
def filled(records_of_their_own: Path, bundles: list[Bundle]) -> Path:
    """A store with three trips."""
    store = Store(records_of_their_own)
    session = store.begin("/dev/ttyACM0", True, None, {})
    for bundle in bundles:
        store.trip(session, bundle)
    store.end(session, "done")
    store.close()
    return records_of_their_own


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["trips", *words])


def said(result: Result) -> str:
    return " ".join(result.output.split())


def test_an_empty_store_says_so_and_what_to_do(records_of_their_own: Path) -> None:
    result = run()
    assert result.exit_code == 0
    assert "No trips" in said(result) and str(records_of_their_own) in result.output.replace("\n", "")
    assert "simrig --fault" in said(result)
    assert not records_of_their_own.exists()


def test_the_list_has_number_name_state_force_and_where(filled: Path) -> None:
    lines = run("--unit", "N").output.splitlines()
    assert len(lines) == 5
    assert lines[1].split()[:1] == ["1"] and "stuck" in lines[1] and "holding" in lines[1]
    # The reference of these pulls is 220 N, the ceiling 6 % above (of the test's rig).
    assert "219.9 N" in lines[1] or "220.0 N" in lines[1] or "219.8 N" in lines[1]
    assert "233.2 N" in lines[1] and "/dev/ttyACM0 (simulated)" in lines[1]
    assert "guard" in lines[2] and "link lost" in lines[3] and "drawing" in lines[3]


def test_a_trip_in_words(filled: Path) -> None:
    text = said(run("--unit", "N", "show", "1"))
    for part in (
        "Trip 1: stuck", "frozen at 2", "Check the converter", "first cause stuck at 2",
        "later nothing", "head holding", "ceiling 233.2 N", "pull 220.0 N, nylon", "taking up", "holding · +0.00 s tripped",
        "protocol 1", "Python 3.", "limit 330.0 N", "from a moment of rest on",
    ):  # fmt: skip
        assert part in text, (part, text)
    kgf = said(run("show", "1"))
    assert "22.4" in kgf and "kgf" in kgf  # 220 N = 22.43 kgf (exact factor 9.80665)
    assert "the board sent no record" in said(run("show", "3"))


def test_a_picture_has_force_ceiling_position_and_states(filled: Path, tmp_path: Path) -> None:
    out = tmp_path / "trip.svg"
    result = run("plot", "1", "--out", str(out))
    assert result.exit_code == 0 and str(out) in result.output.replace("\n", "")
    root = ET.parse(out).getroot()
    curves = [c.attrib["points"].split() for c in root.findall(f".//{SVG}polyline")]
    assert len(curves) == 2 and all(len(c) > 700 for c in curves)  # ten seconds of 80 samples/s
    texts = [t.text or "" for t in root.iter(f"{SVG}text")]
    assert {"taking up", "drawing", "holding", "tripped"} <= set(texts)
    assert any(t.startswith("ceiling 23.78 kgf") for t in texts)  # 233.2 N
    assert "0 s" in texts and any(t.endswith(" mm") for t in texts)
    # Inside the frame.
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for curve in curves:
        xs, ys = zip(*((float(a) for a in p.split(",")) for p in curve), strict=True)
        assert min(xs) >= 0 and max(xs) <= width and min(ys) >= 0 and max(ys) <= height


def test_a_replay_says_that_it_is_the_same(filled: Path) -> None:
    for number, stop in ((1, "stuck"), (2, "guard, stopped"), (3, "link lost")):
        result = run("replay", str(number))
        assert result.exit_code == 0, result.output
        assert "The same verdict." in result.output and f"stops {stop}" in said(result)


def test_an_export_is_read_and_replayed_again(filled: Path, tmp_path: Path) -> None:
    out = tmp_path / "trip.json"
    assert run("export", "1", str(out)).exit_code == 0
    data = json.loads(out.read_text())
    assert data["format"] == "evenbed trip 1" and len(data["samples"]) > 700
    assert run("replay", str(out)).exit_code == 0
    data["events"] = [e for e in data["events"] if e[1] != "stuck"]
    out.write_text(json.dumps(data))
    result = run("replay", str(out))
    assert result.exit_code == 3 and "NOT the same" in result.output and "changed after it was recorded" in result.output


def test_the_readings_as_a_table(filled: Path, tmp_path: Path) -> None:
    out = tmp_path / "trip.csv"
    assert run("export", "1", str(out), "--csv").exit_code == 0
    with out.open() as f:
        rows = list(csv.DictReader(f))
    assert set(rows[0]) >= {"t_s", "force_n", "position_mm", "speed_mm_s", "fault"}
    assert max(float(r["force_n"]) for r in rows) == pytest.approx(220.0, rel=0.02)


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("show", "9"), "There are 1, 2, 3."),
        (("plot", "9"), "no trip 9"),
        (("replay", "9"), "no trip 9"),
        (("replay", "/no/such/file"), "/no/such/file"),
        (("export", "1", "/no/such/folder/file"), "/no/such/folder"),
    ],
)
def test_what_is_not_there_is_said(filled: Path, words: tuple[str, ...], part: str) -> None:
    result = run(*words)
    assert result.exit_code == 1 and part in said(result) and "Traceback" not in result.output


def test_a_bundle_of_another_protocol_is_refused(filled: Path, tmp_path: Path, bundles: list[Bundle]) -> None:
    other = {**bundles[0], "versions": {**bundles[0]["versions"], "protocol": 77}}
    other["digest"] = digest(other)
    path = tmp_path / "other.json"
    path.write_text(json.dumps(other))
    result = run("replay", str(path))
    assert result.exit_code == 1 and "protocol 77" in said(result)


def test_a_damaged_store_is_a_sentence(records_of_their_own: Path) -> None:
    records_of_their_own.mkdir()
    (records_of_their_own / FILE).write_bytes(b"no database, though it is long enough to be taken for one " * 30)
    for words in ((), ("show", "1"), ("replay", "1")):
        result = run(*words)
        assert result.exit_code == 1 and "damaged" in said(result) and "Traceback" not in result.output


def test_help_is_there() -> None:
    for words in ((), ("show",), ("plot",), ("replay",), ("export",)):
        result = run(*words, "--help")
        assert result.exit_code == 0 and "Usage" in result.output


ODD = (None, True, "", "\ud800", -1, 10**400, 1e308, float("inf"), float("nan"), [], {}, [[]], "9" * 50)


def leaves(value: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where everything stands in a bundle; of the lines only some."""
    yield at
    keys = value.keys() if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        if at != ("lines",) or key in (0, 100, 101):
            yield from leaves(value[key], (*at, key))


def test_no_bundle_whatever_is_in_it_gives_a_traceback(bundles: list[Bundle], tmp_path: Path) -> None:
    plain = json.loads(json.dumps(bundles[2]))
    plain["lines"] = plain["lines"][:120]
    path = tmp_path / "odd.json"
    for i, at in enumerate(leaves(plain)):
        if not at:
            continue
        data = copy.deepcopy(plain)
        inner = data
        for key in at[:-1]:
            inner = inner[key]
        inner[at[-1]] = ODD[i % len(ODD)]
        path.write_text(json.dumps(data))
        result = run("replay", str(path))
        assert result.exception is None or isinstance(result.exception, SystemExit), (at, result.exception)
        assert result.exit_code in (1, 3), (at, result.output)


@pytest.mark.parametrize(
    "text", ["[" * 200_000, '{"format": ' + "[" * 200_000, '{"format": "evenbed trip 1", "lines": 1e999}']
)
def test_what_is_nested_without_end_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "deep.json"
    path.write_text(text)
    result = run("replay", str(path))
    assert result.exit_code == 1 and said(result).startswith("evenbed trips: this"), result.output
