"""The firmware itself onto a board: MicroPython's unix port on a pseudo-terminal, its folder as the board's file system."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import evenbed_fw
import pytest
from evenbed.cli.flash import FlashOptions, run
from evenbed.control.measure import Listening
from evenbed.flash.flashing import FlashError, Flashing, FlashRequest
from evenbed.flash.prompt import Prompt
from evenbed.link.messages import Ok

from flash.served import Served

ROOT = Path(evenbed_fw.__file__).parents[1]
COUNTS_N = 8759  # the reference board's cell: hardware/protocol.md, section 9
CALIBRATION = "evenbed_cell.txt"
OLD = "# an older one\n"

Begin = Callable[..., Served]


def with_firmware(fs: Path) -> None:
    """Copied by hand, as the firmware's own text says (evenbed_pico): two packages, three files in the root."""
    fs.mkdir()
    for package in ("evenbed_fw", "evenbed_pico"):
        shutil.copytree(ROOT / package, fs / package, ignore=shutil.ignore_patterns("__pycache__", "*.typed"))
    for name in ("boot.py", "main.py", "evenbed_board.json"):
        shutil.copy(ROOT / name, fs / name)


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Begin]:
    """Boards, plugged in."""
    boards: list[Served] = []

    def one(firmware: bool = True, prepare: Callable[[Path], None] | None = None, chip: bool = True) -> Served:
        if firmware:
            with_firmware(tmp_path / "fs")
        if prepare is not None:
            (tmp_path / "fs").mkdir(exist_ok=True)
            prepare(tmp_path / "fs")
        boards.append(Served(tmp_path, chip))
        return boards[-1]

    yield one
    for board in boards:
        board.close()


def files(board: Served) -> dict[str, bytes]:
    return {str(p.relative_to(board.fs)): p.read_bytes() for p in board.fs.rglob("*") if p.is_file()}


def stamps(board: Served) -> dict[str, int]:
    return {str(p.relative_to(board.fs)): p.stat().st_mtime_ns for p in board.fs.rglob("*.py")}


def sources() -> dict[str, bytes]:
    return {str(p.relative_to(ROOT)): p.read_bytes() for p in ROOT.rglob("*.py") if "__pycache__" not in p.parts}


def flash(board: Served, capsys: pytest.CaptureFixture[str], **options: object) -> tuple[int, str]:
    code = run(FlashOptions(port=board.port, **options))  # type: ignore[arg-type]
    said = capsys.readouterr().out
    print(said)
    return code, said


def old_settings(fs: Path) -> None:
    """An older settings.py, and a module that there is no more."""
    path = fs / "evenbed_fw" / "settings.py"
    path.write_text(OLD + path.read_text())
    (fs / "evenbed_fw" / "gone.py").write_text("GONE = 1\n")


def test_a_bare_board_gets_the_firmware_and_runs_it(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    """It answers with the settings' check sum of the defaults: 891504336, hardware/protocol.md, section 9."""
    board = begin(firmware=False)
    code, said = flash(board, capsys)
    assert code == 1 and "--pins reference" in said and not files(board)
    code, said = flash(board, capsys, pins="reference")
    assert code == 0, said
    assert {**sources(), "evenbed_board.json": (ROOT / "evenbed_board.json").read_bytes()} == files(board)
    assert "firmware 0.1.0, unarmed, 0.0 N; settings 891504336." in said
    assert "no calibration yet" in said
    times = stamps(board)
    assert max(times, key=lambda path: times[path]) == "main.py"
    # Again: nothing.
    code, said = flash(board, capsys)
    assert code == 0 and "nothing to copy" in said and "settings 891504336, as before" in said
    assert stamps(board) == times


def test_only_what_differs_is_copied_and_what_is_the_rigs_stays(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    """Own pins, own files and the calibration stay; what is not wanted any more goes."""
    own = json.loads((ROOT / "evenbed_board.json").read_text())
    own["pins"]["beeper"] = 17
    own["settings"]["steps_mm"] = 800
    calibration = calibration_text({"steps_mm": 800})

    def prepare(fs: Path) -> None:
        (fs / "evenbed_pico" / "signs.py").write_text("# an older one\n" + (ROOT / "evenbed_pico" / "signs.py").read_text())
        (fs / "evenbed_fw" / "gone.mpy").write_bytes(b"M")
        (fs / "evenbed_flash.new").write_bytes(b"half")
        (fs / "evenbed_board.json").write_text(json.dumps(own))
        (fs / CALIBRATION).write_text(calibration)
        (fs / "notes.py").write_text("# the builder's own\n")

    board = begin(prepare=prepare)
    before = stamps(board)
    code, said = flash(board, capsys, dry_run=True)
    assert code == 0 and "2 to copy" in said and "2 to remove: evenbed_flash.new, evenbed_fw/gone.mpy" in said
    assert stamps(board) == before and (board.fs / "evenbed_fw" / "gone.mpy").exists()
    code, said = flash(board, capsys)
    assert code == 0, said
    assert "Calibration kept." in said and "as before" in said
    now = stamps(board)
    assert {path for path in now if now[path] != before.get(path)} == {"evenbed_pico/signs.py", "main.py"}
    kept = files(board)
    assert json.loads(kept.pop("evenbed_board.json")) == own
    assert kept.pop(CALIBRATION).decode() == calibration
    assert kept.pop("notes.py") == b"# the builder's own\n"
    assert kept == sources()
    # The pins are changed by --pins alone.
    code, said = flash(board, capsys, pins="reference")
    assert code == 0, said
    assert "2 to copy" in said and " before." in said and "Calibration kept." in said
    assert (board.fs / "evenbed_board.json").read_bytes() == (ROOT / "evenbed_board.json").read_bytes()


def calibration_text(changed: dict[str, int]) -> str:
    """What a board stores: its settings in the protocol's order, then their CRC-32 in hexadecimal."""
    import binascii

    from evenbed_fw.settings import Settings

    settings = Settings()
    for name, value in {**changed, "zero_counts": 21, "gain_mcounts_n": COUNTS_N * 1000 + 777}.items():
        setattr(settings, name, value)
    text = " ".join(str(value) for value in settings.values())
    return f"{text} {binascii.crc32(text.encode()):08x}\n"


FIRST_LINE = (ROOT / "main.py").read_bytes().split(b"\n")[0]


@pytest.mark.parametrize(
    ("pulled", "at"),
    [
        (b"softest_mn_mm = 1500", "evenbed_fw/settings.py, 1 of 2"),
        (b"rename('evenbed_flash.new', 'evenbed_fw/settings.py')", "evenbed_fw/settings.py, 1 of 2"),
        (FIRST_LINE, "main.py"),
    ],
    ids=["half a file", "between files", "the last file"],
)
def test_a_cable_pulled_in_the_middle_leaves_a_board_that_does_nothing(
    begin: Begin, capsys: pytest.CaptureFixture[str], pulled: bytes, at: str
) -> None:
    """Wherever it is pulled: while anything is not as it should be, there is no main.py. The next run finishes it."""
    board = begin(prepare=old_settings)
    board.pull_at = pulled
    code, said = flash(board, capsys)
    assert code == 1 and f"Stopped in the middle ({at})" in said
    assert "no main.py now: it starts nothing and arms nothing" in said
    left, new = files(board), sources()["evenbed_fw/settings.py"]
    assert "main.py" not in left and left["evenbed_fw/settings.py"] in (OLD.encode() + new, new)
    board.plug()
    code, said = flash(board, capsys)
    assert code == 0 and "unarmed" in said
    left = files(board)
    del left["evenbed_board.json"]
    assert left == sources()


def test_what_arrives_bent_is_not_started(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    board = begin(prepare=old_settings)
    board.bend = lambda data: data.replace(b"softest_mn_mm = 1500", b"softest_mn_mm = 1580")
    code, said = flash(board, capsys)
    assert code == 1 and "evenbed_fw/settings.py did not arrive as sent (SHA-256)" in said and "no main.py" in said
    assert "main.py" not in files(board)
    board.bend = lambda data: data
    assert flash(board, capsys)[0] == 0


def test_ctrl_c_in_the_middle_is_told_and_leaves_a_board_that_does_nothing(begin: Begin) -> None:
    board = begin(prepare=old_settings)

    def say(line: str) -> None:
        if "settings.py" in line:
            raise KeyboardInterrupt

    with pytest.raises(FlashError, match=r"Ctrl-C\. The board has no main\.py now") as stopped:
        Flashing(FlashRequest(board.port), say).run()
    assert stopped.value.stopped and "main.py" not in files(board)


def test_a_port_that_goes_away_with_the_reset_is_no_news(monkeypatch: pytest.MonkeyPatch) -> None:
    # Whoever pulls the plug there: the operating system says EIO (POSIX, terminal that was hung up).
    far, near = os.openpty()
    prompt = Prompt(os.ttyname(near))
    os.close(near)
    monkeypatch.setattr(prompt._transport, "exec_raw_no_follow", lambda _command: os.close(far))
    prompt.reset()


def obeyed(board: Served, kind: str, *numbers: int) -> None:
    """Ask until the board obeys: on a busy computer readings have gaps, and are not sound for a while then."""
    listening = Listening(board.port)
    until = time.monotonic() + 10.0
    answer: object = None
    while not isinstance(answer, Ok):
        assert time.monotonic() < until, answer
        listening.readings(0.1)
        answer = listening.ask(kind, *numbers)
    listening.close()


def test_an_armed_board_is_refused_and_a_watchdog_that_runs_spoils_nothing(
    begin: Begin, capsys: pytest.CaptureFixture[str]
) -> None:
    """The chip's watchdog "cannot be stopped once started" (RP2040 datasheet, MicroPython's machine.WDT): it runs from the
    first arming, and bites whoever is interrupted. Disarmed, the board is flashed in spite of it."""
    board = begin(prepare=old_settings)
    obeyed(board, "arm", 100000)
    before = files(board)
    code, said = flash(board, capsys)
    assert code == 1 and "armed" in said and "Nothing was changed" in said
    code, said = flash(board, capsys, no_string=True)
    assert code == 1 and board.starts == 1 and files(board) == before
    obeyed(board, "disarm")
    code, said = flash(board, capsys)
    assert code == 0, said
    assert (
        board.bitten <= 1 and (board.fs / "evenbed_fw" / "settings.py").read_bytes() == sources()["evenbed_fw/settings.py"]
    )


def test_a_loaded_board_is_refused_until_somebody_has_looked(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    board = begin(prepare=old_settings)
    before = files(board)
    board.cell(57 * COUNTS_N)
    time.sleep(0.2)
    code, said = flash(board, capsys)
    shown = re.search(r"The cell shows ([\d.]+) N", said)
    assert code == 1 and shown and abs(float(shown.group(1)) - 57.0) < 0.1
    assert "hold the pedal" in said and "--no-string" in said
    board.cell(None)  # no converter answers
    time.sleep(0.3)
    code, said = flash(board, capsys)
    assert code == 1 and "no sound reading" in said and board.starts == 1 and files(board) == before
    assert flash(board, capsys, no_string=True)[0] == 0


def on_its_uart(fs: Path) -> None:
    """A main program that does not speak on this port, as one on its UART."""
    data = json.loads((fs / "evenbed_board.json").read_text())
    data["port"] = "uart"
    (fs / "evenbed_board.json").write_text(json.dumps(data))
    (fs / "evenbed_pico" / "start.py").write_text("import time\ndef run():\n while True: time.ticks_us()\n")


def test_a_board_that_speaks_elsewhere_has_to_be_looked_at(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    board = begin(prepare=on_its_uart)
    code, said = flash(board, capsys)
    assert code == 1 and "UART" in said and "--no-string" in said
    board.wait()
    code, said = flash(board, capsys, no_string=True)
    assert code == 0 and "it answers there" in said
    assert (board.fs / "evenbed_pico" / "start.py").read_bytes() == sources()["evenbed_pico/start.py"]


def somebody_elses(fs: Path) -> None:
    (fs / "main.py").write_text("print('a thermometer')\n")


def test_the_wrong_board_is_left_alone(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    board = begin(firmware=False, prepare=somebody_elses)
    code, said = flash(board, capsys, pins="reference")
    assert code == 1 and "Another program" in said and "rm :main.py" in said
    assert files(board) == {"main.py": b"print('a thermometer')\n"}


def test_another_chip_is_left_alone(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    board = begin(firmware=False, chip=False)
    code, said = flash(board, capsys, pins="reference")
    assert code == 1 and "RP2040" in said and "linux" in said and not files(board)


def test_pins_that_the_board_could_not_use_never_reach_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two roles on one pin; no port is even opened."""
    bad = json.loads((ROOT / "evenbed_board.json").read_text())
    bad["pins"]["step"] = bad["pins"]["dir"]
    path = tmp_path / "mine.json"
    path.write_text(json.dumps(bad))
    assert run(FlashOptions(port="/dev/no-such-port", pins=str(path))) == 2
    said = capsys.readouterr().out
    assert "both" in said and "would not arm" in said
    assert run(FlashOptions(port="/dev/no-such-port", pins=str(tmp_path / "none.json"))) == 2
    assert "No such file" in capsys.readouterr().out


def test_pins_on_the_board_that_it_cannot_use_are_told(begin: Begin, capsys: pytest.CaptureFixture[str]) -> None:
    """The firmware goes on it, and the person hears that it will not arm, and why."""
    board = begin(prepare=lambda fs: (fs / "evenbed_board.json").write_text('{"form": 0}') and None)
    code, said = flash(board, capsys, no_string=True)
    assert code == 0 and "will not arm" in said and "--pins FILE" in said


def test_mpremote_is_asked_for(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    import importlib.util

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert run(FlashOptions(port="/dev/no-such-port")) == 1
    assert "pip install 'evenbed[flash]'" in capsys.readouterr().out
