"""The reader of the bridge converter in an emulated PIO, against a converter that follows its data sheet."""

from __future__ import annotations

import itertools

import pytest

from chip.chip import US, Chip, Pin, StateMachine
from chip.converter import DOWN_US, Converter
from chip.rigs import CLOCK_PIN, DATA, load

PERIOD_US = 12500.0
# The data sheet of such parts: clock high 0.2 to 50 us, low at least 0.2 us.
HIGH_US = (0.2, 50.0)
LOW_US = 0.2


class Reader:
    """The program and a converter."""

    def __init__(self, period_us: float = PERIOD_US) -> None:
        self.chip = Chip()
        self.pio = load(self.chip, "pio_cell")
        self.clock = load(self.chip, "clock")
        self.converter = Converter(self.chip, DATA, CLOCK_PIN, period_us)
        data = Pin(self.chip, DATA)
        clock = Pin(self.chip, CLOCK_PIN, Pin.OUT, value=0)
        self.machine = StateMachine(
            self.chip, 5, self.pio.cell, freq=self.clock.CELL_HZ, in_base=data, jmp_pin=data, sideset_base=clock
        )
        self.machine.active(1)

    def word(self) -> int:
        """The next word."""
        self.chip.run_us(PERIOD_US)
        return self.machine.get()


@pytest.mark.parametrize("value", [0, 1, -2, 2, 0x123456, -0x123456, 8388607, -8388608, -8388607, 0x555555, -0x555556])
def test_known_values_come_back(value: int) -> None:
    """24 bits, two's complement, most significant first."""
    reader = Reader()
    reader.converter.value = value
    reader.chip.run_us(1000)
    word = reader.word()
    assert reader.pio.sound(word)
    assert reader.pio.counts(word) == value


def test_25_clocks_of_the_right_length_and_the_line_high_at_the_end() -> None:
    """25 edges keep input and gain; fewer than 25 or more than 27 are an error of the reader."""
    reader = Reader()
    reader.converter.value = 4711
    reader.chip.run_us(3 * PERIOD_US + 1000)
    assert reader.converter.reads[1:] == [25, 25]
    edges = reader.chip.edges[CLOCK_PIN]
    highs = {(b[0] - a[0]) / US for a, b in itertools.pairwise(edges) if a[1]}
    assert highs == {2.0} and HIGH_US[0] <= 2.0 <= HIGH_US[1]
    lows = [(b[0] - a[0]) / US for a, b in itertools.pairwise(edges) if not a[1]]
    assert min(lows) == 2.0 >= LOW_US
    assert reader.chip.level(DATA)


def test_a_reading_takes_120_us() -> None:
    reader = Reader()
    reader.chip.run_us(PERIOD_US + 500)
    rises = reader.chip.rises(CLOCK_PIN)
    fell = round(PERIOD_US * US)
    assert 16 <= (rises[0] - fell) / US <= 20
    assert (reader.chip.edges[CLOCK_PIN][-1][0] - fell) / US <= 120


def test_late_reads_do_not_stretch_the_clock() -> None:
    """Nobody takes the words for half a second: the clock is as ever, the converter never powers down."""
    reader = Reader()
    reader.converter.value = 99
    reader.chip.run_us(40 * PERIOD_US)
    assert reader.converter.longest_high == 2 * US and not reader.converter.down
    assert set(reader.converter.reads[1:]) == {25}
    assert reader.machine.rx_fifo() == reader.pio.FULL


def test_a_stretched_clock_is_what_the_data_sheet_says() -> None:
    """The converter of this test does power down beyond 60 us; so the tests above would have seen it."""
    reader = Reader()
    reader.machine.active(0)
    reader.chip.run_us(PERIOD_US + 10)
    assert not reader.chip.level(DATA)
    clock = Pin(reader.chip, CLOCK_PIN, Pin.OUT, value=0)
    clock.value(1)
    reader.chip.run_us(DOWN_US + 5)
    clock.value(0)
    assert reader.converter.down and reader.chip.level(DATA)


@pytest.mark.parametrize("length_us", [0.5, 2, 9, 14])
def test_noise_on_the_data_line_starts_no_reading(length_us: float) -> None:
    reader = Reader()
    for _ in range(20):
        reader.chip.run_us(100)
        reader.chip.drive(DATA, False)
        reader.chip.run_us(length_us)
        reader.chip.drive(DATA, True)
    assert not reader.chip.rises(CLOCK_PIN)
    assert reader.machine.rx_fifo() == 0


def test_longer_noise_is_read_but_not_believed() -> None:
    """The line comes back before the first bit: all ones, which a converter that was ready would give only at -1."""
    reader = Reader()
    reader.chip.run_us(3000)
    reader.chip.drive(DATA, False)
    reader.chip.run_us(17.5)
    reader.chip.listeners.clear()  # nothing was converted: the clock shifts nothing out
    reader.chip.drive(DATA, True)
    reader.chip.run_us(300)
    word = reader.machine.get()
    assert word == reader.pio.LOST and not reader.pio.sound(word)


def test_a_low_trailing_bit_is_not_believed() -> None:
    """A short to ground, or a clock edge too few."""
    reader = Reader()
    reader.converter.trailing = False
    reader.converter.value = 1234
    reader.chip.run_us(1000)
    word = reader.word()
    assert word >> 1 == 1234 and not reader.pio.sound(word)


def test_a_line_that_is_stuck_low_gives_nothing_to_believe() -> None:
    reader = Reader()
    reader.chip.listeners.clear()
    reader.chip.drive(DATA, False)
    reader.chip.run_us(5000)
    words = [reader.machine.get() for _ in range(reader.machine.rx_fifo())]
    assert words and not any(reader.pio.sound(word) for word in words)


def test_a_line_that_never_falls_gives_nothing() -> None:
    reader = Reader()
    reader.chip.at.clear()
    reader.chip.run_us(200_000)
    assert reader.machine.rx_fifo() == 0 and not reader.chip.rises(CLOCK_PIN)


def test_many_values_at_three_rates() -> None:
    """The real rate is off by up to 10 %."""
    for period_us in (11250.0, 12500.0, 13888.0):
        reader = Reader(period_us)
        given, taken = [], []
        for i in range(40):
            reader.converter.value = given_value = (i * 7919 * 997) % 0x1000000 - 0x800000
            given.append(given_value)
            reader.chip.run_us(period_us)
            taken.append(reader.pio.counts(reader.machine.get()) if reader.machine.rx_fifo() else None)
        # The first word comes within the second period: 120 us after the first conversion.
        assert [n for n in taken if n is not None] == given[: len([n for n in taken if n is not None])]
        assert len([n for n in taken if n is not None]) >= 39
