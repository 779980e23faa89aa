"""A stop decided once more from its bundle: the same verdict, or what differs."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from evenbed.control.blackbox import FORMAT, LEAST_S
from evenbed.head.types import Ask, Pull
from evenbed.record.bundle import (
    Bundle,
    BundleError,
    digest,
    fault_record,
    intact,
    pack,
    read,
    sample_rows,
    samples,
    unpack,
)
from evenbed.record.replay import ReplayError, replay
from evenbed_fw import wire
from stopped_rigs import CASES, HOLD, Case, HandledRig, bring, bundles_of, pulled_before, stopped

BUNDLES = sorted((Path(__file__).parent / "bundles").glob("*.json.gz"))


@pytest.fixture(scope="module")
def stuck() -> Bundle:
    """One bundle; tests change copies of it."""
    return stopped(Case("cell stuck", HOLD, "stuck"))


def changed(bundle: Bundle) -> Bundle:
    """A copy that may be changed."""
    return copy.deepcopy(bundle)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_stop_replays_with_the_same_verdict(case: Case) -> None:
    bundle = stopped(case)
    assert bundle["name"] == case.stop and bundle["whole"] and intact(bundle)
    again = replay(bundle)
    assert again.same, again.differences
    assert case.stop in again.stops and again.states
    # More than the verdict: every line to the board is the same, so every decision on the way was.
    assert again.sent == again.same_sent > 5


def test_it_is_the_head_that_decides_and_not_the_record(stuck: Bundle) -> None:
    # Without the pedal's presses nothing would have been drawn.
    bundle = changed(stuck)
    kept = []
    for t_s, way, text in bundle["lines"]:
        if way == "<" and text.startswith("s "):
            kind, n = wire.decode(text.encode("latin-1"), wire.BOARD_LINES)
            n[9] = n[10] = n[11] = 0  # presses, held, last
            n[8] &= ~1  # pedal down
            text = wire.encode(kind, tuple(n)).decode()
        kept.append([t_s, way, text])
    bundle["lines"] = kept
    bundle["digest"] = digest(bundle)
    again = replay(bundle)
    assert "drawing" not in again.states
    assert any(d.startswith("States") for d in again.differences)


def test_what_people_asked_is_part_of_the_record() -> None:
    r = pulled_before()
    bring(r, HOLD)
    r.ask(Ask.LET_DOWN)
    assert r.until("slack", 10.0)
    r.wait(3.0)
    r.head.plan(Pull(150.0, family="gut"))
    r.wait(0.5)
    r.host.loop.set_ceiling(190.0)
    r.wait(0.5)
    bring(r, HOLD)
    r.inject_now("cell stuck")
    r.wait(2.0)
    (bundle,) = bundles_of(r)
    assert [kind for _, kind, _ in bundle["inputs"]].count("outside") >= 1
    assert bundle["pull"]["family"] == "gut" and bundle["ceiling_n"] == pytest.approx(190.0, abs=0.5)
    assert replay(bundle).same
    without = changed(bundle)
    without["inputs"] = [i for i in without["inputs"] if i[1] == "ask"]
    without["digest"] = digest(without)
    again = replay(without)
    assert not again.same or again.same_sent < again.sent


def test_the_handshake_is_replayed_too() -> None:
    r = HandledRig(Pull(200.0, family="nylon"))
    r.arm()
    bring(r, HOLD)
    r.inject_now("supply off")
    r.wait(2.0)
    (bundle,) = bundles_of(r)
    assert bundle["start"]["head"] is None
    again = replay(bundle)
    assert again.same and again.states[:2] == ["referencing", "slack"]


def test_stops_that_follow_each_other_are_in_one_bundle_and_a_link_that_flaps_fills_no_disk() -> None:
    r = pulled_before()
    bring(r, HOLD)
    for _ in range(4):
        r.inject_now("to-host off for 0.6s")
        r.wait(3.0)
    r.wait(10.0)
    first, second = bundles_of(r)
    assert replay(first).stops[:1] == ["link_lost"]
    again = replay(second)
    assert again.same and again.stops.count("link_lost") >= 3
    assert second["t_s"] - first["t_s"] >= LEAST_S


# --- what is not the same, or cannot be replayed ---------------------------------------------------------------------
def test_a_changed_verdict_is_said(stuck: Bundle) -> None:
    bundle = changed(stuck)
    for event in bundle["events"]:
        if event[1] == "stuck":
            event[1] = "no_data"
    again = replay(bundle)
    assert not again.same
    text = " ".join(again.differences)
    assert "recorded no data; now stuck" in text and "changed after it was recorded" in text


def test_a_changed_value_is_said_with_both(stuck: Bundle) -> None:
    bundle = changed(stuck)
    for event in bundle["events"]:
        if event[1] == "stuck":
            event[3]["force_n"] += 3.0
    bundle["digest"] = digest(bundle)
    (said,) = replay(bundle).differences
    assert said.startswith("stuck: force_n was 22") and "now 2" in said


def test_a_changed_line_is_said(stuck: Bundle) -> None:
    bundle = changed(stuck)
    at = next(i for i, line in enumerate(bundle["lines"]) if line[2].startswith("trip ") and line[1] == "<")
    bundle["lines"][at][2] = bundle["lines"][at][2].replace(" ", "  ", 1)
    again = replay(bundle)
    assert not again.same and "changed after it was recorded" in again.differences[0]


def test_changed_states_are_said_from_where_they_part(stuck: Bundle) -> None:
    bundle = changed(stuck)
    bundle["events"] = [e for e in bundle["events"] if not (e[1] == "state" and e[2] == "holding")]
    bundle["digest"] = digest(bundle)
    (said,) = replay(bundle).differences
    assert "States: recorded tripped, now holding, tripped" in said


def test_another_protocol_is_refused_with_a_sentence(stuck: Bundle) -> None:
    bundle = changed(stuck)
    bundle["versions"]["protocol"] = wire.PROTOCOL + 1
    with pytest.raises(ReplayError, match=f"protocol {wire.PROTOCOL + 1}, this program speaks {wire.PROTOCOL}"):
        replay(bundle)


def test_a_bundle_without_its_beginning_is_refused(stuck: Bundle) -> None:
    bundle = changed(stuck)
    bundle["whole"] = False
    with pytest.raises(ReplayError, match="moment of rest"):
        replay(bundle)


@pytest.mark.parametrize("missing", ["start", "lines", "inputs", "mechanics"])
def test_an_incomplete_bundle_is_refused_with_a_sentence(stuck: Bundle, missing: str) -> None:
    bundle = changed(stuck)
    del bundle[missing]
    with pytest.raises(ReplayError, match="incomplete or damaged"):
        replay(bundle)


@pytest.mark.parametrize("data", [b"", b"{}", b"[1, 2]", b"nonsense", b"\x1f\x8b\x08\x00", b'{"format": "else"}'])
def test_what_is_no_bundle_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "file"
    path.write_bytes(data)
    with pytest.raises(BundleError):
        read(path)


def test_a_later_format_is_named(stuck: Bundle) -> None:
    bundle = {**changed(stuck), "format": "evenbed trip 9"}
    with pytest.raises(BundleError, match=r"evenbed trip 9.*update the program"):
        unpack(pack(bundle))
    assert stuck["format"] == FORMAT == "evenbed trip 1"


# --- what a bundle holds -----------------------------------------------------------------------------------------------
def test_a_bundle_says_all_there_is(stuck: Bundle) -> None:
    assert stuck["state"] == "holding" and stuck["force_n"] == pytest.approx(220.0, abs=3.0)
    assert stuck["versions"].keys() == {"program", "python", "firmware", "protocol"}
    assert stuck["limits"]["limit_mn"] == 330000 and stuck["rig"]["limit_n"] == 330.0
    assert stuck["pull"]["reference_n"] == 220.0 and stuck["settings_crc"] > 0
    record = fault_record(stuck)
    assert record == stuck["fault"] and record is not None
    assert record["name"] == "stuck" and record["force_n"] == pytest.approx(stuck["force_n"], abs=0.5)
    span = stuck["lines"][-1][0] - stuck["lines"][0][0]
    assert span >= 10.0
    ways = {way for _, way, _ in stuck["lines"]}
    assert ways == {"<", ">"}
    json.dumps(stuck, allow_nan=False)


def test_readings_are_decoded_in_units(stuck: Bundle) -> None:
    rows = sample_rows(stuck)
    assert len(rows) == len(samples(stuck)) > 700
    # The cell reads what the head saw: 220 N in the hold (the reference asked for), and 0 N at rest.
    assert max(r["force_n"] for r in rows) == pytest.approx(220.0, rel=0.02)
    assert abs(rows[0]["force_n"]) < 1.0
    # 80 samples/s (the converter's data rate; 12.5 ms a period).
    assert rows[100]["board_us"] - rows[0]["board_us"] == pytest.approx(100 * 12500, rel=0.01)


@pytest.mark.parametrize("path", BUNDLES, ids=lambda p: p.name.split(".")[0])
def test_kept_bundles_still_replay(path: Path) -> None:
    assert path.stat().st_size < 100_000
    again = replay(read(path))
    assert again.same, again.differences


def test_bundles_are_kept() -> None:
    assert len(BUNDLES) >= 5
