"""``evenbed calibrate``: weights on, sentences out. It only listens: nothing moves, nothing is armed."""

from __future__ import annotations

import contextlib
import getpass
import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from random import Random

from evenbed_fw.safety import LATCHED

from evenbed.calibration.conversation import Conversation, Hands
from evenbed.calibration.document import Document, DocumentError, document
from evenbed.calibration.guided import Timing, wrong_rate
from evenbed.calibration.steps import Cell, ratiometric
from evenbed.calibration.weights import Place, Rigging, Weight, WeightError, place_at, standard_place, weight_force
from evenbed.cli.calibrations import Tell, offer, too_high
from evenbed.cli.certificate import sensitivity, summary
from evenbed.cli.weighthands import RATED_COUNTS_N, rig_with_hands
from evenbed.control.measure import Listening, MeasureError
from evenbed.control.port import PortError
from evenbed.link.session import LinkError
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store, StoreError, folder
from evenbed.units import N_PER_KGF, show_force

FIRST_LOOK_S = 1.2
SILENT_S, SAY_AGAIN_S = 2.0, 5.0
TYPED_G_M_S2 = 5e-4  # standard uncertainty of a gravity that was looked up (no source)
SIMULATED = "simulated rig: says nothing of a real one"
CELL_OFF_PERCENT = 5.0  # how far a simulated cell may be from its rating
WELCOME = (
    "Nothing moves and nothing is armed. Take everything off the gripper and press Enter: the zero. Then hang a weight, "
    "type what hangs, and keep your hands off. 'help' lists what can be typed."
)


@dataclass(frozen=True)
class CalibrateRequest:
    """What was asked on the command line. Without ``rating_mv_v`` the board's is taken, without ``place``
    standard gravity."""

    place: Place | None = None
    capacity_n: float = 50.0 * N_PER_KGF
    rating_mv_v: float | None = None
    converter_gain: float = 128.0
    by: str | None = None
    room_c: float | None = None
    limit_n: float | None = None
    resume: bool = False
    records: Path | None = None
    unit: str = "kgf"
    seed: int = 1
    timing: Timing = field(default_factory=Timing)


def place_of(gravity: float | None, latitude: float | None, height_m: float | None) -> Place | None:
    """Where the weights hang by the options, None where nothing is known. Raises WeightError."""
    if gravity is not None:
        return Place(gravity, TYPED_G_M_S2)
    if latitude is None:
        if height_m is not None:
            raise WeightError("A height alone says little about gravity: give --latitude too.")
        return None
    return place_at(latitude, height_m or 0.0, height_half_m=100.0 if height_m is not None else 800.0)


class TypedInput:
    """Lines of a text stream, read in a thread so that nobody waits for them. ``ended`` once there are no more."""

    def __init__(self, stream: Iterable[str]) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.ended = False
        threading.Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream: Iterable[str]) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in stream:
                self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    def take(self) -> list[str]:
        """Lines that have come since."""
        found: list[str] = []
        with contextlib.suppress(queue.Empty):
            while not self.ended:
                line = self._lines.get_nowait()
                if line is None:
                    self.ended = True
                else:
                    found.append(line)
        return found


class NoHands:
    """On a real rig a person hangs the weights."""

    def hang(self, weights: tuple[Weight, ...], rigging: Rigging) -> None:
        """Nobody to tell."""

    def order(self, line: str) -> str:
        """There are no hands to give orders to."""
        return "Lines with '!' are for simulated hands (--sim); here you are the hands."

    def pedal(self) -> None:
        """A person holds it."""


class VirtualHands:
    """Hang what the user says on the simulated rig: each weight with an error of its own inside its tolerance."""

    def __init__(self, say: Callable[[str], None], place: Place, seed: int) -> None:
        self._say = say
        self._seed = seed
        self._place = place
        self._next: str | None = None

    def _error(self, what: str) -> float:
        return Random(f"{self._seed} {what}").uniform(-1.0, 1.0)

    def hang(self, weights: tuple[Weight, ...], rigging: Rigging) -> None:
        """Hang them; none takes everything off."""
        if self._next is not None and weights:
            self._say(self._next)
            self._next = None
            return
        ratio = rigging.ratio + self._error("ratio") * rigging.ratio_half
        force_n = 0.0
        seen: dict[str, int] = {}
        for weight in weights:
            seen[weight.label] = seen.get(weight.label, 0) + 1
            off = self._error(f"{weight.label} {seen[weight.label]}")
            force_n += weight_force(weight.mass_kg + off * weight.half_kg, self._place, weight.density_kg_m3)
        self._say(f"{force_n * ratio:.6f}N" if weights else "0")

    def order(self, line: str) -> str:
        """``next 4.5kg`` is hung in place of what is typed next; anything else goes to the hands as it is."""
        words = line.split()
        if words[:1] == ["next"] and len(words) == 2:
            self._next = words[1]
            return f"The hands will hang {words[1]} next, whatever is typed."
        self._say(line)
        return f"The hands are told: {line}"

    def pedal(self) -> None:
        """Hold it."""
        self._say("hold")


def run(request: CalibrateRequest, port: str | None, stream: Iterable[str] | None = None) -> int:
    """Calibrate the rig on ``port``, or a simulated one (None); ``stream`` is what is typed. Returns the exit code: 0
    stored on the board (or left on purpose), 1 not, 130 Ctrl-C."""

    def tell(text: str) -> None:
        print(text, flush=True)

    try:
        store = Store(folder(request.records))
    except StoreError as e:
        print(str(e), file=sys.stderr)
        return 1
    keys = TypedInput(sys.stdin if stream is None else stream)
    calibrations = Calibrations(store)
    try:
        if port is not None:
            return _calibrate(request, port, keys, calibrations, tell, NoHands())
        return _simulated(request, keys, calibrations, tell)
    except (PortError, MeasureError, LinkError, StoreError, DocumentError, ValueError) as e:
        print(str(e), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        tell("\nLeft. The steps taken so far are kept: 'evenbed calibrate --resume' goes on.")
        return 130
    finally:
        store.close()


def _simulated(request: CalibrateRequest, keys: TypedInput, calibrations: Calibrations, tell: Tell) -> int:
    rng = Random(f"cell {request.seed}")
    off = rng.uniform(-CELL_OFF_PERCENT, CELL_OFF_PERCENT)
    place = request.place or standard_place()
    g = min(max(rng.gauss(place.g_m_s2, place.u_g_m_s2), 9.78), 9.833)
    before = len(calibrations.all())
    with rig_with_hands(["--seed", str(request.seed), "--gain-error", f"{off:.6f}"]) as (port, say):
        tell(f"A simulated rig on {port}; its cell is not as rated. Simulated hands hang what you type and hold the pedal.")
        tell("Lines with ! are for them: '!lean 3', '!drift 1', '!next 4.5kg', '!fault cell wrong -1', '!repair'.")
        hands = VirtualHands(say, replace(place, g_m_s2=g), request.seed)
        code = _calibrate(request, port, keys, calibrations, tell, hands)
    made = calibrations.all()[before:] if code == 0 else []
    if made and calibrations.in_use() == made[0]:
        truth = RATED_COUNTS_N * (1.0 + off / 100.0)
        tell(f"In truth it is {truth:.2f} counts/N; you found {sensitivity(made[0].document)}.")
    return code


def _calibrate(
    request: CalibrateRequest, port: str, keys: TypedInput, calibrations: Calibrations, tell: Tell, hands: Hands
) -> int:
    listening = Listening(port)
    try:
        wrong = _first_look(listening) or too_high(listening, request.limit_n)
        if wrong:
            print(wrong, file=sys.stderr)
            return 1
        talk = _begin(request, listening, calibrations, tell, hands)
        _converse(listening, talk, keys, tell)
        if talk.finished is None:
            return 0
        return _finish(request, listening, calibrations, talk.finished, tell, hands)
    finally:
        listening.close()


def _first_look(listening: Listening) -> str:
    """Why nothing can be measured here now, or nothing."""
    until = time.monotonic() + FIRST_LOOK_S
    seen = []
    while time.monotonic() < until:
        seen += listening.readings(0.05)
    if not seen:
        return "The converter gives no readings. Check its cables (data, clock, supply) and the cable to the cell."
    if seen[-1].sample.state != LATCHED:
        return (
            "The board is armed, moving or stopped. End what uses it, let the string down, clear, and begin again: a "
            "calibration is stored only on a board at rest."
        )
    return wrong_rate([r.t_s for r in seen], 1e6 / listening.limits.period_us)


def _begin(
    request: CalibrateRequest, listening: Listening, calibrations: Calibrations, tell: Tell, hands: Hands
) -> Conversation:
    limits = listening.limits
    left = calibrations.draft()
    if request.resume and left is not None:
        begun = document(left[1])
        steps = sum(len(run.steps) for run in begun.runs)
        tell(
            f"Going on with the run of {_when(begun.made)} by {begun.by}: {steps} steps, its place and cell. A zero first."
        )
    else:
        if request.resume:
            tell("No run was left: this is a new one.")
        elif left is not None:
            tell(f"A run left on {_when(left[0])} is still there: --resume goes on with it. The first step here ends it.")
        begun = Document(
            made=datetime.now().astimezone().isoformat(timespec="seconds"),
            by=request.by or getpass.getuser(),
            place=_place(request, tell),
            cell=_cell(request, listening, tell),
            runs=(),
            room_c=request.room_c,
        )
    tell(WELCOME)
    return Conversation(
        begun,
        tell,
        hands,
        lambda draft: calibrations.save_draft(draft.plain()),
        rate_hz=1e6 / limits.period_us,
        board_zero=limits.zero_counts,
        timing=request.timing,
    )


def _place(request: CalibrateRequest, tell: Tell) -> Place:
    if request.place is not None:
        return request.place
    place = standard_place()
    share = 2.0 * place.u_g_m_s2 / place.g_m_s2
    tell(
        f"Where the weights hang is not said: standard gravity, which leaves ± {100.0 * share:.2f} % open, "
        f"{235.0 * share:.2f} N at 235 N. --latitude 48 (degrees) takes most of that away."
    )
    return place


def _cell(request: CalibrateRequest, listening: Listening, tell: Tell) -> Cell:
    per_mv_v = ratiometric(request.converter_gain)
    if request.rating_mv_v is not None:
        cell = Cell(request.capacity_n, request.rating_mv_v, per_mv_v, rating_corrected=True)
        tell(f"The cell's rating is given anew: {cell.rated_counts_n:.1f} counts/N. The board is going to be told.")
        return cell
    rated = listening.cell().rated_mcounts_n / 1000.0
    cell = Cell(request.capacity_n, rated * request.capacity_n / per_mv_v, per_mv_v)
    tell(
        f"The board says {rated:.1f} counts/N by the cell's rating: {cell.rating_mv_v:.3g} mV/V for "
        f"{show_force(cell.capacity_n, request.unit)}. If the cell itself says otherwise, give --capacity and --rating."
    )
    return cell


def _when(text: str) -> str:
    return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M")


def _converse(listening: Listening, talk: Conversation, keys: TypedInput, tell: Tell) -> None:
    """Until the run is finished or left."""
    typed: deque[str] = deque()
    heard_s = said_s = time.monotonic()
    while not talk.over:
        for reading in listening.readings(0.05):
            heard_s = time.monotonic()
            talk.reading(reading.t_s, reading.counts)
        now = time.monotonic()
        if now - heard_s > SILENT_S and now - said_s > SAY_AGAIN_S:
            said_s = now
            tell(f"No new reading for {now - heard_s:.0f} s. Check the cables to converter and board.")
        typed.extend(keys.take())
        if "stop" in typed:
            typed.clear()
            talk.stop()
        if talk.over:
            return
        # What was typed while a step is being taken waits for its turn.
        if typed and not talk.busy:
            talk.line(typed.popleft())
        elif keys.ended and not typed and not talk.busy:
            talk.line("quit")


def _finish(
    request: CalibrateRequest,
    listening: Listening,
    calibrations: Calibrations,
    made: Document,
    tell: Tell,
    hands: Hands,
) -> int:
    if isinstance(hands, VirtualHands):
        made = replace(made, remark=SIMULATED)
    for line in summary(made, request.unit):
        tell(line)
    number = calibrations.keep(made)
    calibrations.drop_draft()
    tell(f"Kept as calibration {number}. 'evenbed certificate {number}' makes a page of it.")
    if not offer(listening, made, request.limit_n, tell, hands.pedal):
        tell(f"It is not in use. 'evenbed calibrations use {number} --port {listening.port_name}' offers it again.")
        return 1
    calibrations.use(number, "calibrated, stored on the board")
    tell(f"Calibration {number} is in use.")
    return 0
