"""The catalogue of faults: complete, rendered with its values, held to the firmware, and told once."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenbed import responses
from evenbed.catalogue import BY_HAND, ENTRIES, GET_DOWN, KINDS, STOP, TRIP, say, say_later
from evenbed.cli.main import main
from evenbed.head import states as st
from evenbed.head.stops import stop_event
from evenbed.head.types import Ask, Fresh, Pull, RigModel
from evenbed.link.messages import Trip
from evenbed.units import UNITS
from evenbed_fw import faults, safety, wire
from handled_rig import HandledRig, tether

ROOT = Path(__file__).resolve().parents[2]
RIG = RigModel(21000.0, 8759.0, 1600.0, 330.0, 0.0125, 60.0, 800.0, 6.0, 20.0, 130.0, 40.0, 0.0417, 0.0278)
BOARD = range(1, len(faults.NAMES))
VALUES = {
    **{
        f"{name}_n": 123.4
        for name in ("force", "bound", "ceiling", "asked", "echo", "limit", "zero", "reference", "expanded", "top")
    },
    **{f"{name}_s": 0.012 for name in ("age", "silent", "waited", "quiet")},
    "travel_mm": 41.0,
}
WORDS = {"wanted": "arm", "causes": "the emergency stop is pressed"}


def test_every_fault_and_every_refusal_of_the_board_has_an_entry() -> None:
    assert {n for n in ENTRIES if n < 20} == set(BOARD)
    assert all(ENTRIES[n].name == faults.NAMES[n] and ENTRIES[n].raised_by == "board" for n in BOARD)
    assert {n - 20 for n in ENTRIES if 20 < n < 41} == set(range(1, len(wire.REASONS)))
    assert len({e.name for e in ENTRIES.values()}) == len(ENTRIES)
    assert all(e.kind in KINDS for e in ENTRIES.values())


@pytest.mark.parametrize("number", sorted(ENTRIES))
@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("known", [True, False], ids=["known", "unknown"])
def test_every_entry_says_what_happened_and_what_to_do(number: int, unit: str, known: bool) -> None:
    entry = ENTRIES[number]
    text = say(number, {**VALUES, **WORDS} if known else {}, unit)
    assert not re.search(r"[{}]|None|nan", text)
    assert text[0].isupper() or text[0].isdigit() or text.startswith("an ")
    assert text.endswith(".") and len(entry.do_next) > 10
    if "_n}" in entry.says + entry.do_next:
        shown = {"N": "123.4 N", "kgf": "12.58 kgf", "lbf": "27.7 lbf"}[unit]  # 123.4 N by the exact factors of NIST SP 811
        assert (shown if known else "unknown force") in text
    if "age_s" in entry.says and known:
        assert "12 ms old" in text and "reference zero" in text
    # Nothing is shown as zero that is not known.
    if not known:
        assert not re.search(r"\b0(\.0)? (N|kgf|lbf|ms|mm)\b", text)


@pytest.mark.parametrize("number", [n for n, e in ENTRIES.items() if e.kind in (TRIP, STOP)])
def test_every_stop_names_the_way_down(number: int) -> None:
    text = say(number, VALUES)
    ways = (GET_DOWN, BY_HAND, "ap to let the string down", "hold the pedal to let it down", "turn the hand knob")
    assert any(way in text for way in ways)
    assert ENTRIES[number].clears


def test_every_command_that_a_text_names_is_there() -> None:
    texts = [say(n, {**VALUES, **WORDS}) for n in ENTRIES] + [responses.tables()]
    for name in {m for t in texts for m in re.findall(r"evenbed ([a-z]+)", t)}:
        assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0, name


def proofs_in(file: str) -> set[str]:
    """The tests of a file; what a state machine is run as is one too."""
    tree = ast.parse((ROOT / file).read_text())
    functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    machines = {t.id for node in tree.body if isinstance(node, ast.Assign) for t in node.targets if isinstance(t, ast.Name)}
    return {n for n in functions if n.startswith("test_")} | {n for n in machines if n.startswith("Test")}


@pytest.mark.parametrize("number", sorted(ENTRIES))
def test_every_entry_names_a_test_that_is_there(number: int) -> None:
    file, _, names = ENTRIES[number].proved_by.partition("::")
    there = proofs_in(file)
    assert there
    assert not names or set(names.split(", ")) <= there


def test_a_fault_this_program_does_not_know_says_so() -> None:
    event = stop_event(99, None, RIG, None)
    assert event.name == "unknown_fault" and "99" in event.says and "Update" in event.says
    assert event.values["fault"] == 99


def test_the_documents_hold_the_tables() -> None:
    text = (ROOT / "SAFETY.md").read_text()
    assert text.split("<!-- faults -->")[1].split("<!-- /faults -->")[0].strip() == responses.tables()


# --- what the board does: tests/firmware/test_responses.py holds it to the firmware itself
def test_every_response_says_what_it_means_for_the_string() -> None:
    assert set(responses.RESPONSES) == set(BOARD)
    ends = {a for answers in responses.RESPONSES.values() for a in answers.values()}
    assert ends == set(responses.MEANS)
    # Without power a screw that can be driven back lets the string go: only the cut differs.
    assert {s for s, (holds, lets_go) in responses.MEANS.items() if holds != lets_go} == {safety.CUT}


# --- the first cause, and the others under it
def record(fault: int, later: int = 0) -> Trip:
    return Trip(5, fault, 21000 + 8759 * 123, 21000 + 8759 * 233, 16000, 0, later)


@pytest.mark.parametrize("fault", BOARD)
def test_a_record_is_told_with_its_own_values(fault: int) -> None:
    event = stop_event(fault, record(fault, 1 << faults.NO_DATA), RIG, Fresh(98.4, 0.01, "reference"))
    assert event.name == faults.NAMES[fault] and event.values["fault"] == fault
    assert event.values["force_n"] == pytest.approx(123.0) and event.values["bound_n"] == pytest.approx(233.0)
    assert event.says.endswith("Since then also: no data.")


def test_without_a_record_the_last_reading_is_told_or_nothing() -> None:
    assert "98.4 N" in stop_event(faults.STUCK, None, RIG, Fresh(98.4, 0.01, "reference")).says
    assert "unknown force" in stop_event(faults.STUCK, None, RIG, None).says


def test_later_faults_are_listed_by_name() -> None:
    assert say_later(0) == ""
    assert say_later(1 << faults.STUCK | 1 << faults.NO_DATA) == "Since then also: no data, stuck."
    # Where the way down has changed, the new one is said.
    said = say_later(1 << faults.STUCK | 1 << faults.SUPPLY_LOST)
    assert said.startswith("Since then also: stuck, supply lost. Check the supply") and "hand knob" in said


def test_the_first_cause_is_kept_and_later_ones_are_told_once() -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.inject_now("cell stuck")
    r.wait(2.0)
    assert len(r.told("stuck")) == 1
    r.rig.press_estop(True)
    r.wait(5.0)
    also = r.told("also")
    assert [e.says.startswith("Since then also: emergency stop. Make the place safe") for e in also] == [True]
    assert r.head.stop is not None and r.head.stop.name == "stuck"
    assert len(r.told("stuck")) == 1 and r.state == st.TRIPPED


# --- a ceiling that is really there
def test_a_ceiling_that_is_not_echoed_disarms() -> None:
    r = HandledRig(Pull(200.0))
    r.wait(0.4)

    def echo_low(at_us: float, line: bytes) -> list[tuple[float, bytes]]:
        kind = line.split()[0]
        if kind == b"ok":
            _, n = wire.decode(line.rstrip(b"\n"), wire.BOARD_LINES)
            if n[2]:
                return [(at_us, wire.encode("ok", (n[0], n[1], 60_000)))]
        return [(at_us, line)]

    r.host.wire_down = echo_low
    r.hold(2.3)
    r.wait(1.5)
    assert ["asked for a ceiling of 212.0 N and answers with 60.0 N" in e.says for e in r.told("refused")] == [True]
    assert r.state == st.UNARMED and not r.rig.hw.enabled


def test_an_answer_that_does_not_come_is_told() -> None:
    r = HandledRig(Pull(200.0))
    r.wait(0.4)
    r.host.wire_up = lambda at, data: [] if data.startswith(b"arm") else [(at, data)]
    r.hold(2.3)
    r.wait(1.5)
    assert ["not answered when asked to arm" in e.says for e in r.told("refused")] == [True]
    assert r.state == st.UNARMED


def test_a_ceiling_is_lowered_at_will_and_raised_only_unarmed() -> None:
    r = HandledRig(Pull(200.0)).arm()
    board = r.rig.board
    r.host.loop.set_ceiling(205.0)
    r.wait(0.3)
    assert r.head.ceiling_n == pytest.approx(205.0) and board.settings.millinewtons(board.core.ceiling) <= 205_000
    with pytest.raises(ValueError, match="only unarmed"):
        r.host.loop.set_ceiling(206.0)
    r.ask(Ask.DISARM)
    r.wait(0.5)
    assert r.state == st.UNARMED
    r.host.loop.set_ceiling(212.0)
    for bad in (0.0, -1.0, 331.0, float("nan")):
        with pytest.raises(ValueError, match="330 N"):
            r.host.loop.set_ceiling(bad)
    r.wait(0.6)
    r.hold(2.3)
    assert r.until("slack", 3.0) and r.head.ceiling_n == pytest.approx(212.0, abs=0.01)


def test_a_ceiling_lowered_under_the_force_trips_and_backs_off() -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.host.loop.set_ceiling(150.0)
    r.wait(1.5)
    assert r.told("over_tension")[0].values["bound_n"] == pytest.approx(150.0, abs=0.1)
    assert r.rig.plant.peak_n < 205.0 and r.rig.board.core.state == safety.FROZEN


# --- ways down that do not need the pedal
@pytest.mark.parametrize("line", ["pedal off", "to-board off for 0.5s", "cell stuck for 1s"])
def test_a_screen_lets_down_after_a_trip(line: str) -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.inject_now(line)
    r.wait(2.5)
    assert r.state == st.TRIPPED and r.rig.force_n > 150.0
    r.ask(Ask.LET_DOWN)
    assert r.host.run(r.t_s + 10.0, lambda: r.rig.force_n < 4.0)
    r.wait(0.5)
    assert r.rig.board.core.state == safety.FROZEN and r.state == st.TRIPPED and r.unasked == []


@pytest.mark.parametrize("how", ["pedal", "screen"])
def test_a_let_down_from_a_screen_is_stopped_by_the_pedal_and_by_the_screen(how: str) -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.inject_now("cell stuck for 1s")
    r.wait(2.5)
    r.ask(Ask.LET_DOWN)
    assert r.host.run(r.t_s + 5.0, lambda: r.rig.force_n < 150.0)
    if how == "pedal":
        r.tap()
    else:
        r.ask(Ask.STOP)
    r.wait(1.0)
    left = r.rig.force_n
    r.wait(2.0)
    assert left > 80.0 and abs(r.rig.force_n - left) < 5.0 and r.rig.hw.rate == 0


@pytest.mark.parametrize("how", ["stuck", "off"])  # readings that are not sound; none at all
def test_a_wish_to_let_down_that_cannot_be_met_ends_and_is_told(how: str) -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.inject_now(f"cell {how} for 8s")
    r.wait(2.5)
    r.ask(Ask.LET_DOWN)
    r.wait(1.5)
    assert [e.values["entry"] for e in r.told("refused")] == [56]
    # The cell comes back: what was wished for long ago does not begin now.
    mm = r.rig.carriage.mm
    r.wait(8.5)
    assert r.head.line is not None and r.head.line.sound and r.rig.carriage.mm == mm
    assert len(r.told("refused")) == 1


def test_a_wish_without_power_is_refused_with_its_reason() -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.inject_now("supply off for 6s")
    r.wait(1.0)
    r.ask(Ask.LET_DOWN)
    r.wait(1.5)
    (said,) = r.told("refused")
    assert said.values["entry"] == 56 and "without power" in said.says


def test_from_above_a_lowered_ceiling_a_screen_lets_down() -> None:
    r = HandledRig(Pull(200.0)).draw()
    r.host.loop.set_ceiling(60.0)
    r.wait(1.5)
    assert r.told("over_tension") and r.rig.force_n > 120.0
    r.ask(Ask.LET_DOWN)
    assert r.host.run(r.t_s + 15.0, lambda: r.rig.force_n < 4.0)


@pytest.mark.parametrize("lost", ["nothing", "the ok of arm", "the ok of ceiling", "the link"])
def test_a_lowered_ceiling_is_never_lost(lost: str) -> None:
    r = HandledRig(None, tether(8.0), ceiling_n=250.0)
    r.wait(0.6)
    kinds = {"the ok of arm": 1, "the ok of ceiling": 2}
    seen = [0]

    def lose(at_us: float, line: bytes) -> list[tuple[float, bytes]]:
        if line.startswith(b"ok "):
            seen[0] += 1
            if seen[0] == kinds.get(lost):
                return []
        return [(at_us, line)]

    r.host.wire_down = lose
    r.host.loop.ask(Ask.ARM)
    r.host.run(r.t_s + 0.02)
    r.host.loop.set_ceiling(80.0)  # the answer to arm has not come yet
    if lost == "the link":
        r.inject_now("to-host off for 1s")
    r.wait(4.0)
    if r.state == st.UNARMED:
        r.ask(Ask.ARM)
        r.wait(2.0)
    board = r.rig.board
    assert r.head.ceiling_n <= 80.0
    assert board.core.state == safety.LATCHED or board.settings.millinewtons(board.core.ceiling) <= 80_000, r.host.events


def test_the_end_of_the_hold_travel_is_said_once() -> None:
    r = HandledRig(Pull(150.0), tether(6.0)).draw()
    r.wait(1.0)
    for _ in range(12):
        r.rig.flush()
        r.rig.plant.gripper_slips(2.5)
        r.wait(0.9)
    assert len(r.told("out_of_hold_travel")) == 1


def test_a_string_that_still_pulls_at_the_slack_end_is_said() -> None:
    # Drawn from the slack-side end with no slack at all, and longer afterwards: the creep is more than the way back.
    r = HandledRig(Pull(200.0), tether(6.0, 0.0))
    r.draw()
    r.wait(0.5)
    r.rig.flush()
    r.rig.plant.add_path(6.0, 3.0)  # somebody pushes and stays: the string is shorter now
    r.wait(4.0)
    assert r.state == st.HOLDING
    r.ask(Ask.LET_DOWN)
    r.wait(12.0)
    assert len(r.told("end_reached")) == 1, r.host.events[-6:]
    r.ask(Ask.STOP)
    r.wait(1.0)
    assert r.state == st.FROZEN
    r.ask(Ask.LET_DOWN)  # asked once more, it is said once more
    r.wait(2.0)
    assert len(r.told("end_reached")) == 2 and r.state == st.EASING_OFF
    r.rig.flush()
    r.rig.plant.string_breaks()  # taken out by hand
    r.wait(2.0)
    assert r.state == st.SLACK


def test_the_document_shows_what_the_budget_command_prints() -> None:
    text = (ROOT / "SAFETY.md").read_text()
    printed = CliRunner().invoke(main, ["budget", "235N"])
    assert printed.exit_code == 0
    block = text.split("<!-- budget -->")[1].split("<!-- /budget -->")[0]
    assert block.strip().strip("`").strip() == printed.output.strip()


def test_the_energies_of_the_document_are_those_of_its_formula() -> None:
    # E = F^2 / (2 k): work of a linear spring (mechanics, from memory).
    rows = re.findall(r"\| ([\d.]+) N/mm \| (\d+) N \| ([\d.]+) J \|", (ROOT / "SAFETY.md").read_text())
    assert len(rows) == 5
    for k, force, energy in rows:
        assert float(force) ** 2 / (2.0 * float(k)) / 1000.0 == pytest.approx(float(energy), abs=0.05)


def test_every_file_and_every_test_that_the_document_names_is_there() -> None:
    text = (ROOT / "SAFETY.md").read_text()
    for name, test in re.findall(r"(tests/[\w/]+(?:\.py)?)(?:::(\w+))?", text):
        assert (ROOT / name).exists(), name
        assert not test or test in proofs_in(name), f"{name}::{test}"


def test_every_row_of_what_the_design_avoids_names_its_tests() -> None:
    text = (ROOT / "SAFETY.md").read_text()
    rows = [line for line in text.split("## 2.")[1].split("## 3.")[0].splitlines() if line.startswith("| ")][1:]
    layers = re.split(r"^\d\. ", text.split("## 3.")[1].split("### ")[0], flags=re.MULTILINE)[1:]
    assert len(rows) == 8 and len(layers) == 6
    for part in rows + layers:
        assert re.search(r"tests/[\w/]+\.py::\w+", part), part
