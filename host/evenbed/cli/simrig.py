"""``evenbed simrig``: the simulated rig on a pseudo-terminal and the real clock."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from evenbed_fw import safety
from evenbed_fw.faults import NAMES
from evenbed_sim import faults
from evenbed_sim import scenario as scenarios
from evenbed_sim.checking import GaugeHands
from evenbed_sim.proving import ProvingHands
from evenbed_sim.rig import Rig
from evenbed_sim.scenario import RigPlan, Scenario
from evenbed_sim.stringer import Habits, Stringer

from evenbed.cli.simhands import HandsError, Work
from evenbed.cli.weighthands import HOW, WeightHands
from evenbed.units import STANDARD_GRAVITY

LATE_US = 20000.0
KNOB_MM_S = 10.0
WATCH_US = 1000.0
KEYS = (
    ("t", "tap the pedal"),
    ("h", "hold the pedal for 2.3 s"),
    ("o", "open the previous clamp"),
    ("s", "straighten the cross"),
    ("c", "close the new clamp"),
    ("e", "press or release the emergency stop"),
    ("p", "switch the drive's supply off or on"),
    ("k", "turn the hand knob towards slack, or let go of it"),
    ("b", "break the string"),
    ("n", "a new string into the gripper"),
    ("q", "quit"),
)


@dataclass(frozen=True)
class SimrigRequest:
    """What was asked on the command line."""

    family: str = "nylon"
    length_mm: float = 620.0
    woven: bool = False
    tether_n_mm: float | None = None
    slack_mm: float = 8.0
    hands: str = "auto"
    fault_lines: tuple[str, ...] = ()
    scenario: Path | None = None
    list_faults: bool = False
    seed: int = 1
    weight_n: float | None = None
    board: bool = False
    rate_hz: float = 80.0
    gain_error_percent: float = 0.0
    gravity_m_s2: float = STANDARD_GRAVITY
    racquet: Path | None = None
    habit: str = "good"
    done: tuple[int, ...] = ()  # numbers of pulls of the racquet's plan that are in the bed already


def planned(request: SimrigRequest) -> Scenario:
    """The rig and the faults that the request describes; lines of the scenario file come after the options. Raises
    FaultError with the reason."""
    rig = RigPlan(
        family="nylon" if request.family == "unknown" else request.family,
        length_mm=request.length_mm,
        woven=request.woven,
        tether_n_mm=request.tether_n_mm,
        slack_mm=request.slack_mm,
        seed=request.seed,
        rate_hz=request.rate_hz,
        gain_error_percent=request.gain_error_percent,
    )
    text = "" if request.scenario is None else request.scenario.read_text()
    found = scenarios.read(text, rig)
    return Scenario(found.rig, [faults.parse(line) for line in request.fault_lines] + found.faults)


def habits_for(rig: RigPlan) -> Habits:
    """What the stringer does with this rig's string."""
    tether = rig.tether_n_mm is not None
    return Habits(straighten=rig.woven and not tether, frees_clamp=not tether, clamp_slips_above_n=rig.clamp_slips_above_n)


class Hands:
    """The keyboard as the stringer. With ``work`` the strings are those of its racquet."""

    def __init__(self, rig: Rig, plan: RigPlan, work: Work | None = None) -> None:
        self._rig = rig
        self._plan = plan
        self._work = work
        self._release_us = 0.0
        if work is not None:
            work.next_string()
        rig.watchers.append(self._watch)

    def _watch(self, t_us: float) -> None:
        if self._release_us and t_us >= self._release_us:
            self._release_us = 0.0
            self._rig.press_pedal(False)

    def _press(self, for_s: float) -> None:
        self._rig.press_pedal(True)
        self._release_us = self._rig.t_us + for_s * 1e6

    def key(self, key: str) -> str:
        """Do what the key stands for; return what was done."""
        try:
            return self._do(key)
        except RuntimeError as e:
            return f"cannot: {e}"

    def _do(self, key: str) -> str:
        rig = self._rig
        rig.flush()
        habits = Habits()
        if key == "t":
            self._press(0.2)
        elif key == "h":
            self._press(2.3)
        elif key == "o":
            rig.plant.free_previous_clamp()
        elif key == "s":
            rig.plant.add_path(habits.push_mm, habits.push_s)
            rig.plant.add_path(-habits.feed_mm, habits.feed_s)
        elif key == "c":
            rig.plant.close_clamp(self._plan.clamp_slips_above_n)
        elif key == "e":
            rig.press_estop(not rig.estop_pressed)
            return "emergency stop " + ("pressed" if rig.estop_pressed else "released")
        elif key == "p":
            rig.switch_supply(not rig.supply_on)
            return "supply " + ("on" if rig.supply_on else "off")
        elif key == "k":
            rig.turn_knob(0.0 if rig.knob_mm_s else -KNOB_MM_S)
            return "the knob is " + ("turned; while the drive has power it does not give" if rig.knob_mm_s else "let go of")
        elif key == "b":
            rig.plant.string_breaks()
        elif key == "n" and self._work is not None:
            return self._work.next_string()
        elif key == "n":
            rig.mount(self._plan.plant())
        return dict(KEYS).get(key, "")


class BoardWatch:
    """Prints what the board does as it changes: state, fault, whether the motor moves, and since when no host was heard."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._last: tuple[int, int, bool] | None = None
        self._heard_us = 0.0

    def heard(self) -> None:
        """A host has said something."""
        self._heard_us = self._rig.t_us

    def look(self) -> None:
        """Call it as often as possible."""
        core = self._rig.board.core
        now = (core.state, core.fault, self._rig.hw.rate != 0)
        if now == self._last:
            return
        self._last = now
        print(
            f"{self._rig.t_us * 1e-6:8.3f} s  {self._rig.force_n:6.1f} N  BOARD {safety.STATES[core.state]} "
            f"{NAMES[core.fault]} {'moves' if now[2] else 'stands'} at {time.monotonic():.3f} "
            f"silent {(self._rig.t_us - self._heard_us) * 1e-6:.3f} s",
            flush=True,
        )


class TypedLines:
    """Lines from a descriptor that never keeps anybody waiting; ``fd`` is None once it has ended."""

    def __init__(self, fd: int | None) -> None:
        self.fd = fd
        self._buffer = b""

    def read(self) -> list[str]:
        """Whole lines that have come. Call it when the descriptor is ready."""
        data = b"" if self.fd is None else os.read(self.fd, 4096)
        if not data:
            self.fd = None
            return []
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        return [line.decode(errors="replace") for line in lines]


@contextlib.contextmanager
def raw_keys() -> Iterator[bool]:
    """Keys one by one, if there is a terminal."""
    if not sys.stdin.isatty():
        yield False
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    tty.setcbreak(sys.stdin)
    try:
        yield True
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def run(request: SimrigRequest) -> int:
    """Run until Ctrl-C (or q); return the exit code."""
    if request.list_faults:
        print((faults.__doc__ or "").strip(), (scenarios.__doc__ or "").strip(), sep="\n\n")
        return 0
    try:
        scenario = planned(request)
    except faults.FaultError as e:
        print(f"evenbed simrig: {e}\n'evenbed simrig --list-faults' says what there is.", file=sys.stderr)
        return 2
    try:
        from evenbed_sim.ptyport import PtyPort

        port = PtyPort()
    except ImportError:
        print("evenbed simrig needs pseudo-terminals: Linux or macOS. 'evenbed demo' shows the rig.", file=sys.stderr)
        return 1
    plan = scenario.rig
    rig = Rig(plan.plant(), plan.params(), seed=plan.seed)
    player = faults.FaultPlayer(rig, scenario.faults, seed=plan.seed)
    try:
        cast = Cast.of(request, rig, plan, player)
    except HandsError as e:
        print(f"evenbed simrig: {e}", file=sys.stderr)
        return 2
    print(f"Simulated rig on {port.name}")
    print(f"In another terminal:  evenbed {cast.command(request)} --port {port.name}")
    print(cast.how, flush=True)
    if cast.keys is not None:
        print("".join(f"  {k}  {what}\n" for k, what in KEYS), end="", flush=True)
    # Ended by another program it says its last line too.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with raw_keys() if cast.keys else contextlib.nullcontext(False) as have_keys, contextlib.suppress(KeyboardInterrupt):
        board = BoardWatch(rig) if request.board else None
        _serve(plan, rig, port, cast, player, have_keys, board)
    print(f"\nLargest true force at the gripper: {rig.plant.peak_n:.1f} N.")
    port.close()
    return 0


@dataclass(frozen=True)
class Cast:
    """Who acts at the rig. With ``by_lines`` nobody but who types does, and the rig ends with what is typed."""

    how: str
    stringer: Stringer | None = None
    proving: ProvingHands | None = None
    work: Work | None = None
    weights: WeightHands | None = None
    keys: Hands | None = None
    by_lines: bool = False

    @classmethod
    def of(cls, request: SimrigRequest, rig: Rig, plan: RigPlan, player: faults.FaultPlayer) -> Cast:
        """Those that the request asks for. Raises HandsError."""
        who = request.hands
        if who == "weights":
            return cls(
                f"You hang the weights. Lines: {HOW}. Ctrl-C ends.",
                weights=WeightHands(rig, player, request.gravity_m_s2, plan.seed),
            )
        work: Work | None = None
        if who == "pedal" or request.racquet is not None:
            work = Work(rig, plan, habits_for(plan), who, request.racquet, request.habit, request.done)
        elif request.habit != "good":
            raise HandsError("a habit needs a racquet: --racquet FILE.")
        if who == "keys":
            return cls("Keys:", keys=Hands(rig, plan, work))
        if work is not None:
            return cls(work.how, stringer=work.stringer, work=work, by_lines=who == "pedal")
        stringer = GaugeHands(rig, seed=plan.seed) if who == "gauge" else Stringer(rig, habits_for(plan), seed=plan.seed)
        stringer.pulls_wanted = 0
        stringer.wait()
        proving = ProvingHands(rig, stringer, request.weight_n) if who == "prove" else None
        return cls("The stringer acts by itself. Ctrl-C ends.", stringer, proving)

    def command(self, request: SimrigRequest) -> str:
        """What to run in another terminal."""
        if request.racquet is not None:
            return f"job start {request.racquet}"
        return "calibrate" if self.weights else "pull 24kgf"

    def connected(self, rig: Rig, plan: RigPlan, again: bool) -> None:
        """Somebody has connected: a string for them, and one more pull. What is still on the head stays."""
        if self.work is not None:
            self.work.stringer.begin()
            return
        if self.stringer is None:
            return
        if again and rig.force_n < 1.0:
            rig.mount(plan.plant())
        if self.proving is not None:
            self.proving.begin()
        else:
            self.stringer.pulls_wanted = self.stringer.done + 1
            self.stringer.begin()

    def do(self, line: str) -> str:
        """Do what a typed line says; return what was done."""
        if self.weights is not None:
            return self.weights.do(line)
        return self.work.foot.do(line) if self.work is not None else ""


def _serve(
    plan: RigPlan,
    rig: Rig,
    port: object,
    cast: Cast,
    player: faults.FaultPlayer,
    have_keys: bool,
    board: BoardWatch | None,
) -> None:
    from evenbed_sim.ptyport import PtyPort

    assert isinstance(port, PtyPort)
    start = time.monotonic()
    logs = cast.work.logs if cast.work is not None else [cast.stringer] if cast.stringer is not None else []
    told = [0] * len(logs)
    told_faults = 0
    watched = [port.fileno()] + ([sys.stdin.fileno()] if have_keys else [])
    stdin = sys.stdin.fileno() if sys.stdin is not None else None  # None: it was closed when we were started
    typed = TypedLines(stdin) if cast.weights or (cast.work and not cast.keys) else None
    used = False
    unread = select.poll()
    if sys.stdout is not None:
        unread.register(sys.stdout.fileno(), 0)
    # A command that has started this rig for itself reads what it says. Once that was killed there is nobody to end it.
    while not any(events & select.POLLERR for _, events in unread.poll(0)):
        now_us = (time.monotonic() - start) * 1e6
        data = port.read()
        if data:
            rig.deliver(data, rig.t_us)
            if board is not None:
                board.heard()
            if b"hello " in data:
                cast.connected(rig, plan, used)
                used = True
        if now_us - rig.t_us > LATE_US:
            # This computer was busy: the rig's clock waits, or its board would miss commands that have long come.
            start += (now_us - rig.t_us - LATE_US) * 1e-6
            now_us = rig.t_us + LATE_US
        while rig.t_us < now_us:
            rig.run_until(now_us if board is None else min(now_us, rig.t_us + WATCH_US))
            if board is not None:
                board.look()
        for _, line in rig.collect_lines():
            port.write(line)
        for i, who in enumerate(logs):
            for t, what in who.log[told[i] :]:
                print(f"{t:8.2f} s  {rig.force_n:6.1f} N  {what}", flush=True)
            told[i] = len(who.log)
        for t, what in player.log[told_faults:]:
            print(f"{t:8.2f} s  {rig.force_n:6.1f} N  FAULT {what}", flush=True)
        told_faults = len(player.log)
        ready = select.select([*watched, *([typed.fd] if typed and typed.fd is not None else [])], [], [], 0.001)[0]
        if typed and typed.fd in ready:
            for done in (cast.do(line) for line in typed.read()):
                if done or cast.weights:
                    shown_n = rig.hung_n if cast.weights else rig.force_n
                    print(f"{rig.t_us * 1e-6:8.2f} s  {shown_n:6.1f} N  {done}", flush=True)
        if typed and typed.fd is None and cast.by_lines:
            # Whoever was the foot has gone, or was killed: no pedal will be pressed here again.
            print("The lines have ended, and with them this rig.", flush=True)
            return
        if have_keys and cast.keys is not None and sys.stdin.fileno() in ready:
            key = sys.stdin.read(1)
            if key == "q":
                return
            done = cast.keys.key(key)
            if done:
                print(f"{rig.t_us * 1e-6:8.2f} s  {rig.force_n:6.1f} N  {done}", flush=True)
