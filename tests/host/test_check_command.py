"""``evenbed sensor`` and ``evenbed check``: what they refuse, one run of each on the real clock, records and the chart."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import astuple
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenbed.calibration.document import Document
from evenbed.calibration.steps import Cell, Direction, Series, Step, ratiometric
from evenbed.calibration.weights import place_at
from evenbed.cli import check as checks
from evenbed.cli.basis import basis
from evenbed.cli.chart_picture import Point, control_chart
from evenbed.cli.main import main
from evenbed.control.measure import Listening
from evenbed.link.messages import Limits
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store
from evenbed_fw import wire

SVG = "{http://www.w3.org/2000/svg}"
GAIN, ZERO = 8759.0, 21000.0  # of the simulated rig's board


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def said(result: Result) -> str:
    return " ".join(result.output.split())


def document(gain: float = GAIN) -> Document:
    """A calibration with 5, 10 and 20 kg, up and down, of a cell whose reading comes back 0.05 N higher."""
    order: list[tuple[float, Direction]] = [(0.0, "up"), (49.05, "up"), (98.1, "up"), (196.2, "up")]
    order += [(98.1, "down"), (49.05, "down"), (0.0, "down")]
    steps = tuple(
        Step(f, (), way, ZERO + gain * (f + (0.05 if f and way == "down" else 0.0)), 38.0, 240, 60.0 * k)
        for k, (f, way) in enumerate(order)
    )
    cell = Cell(490.3325, 2.0, ratiometric(128.0))
    return Document("2026-05-01T10:00:00+00:00", "somebody", place_at(50.0), cell, (Series(steps), Series(steps)))


def calibrated(where: Path, gain: float = GAIN) -> None:
    store = Store(where)
    kept = Calibrations(store)
    kept.use(kept.keep(document(gain)), "test")
    store.close()


def measured(where: Path, kind: str) -> list[tuple[str, int | None, dict[str, object]]]:
    store = Store(where)
    rows = [(m.verdict, m.calibration, m.values) for m in Calibrations(store).list_measured(kind)]
    store.close()
    return rows


# --- refused -----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("check", "--sim", "--weight", "5"), "has no unit"),
        (("check", "--sim", "--weight", "5kg"), "does not say how well it is known"),
        (("check", "--sim", "--gauge", "50%"), "no tolerance of a gauge"),
        (("check", "--sim"), "Say with what"),
        (("check", "--sim", "--weight", "5kg M1", "--gauge", "1%"), "Say with what"),
        (("check", "--weight", "5kg M1"), "--port PORT"),
        (("check", "--sim", "--gauge", "1%", "--steps", "40kgf"), "without a racquet"),
        (("check", "--sim", "--gauge", "1%", "--steps", "180"), "no unit"),
        (("sensor",), "--port PORT"),
        (("sensor", "--sim", "--creep", "5"), "has no unit"),
        (("sensor", "--sim", "--creep", "5kg M1", "--picture", "/no/such/folder/a.svg"), "no folder"),
    ],
)
def test_what_is_asked_wrongly_is_refused(words: tuple[str, ...], part: str) -> None:
    result = run(*words)
    assert result.exit_code == 2 and part in said(result)


@pytest.mark.parametrize("words", [("sensor",), ("check", "--weight", "5kg M1"), ("check", "--gauge", "1%")])
def test_a_port_that_is_not_there_is_told(words: tuple[str, ...]) -> None:
    result = run(*words, "--port", "/dev/no-such-port")
    assert result.exit_code == 1 and "/dev/no-such-port cannot be opened" in said(result)


# --- from end to end -----------------------------------------------------------------------------------------------------
def test_a_sound_rig_on_the_real_clock(records_of_their_own: Path) -> None:
    result = run("sensor", "--sim", "--seconds", "6")
    assert result.exit_code == 0, result.output
    rows = {m[2].strip(): m[1] for m in re.finditer(r"^  (pass|LOOK|FAIL)  (.{28})", result.output, re.M)}
    for name in ("noise, RMS", "mains hum, 50 Hz", "stray readings", "at the end of the range", "zero from the reference"):
        assert next(v for k, v in rows.items() if k.startswith(name)) == "pass", result.output
    assert "FAIL" not in rows.values()
    rate = re.search(r"rate of readings +([\d.]+) a second", result.output)
    assert rate is not None and float(rate[1]) == pytest.approx(80.0, abs=0.1)
    verdict, calibration, values = measured(records_of_their_own, "sensor")[0]
    # 38.65 counts of noise (of the simulated converter) are 4.4 mN.
    assert values["noise, RMS"] == pytest.approx(38.65 / GAIN, rel=0.15)
    assert calibration is None and verdict in ("pass", "look")


def test_a_check_weight_on_the_real_clock_judged_by_the_calibration(records_of_their_own: Path) -> None:
    calibrated(records_of_their_own)
    result = run("check", "--sim", "--weight", "5kg M1")
    assert result.exit_code == 0, result.output
    for part in ("Judged by calibration 1", "A check is no calibration", "Take the weight off", "Kept as check"):
        assert part in said(result)
    verdict, calibration, values = measured(records_of_their_own, "check")[0]
    assert calibration == 1 and verdict in ("pass", "warn")
    assert f"{verdict.upper()}: The reading is" in result.output
    # 5 kg in air at 50 degrees: 5 x 9.810702 x (1 - 1.2/8000) = 49.0461 N (WGS 84, OIML R 111); the cell's play is 0.05 N.
    assert values["reference_n"] == pytest.approx(49.0461, abs=0.0001)
    assert values["error_n"] == pytest.approx(0.0, abs=0.1)
    assert values["e_n"] == pytest.approx(float(str(values["error_n"])) / float(str(values["expanded_n"])))


# --- what it stands on ---------------------------------------------------------------------------------------------------
def limits(zero: int = 21000, gain: int = 8759000) -> Limits:
    return Limits(zero, gain, 330000, 40000, 1600, 96000, 1280000, 12500, 130, 9600, 32000, 41664, 27776)


def test_a_calibration_counts_only_if_the_board_reckons_with_it(records_of_their_own: Path) -> None:
    assert basis(records_of_their_own, limits()).why == "No calibration is in use."
    calibrated(records_of_their_own)
    good = basis(records_of_their_own, limits())
    assert good.number == 1 and good.known is not None and good.why == ""
    for other in (limits(zero=21001), limits(gain=8758999)):
        none = basis(records_of_their_own, other)
        assert none.known is None and none.number is None and "not with calibration 1" in none.why


def test_records_that_cannot_be_read_are_said(records_of_their_own: Path) -> None:
    records_of_their_own.mkdir()
    (records_of_their_own / "records.db").write_text("this is no database, and it is long enough to be read as one" * 20)
    none = basis(records_of_their_own, limits())
    assert none.known is None and "cannot be read" in none.why


def test_readings_that_come_in_a_heap_keep_their_own_times(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [wire.encode("board", (0, 1, 100, 0, 1)), wire.encode("limits", (1, *astuple(limits())))]
    for k in range(5):
        lines.append(wire.encode("s", (2 + k, 1000 + 12500 * k, k, 21000 + k, 0, 0, 0, 0, 1152, 0, 0, 0, 10000)))

    class Port:
        in_waiting = 1

        def __init__(self) -> None:
            self.heaps = [b"".join(lines[:2]), b"".join(lines[2:])]

        def read(self, most: int) -> bytes:
            return self.heaps.pop(0) if self.heaps else b""

        def write(self, data: bytes) -> None:
            pass

        def fileno(self) -> int:
            raise OSError

    monkeypatch.setattr("evenbed.control.measure.open_port", lambda name: Port())
    listening = Listening("a port")
    heard = listening.readings(0.0)
    assert [r.counts for r in heard] == [21000, 21001, 21002, 21003, 21004]
    assert [round(1e6 * r.t_s) for r in heard] == [1000 + 12500 * k for k in range(5)]


# --- the chart -----------------------------------------------------------------------------------------------------------
def keep(where: Path, errors_u: list[float], what: str = "5kg M1", number: int | None = 1) -> None:
    store = Store(where)
    for e in errors_u:
        values = {"with": what, "error_n": 0.2 * e, "reference_n": 49.0, "expanded_n": 0.2, "e_n": e}
        Calibrations(store).measured("check", number, "pass", "", values)
    store.close()


def test_without_checks_there_is_no_chart(tmp_path: Path) -> None:
    result = run("check", "--chart", "--out", str(tmp_path / "chart.svg"))
    assert result.exit_code == 1 and "no check" in said(result) and "nothing" in said(result)


def test_the_chart_shows_each_check_and_marks_what_is_outside(records_of_their_own: Path, tmp_path: Path) -> None:
    calibrated(records_of_their_own)
    keep(records_of_their_own, [0.9], number=None)  # before there was a calibration: another chart
    keep(records_of_their_own, [0.1, -0.2, 0.05, 1.6])
    keep(records_of_their_own, [0.3], what="gauge ±1 %")
    out = tmp_path / "chart.svg"
    result = run("check", "--chart", "--weight", "5kg M1", "--out", str(out))
    assert result.exit_code == 0, result.output
    assert "4 checks with 5kg M1, calibration 1" in said(result) and "Others: gauge ±1 %" in said(result)
    root = ET.parse(out).getroot()
    circles = root.findall(f"{SVG}circle")
    assert len(circles) == 8
    # Single: 1.6 outside 1.5. Weighted: 0.2 (0.8^3 0.1 - 0.8^2 0.2 + 0.8 0.05 + 1.6) = 0.3126 within 0.4105 (derived).
    assert [c.get("class") for c in circles] == ["in", "in", "in", "out", "in", "in", "in", "in"]
    texts = [t.text for t in root.iter(f"{SVG}text")]
    for shown in ("+1.60", "+0.31", "limit +1.50", "limit -1.50", "limit +0.41"):
        assert shown in texts
    last = run("check", "--chart", "--out", str(out))
    assert "1 checks with gauge ±1 %" in said(last)


def test_a_chart_of_one_check_and_of_equal_ones_can_be_drawn() -> None:
    for errors in ([0.0], [0.5] * 40):
        ET.fromstring(control_chart([Point("2026-01-01", e, "pass") for e in errors], "a weight"))
    with pytest.raises(ValueError, match="at least one"):
        control_chart([], "a weight")


def test_a_failed_check_is_shown_at_the_edge_and_weighs_nothing_later() -> None:
    # Somebody hung 10 kg for 5: 800 U off.
    points = [Point("2026-01-01", 0.1, "pass"), Point("2026-01-02", 800.0, "fail"), Point("2026-01-03", 0.1, "pass")]
    root = ET.fromstring(control_chart(points, "a weight"))
    circles = root.findall(f"{SVG}circle")
    assert [c.get("class") for c in circles] == ["in", "out", "in", "in", "in"]
    assert all(0.0 < float(c.get("cy", "nan")) < 600.0 for c in circles)
    texts = [t.text for t in root.iter(f"{SVG}text")]
    assert "+800.00" in texts and "+0.04" in texts  # 0.2 (0.8 0.1 + 0.1) = 0.036
    ET.fromstring(control_chart(points[1:2], "a weight"))


def test_the_history_is_that_of_the_same_weight_and_calibration(records_of_their_own: Path) -> None:
    calibrated(records_of_their_own)
    keep(records_of_their_own, [0.1])
    keep(records_of_their_own, [0.2], number=None)
    keep(records_of_their_own, [0.3], what="10kg M1")
    found, why = checks.history(records_of_their_own, 1, "5kg M1")
    assert [m.values["e_n"] for m in found] == [0.1] and why == ""
    assert [m.values["e_n"] for m in checks.history(records_of_their_own, None, "5kg M1")[0]] == [0.2]
