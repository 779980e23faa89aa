"""From a reset to the running board.

What a reset does. Chip reset, brown-out, watchdog, or the program's end: the pulses stop, the enable pin floats, its
resistor takes the drive's power. A screw that holds without power (self-locking, or with a brake that closes) keeps the
string; the board starts latched, knows of a load by its readings, and lets it down when the pedal is held. A screw that
does not hold is driven back by the string at once, the hand knob turning by itself, until the string is slack. Such a rig
needs a brake that closes without power, or stays under a force at which that hurts nobody.

A soft reset leaves pins, PIO and PWM running: boot.py stops them before anything else.

The watchdog (250 ms) runs from the first time the drive gets power, not before: a board whose drive never had power can be
reached and changed at any time. While the drive has power no byte of the host interrupts the program.
"""

import binascii
import gc
import os
import sys

import machine
from evenbed_fw.board import Board
from evenbed_fw.settings import Settings

from evenbed_pico import clock
from evenbed_pico.pico import Blind, Pico
from evenbed_pico.pins import FILE, BoardFile
from evenbed_pico.port import Port

KEPT = "evenbed_cell.txt"  # what a hand has confirmed: zero, sensitivity, limit
FRESH = "evenbed_cell.new"
TROUBLE = "evenbed_error.txt"
UART_BITS_S = 460800

SCRATCH = 0x4005800C  # outlasts every reset but that of the power
MARK = 0x0EBD0000
# boot_cause of the line "board"
POWER = 1  # power came, or the RUN pin
HUNG = 2  # the watchdog: a pass of the loop took over 250 ms
LEFT = 3  # the program had been left on purpose
FAILED = 4  # the program had ended with an error, now in evenbed_error.txt
OTHER = 5  # a reset asked for by another program
BLIND = 16  # added: its files or its clock cannot be used (why: evenbed_error.txt); it will not arm


class Refused(Settings):
    """Settings of a board that must not arm."""

    def __init__(self, why: str) -> None:
        self.why = why
        Settings.__init__(self)

    def unusable(self) -> str:
        return self.why


def cause(word: int, by_watchdog: bool) -> int:
    """Why the board starts: from the mark that the program left, and whether a watchdog's reset came last."""
    if word & 0x3FFFFF00 == MARK:
        return word & 0xFF
    return OTHER if by_watchdog else POWER


def kept_text(text: str) -> str:
    """Settings as they are stored: with their check sum."""
    return "%s %08x\n" % (text, binascii.crc32(text.encode()))


def take_kept(settings: Settings, text: str) -> str:
    """Take over what was kept from an earlier confirmation: zero, sensitivities and limit, and nothing else.

    Returns why it cannot be used, empty if it can. A limit is cut to what the board's file allows.
    """
    words = text.split()
    if len(words) != len(settings.values()) + 1 or kept_text(" ".join(words[:-1])) != text:
        return "%s is damaged: calibrate again" % KEPT
    zero, gain, rated, _, limit = [int(word) for word in words[:5]]
    settings.zero_counts = zero
    settings.gain_mcounts_n = gain
    settings.rated_mcounts_n = rated
    settings.limit_mn = min(limit, settings.limit_most_mn)
    wrong = settings.unusable()
    if not wrong:
        settings.derive()
    return "%s: %s" % (KEPT, wrong) if wrong else ""


def read(name: str) -> "str | None":
    """A small file's text, or None."""
    try:
        with open(name) as f:  # noqa: PTH123
            return str(f.read())
    except (OSError, UnicodeError):
        return None


def keep(text: str) -> None:
    """Store settings so that a reset in the middle leaves the old ones or the new ones."""
    with open(FRESH, "w") as f:  # noqa: PTH123
        f.write(kept_text(text))
    os.rename(FRESH, KEPT)  # noqa: PTH104


def note(text: str) -> None:
    """Leave word of what is wrong where a person with a cable finds it."""
    with open(TROUBLE, "w") as f:  # noqa: PTH123
        f.write(text)


def take(text: "str | None", kept: "str | None") -> "tuple[BoardFile, str]":
    """The board's file and, if it cannot be used together with what was kept, why."""
    file = BoardFile(text if text is not None else "")
    if text is None:
        return file, "%s is missing" % FILE
    if file.wrong:
        return file, file.wrong
    return file, take_kept(file.settings, kept) if kept is not None else ""


def port(file: BoardFile) -> Port:
    """USB, or the UART if the file wants it."""
    if file.uart and not file.wrong:
        pin = machine.Pin
        rx = pin(file.pins["uart_rx"], pin.IN, pin.PULL_UP)
        uart = machine.UART(0, UART_BITS_S, tx=pin(file.pins["uart_tx"]), rx=rx, rxbuf=512, txbuf=512, timeout=0)
        return Port(uart, uart, uart, uart)
    return Port(sys.stdin, sys.stdout, sys.stdin.buffer, sys.stdout.buffer)


def run() -> None:
    """Work until somebody presses Ctrl-C with the drive off. After an error the watchdog, if it runs, resets the board."""
    slow = clock.set_up()
    why = cause(machine.mem32[SCRATCH], machine.reset_cause() == machine.WDT_RESET)
    file, wrong = take(read(FILE), read(KEPT))
    wrong = slow or wrong
    gc.collect()  # what follows stays: without gaps between
    way = port(file)
    hw = Blind(way) if slow or file.wrong or not file.pins else Pico(file, way, keep)
    settings = Refused(wrong) if wrong else file.settings
    board = Board(hw, settings, why + BLIND if wrong else why)
    if wrong and read(TROUBLE) != wrong:
        note(wrong)
    gc.collect()
    machine.mem32[SCRATCH] = MARK | HUNG
    try:
        poll = board.poll
        after = hw.after
        core = board.core
        while True:
            poll()
            after(core.state, core.fault)
    except KeyboardInterrupt:
        machine.mem32[SCRATCH] = MARK | LEFT
        hw.enable(False)
    except Exception as error:
        machine.mem32[SCRATCH] = MARK | FAILED
        hw.grant(0, 0)  # the drive goes on holding until the watchdog takes its power
        with open(TROUBLE, "w") as f:  # noqa: PTH123
            sys.print_exception(error, f)
        raise
