"""A board that must not be interrupted, and ports on which there is no MicroPython: what is sent to them, byte by byte."""

from __future__ import annotations

import select
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from evenbed.cli.flash import FlashOptions, run
from evenbed_fw import wire
from evenbed_sim.ptyport import PtyPort
from evenbed_sim.rig import Rig
from evenbed_sim.scenario import RigPlan


class Line:
    """A serial device: ``answer`` gets what the host sends (nothing too, often) and returns what the device says."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self.port = PtyPort()
        self.sent = b""
        self._answer = answer
        self._ends = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ends:
            select.select([self.port.fileno()], [], [], 0.005)
            data = self.port.read()
            self.sent += data
            said = self._answer(data)
            if said:
                self.port.write(said)

    def close(self) -> None:
        self._ends = True
        self._thread.join(5.0)
        self.port.close()


@pytest.fixture
def line() -> Iterator[Callable[[Callable[[bytes], bytes]], Line]]:
    lines: list[Line] = []

    def one(answer: Callable[[bytes], bytes]) -> Line:
        lines.append(Line(answer))
        return lines[-1]

    yield one
    for each in lines:
        each.close()


class Simulated:
    """The simulated rig on the real clock, brought to where it should be on its own."""

    def __init__(self) -> None:
        plan = RigPlan(seed=5)
        self.rig = Rig(plan.plant(), plan.params(), seed=5)
        self.rig.run_until(500000.0)
        self._begun_s: float | None = None

    def say(self, kind: str, *numbers: int) -> None:
        self.rig.deliver(wire.encode(kind, numbers), self.rig.t_us)
        self.rig.run_until(self.rig.t_us + 50000.0)

    def answer(self, data: bytes) -> bytes:
        now_s = time.monotonic()
        if self._begun_s is None:
            self._begun_s = now_s - self.rig.t_us * 1e-6
            self.rig.collect_lines()
        if data:
            self.rig.deliver(data, self.rig.t_us)
        self.rig.run_until(max(self.rig.t_us, (now_s - self._begun_s) * 1e6))
        return b"".join(text for _, text in self.rig.collect_lines())


def only_questions(sent: bytes) -> bool:
    """Nothing but lines of hello and limits: no Ctrl-C, nothing that moves or changes anything."""
    return all(text.split(b" ")[0] in (b"", b"hello", b"limits") for text in sent.split(b"\n"))


@pytest.mark.parametrize("what", ["armed", "moving", "loaded", "supply lost under load"])
def test_a_rig_in_use_hears_two_questions_and_goes_on(
    line: Callable[[Callable[[bytes], bytes]], Line], capsys: pytest.CaptureFixture[str], what: str
) -> None:
    simulated = Simulated()
    rig = simulated.rig
    if what == "loaded":
        rig.hung_n = 120.0
        rig.run_until(rig.t_us + 300000.0)
    else:
        simulated.say("hello", 0, 1)
        simulated.say("arm", 1, 120000)
        assert rig.board.core.state == 1
    if what == "moving":
        rig.run_until(rig.t_us + 400000.0)  # a press sooner after arming permits nothing
        rig.press_pedal(True)
        rig.run_until(rig.t_us + 150000.0)
        rig.press_pedal(False)
        rig.run_until(rig.t_us + 200000.0)
        simulated.say("go", 2, 0, 1600, 1 << 20, 1 << 22, 150)
        # The lease is renewed beside the port: a host that goes on pulling.
        numbers = iter(range(3000, 9999))
        answer = simulated.answer

        def pulling(data: bytes) -> bytes:
            return answer(data + wire.encode("go", (next(numbers), 0, 1600, 1 << 20, 1 << 22, 150)))

        device = line(pulling)
    else:
        if what == "supply lost under load":
            rig.hung_n = 120.0
            rig.run_until(rig.t_us + 300000.0)
            rig.switch_supply(False)
            rig.run_until(rig.t_us + 100000.0)
            assert rig.board.core.state == 7
        device = line(simulated.answer)
    code = run(FlashOptions(port=device.port.name))
    said = capsys.readouterr().out
    assert code == 1 and "Nothing was changed" in said
    assert only_questions(device.sent)
    if what == "moving":
        assert "moving" in said and rig.hw.rate != 0
    elif what == "armed":
        assert "armed" in said and rig.board.core.state == 1
    else:
        assert "hold the pedal" in said and "--no-string" in said


@pytest.mark.parametrize("answer", [lambda data: b"", lambda data: data], ids=["silent", "echo"])
def test_a_port_without_micropython_is_told_how_to_get_it(
    line: Callable[[Callable[[bytes], bytes]], Line], capsys: pytest.CaptureFixture[str], answer: Callable[[bytes], bytes]
) -> None:
    """A silent device, and one that echoes."""
    code = run(FlashOptions(port=line(answer).port.name, pins="reference"))
    said = capsys.readouterr().out
    assert code == 1
    for word in ("BOOTSEL", ".uf2", "micropython.org", "RP2040"):
        assert word in said


def test_a_port_that_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FlashOptions(port="/dev/no-such-port")) == 1
    assert "cannot be opened" in capsys.readouterr().out
