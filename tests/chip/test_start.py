"""From a reset to the running board: why it started, what it kept, what a soft reset left running."""

from __future__ import annotations

import binascii
import runpy
from pathlib import Path
from typing import Any

import evenbed_fw
import pytest
from evenbed_fw import safety, wire
from evenbed_fw.board import Board
from evenbed_fw.settings import Settings

from chip.chip import CLOCK, Chip, Stream, on_chip
from chip.rigs import ENABLE, STEP, Bench, load

ROOT = Path(evenbed_fw.__file__).parents[1]
TEXT = (ROOT / "evenbed_board.json").read_text()


@pytest.fixture(scope="module")
def start() -> Any:
    return load(Chip(), "start")


def test_the_cause_of_the_start(start: Any) -> None:
    assert start.cause(0, False) == start.POWER
    assert start.cause(0x12345678, False) == start.POWER  # what power-up leaves in the register
    assert start.cause(start.MARK | start.HUNG, True) == start.HUNG
    assert start.cause(start.MARK | start.FAILED, True) == start.FAILED
    assert start.cause(start.MARK | start.LEFT, False) == start.LEFT  # a soft reset
    assert start.cause(0, True) == start.OTHER


def test_what_was_confirmed_is_kept_and_nothing_else(start: Any) -> None:
    kept = Settings()
    kept.zero_counts, kept.gain_mcounts_n, kept.limit_mn = -777, 8800000, 250000
    kept.rate_max_steps_s, kept.limit_most_mn, kept.stiffest_n_mm = 107374, 900000, 1  # not the host's to say
    file, wrong = start.take(TEXT, start.kept_text(kept.crc_text()))
    s = file.settings
    assert wrong == ""
    assert (s.zero_counts, s.gain_mcounts_n, s.limit_mn) == (-777, 8800000, 250000)
    assert (s.rate_max_steps_s, s.limit_most_mn, s.stiffest_n_mm) == (96000, 330000, 130)
    assert s.contact_counts == s.counts(4000)  # derived anew


def test_a_limit_is_cut_to_what_the_boards_file_allows(start: Any) -> None:
    kept = Settings()
    kept.limit_mn = kept.limit_most_mn = 500000
    file, wrong = start.take(TEXT, start.kept_text(kept.crc_text()))
    assert wrong == "" and file.settings.limit_mn == 330000


def test_what_is_kept_carries_a_published_check_sum(start: Any) -> None:
    """CRC-32/ISO-HDLC of "123456789" is cbf43926."""
    assert start.kept_text("123456789") == "123456789 cbf43926\n"
    assert int(start.kept_text("123456789").split()[1], 16) == binascii.crc32(b"123456789")


@pytest.mark.parametrize(
    "damage", [lambda t: t[:-1], lambda t: t[3:], lambda t: t.replace("8759000", "8759001", 1), lambda t: ""]
)
def test_damage_keeps_the_board_from_arming(start: Any, damage: Any) -> None:
    file, wrong = start.take(TEXT, damage(start.kept_text(Settings().crc_text())))
    assert "damaged" in wrong and not file.wrong


def test_keeping_leaves_the_old_or_the_new(start: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    start.keep("1 2 3")
    assert start.read(start.KEPT) == start.kept_text("1 2 3")
    (tmp_path / start.FRESH).write_text("half a fi")  # a reset in the middle
    assert start.read(start.KEPT) == start.kept_text("1 2 3")
    start.keep("4 5 6")
    assert start.read(start.KEPT) == start.kept_text("4 5 6")
    assert start.read("not there") is None


@pytest.mark.parametrize(
    ("text", "kept", "reason"),
    [
        (None, None, 5),  # it sees no inputs: emergency stop and supply count as open
        ("{", None, 5),
        (TEXT, "rubbish", 14),
    ],
)
def test_a_board_whose_files_are_doubtful_answers_but_never_arms(text: str | None, kept: str | None, reason: int) -> None:
    """hardware/protocol.md: reason 5 a fault still present, 14 settings unusable; 5 is looked at first."""
    chip = Chip()
    start = load(chip, "start")
    pico = load(chip, "pico")
    stream = Stream()
    port = load(chip, "port").Port(stream, stream, stream, stream)
    for number in (11, 12, 13, 14, 15):
        chip.drive(number, False)
    file, wrong = start.take(text, kept)
    assert wrong
    hw = pico.Blind(port) if file.wrong or not file.pins else pico.Pico(file, port, lambda text: None)
    board = Board(hw, start.Refused(wrong), start.POWER + start.BLIND)
    for line in (wire.encode("hello", [0, wire.PROTOCOL]), wire.encode("limits", [1]), wire.encode("arm", [2, 100000])):
        stream.came += line
        for _ in range(40):
            board.poll()
            hw.after(board.core.state, board.core.fault)
            chip.run_us(100)
    said = {words[0]: words for words in (line.split() for line in stream.taken.decode().splitlines() if line)}
    assert said["board"][4] == str(start.POWER + start.BLIND)
    assert said["no"][2:4] == ["2", str(reason)]
    assert board.core.state == safety.LATCHED and not chip.level(ENABLE) and not chip.rises(STEP)


# RP2040 data sheet, 2.10: bit 0 on; bits 4 to 7 the voltage: 1.10 V is 11, 1.15 V 12, 1.20 V 13; bit 12 regulated.
VREG = 0x40064000


def test_first_the_voltage_then_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """200 MHz need 1.15 V: what the chip's maker has said since 2025, from memory."""
    for before, after in ((0x10B1, 0x10C1), (0x10C1, 0x10C1), (0x10D1, 0x10D1)):
        chip = Chip()
        machine = chip.modules["machine"]
        clock = load(chip, "clock")
        machine.mem32[VREG] = before
        volts: list[int] = []

        def freq(hz: int | None = None, chip: Chip = chip, machine: Any = machine, volts: list[int] = volts) -> int:
            volts.append(machine.mem32[VREG])
            return chip.freq(hz)

        monkeypatch.setattr(machine, "freq", freq)
        assert clock.set_up() == "" and chip.hz == clock.CLOCK_HZ == CLOCK
        assert set(volts) == {after}
        assert (chip.cycle > 0) is (before != after)  # it has waited


def refuses(hz: int = 0) -> int:
    raise ValueError("cannot change frequency")


@pytest.mark.parametrize(
    ("vreg", "freq", "why"),
    [
        (0x10B1, refuses, "cannot change frequency"),
        (0x10B1, lambda hz=0: 125_000_000, "125000000"),
        (0x10B0, None, "regulator is off"),
        ("stuck", None, "1.15 V"),
    ],
)
def test_without_its_clock_a_board_drives_nothing_and_says_why(
    vreg: Any, freq: Any, why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "evenbed_board.json").write_text(TEXT)
    chip = Chip()
    start = load(chip, "start")
    machine = chip.modules["machine"]
    if vreg == "stuck":
        monkeypatch.setattr(type(machine.mem32), "__setitem__", lambda self, address, value: None)
    else:
        machine.mem32[VREG] = vreg
    if freq is not None:
        monkeypatch.setattr(machine, "freq", freq)
    stream = Stream()
    port = load(chip, "port").Port(stream, stream, stream, stream)
    monkeypatch.setattr(start, "port", lambda file: port)
    boards = []

    def poll(board: Board) -> None:
        boards.append(board)
        raise KeyboardInterrupt

    monkeypatch.setattr(Board, "poll", poll)
    start.run()
    (board,) = boards
    assert type(board.hw).__name__ == "Blind"
    assert not any(machine.enabled for pio in chip.mcu.pio for machine in pio.machines)
    assert board.boot_cause & start.BLIND and why in board.core.unusable
    assert why in (tmp_path / start.TROUBLE).read_text()


def test_boot_stops_what_a_soft_reset_left_running() -> None:
    """PIO, PWM and pins outlast a soft reset of MicroPython."""
    bench = Bench()
    chip = bench.chip
    bench.motor.grant(16000, 1000)
    chip.run_us(1000)
    made = len(bench.rises())
    assert made > 10
    with on_chip(chip):
        runpy.run_path(str(ROOT / "boot.py"))
    chip.run_us(3000)
    assert len(bench.rises()) <= made + 1
    assert not any(machine.enabled for pio in chip.mcu.pio for machine in pio.machines)
    assert all(pin.function_select == 5 and not pin.output_enable for pin in chip.mcu.gpio[:23])
    assert chip.modules["machine"].mem32[0x400500A0] == 0
    # And the program can be loaded anew.
    with on_chip(chip):
        bench.motor.__class__(2, 3, 1, 14, 12, 13, 100, 96000)


def test_a_program_that_ends_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "evenbed_board.json").write_text(TEXT)
    for end, mark in ((KeyboardInterrupt, "LEFT"), (ZeroDivisionError, "FAILED")):
        chip = Chip()
        start = load(chip, "start")
        stream = Stream()
        port = load(chip, "port").Port(stream, stream, stream, stream)
        monkeypatch.setattr(start, "port", lambda file, port=port: port)
        monkeypatch.setattr(start.sys, "print_exception", lambda error, f: f.write(repr(error)), raising=False)
        passes = []

        def poll(board: Board, end: type[BaseException] = end, passes: list[int] = passes) -> None:
            passes.append(1)
            if len(passes) == 3:
                raise end

        monkeypatch.setattr(Board, "poll", poll)
        if end is KeyboardInterrupt:
            start.run()
        else:
            with pytest.raises(ZeroDivisionError):
                start.run()
            assert "ZeroDivisionError" in (tmp_path / start.TROUBLE).read_text()
        assert chip.modules["machine"].mem32[start.SCRATCH] == start.MARK | getattr(start, mark)
        assert not chip.level(ENABLE) and not chip.rises(STEP)
