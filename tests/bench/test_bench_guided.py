"""The program's guided commands on the page: what a page may begin, how it is run, what is said and heard."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_page import wait_for

pytest.importorskip("starlette", reason="evenbed[bench] is not installed")
from evenbed.bench.guided import COMMAND, HEARS_STOP, PATIENCE_S, RUNS, GuidedRun, Guiding, arguments
from evenbed.bench.opening import Means
from evenbed.bench.orders import Order, Refused, allowed, read
from evenbed.bench.place import ONLY_STOP, STILL_AT_IT, Place
from evenbed.head.types import Ask

ECHO = HEARS_STOP + "for line in sys.stdin: print('heard ' + line.strip(), flush=True)\nsys.exit(3)"
# Lets down first: takes its time over an interrupt.
SLOW = HEARS_STOP + (
    "import time\nprint('up', flush=True)\ntry:\n time.sleep(60)\n"
    "except KeyboardInterrupt:\n print('let down', flush=True)\n time.sleep(1.0)\n raise SystemExit(130)"
)
# Repeats what it hears, as ECHO does; an interrupt it takes its time over until it is told to end.
PATIENT = HEARS_STOP + (
    "print('up', flush=True)\n"
    "while True:\n"
    " try:\n  line = sys.stdin.readline().strip()\n"
    " except KeyboardInterrupt:\n  print('let down', flush=True)\n  continue\n"
    " print('heard ' + line, flush=True)\n"
    " if line == 'end': sys.exit(130)\n"
)
# Leaves a process that has its output, and ends when nobody has the named pipe open for writing any more.
LEAVES = HEARS_STOP + (
    "import subprocess\n"
    "subprocess.Popen([sys.executable, '-c', 'import sys; open(sys.argv[1]).read()', sys.argv[1]])\n"
    "print('left', flush=True)\n"
    "try: sys.stdin.readline()\n"
    "except KeyboardInterrupt: sys.exit(130)\n"
)


def begun(**values: Any) -> Order:
    return read(json.dumps({"do": "begin", "what": "guided", "unit": "kgf", **values}))


# --- what may be begun ------------------------------------------------------------------------------------------------
def test_what_a_page_may_begin_is_understood() -> None:
    assert set(RUNS) == {"check", "prove", "sensor", "calibrate", "commission"}
    order = begun(run="calibrate", latitude="48,5°", resume=True, rig="/dev/ttyACM0")
    assert (order.values["latitude"], order.values["resume"], order.values["rig"]) == (48.5, True, "/dev/ttyACM0")
    assert begun(run="check", weight="20lb ±1%").values["weight"] == "20lb ±1%"


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"run": "flash"}, "one of check"),
        ({"run": "check"}, "weight"),
        ({"run": "check", "weight": "5"}, "no unit"),
        ({"run": "check", "weight": "--port x"}, "not understood"),
        ({"run": "check", "weight": "5kg M1\0"}, "cannot be printed"),
        ({"run": "check", "weight": "5kg M1\ud800"}, "cannot be printed"),
        ({"run": "sensor", "weight": "\x1b"}, "cannot be printed"),
        ({"run": "calibrate", "latitude": "north"}, "no latitude"),
        ({"run": "calibrate", "latitude": "91"}, "-90 to 90"),
        ({"run": "calibrate", "latitude": "nan"}, "-90 to 90"),
        ({"run": "sensor", "unit": "lbs"}, "one of N"),
    ],
)
def test_what_it_may_not_is_refused_with_its_reason(values: dict[str, Any], why: str) -> None:
    with pytest.raises(Refused, match=why):
        begun(**values)


def test_only_who_has_the_controls_types() -> None:
    order = read('{"do":"say","text":"done"}')
    assert "look" in allowed(order, False, False) and "take" in allowed(order, True, False)
    assert allowed(order, True, True) == ""


def test_the_command_line_is_that_of_the_terminal() -> None:
    from evenbed.cli.main import main

    for run in RUNS:
        values = begun(run=run, weight="5kg M1", latitude="-33", resume=True).values
        for port in ("", "/dev/ttyACM0"):
            line = arguments(values, "/somewhere", port, "other.toml")
            command = main.commands[line[0]]
            given = command.make_context(line[0], [*line[1:]], resilient_parsing=True).params  # knows every option
            assert given["sim" if not port else "port"] in (True, port)
            if run == "check":
                assert given["weight"] == "5kg M1"
            if run == "calibrate":
                assert (given["latitude"], given["resume"]) == (-33.0, True)
            if run == "commission":
                assert str(given["rig"]) == ("other.toml" if port else "None")  # a simulated rig writes into nobody's file


# --- how it is run ----------------------------------------------------------------------------------------------------
def test_what_is_typed_is_heard_and_what_is_said_is_read() -> None:
    changed: list[int] = []
    run = GuidedRun((sys.executable, "-u", "-c", ECHO), lambda: changed.append(1))
    run.say("5kg M1\n+ 2kg M1")  # one line, whatever the page sends
    wait_for(lambda: run.lines)
    assert run.lines == ["heard 5kg M1 + 2kg M1"] and run.code is None
    assert run._process.stdin is not None
    run._process.stdin.close()
    wait_for(lambda: run.code is not None)
    assert run.code == 3 and len(changed) == 2
    run.say("too late")
    run.stop()
    assert run.close()


def test_a_command_that_reads_nothing_keeps_nobody_waiting() -> None:
    run = GuidedRun((sys.executable, "-u", "-c", SLOW), lambda: None)
    wait_for(lambda: run.lines)
    for _ in range(400):
        run.say("x" * 500)  # more than a pipe holds
    assert run.close() and run.code == 130


def test_a_stop_is_what_it_is_in_a_terminal_and_waited_for() -> None:
    run = GuidedRun((sys.executable, "-u", "-c", SLOW), lambda: None)
    wait_for(lambda: run.lines)
    assert not run.close(patience_s=0.2)  # it is at letting down: not killed
    assert run.close() and run.code == 130 and run.lines == ["up", "let down"]


def test_a_bench_that_ignores_interrupts_can_still_stop_its_commands() -> None:
    # A script starts what it puts into the background with interrupts ignored, and children inherit that.
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        run = GuidedRun([*COMMAND, "sensor", "--sim", "--seconds", "600"], lambda: None)
    finally:
        signal.signal(signal.SIGINT, before)
    wait_for(lambda: any("hands off" in line for line in run.lines))
    assert run.close() and run.code == 130


@pytest.mark.parametrize("ignored", [True, False])
def test_a_stop_before_the_command_can_hear_it_waits_for_it(ignored: bool) -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if ignored else None
    command = [*COMMAND[:-1], "import sys; sys.stdin.readline()\n" + COMMAND[-1], "sensor", "--sim", "--seconds", "600"]
    try:
        run = GuidedRun(command, lambda: None)
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
    run.stop()
    run.say("begin")  # only now does it come to what hears a stop
    try:
        assert run.close() and run.code == 130 and run.lines == []
    finally:
        run._process.kill()


def test_what_starts_a_command_hears_interrupts_as_before() -> None:
    run = GuidedRun((sys.executable, "-c", ""), lambda: None)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    assert run.close()


def test_a_process_that_the_command_has_left_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    run = GuidedRun((sys.executable, "-u", "-c", LEAVES, str(pipe)), lambda: None)
    with pipe.open("w"):  # that process goes on until this is closed
        wait_for(lambda: run.lines)
        closed: list[bool] = []
        closing = threading.Thread(target=lambda: closed.append(run.close()), daemon=True)
        closing.start()
        closing.join(60.0)
        assert closed == [True] and run.code == 130 and run.lines == ["left"]
        assert run._reader.is_alive()  # it does have that output
        run.say("too late")
        assert run.close()


# --- at the place -----------------------------------------------------------------------------------------------------
class Heard:
    """What the pages were told."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []
        self.answers: list[dict[str, Any]] = []

    def last(self, kind: str) -> dict[str, Any]:
        return next((m for m in reversed(self.messages) if m["kind"] == kind), {})


def test_one_check_from_the_first_word_to_the_last(tmp_path: Path) -> None:
    heard = Heard()
    place = Place(Means(tmp_path / "records", tmp_path), heard.messages.append)
    place.start()
    try:
        place.post(begun(run="check", weight="5kg M1"), heard.answers.append)
        wait_for(lambda: heard.last("place").get("at") == "guided")
        assert heard.last("place")["run"] == "check"
        place.post(begun(run="sensor"), heard.answers.append)
        wait_for(lambda: heard.answers)
        assert "leave it first" in heard.answers[0]["text"]
        wait_for(lambda: heard.last("guided").get("code") is not None, 60.0)
        said = heard.last("guided")
        assert said["code"] == 0 and any(line.startswith("PASS") for line in said["lines"])
        place.post(Order("leave"), heard.answers.append)
        wait_for(lambda: heard.last("place").get("at") == "nothing")
        assert heard.last("guided")["lines"] == []
    finally:
        place.stop()


def test_a_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    heard = Heard()
    place = Place(Means(tmp_path / "records", tmp_path, port="/dev/ttyNONE"), heard.messages.append)
    place.start()
    try:
        place.post(begun(run="prove", rig="/dev/ttyACM9"), heard.answers.append)
        wait_for(lambda: "no port" in heard.last("place").get("trouble", ""))
        assert heard.last("place")["at"] == "nothing"
    finally:
        place.stop()


def test_what_has_been_said_is_told_whole_and_only_when_there_is_more() -> None:
    told: list[dict[str, Any]] = []
    guiding = Guiding(told.append, (sys.executable, "-u", "-c", ECHO))
    guiding.begin(begun(run="sensor").values, "", "", None)
    guiding.tell()
    guiding.tell()
    assert len(told) == 1 and told[0] == {"kind": "guided", "lines": [], "code": None}
    assert guiding.run is not None
    guiding.run.say("a")
    wait_for(lambda: guiding.run is not None and guiding.run.lines)
    guiding.tell()
    assert told[-1]["lines"] == ["heard a"] and guiding.leave() and told[-1]["lines"] == []


@contextlib.contextmanager
def place_with(program: str, heard: Heard, where: Path, clock: Callable[[], float] = time.monotonic) -> Iterator[Place]:
    """A place at which ``program`` is under way and has said something."""
    place = Place(Means(where / "records", where), heard.messages.append, clock)
    place._guiding = Guiding(heard.messages.append, (sys.executable, "-u", "-c", program))
    place.start()
    place.post(begun(run="sensor"), heard.answers.append)
    try:
        wait_for(lambda: heard.last("guided").get("lines"))
        yield place
    finally:
        place.post(Order("say", {"text": "end"}), heard.answers.append)
        place.stop()


def test_leaving_keeps_nobody_waiting(tmp_path: Path) -> None:
    heard = Heard()
    with place_with(PATIENT, heard, tmp_path) as place:
        place.post(Order("leave"), heard.answers.append)
        wait_for(lambda: "let down" in heard.last("guided")["lines"])
        place.post(Order("look"), heard.answers.append)
        wait_for(lambda: heard.answers)
        assert heard.answers[0]["kind"] == "choices"
        place.post(Order("leave"), heard.answers.append)
        place.post(Order("say", {"text": "hallo"}), heard.answers.append)
        wait_for(lambda: "heard hallo" in heard.last("guided")["lines"])
        assert heard.last("guided")["lines"].count("let down") == 1  # asked for twice, interrupted once
        assert heard.last("place")["at"] == "guided" and heard.last("guided")["code"] is None
        place.post(Order("say", {"text": "end"}), heard.answers.append)
        wait_for(lambda: heard.last("place")["at"] == "nothing")
        assert heard.last("guided")["lines"] == []


def test_a_command_that_does_not_end_is_not_left_and_the_pages_are_told(tmp_path: Path) -> None:
    heard, now = Heard(), [0.0]
    with place_with(PATIENT, heard, tmp_path, lambda: now[0]) as place:
        place.post(Order("leave"), heard.answers.append)
        wait_for(lambda: "let down" in heard.last("guided")["lines"])
        assert not heard.last("refused")
        now[0] = PATIENCE_S + 1.0
        wait_for(lambda: heard.last("refused"))
        assert heard.last("refused")["text"] == STILL_AT_IT and heard.last("place")["at"] == "guided"
        place.post(Order("say", {"text": "end"}), heard.answers.append)
        wait_for(lambda: heard.last("guided")["code"] == 130)
        assert heard.last("place")["at"] == "guided"  # what it said last can be read
        place.post(Order("leave"), heard.answers.append)
        wait_for(lambda: heard.last("place")["at"] == "nothing")


@pytest.mark.parametrize("stop", [Ask.STOP, Ask.LET_DOWN])
def test_only_a_stop_and_a_let_down_interrupt_a_command(tmp_path: Path, stop: Ask) -> None:
    heard = Heard()
    with place_with(PATIENT, heard, tmp_path) as place:
        for ask in (Ask.ARM, Ask.DISARM, Ask.CLEAR):
            assert place.ask(ask) == ONLY_STOP
        place.post(Order("say", {"text": "hallo"}), heard.answers.append)
        wait_for(lambda: "heard hallo" in heard.last("guided")["lines"])
        assert "let down" not in heard.last("guided")["lines"]
        assert place.ask(stop) == ""
        wait_for(lambda: "let down" in heard.last("guided")["lines"])


def test_a_command_that_cannot_be_started_is_said_and_another_may_be(tmp_path: Path) -> None:
    heard = Heard()
    place = Place(Means(tmp_path / "records", tmp_path), heard.messages.append)
    place._guiding = Guiding(heard.messages.append, (str(tmp_path / "nowhere"),))
    place.start()
    try:
        for _ in range(2):
            heard.messages.clear()
            place.post(begun(run="sensor"), heard.answers.append)
            wait_for(lambda: heard.last("place").get("trouble"))
            assert "could not be started: No such file" in heard.last("place")["trouble"]
            assert heard.last("place")["at"] == "nothing" and not heard.answers
    finally:
        place.stop()
