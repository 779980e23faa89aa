"""The vocabulary of faults: what is understood, what is refused, and what each word does to the rig."""

from __future__ import annotations

import re

import pytest
from evenbed_fw.hardware import I_PEDAL_A, I_PEDAL_B
from evenbed_sim import faults, presets
from evenbed_sim.faults import DEFAULTS, KNOWN, NEEDS_VALUE, Fault, FaultError, FaultPlayer, parse, parse_file
from evenbed_sim.rig import Rig
from evenbed_sim.strand import Strand

EVERY = [(part, how) for part, hows in KNOWN.items() for how in sorted(hows)]


def player(*lines: str) -> tuple[Rig, FaultPlayer]:
    rig = Rig(Strand(presets.steel_tether(8.0, 2.0)))
    return rig, FaultPlayer(rig, [parse(line) for line in lines])


# --- the words -----------------------------------------------------------------------------------------------------
def test_a_time_a_force_a_value_and_an_end() -> None:
    assert parse("4.2s estop on") == Fault("estop", "on", at_s=4.2)
    assert parse("180N cell stuck") == Fault("cell", "stuck", above_n=180.0)
    assert parse("180N cell wrong 0.5 for 2s") == Fault("cell", "wrong", 0.5, above_n=180.0, for_s=2.0)
    assert parse("0s to-host garbage 0.1 for 3  # comment") == Fault("to-host", "garbage", 0.1, at_s=0.0, for_s=3.0)
    assert parse("1s to-board delayed").value == DEFAULTS["delayed"]


@pytest.mark.parametrize(("part", "how"), EVERY)
def test_every_word_parses_and_is_documented(part: str, how: str) -> None:
    needs = part in NEEDS_VALUE.get(how, set())
    assert parse(f"1s {part} {how} 0.7") == Fault(part, how, 0.7, at_s=1.0)
    if needs:
        with pytest.raises(FaultError, match="needs a value"):
            parse(f"1s {part} {how}")
    else:
        assert parse(f"1s {part} {how}").how == how
    text = faults.__doc__ or ""
    assert re.search(rf"\b{part}\b", text) and re.search(rf"\b{how}\b", text)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("", "when, what and how"),
        ("cell stuck", "when, what and how"),
        ("1s cell", "when, what and how"),
        ("1s cell wrong 0.5 0.6", "when, what and how"),
        ("soon cell stuck", "no time"),
        ("1kgf cell stuck", "no time"),
        ("-1s cell stuck", "no time"),
        ("1s motor_ off", "no part 'motor_'"),
        ("1s cell on", "cell can be"),
        ("1s estop off", "estop can be on, not 'off'"),
        ("1s cell wrong much", "'much' is not a number"),
        ("1s cell stuck for ever", "'ever' is not a number"),
        ("1s cell slow", "needs a value"),
    ],
)
def test_a_line_that_is_not_understood_is_refused_with_the_reason(line: str, why: str) -> None:
    with pytest.raises(FaultError) as error:
        parse(line)
    assert why in str(error.value)
    assert repr(line) in str(error.value)


def test_a_scenario_is_one_fault_a_line() -> None:
    text = "# of a hand that slips\n180N string slow 2\n\n  4s cell stuck for 1s   # at last\n"
    assert parse_file(text) == [parse("180N string slow 2"), parse("4s cell stuck for 1s")]
    with pytest.raises(FaultError):
        parse_file("1s cell stuck\nnonsense\n")


# --- what they do --------------------------------------------------------------------------------------------------
def codes(rig: Rig, for_s: float = 1.0) -> list[int | None]:
    """What the board's converter hands over, reading by reading."""
    got: list[int | None] = []
    inner = rig.bend_reading

    def listen(code: int) -> int | None:
        bent = inner(code)
        got.append(bent)
        return bent

    rig.bend_reading = listen
    rig.run_until(rig.t_us + for_s * 1e6)
    rig.bend_reading = inner
    return got


def test_a_fault_begins_and_ends_when_it_is_due() -> None:
    rig, faulty = player("0.5s cell off for 0.5s")
    assert None not in codes(rig, 0.45)
    during = codes(rig, 0.5)
    assert during.count(None) > 30
    rig.run_until(1.1e6)
    assert None not in codes(rig, 0.5)
    assert [what for _, what in faulty.log] == ["cell off", "cell off ends"]
    assert [t for t, _ in faulty.log] == pytest.approx([0.5, 1.0], abs=0.02)


def test_a_fault_can_wait_for_a_force() -> None:
    rig, faulty = player("50N estop on")
    rig.board_runs = False
    rig.hw.enable(True)
    rig.hw.grant(8000, 32000)
    rig.run_until(8e6)
    assert rig.estop_pressed
    # 5 mm/s on 8 N/mm is 40 N/s; hands look every 10 ms.
    assert 50.0 < rig.force_n < 51.0
    assert faulty.log[0][1] == "estop on"


def test_the_end_of_an_older_fault_does_not_end_a_newer_one() -> None:
    rig, _ = player("0.1s cell stuck for 0.3s", "0.2s cell off")
    rig.run_until(0.6e6)
    assert codes(rig, 0.3) == [None] * 24


def test_readings_stuck_wrong_delayed_slow() -> None:
    rig, _ = player("0s cell stuck")
    rig.run_until(0.05e6)
    assert len(set(codes(rig))) == 1
    rig, _ = player("0s cell slow 2")
    rig.run_until(0.05e6)
    assert len(codes(rig)) == 40
    rig, _ = player("0s cell wrong 0")
    rig.run_until(0.05e6)
    assert set(codes(rig)) == {round(rig.params.cell.zero_counts)}
    rig, _ = player("0s cell intermittent 0.5")
    rig.run_until(0.05e6)
    got = codes(rig, 5.0)
    assert got.count(None) / len(got) == pytest.approx(0.5, abs=0.1)  # four standard errors of 400
    late, _ = player("0s cell delayed 3")
    true, _ = player()
    a, b = codes(late), codes(true)
    assert a[10:] == b[7:-3]


def test_a_changeover_contact_shows_a_broken_wire() -> None:
    both = I_PEDAL_A | I_PEDAL_B
    for how, pins in (("off", 0), ("stuck", I_PEDAL_A), ("wrong", both)):
        rig, _ = player(f"0s pedal {how}")
        rig.run_until(0.1e6)
        assert rig.hw.pins & both == pins
        rig.press_pedal(True)
        assert rig.hw.pins & both == pins


@pytest.mark.parametrize("way", ["to-host", "to-board"])
def test_the_wire_loses_repeats_breaks_and_delays(way: str) -> None:
    line = b"hello 0 1 12345678\n"

    def bent(how: str, count: int = 400) -> list[list[tuple[float, bytes]]]:
        rig, _ = player(f"0s {way} {how}")
        rig.bend_wire(way, b"before\n")
        rig.run_until(0.02e6)
        other = "to-board" if way == "to-host" else "to-host"
        assert rig.bend_wire(other, line) == [(0.0, line)]
        return [rig.bend_wire(way, line) for _ in range(count)]

    assert all(out == [] for out in bent("off"))
    assert all(out == [(0.0, b"before\n")] for out in bent("stuck"))
    assert all(out == [(80000.0, line)] for out in bent("delayed 80"))
    lost = sum(out == [] for out in bent("intermittent 0.3")) / 400
    assert lost == pytest.approx(0.3, abs=0.1)
    broken = [out[0][1] for out in bent("garbage 1")]
    assert all(b != line and len(b) == len(line) for b in broken)
    assert all(sum((x ^ y).bit_count() for x, y in zip(b, line, strict=True)) == 1 for b in broken)


def test_a_motor_that_makes_half_its_steps() -> None:
    for how, mm in (("off", 0.0), ("wrong 0.5", 5.0), ("slow 1.3", 13.0)):
        rig, _ = player(f"0s motor {how}")
        rig.board_runs = False
        rig.hw.enable(True)
        rig.run_until(0.05e6)
        rig.hw.grant(16000, 16000)
        rig.run_until(2e6)
        assert rig.carriage.mm == pytest.approx(max(0.0, mm - 0.03), abs=1e-6)


def test_the_string_breaks_or_slips() -> None:
    for how, left in (("off", 0.0), ("slow 5", 8.0 * (17.97 - 5.0))):
        rig, _ = player(f"2s string {how}")
        rig.board_runs = False
        rig.hw.enable(True)
        rig.hw.grant(20000, 32000)  # 20 mm, of which 2 are slack and 0.03 play: 8 N/mm on 17.97 mm
        rig.run_until(1.9e6)
        assert rig.force_n == pytest.approx(8.0 * 17.97, rel=1e-3)
        rig.run_until(2.1e6)
        assert rig.force_n == pytest.approx(left, abs=0.1)
