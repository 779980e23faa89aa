"""A stand-in for the chip's own PIO assembler: runs a program's function and takes down what it says, twice.

As text for an assembler from outside, and as words encoded here after the RP2040 data sheet, section 3.4. On the chip the
same functions are run by rp2.asm_pio.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

CONDITIONS = ["", "!x", "x--", "!y", "y--", "x!=y", "pin", "!osre"]
IN_SOURCES = ["pins", "x", "y", "null", "", "", "isr", "osr"]
OUT_TARGETS = ["pins", "x", "y", "null", "pindirs", "pc", "isr", "exec"]
MOV_TARGETS = ["pins", "x", "y", "", "exec", "pc", "isr", "osr"]
MOV_SOURCES = ["pins", "x", "y", "null", "", "status", "isr", "osr"]
SET_TARGETS = ["pins", "x", "y", "", "pindirs"]


class _Flag:
    """``irq``: an instruction, and what wait() may wait for."""

    def __init__(self, emit: Recorder) -> None:
        self.emit = emit

    def __call__(self, index: int) -> Recorder:
        return self.emit.add(f"irq {index}", 0xC000 | index)


@dataclass
class Program:
    """What a state machine needs: the words and the settings that go with them. Addresses from the program's start."""

    name: str
    words: list[int]
    text: str
    wrap_target: int
    wrap: int
    side_count: int
    side_initial: int | None
    in_left: bool
    out_left: bool
    labels: dict[str, int] = field(default_factory=dict)


class Recorder:
    """Takes a program down."""

    def __init__(self, side: bool) -> None:
        self.side_used = side
        self.lines: list[str] = []
        self.items: list[list[Any]] = []  # base word, label or None, side or None, delay
        self.labels: dict[str, int] = {}
        self.target = 0
        self.top: int | None = None

    def add(self, text: str, word: int, to: str | None = None) -> Recorder:
        self.lines.append("    " + text)
        self.items.append([word, to, None, 0])
        return self

    def side(self, value: int) -> Recorder:
        self.items[-1][2] = value
        self.lines[-1] += f" side {value}"
        return self

    def __getitem__(self, delay: int) -> Recorder:
        self.items[-1][3] = delay
        self.lines[-1] += f" [{delay}]"
        return self

    def label(self, name: str) -> None:
        self.labels[name] = len(self.items)
        self.lines.append(f"{name}:")

    def wrap_target(self) -> None:
        self.target = len(self.items)
        self.lines.append(".wrap_target")

    def wrap(self) -> None:
        self.top = len(self.items) - 1
        self.lines.append(".wrap")

    def jmp(self, condition: str, to: str | None = None) -> Recorder:
        if to is None:
            condition, to = "", condition
        return self.add(f"jmp {condition + ', ' if condition else ''}{to}", CONDITIONS.index(condition) << 5, to)

    def wait(self, polarity: int, source: Any, index: int) -> Recorder:
        what = source if isinstance(source, str) else "irq"
        return self.add(
            f"wait {polarity} {what} {index}", 0x2000 | polarity << 7 | ["gpio", "pin", "irq"].index(what) << 5 | index
        )

    def in_(self, source: str, bits: int) -> Recorder:
        return self.add(f"in {source}, {bits}", 0x4000 | IN_SOURCES.index(source) << 5 | bits & 31)

    def out(self, target: str, bits: int) -> Recorder:
        return self.add(f"out {target}, {bits}", 0x6000 | OUT_TARGETS.index(target) << 5 | bits & 31)

    def push(self, how: str = "block") -> Recorder:
        return self.add(f"push {how}", 0x8000 | (how == "block") << 5)

    def pull(self, how: str = "block") -> Recorder:
        return self.add(f"pull {how}", 0x8080 | (how == "block") << 5)

    def mov(self, target: str, source: str) -> Recorder:
        return self.add(f"mov {target}, {source}", 0xA000 | MOV_TARGETS.index(target) << 5 | MOV_SOURCES.index(source))

    def set(self, target: str, value: int) -> Recorder:
        return self.add(f"set {target}, {value}", 0xE000 | SET_TARGETS.index(target) << 5 | value)

    def nop(self) -> Recorder:
        return self.add("nop", 0xA042)

    def names(self) -> dict[str, Any]:
        """What the program's function finds as its globals."""
        words = {n: n for n in ("pins", "x", "y", "null", "isr", "osr", "status", "pin", "block", "noblock", "gpio")}
        conditions = {"not_x": "!x", "x_dec": "x--", "not_y": "!y", "y_dec": "y--", "not_osre": "!osre"}
        calls = ("label", "wrap_target", "wrap", "jmp", "wait", "in_", "out", "push", "pull", "mov", "set", "nop")
        return words | conditions | {n: getattr(self, n) for n in calls} | {"irq": _Flag(self)}

    def encoded(self, optional: bool) -> list[int]:
        """The words. With a side-set that not every instruction names, one more of the five bits says whether it does."""
        bits = self.side_used + optional
        words = []
        for base, to, side, delay in self.items:
            assert delay < 1 << 5 - bits, "delay too long"
            word = base | (self.labels[to] if to is not None else 0) | delay << 8
            if side is not None:
                word |= side << 13 - bits | optional << 12
            words.append(word)
        return words


def asm_pio(
    sideset_init: int | None = None, in_shiftdir: int = 0, out_shiftdir: int = 0
) -> Callable[[Callable[[], None]], Program]:
    """The decorator; directions: 0 left, 1 right, as the chip's."""

    def decorate(function: Callable[[], None]) -> Program:
        recorder = Recorder(sideset_init is not None)
        kept = dict(function.__globals__)
        function.__globals__.clear()
        function.__globals__.update(recorder.names())
        try:
            function()
        finally:
            function.__globals__.clear()
            function.__globals__.update(kept)
        optional = sideset_init is not None and any(item[2] is None for item in recorder.items)
        head = [f".program {function.__name__}"]
        if sideset_init is not None:
            head.append(".side_set 1 opt" if optional else ".side_set 1")
        return Program(
            name=function.__name__,
            words=recorder.encoded(optional),
            text="\n".join(head + recorder.lines) + "\n",
            wrap_target=recorder.target,
            wrap=len(recorder.items) - 1 if recorder.top is None else recorder.top,
            side_count=0 if sideset_init is None else 1 + optional,
            side_initial=sideset_init,
            in_left=in_shiftdir == 0,
            out_left=out_shiftdir == 0,
            labels=recorder.labels,
        )

    return decorate
