"""The firmware's board with nothing around it but a port, to hear what it answers."""

from __future__ import annotations

from evenbed_fw.board import Board
from evenbed_fw.hardware import I_ESTOP_OK, I_PEDAL_B, I_SUPPLY_OK, Hardware
from evenbed_fw.settings import Settings

from .second_decoder import Sender, Taken, decode, encode, split

HELLO_SEQ = 5500
"""Of the line before the bytes: with it 5501 .. 9999 and 0 .. 499 are newer (hardware/protocol.md section 2)."""


class Port(Hardware):
    """Nothing but a port: no reading comes, nothing is pressed, and the clock runs on by itself."""

    def __init__(self) -> None:
        self.t_us = 0
        self.rx = bytearray()
        self.tx = b""

    def now_us(self) -> int:
        self.t_us += 10
        return self.t_us

    def sample_ready(self) -> bool:
        return False

    def position(self) -> int:
        return 0

    def grant(self, rate: int, steps: int) -> None:
        assert rate == 0, "nothing may move here"

    def enable(self, on: bool) -> None:
        assert not on

    def inputs(self) -> int:
        return I_PEDAL_B | I_ESTOP_OK | I_SUPPLY_OK

    def read_byte(self) -> int:
        return self.rx.pop(0) if self.rx else -1

    def tx_free(self) -> int:
        return 512

    def send(self, buf: bytearray, n: int) -> None:
        self.tx += bytes(buf[:n])

    def store(self, text: str) -> None:
        self.stored = text

    def collect(self) -> None:
        pass


def by_board(stream: bytes) -> list[Taken]:
    """What a latched, greeted board answers to these bytes, ``s`` lines left out."""
    port = Port()
    board = Board(port, Settings())
    port.rx += encode("hello", HELLO_SEQ, 1) + b"\n" + stream + b"\n"
    while port.rx:
        board.poll()
    answers = [decode(line, Sender.BOARD) for line in split(port.tx)]
    taken = [a for a in answers if isinstance(a, Taken)]
    assert len(taken) == len(answers), "the board says nothing that the document does not know"
    assert taken[0].kind == "board"
    return [a for a in taken[1:] if a.kind != "s"]
