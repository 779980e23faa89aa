"""What the pages are told: the bed's geometry and weave, faults in each unit, how far to steady."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from evenbed.bench.bed import bed
from evenbed.bench.pull import ceiling_of
from evenbed.bench.tell import Settling, Strung, newest_stop, no_way_down, told
from evenbed.catalogue import ENTRIES, say
from evenbed.head.steady import THRESHOLD, SteadyDetector
from evenbed.job.ceiling import CeilingError
from evenbed.job.plan import make_plan
from evenbed.racquet.file import examples, read
from evenbed_fw import faults
from evenbed_fw.safety import F_ENABLED, F_ESTOP, F_SUPPLY

RACQUETS = [read(path) for path in examples().values()]


@pytest.mark.parametrize("racquet", RACQUETS, ids=lambda r: r.name)
def test_the_weave_is_plain_and_the_plan_says_the_same(racquet) -> None:  # type: ignore[no-untyped-def]
    """Alternately interlaced, as the rules of tennis want it (ITF, Rules of Tennis, rule 4; number from memory)."""
    seen = bed(racquet)
    assert seen is not None
    over = {c["name"]: c["over"] for c in seen["crosses"]}
    rows = list(over.values())
    for a, b in pairwise(rows):
        assert all(x != y for x, y in zip(a, b, strict=True))
    assert all(x != y for row in rows for x, y in pairwise(row))
    told_of = 0
    for pull in make_plan(racquet).pulls:
        w = pull.weaving
        if w is None:
            continue
        told_of += 1
        row = over[str(w.name)]
        end, hole = racquet.cross_holes[w.name.number - 1]
        met = sum(n < hole for n in racquet.main_holes[end]) or racquet.per_side
        first = racquet.per_side - met if w.enters == "left" else racquet.per_side + met - 1
        assert row[first] == (w.first == "over"), (pull.label, w)
    assert told_of > 3


@pytest.mark.parametrize("racquet", RACQUETS, ids=lambda r: r.name)
def test_left_is_left_and_every_string_lies_in_the_hoop(racquet) -> None:  # type: ignore[no-untyped-def]
    """Left as seen with the butt towards one, the head away: on the page the head is above, left on the left."""
    seen = bed(racquet)
    assert seen is not None
    names = {str(n) for n in racquet.names()}
    assert {s["name"] for s in seen["mains"] + seen["crosses"]} == names
    for m in seen["mains"]:
        assert (m["x"] < 0) == m["name"].endswith("left")
        assert 0 <= m["y"][0] < m["y"][1] <= racquet.head_length_mm + 1
    assert [m["x"] for m in seen["mains"]] == sorted(m["x"] for m in seen["mains"])
    assert all(0 < c["y"] < racquet.head_length_mm for c in seen["crosses"])


def test_a_fault_is_told_in_each_unit_and_in_two_parts() -> None:
    values = {"force_n": 235.36, "bound_n": 240.0, "age_s": 0.03, "entry": 3, "fault": 3}
    event = told({"kind": "event", "name": "stuck", "says": "", "values": values, "words": {}})
    assert "24.00 kgf" in event["says"]["kgf"] and "52.9 lbf" in event["says"]["lbf"] and "235.4 N" in event["says"]["N"]
    what, then = event["parts"]["kgf"]
    assert "24.00 kgf" in what and then.startswith("Check the converter's supply") and "hold the pedal" in then
    assert event["trouble"]


def test_the_two_parts_of_every_entry_are_the_whole_sentence() -> None:
    for number in ENTRIES:
        event = told({"kind": "event", "name": "x", "says": "", "values": {"entry": number}, "words": {}})
        what, then = event["parts"]["N"]
        assert f"{what} {then}".strip() == say(number, {}).strip()
        assert then, ENTRIES[number].name


def test_how_far_to_steady_reaches_one_where_the_detector_says_steady() -> None:
    """Creep at constant stretch falls as 1 / t (measured of polymers; Ferry, Viscoelastic Properties of Polymers)."""
    reference, family = 220.0, "nylon"
    detector = SteadyDetector(family, reference, 0.0)
    settling = Settling(family)
    ratios = []
    for n in range(1, 900):
        t = n * 0.0125
        steady = detector.step(t, 4.0 / max(t, 0.3), False, True)
        forecast = detector.forecast(t)
        status = {
            "state": "holding",
            "t_s": 100.0 + t,
            "loss_now_n": forecast.now_n if forecast else None,
            "reference_n": reference,
        }
        ratio = settling.ratio(status)
        if steady:
            break
        if ratio is not None:
            ratios.append(ratio)
    assert ratios[0] > 3.0 and min(ratios) == ratios[-1]
    assert ratio == pytest.approx(1.0, abs=0.05)
    assert math.isclose(forecast.creep_n_s, THRESHOLD[family] * reference, rel_tol=0.02)
    assert settling.ratio({**status, "state": "drawing"}) is None


def test_a_pull_without_a_racquet_stays_under_the_low_ceiling() -> None:
    assert ceiling_of(216.0, "nylon", "kgf").force_n == pytest.approx(216.0 + 25.0)
    with pytest.raises(CeilingError):
        ceiling_of(50 * 9.80665, "nylon", "kgf")


def said_of(forces: list[float | None]) -> list[str]:
    """What is said of the string at each of these moments, 25 a second."""
    strung = Strung()
    return [strung.now({"t_s": 0.04 * n, "force_n": force}) for n, force in enumerate(forces)]


def test_slack_is_said_of_a_string_only_after_a_second_without_a_doubt() -> None:
    falls = said_of([200.0] * 30 + [0.5] * 30)
    assert falls[29:54] == ["pulls"] * 25 and falls[56:] == ["slack"] * 4
    # Three readings of ten are nonsense, every second of those taken for a slack string.
    nonsense: list[float | None] = [200.0, None, 200.0, 200.0, 0.0, 200.0, 200.0, None, 0.0, 200.0]
    assert set(said_of([None] + nonsense * 30)) == {"unknown"}
    assert "slack" not in said_of(([200.0] * 7 + [0.0] * 20) * 10)
    assert said_of([0.0] * 50 + [200.0])[-2:] == ["slack", "pulls"]  # a string that pulls is said at once
    assert said_of([0.0] * 50 + [None])[-1] == "unknown"


@pytest.mark.parametrize(
    ("state", "flags", "why"),
    [
        ("tripped", F_ENABLED, ""),
        ("holding", F_ENABLED, ""),
        ("unarmed", 0, ""),
        ("tripped", F_ESTOP, "release the emergency stop"),
        ("tripped", F_ESTOP | F_SUPPLY, "release the emergency stop"),
        ("tripped", F_SUPPLY, "bring the supply back"),
        ("tripped", 0, "only the pedal"),
    ],
)
def test_a_drive_without_power_has_no_way_down_by_a_button(state: str, flags: int, why: str) -> None:
    said = no_way_down({"state": state, "flags": flags})
    assert (why in said) if why else said == ""
    assert not said or ("hand knob" in said and "pedal" in said)


def test_the_heads_reason_stands_until_the_stop_is_over() -> None:
    def stop(number: int) -> dict[str, object]:
        return {"values": {"fault": number}}

    dead_motor, stopped, pressed, estop = stop(55), stop(faults.STOPPED), stop(faults.PRESSED), stop(faults.EMERGENCY_STOP)
    assert newest_stop(None, stopped) is stopped and newest_stop(stopped, pressed) is pressed
    assert newest_stop(dead_motor, stopped) is dead_motor and newest_stop(dead_motor, pressed) is dead_motor
    assert newest_stop(stopped, dead_motor) is dead_motor and newest_stop(dead_motor, estop) is estop
    again = stop(55)
    assert newest_stop(dead_motor, again) is again
