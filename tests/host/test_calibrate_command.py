"""``evenbed calibrate``, ``calibrations`` and ``certificate``: what is said, from the first zero to the printed page."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenbed.calibration.conversation import Conversation
from evenbed.calibration.document import Document
from evenbed.calibration.guided import Timing
from evenbed.calibration.steps import Cell, Series, Step, ratiometric
from evenbed.calibration.weights import Place, Rigging, Weight, parse_weights, place_at, stack, weight_force
from evenbed.cli.calibrate import CalibrateRequest, VirtualHands, run
from evenbed.cli.calibrations import told
from evenbed.cli.certificate import page, rows, summary
from evenbed.cli.main import main
from evenbed.cli.weighthands import WeightHands
from evenbed.link.messages import Limits
from evenbed.record.calibrations import Calibrations, Kept
from evenbed.record.store import Store
from evenbed_sim.faults import FaultPlayer
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenario import RigPlan, read

COMMAND = [sys.executable, "-m", "evenbed.cli.main"]
LATEST_S = 60.0  # a hang, not a measure of speed
QUICK = Timing(still_s=0.4, take_s=1.0, patience_s=6.0, give_up_s=10.0, every_s=2.0)
CELL = Cell(490.3325, 2.0, ratiometric(128.0))
GAIN = CELL.rated_counts_n
PLACE = Place(9.81, 3e-4)


def words(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


# --- a conversation, without a port -----------------------------------------------------------------------------------
class Table:
    """A person who hangs what they type at once, on a cell that reads it."""

    def __init__(self, begun: Document | None = None, board_zero: float = 20_000.0) -> None:
        self.said: list[str] = []
        self.saved: list[Document] = []
        self.orders: list[str] = []
        self.force_n = 0.0
        self.t_s = 5.0
        self.n = 0
        begun = begun or Document("2026-03-01T10:00:00+01:00", "somebody", PLACE, CELL, ())
        self.talk = Conversation(begun, self.said.append, self, self.saved.append, 80.0, board_zero, QUICK)

    def hang(self, weights: tuple[Weight, ...], rigging: Rigging) -> None:
        self.force_n = stack(weights, PLACE, rigging).force_n if weights else 0.0

    def order(self, line: str) -> str:
        self.orders.append(line)
        return "done"

    def pedal(self) -> None:
        raise AssertionError("not during the conversation")

    def type(self, *lines: str) -> str:
        """What is said to these lines, steps taken included."""
        before = len(self.said)
        for line in lines:
            self.talk.line(line)
            while self.talk.busy:
                self.t_s += 1.0 / 80.0
                self.n += 1
                wobble = 25 * ((self.n * 7919) % 5 - 2)  # no noise at all would be a frozen reading
                self.talk.reading(self.t_s, round(20_010.0 + GAIN * self.force_n) + wobble)
        return "\n".join(self.said[before:])


def test_from_the_zero_to_the_end() -> None:
    table = Table()
    assert "First the zero" in table.type("5kg M1")
    assert "Step 1: zero" in table.type("")
    assert "Step 2: 49.04 N" in table.type("5kg M1") and "5.000 kg" in table.said[-4]
    table.type("5kg M1 + 10kg M1")
    assert len(table.saved) == 3 and table.saved[-1].weights == ("", "5kg M1", "5kg M1 + 10kg M1")
    assert "last zero" in table.type("done") and not table.talk.over
    table.type("")
    made = table.talk.finished
    assert made is not None and table.talk.over
    assert made.gain_counts_n == pytest.approx(GAIN, rel=1e-4)
    assert [s.force_n > 0.0 for s in made.runs[0].steps] == [False, True, True, False]


def test_the_last_zero_can_be_left_out_and_other_words_put_it_off() -> None:
    table = Table()
    table.type("", "5kg M1", "done", "list")
    assert "Type what hangs" in table.type("")  # no longer the answer to 'done'
    table.type("done", "skip")
    assert table.talk.finished is not None and len(table.talk.finished.runs[0].zeros) == 1


def test_done_needs_a_weight_and_zeros_that_agree() -> None:
    table = Table()
    assert "no weight yet" in table.type("done")
    table.type("", "5kg M1")
    assert "no weight yet" not in table.type("done")
    table.talk.guided.steps[0] = replace(table.talk.guided.steps[0], mean_counts=20_010.0 - 2.0 * GAIN)
    said = table.type("")
    assert "+2.00 N from step 1 to step 3" in said and not table.talk.over
    table.type("drop 1", "done")
    assert table.talk.finished is not None


def test_too_much_for_the_cell_is_said_before_it_hangs() -> None:
    table = Table()
    table.type("")
    said = table.type("2x 50kg M1")
    assert "Do not hang that" in said and "981 N" in said and "490 N" in said and table.force_n == 0.0


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("5", "no unit"),
        ("5kgf M1", "is a force"),
        ("5kg", "how well it is known"),
        ("drop", "Say which step"),
        ("drop 7", "no step 7: 1 to 1"),
        ("again x", "Say which step"),
        ("series", "no weight yet"),
        ("pulley", "how many times"),
        ("pulley 90", "not possible"),
        ("pulley 2 ±1", "not possible"),
        ("help", "again 3"),
        ("?", "pulley 2"),
    ],
)
def test_what_is_not_understood_is_answered_and_changes_nothing(line: str, part: str) -> None:
    table = Table()
    table.type("")
    assert part in table.type(line)
    assert len(table.talk.document.runs[0].steps) == 1 and not table.talk.over


def test_drop_again_list_and_quit() -> None:
    table = Table()
    table.type("", "5kg M1", "10kg M1", "drop 2")
    assert table.talk.document.weights == ("", "10kg M1")
    table.type("", "again 2")
    assert table.talk.document.weights == ("", "10kg M1")
    assert "98.09 N" in table.type("list") and "10kg M1" in table.said[-1]
    assert "2 steps are kept" in table.type("quit") and table.talk.over and table.talk.finished is None


def test_a_pulley_doubles_the_force_and_brings_its_own_error() -> None:
    table = Table()
    table.type("")
    assert "friction is not given" in table.type("pulley 2 ±0,01")
    table.type("10kg M1")
    step = table.talk.guided.steps[-1]
    assert step.force_n == pytest.approx(2.0 * stack(parse_weights("10kg M1"), PLACE).force_n)
    ratio = next(term for term in step.terms if term.name == "force ratio")
    assert ratio.contribution_n == pytest.approx(0.01 / 3**0.5 * step.force_n / 2.0, rel=1e-6)
    assert "friction is not given" not in table.type("pulley 2 ±0.01 friction 2%")


def test_three_series_of_five_forces_earn_a_class() -> None:
    table = Table()
    for _ in range(3):
        table.type("", *(f"{n}x 5kg M1" for n in range(1, 6)), "zero", "series")
    table.type("", "5kg M1", "zero", "done")
    made = table.talk.finished
    assert made is not None and len(made.runs) == 4 and len(made.weights) == sum(len(r.steps) for r in made.runs)
    assert "Class        class 0.5 of ISO 7500-1" in summary(made, "N")
    two = "\n".join(summary(replace(made, runs=made.runs[:2]), "N"))
    assert "no class of ISO 7500-1: it needs 3 series, 2 made" in two


def test_a_run_that_was_left_goes_on_with_a_zero() -> None:
    first = Table()
    first.type("", "5kg M1", "zero", "series", "", "10kg M1", "quit")
    second = Table(first.talk.document)
    assert "First the zero" in second.type("5kg M1")
    second.type("", "5kg M1")
    texts = [row.text for row in rows(second.talk.document)]
    assert texts == ["", "5kg M1", "", "", "10kg M1", "", "5kg M1"]


def test_a_zero_far_from_the_boards_is_mentioned() -> None:
    assert "+2.3 N from the one on the board" in Table(board_zero=0.0).type("")
    assert "from the one on the board" not in Table(board_zero=20_010.0 - 0.9 * GAIN).type("")


def test_orders_for_the_hands_keep_the_last_zero_waiting() -> None:
    table = Table()
    table.type("", "5kg M1", "done", "!lean 3")
    assert table.orders == ["lean 3"]
    table.type("")
    assert table.talk.finished is not None


# --- simulated hands --------------------------------------------------------------------------------------------------
def test_each_virtual_weight_keeps_its_error_within_its_tolerance() -> None:
    lines: list[str] = []
    hands = VirtualHands(lines.append, PLACE, 3)
    weights = parse_weights("2x 10kg ±2%")
    for _ in range(2):
        hands.hang(weights, Rigging())
    assert lines[0] == lines[1]
    hands.hang(weights[:1], Rigging())
    force_n = weight_force(10.0, PLACE, 7200.0)
    one, both = (float(line.removesuffix("N")) for line in (lines[2], lines[0]))
    assert abs(one / force_n - 1.0) <= 0.02 and abs((both - one) / force_n - 1.0) <= 0.02
    assert abs(both - 2.0 * one) > 1e-4  # two weights, two errors
    assert "next" in hands.order("next 4.5kg") and lines[3:] == []
    hands.hang(weights, Rigging())
    hands.hang((), Rigging())
    assert lines[3:] == ["4.5kg", "0"]
    hands.order("drift 1")
    hands.pedal()
    assert lines[5:] == ["drift 1", "hold"]


@pytest.fixture
def hands() -> tuple[Rig, WeightHands]:
    rig = Rig(RigPlan().plant(), RigParams())
    return rig, WeightHands(rig, FaultPlayer(rig, []), 9.81)


def test_hands_hang_hold_and_disturb(hands: tuple[Rig, WeightHands]) -> None:
    rig, at = hands
    assert "49.0" in at.do("5kg")
    rig.run_until(4e6)
    assert rig.hung_n == pytest.approx(5.0 * 9.81 * (1.0 - 1.2 / 8000.0), rel=1e-4)
    at.do("11lb")
    rig.run_until(8e6)
    assert rig.hung_n == pytest.approx(11.0 * 0.45359237 * 9.81 * (1.0 - 1.2 / 8000.0), rel=1e-4)
    at.do("0")
    rig.run_until(9e6)
    assert rig.hung_n == 0.0
    at.do("lean 3")
    pushed = []
    for _ in range(100):
        rig.run_until(rig.t_us + 2e4)
        pushed.append(rig.hung_n)
    assert 2.0 < min(pushed) < max(pushed) < 4.0 and max(pushed) - min(pushed) > 0.1
    at.do("repair")
    at.do("hold")
    rig.run_until(rig.t_us + 2.2e6)
    assert rig.pedal_down
    rig.run_until(rig.t_us + 0.2e6)
    assert not rig.pedal_down
    for line, part in (("swing", "These hands know"), ("lean", "needs a number"), ("fault cell sulks", "cell can be")):
        assert part in at.do(line)
    assert at.do("  ") == ""


def test_hands_let_the_cell_drift_hum_and_lie(hands: tuple[Rig, WeightHands]) -> None:
    rig, at = hands
    rig.run_until(1e6)
    at.do("drift 6")
    rig.run_until(11e6)
    zero, per_n = rig.params.cell.zero_counts, rig.params.cell.counts_per_n
    assert (rig.board.core.raw - zero) / per_n == pytest.approx(1.0, abs=0.05)
    at.do("repair")
    at.do("hum 1")
    seen = []
    for _ in range(80):
        rig.run_until(rig.t_us + 12500.0)
        seen.append((rig.board.core.raw - zero) / per_n)
    assert 0.8 < max(seen) < 1.1 and -1.1 < min(seen) < -0.8
    at.do("repair")
    at.do("fault cell wrong 1000")
    at.do("20kg")
    rig.run_until(rig.t_us + 2e6)
    assert rig.board.core.raw == 8388607  # a 24-bit converter ends there


def test_a_cell_off_its_rating_is_not_known_to_the_board() -> None:
    params = read("rig gain-error 2\n").rig.params()
    assert params.cell.counts_per_n == pytest.approx(1.02 * 8759.0)
    settings = params.board_settings()
    assert (settings.zero_counts, settings.gain_mcounts_n, settings.rated_mcounts_n) == (0, 8759000, 8759000)
    assert read("\n".join(RigPlan(gain_error_percent=2.0, rate_hz=10.0).lines())).rig.gain_error_percent == 2.0
    assert RigPlan().params().settings == {}


# --- what is kept, shown and written ----------------------------------------------------------------------------------
def kept(records: Path, count: int = 1, used: int | None = None) -> Document:
    table = Table()
    table.type("", "5kg M1", "10kg M1", "5kg M1 + 10kg M1", "10kg M1", "zero", "done")
    made = table.talk.finished
    assert made is not None
    store = Store(records)
    for _ in range(count):
        Calibrations(store).keep(made)
    if used is not None:
        Calibrations(store).use(used, "test")
    store.close()
    return made


def test_the_list_says_which_is_in_use(tmp_path: Path) -> None:
    assert "No calibration is kept" in words("calibrations", "--records", str(tmp_path)).output
    kept(tmp_path, 2, used=1)
    lines = words("calibrations", "--records", str(tmp_path)).output.splitlines()
    assert len(lines) == 3 and "2026-03-01 10:00" in lines[1] and "somebody" in lines[1] and "15.00 kgf" in lines[1]
    assert "in use" in lines[1] and "in use" not in lines[2]


def test_the_certificate_is_a_page_and_its_tables(tmp_path: Path) -> None:
    assert words("certificate", "--records", str(tmp_path / "none")).exit_code == 1
    made = kept(tmp_path, 2, used=2)
    html, table, whole = tmp_path / "c.html", tmp_path / "c.csv", tmp_path / "c.json"
    done = words("certificate", "--records", str(tmp_path), "--out", str(html), "--csv", str(table), "--json", str(whole))
    assert done.exit_code == 0, done.output
    assert "Calibration 2" in done.output and "95 times out of 100" in done.output
    text = html.read_text()
    assert not re.search(r"https?://(?!www\.w3\.org)|<script|<link|<img", text)
    body = ET.fromstring(text.split("\n", 1)[1].replace('<meta charset="utf-8">', ""))  # well formed
    plain = "".join(body.itertext())
    for part in (
        "Calibration no. 2",
        "24.00 kgf",
        "2027-03-01",
        "in use",
        "5kg M1 + 10kg M1",
        "needs 3 series",
        "somebody",
    ):
        assert part in plain
    svg = body.find(".//{http://www.w3.org/2000/svg}svg")
    assert svg is not None and len(svg.findall("{http://www.w3.org/2000/svg}circle")) == 4
    assert len(table.read_text().splitlines()) == 1 + 6
    assert json.loads(whole.read_text())["by"] == made.by
    missing = words("certificate", "9", "--records", str(tmp_path))
    assert missing.exit_code == 2 and "no calibration 9" in missing.output
    nowhere = words("certificate", "1", "--records", str(tmp_path), "--out", str(tmp_path / "no" / "c.html"))
    assert nowhere.exit_code == 1 and "cannot be written" in nowhere.output


def test_what_somebody_calls_themselves_is_text_on_the_page(tmp_path: Path) -> None:
    made = replace(kept(tmp_path), by="<b>me</b>", remark="a < b")
    text = page(Kept(1, made), "lbf", False)
    assert "&lt;b&gt;me" in text and "a &lt; b" in text and "not in use" in text and "lbf" in text


def test_a_pull_beyond_twice_the_weights_is_not_spoken_of(tmp_path: Path) -> None:
    made = kept(tmp_path)
    light = replace(made, runs=(Series(tuple(s for s in made.runs[0].steps if s.force_n < 100.0)),), weights=())
    said = "\n".join(summary(light, "kgf"))
    assert "Nothing can be said of a pull of 24.00 kgf" in said and "not to be used: more than 2 times" in said


def test_the_board_has_taken_it_only_if_all_four_values_are_there(tmp_path: Path) -> None:
    made = kept(tmp_path)
    s = made.setting
    board = Limits(s.zero_counts, s.gain_mcounts_n, 330_000, *[1] * 10)
    assert told(made, board, s.rated_mcounts_n, 330_000)
    assert not told(made, board, s.rated_mcounts_n + 1, 330_000) and not told(made, board, s.rated_mcounts_n, 329_999)
    for name in ("zero_counts", "gain_mcounts_n"):
        assert not told(made, replace(board, **{name: 1}), s.rated_mcounts_n, 330_000)


def test_what_was_asked_wrongly() -> None:
    assert "--port PORT" in words("calibrate").output
    lonely = words("calibrate", "--sim", "--height", "500")
    assert lonely.exit_code == 2 and "--latitude too" in " ".join(lonely.output.split())
    assert words("calibrate", "--sim", "--rating", "50").exit_code == 2
    gone = words("calibrations", "use", "3", "--port", "/dev/no-such-port")
    assert gone.exit_code == 2 and "no calibration 3" in gone.output
    assert words("calibrate", "--port", "/dev/no-such-port").exit_code == 1


# --- on the simulated rig, on the real clock ----------------------------------------------------------------------------
def test_a_newcomer_calibrates_the_simulated_rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    request = CalibrateRequest(place_at(48.0), by="me", records=tmp_path, seed=4, timing=QUICK, limit_n=300.0)
    typed = ["", "5kg M1", "!next 9kg", "10kg M1", "10kg M1", "done", ""]
    assert run(request, None, [line + "\n" for line in typed]) == 0
    out = capsys.readouterr().out
    for part in ("9.00 kg", "another weight than typed", "Hold the pedal", "limit 300.0 N", "Calibration 1 is in use."):
        assert part in out
    truth = re.search(r"In truth it is ([\d.]+) counts/N; you found ([\d.]+) ± ([\d.]+)", out)
    assert truth is not None
    true, found, u = map(float, truth.groups())
    assert abs(true / 8759.0 - 1.0) > 0.001 and abs(found - true) <= u < 0.005 * true
    store = Store(tmp_path)
    used = Calibrations(store).in_use()
    assert used is not None and used.document.by == "me" and Calibrations(store).draft() is None
    store.close()


@contextmanager
def rig(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A simulated rig whose hands take lines."""
    process = subprocess.Popen(
        [*COMMAND, "simrig", "--hands", "weights", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None and process.stdin is not None
    m = re.search(r" on (\S+)", process.stdout.readline())
    assert m is not None
    try:
        yield process, m.group(1)
    finally:
        process.terminate()
        process.wait(5.0)
        process.stdin.close()
        process.stdout.close()


def test_a_limit_above_the_boards_highest_is_refused_before_any_weight(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(CalibrateRequest(limit_n=331.0, records=tmp_path), None, []) == 1
    said = capsys.readouterr()
    assert "no limit above 330.0 N, asked for was 331.0 N" in said.err and "zero" not in said.out


def test_a_converter_at_ten_samples_a_second_is_refused_at_once() -> None:
    with rig("--rate", "10") as (_, port):
        done = subprocess.run(
            [*COMMAND, "calibrate", "--port", port], input="\n", capture_output=True, text=True, timeout=LATEST_S
        )
    assert done.returncode == 1 and "10.0 readings a second, the board expects 80" in done.stderr, done.stdout + done.stderr


def test_left_and_resumed_and_not_stored_without_the_pedal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenbed.cli.calibrations.OPEN_S", 1.0)
    request = CalibrateRequest(place_at(48.0), records=tmp_path, timing=QUICK)
    with rig("--gravity", "9.8089") as (process, port):
        assert process.stdin is not None
        process.stdin.write("5kg\n")
        process.stdin.flush()
        # Typed at a real port nobody hangs anything: the weight is on from the beginning, so the zero is of 5 kg.
        assert run(request, port, ["\n", "5kg M1\n", "quit\n"]) == 0
        out = capsys.readouterr().out
        assert "49.0 N were added" in out and "1 step is kept" in out
        process.stdin.write("0\n")
        process.stdin.flush()
        resumed = replace(request, resume=True)
        assert run(resumed, port, ["drop 1\n", "\n", "quit\n"]) == 0
        out = capsys.readouterr().out
        assert "Going on with the run" in out and "forgotten" in out
        store = Store(tmp_path)
        left = Calibrations(store)
        step = Step(49.04, (), "up", 21_000.0 + GAIN * 49.04, 38.0, 80, 20.0)
        draft = Table().talk.document
        zero = replace(step, force_n=0.0, mean_counts=21_000.0, t_s=1.0)
        left.save_draft(replace(draft, runs=(Series((zero, step)),), weights=("", "5kg")).plain())
        store.close()
        assert run(resumed, port, ["\n", "done\n"]) == 1
        out = capsys.readouterr().out
        assert "Hold the pedal" in out and "keeps what it had" in out and "calibrations use 1" in out
