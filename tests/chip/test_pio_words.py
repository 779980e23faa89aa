"""The PIO programs as words: three assemblers agree, and they fit."""

from __future__ import annotations

import pytest

from chip.asm import Program
from chip.chip import CLOCK, Chip
from chip.rigs import load

CHIP = Chip()
STEPS = load(CHIP, "pio_steps")
CELL = load(CHIP, "pio_cell")
PROGRAMS: list[Program] = [STEPS.steps, STEPS.gate, STEPS.guard, STEPS.counter, CELL.cell]


@pytest.mark.parametrize("program", PROGRAMS, ids=lambda program: str(program.name))
def test_another_assembler_makes_the_same_words(program: Program) -> None:
    """adafruit-circuitpython-pioasm against the encoding of the RP2040 data sheet, section 3.4, in asm.py."""
    pioasm = pytest.importorskip("adafruit_pioasm", reason="pip install --no-deps adafruit-circuitpython-pioasm==1.3.8")
    assembled = pioasm.Program(program.text)
    assert list(assembled.assembled) == program.words
    options = assembled.pio_kwargs
    assert (options["wrap_target"], options["wrap"]) == (program.wrap_target, program.wrap)
    assert bool(options["sideset_enable"]) == (program.side_count == 2)


def test_the_words_are_these() -> None:
    """Frozen, so that a change is seen. To be compared with rp2.asm_pio on a chip: test_uf2.py does."""
    frozen = {
        "steps": "80a0 6041 60df 80a0 0066 a027 a045 0060 0046 a026 0020 004c a0c1 2044 f85f 1f8f b027",
        "gate": "e029 00c3 0000 0041 c004",
        "guard": "a022 00c3 0001 2020 20a0 00c7 0000 0043 c004",
        "counter": "2020 20a0 00c5 0080 0000 0040",
        "cell": "2020 e047 00c0 0082 e038 b842 5801 1145 8000",
    }
    assert {program.name: " ".join(f"{word:04x}" for word in program.words) for program in PROGRAMS} == frozen


def test_they_fit_into_both_memories() -> None:
    """32 instructions each: RP2040 data sheet, section 3.2."""
    assert sum(len(program.words) for program in PROGRAMS[:3]) <= 32
    assert sum(len(program.words) for program in PROGRAMS[3:]) <= 32


def test_the_clocks_are_whole_parts_of_the_chips() -> None:
    """A fraction makes edges jitter by a cycle, and the whole part has 16 bits: RP2040 data sheet, 3.5.5."""
    clock = load(CHIP, "clock")
    assert clock.CLOCK_HZ == CLOCK
    for hz in (clock.STEP_HZ, clock.GATE_HZ, clock.GUARD_HZ, clock.CELL_HZ):
        assert CLOCK % hz == 0 and CLOCK // hz < 1 << 16


def test_single_instructions_are_what_they_are_called() -> None:
    pioasm = pytest.importorskip("adafruit_pioasm", reason="pip install --no-deps adafruit-circuitpython-pioasm==1.3.8")
    for name, text in {
        "PULL_NOBLOCK": "pull noblock",
        "PUSH_NOBLOCK": "push noblock",
        "SET_X_0": "set x, 0",
        "MOV_Y_OSR": "mov y, osr",
        "CLEAR_STOP": "irq clear 4",
        "IN_X_15": "in x, 15",
        "IN_Y_15": "in y, 15",
    }.items():
        assert list(pioasm.Program(text).assembled) == [getattr(STEPS, name)], name
    assert list(pioasm.Program(".side_set 1 opt\nnop side 0").assembled) == [STEPS.PIN_LOW]
