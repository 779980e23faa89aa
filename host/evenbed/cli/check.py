"""``evenbed check``: seconds before a session, a check weight or a pull gauge against what the head shows.

With a weight the board is only listened to. With a gauge between gripper and mount the head draws, each time on a press
of the pedal.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import cast

from evenbed.calibration.checking import Checked, judge_gauge, judge_weight, with_history
from evenbed.calibration.checksteps import Act, Gauge, GaugeCheck, Held, WeightCheck, parse_gauge
from evenbed.calibration.weights import Load, WeightError, parse_weights, stack, standard_place
from evenbed.cli.basis import Basis, basis, in_use, keep
from evenbed.cli.chart_picture import Point, control_chart
from evenbed.cli.letdown import after_ctrl_c
from evenbed.cli.simulated import rig_process
from evenbed.cli.view import View
from evenbed.cli.weighthands import rig_with_hands
from evenbed.cli.words import sentence
from evenbed.control.client import ControlClient
from evenbed.control.measure import Listening, MeasureError
from evenbed.control.port import PortError
from evenbed.control.status import Status
from evenbed.head import states as st
from evenbed.head.reference import shift_n
from evenbed.head.types import Ask, Pull
from evenbed.job.ceiling import Ceiling, CeilingError, Planned, session_ceiling
from evenbed.link.session import LinkError
from evenbed.record.calibrations import Calibrations, Measured
from evenbed.record.keeping import Keeper
from evenbed.record.store import Store, StoreError, folder
from evenbed.units import UnitError, show_force

USUAL_N = 235.0
STEPS_N = (100.0, 180.0, 240.0)
SPEED_MM_S = 30.0
ROOM = 1.06  # ceiling above the highest step: no hands push here
CONNECT_S = 5.0
DOWN_S = 15.0
SHOWS = "the gauge shows "


@dataclass(frozen=True)
class CheckRequest:
    """What was asked on the command line: a weight, or a gauge's tolerance with steps in N and the unit to show."""

    weight: str | None = None
    gauge: str | None = None
    steps_n: tuple[float, ...] = STEPS_N
    unit: str = "N"
    records: Path | None = None


def run(port: str | None, request: CheckRequest) -> int:
    """Check; return the exit code: 0 pass or warning, 1 no board, 2 asked wrongly, 3 failed or not judged, 130 Ctrl-C."""
    view = View(request.unit)
    try:
        if request.weight is not None:
            parse_weights(request.weight)
            return _by_weight(port, request, view)
        assert request.gauge is not None
        return _by_gauge(port, request, parse_gauge(request.gauge), _ceiling(request.steps_n, request.unit), view)
    except (WeightError, UnitError, CeilingError) as e:
        print(f"evenbed check: {e}", file=sys.stderr)
        return 2
    except (PortError, MeasureError, LinkError) as e:
        view.tell(str(e))
        return 1
    except KeyboardInterrupt:
        view.tell("Ctrl-C: nothing is judged.")
        return 130


def _ceiling(steps_n: Sequence[float], unit: str) -> Ceiling:
    allowed = session_ceiling([Planned(step, label="this step") for step in steps_n], unit=unit)
    least = Ceiling(ROOM * max(steps_n), "6 % above the highest step")
    return min(allowed, least, key=lambda c: c.force_n)


# --- a weight --------------------------------------------------------------------------------------------------------
def _by_weight(port: str | None, request: CheckRequest, view: View) -> int:
    assert request.weight is not None
    where = folder(request.records)
    with contextlib.ExitStack() as stack_:
        say: Callable[[str], None] = lambda line: None  # noqa: E731  # no simulated hands on a real port
        if port is None:
            port, say = _hands(stack_, where)
            view.tell(f"Simulated rig on {port} (simulated hands do what is asked)")
        listening = Listening(port)
        stack_.callback(listening.close)
        stands_on = basis(where, listening.limits)
        place = stands_on.document.place if stands_on.document is not None else standard_place()
        load = stack(parse_weights(request.weight), place)
        limit_n = shift_n(stands_on.known, USUAL_N)
        view.tell(_introduction(f"{load.text} ({load.force_n:.2f} N). Nothing moves.", stands_on))
        check = WeightCheck(load, limit_n)
        _follow_weight(listening, check, view, load, say)
        done = judge_weight(check, stands_on.known, stands_on.document is not None, limit_n)
    return _close(view, where, stands_on, done, load.text)


def _hands(stack_: contextlib.ExitStack, where: Path) -> tuple[str, Callable[[str], None]]:
    """A simulated rig that stands where the calibration was made, with hands that hang weights."""
    kept = in_use(where)
    place = standard_place() if isinstance(kept, str) else kept.document.place
    try:
        return stack_.enter_context(rig_with_hands(["--gravity", f"{place.g_m_s2:.6f}"]))
    except ValueError as e:
        raise MeasureError(str(e)) from None


def _follow_weight(listening: Listening, check: WeightCheck, view: View, load: Load, say: Callable[[str], None]) -> None:
    zero, per_n = listening.limits.zero_counts, listening.limits.counts_per_n
    hung = 0
    heard_s = time.monotonic()
    while not check.over:
        for text in check.told:
            view.tell(text)
        check.told.clear()
        if len(check.means) > hung:  # simulated hands, if there are any, do what was said
            hung = len(check.means)
            say(f"{load.mass_kg:g}kg" if hung == 1 else "0")
        for reading in listening.readings(0.1):
            heard_s = time.monotonic()
            force_n = (reading.counts - zero) / per_n
            check.step(reading.t_s, force_n if reading.sound else None)
            view.status([f"  {force_n:8.2f} N"])
        if listening.restarted() or time.monotonic() - heard_s > CONNECT_S:
            raise MeasureError("No readings, or the board has started anew: check supply and cable, then begin again.")
    for text in check.told:
        view.tell(text)


# --- a gauge ---------------------------------------------------------------------------------------------------------
class Typed:
    """Lines from a descriptor, for whoever cannot wait; None never says anything."""

    def __init__(self, descriptor: int | None) -> None:
        self._descriptor = descriptor
        self._buffer = b""

    def lines(self) -> list[str]:
        """Whole lines that have come since last asked."""
        found: list[str] = []
        while self._descriptor is not None and select.select([self._descriptor], [], [], 0.0)[0]:
            data = os.read(self._descriptor, 4096)
            if not data:
                self._descriptor = None
                break
            *whole, self._buffer = (self._buffer + data).split(b"\n")
            found += [line.decode(errors="replace").strip() for line in whole]
        return found

    @property
    def ended(self) -> bool:
        """Will no more come?"""
        return self._descriptor is None


def _keyboard() -> int | None:
    """The descriptor on which people type, if there is one."""
    try:
        return sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):
        return None


@contextlib.contextmanager
def _gauge_rig(view: View) -> Iterator[tuple[str, Typed]]:
    with rig_process(["--hands", "gauge", "--tether", "6"]) as (port, first, rig):
        assert rig.stdout is not None
        view.tell(f"{first} (simulated hands do what is asked)")
        yield port, Typed(rig.stdout.fileno())


def _by_gauge(port: str | None, request: CheckRequest, gauge: Gauge, top: Ceiling, view: View) -> int:
    where = folder(request.records)
    with contextlib.ExitStack() as stack_:
        if port is None:
            try:
                port, typed = stack_.enter_context(_gauge_rig(view))
            except ValueError as e:
                raise MeasureError(str(e)) from None
            simulated = True
        else:
            typed, simulated = Typed(_keyboard()), False
        listening = Listening(port)
        stands_on = basis(where, listening.limits)
        listening.close()
        try:
            keeper = Keeper(where)
            stack_.callback(keeper.close)
            client = ControlClient(
                port, top.force_n, records=keeper.socket, simulated=simulated or None, known=stands_on.known
            )
        except (OSError, AttributeError):
            view.tell("This check needs Linux for its control process; this system has no sequenced-packet sockets.")
            return 1
        stack_.callback(client.close)
        view.tell(
            _introduction(
                f"a {gauge.text} between gripper and mount, on a line or spring that bears "
                f"{show_force(top.force_n, request.unit)}. Eyes covered, nobody in the line of pull.",
                stands_on,
            )
        )
        check = GaugeCheck(gauge, request.steps_n, request.unit)
        try:
            said = _follow_gauge(client, check, view, typed, simulated)
        except KeyboardInterrupt:
            view.tell(f"{after_ctrl_c(client, view)} Nothing is judged.")
            return 130
        if said:
            view.tell(said)
            return 1
    return _close(view, where, stands_on, judge_gauge(check, stands_on.known), gauge.text)


def _follow_gauge(client: ControlClient, check: GaugeCheck, view: View, typed: Typed, simulated: bool) -> str:
    """Go through the steps; returns why that could not be done, or nothing."""
    begun_s = time.monotonic()
    state = ""
    waiting: list[str] = []  # what simulated hands have read before it was asked for
    over_s: float | None = None
    while over_s is None or (state not in ("", st.UNARMED, st.TRIPPED) and time.monotonic() - over_s < DOWN_S):
        for message in client.messages(0.05):
            if message["kind"] in ("fatal", "refused"):
                return str(message["says"])
            if message["kind"] == "event":
                _tell_event(message, check, view)
            elif message["kind"] == "status":
                s = cast(Status, message)
                state = s["state"]
                check.step(Held(s["t_s"], state, s["force_n"], s["stop"]))
                if not check.asking:  # what is being typed stays in sight
                    view.paint(s)
        if client.ended:
            return "The control process has ended. The board freezes by itself; hold the pedal to let down."
        if not state and time.monotonic() - begun_s > CONNECT_S:
            return "Nothing on this port answers as an evenbed board. Is the firmware on it, is it the right port?"
        for line in typed.lines():
            if not simulated:
                check.typed(line)
            elif SHOWS in line:
                waiting.append(line.partition(SHOWS)[2])
        if check.asking and waiting:
            view.tell(f"  > {waiting[0]}")
            check.typed(waiting.pop(0))
        if check.asking and typed.ended:
            check.give_up("Nobody can type here any more.")
        _carry_out(client, check, view)
        if check.over and over_s is None:
            over_s = time.monotonic()
    return ""


def _tell_event(message: dict[str, object], check: GaugeCheck, view: View) -> None:
    values = cast(dict[str, float], message["values"])
    name = str(message["name"])
    if name in ("state", "steady", "disturbance", "pull_done"):
        return
    text = sentence(name, str(message["says"]), values, cast("dict[str, str] | None", message.get("words")), view.unit)
    if text:
        view.tell(("! " if "entry" in values else "  ") + text)


def _carry_out(client: ControlClient, check: GaugeCheck, view: View) -> None:
    for text in check.told:
        view.tell(text)
    check.told.clear()
    for act in check.acts:
        _do(client, act)
    check.acts.clear()


def _do(client: ControlClient, act: Act) -> None:
    if act.kind == "plan":
        client.plan(Pull(act.value_n, speed_mm_s=SPEED_MM_S, label="check"))
    elif act.kind == "let down":
        client.ask(Ask.LET_DOWN)
    elif act.kind == "disarm":
        client.ask(Ask.DISARM)


# --- what came of it ---------------------------------------------------------------------------------------------------
def _introduction(what: str, stands_on: Basis) -> str:
    by = f"Judged by calibration {stands_on.number}."
    if stands_on.known is None:
        by = f"{stands_on.why} Only a gross error can be found: ±1 N or ±2 % is the limit."
    return f"Check with {what} {by} A check is no calibration: it changes nothing that the board reckons with."


def _close(view: View, where: Path, stands_on: Basis, done: Checked, what: str) -> int:
    if not done.finished:
        view.tell(f"NOT JUDGED: {done.says[0]} Repeat the check.")
        return 3
    before, said = history(where, stands_on.number, what)
    done = with_history(
        done, [float(m.values["e_n"]) for m in before if m.values.get("e_n") is not None and m.verdict != "fail"]
    )
    if said:
        view.tell(f"! {said}")
    view.tell(f"{done.verdict.upper()}: {done.says[0]}")
    for text in done.says[1:]:
        view.tell(f"  {text}")
    values: dict[str, object] = {"with": what, "error_n": None, "reference_n": None, "expanded_n": None, "e_n": None}
    if done.compared:
        main = done.main
        values.update(
            error_n=main.check.error_n,
            reference_n=main.reference_n,
            expanded_n=main.check.expanded_n,
            e_n=main.check.e_n,
            steps=[[c.shown_n, c.reference_n, c.half_n, c.check.e_n] for c in done.compared],
        )
        if main.reference_n < 0.5 * USUAL_N:
            view.tell(
                f"  Checked at {main.reference_n:.0f} N; a pull of {USUAL_N:.0f} N is {USUAL_N / main.reference_n:.1f} "
                "times that."
            )
    kept, why_not = keep(where, "check", stands_on.number, done.verdict, " ".join(done.says), values)
    view.tell(f"  Kept as check {kept}; 'evenbed check --chart' shows them all." if kept is not None else f"! {why_not}")
    return 3 if done.verdict == "fail" else 0


def history(where: Path, number: int | None, what: str | None) -> tuple[list[Measured], str]:
    """Checks with this calibration (or with none) and this weight or gauge, oldest first; and why they cannot be read."""
    try:
        store = Store(where, make=False)
    except FileNotFoundError:
        return [], ""
    except StoreError as e:
        return [], f"Earlier checks cannot be read: {e}"
    try:
        found = Calibrations(store).list_measured("check")
    except StoreError as e:
        return [], f"Earlier checks cannot be read: {e}"
    finally:
        store.close()
    return [m for m in found if m.calibration == number and what in (None, m.values.get("with"))], ""


def chart(out: Path, weight: str | None, gauge: str | None, records: Path | None) -> int:
    """Draw the control chart of the checks with this weight or gauge, or with what was checked with last; returns the exit
    code."""
    view = View("N")
    try:
        what = weight if gauge is None else parse_gauge(gauge).text
    except UnitError as e:
        print(f"evenbed check: {e}", file=sys.stderr)
        return 2
    where = folder(records)
    try:
        store = Store(where, make=False)
        checks = Calibrations(store).list_measured("check")
        store.close()
    except FileNotFoundError:
        checks = []
    except StoreError as e:
        view.tell(str(e))
        return 1
    judged = [m for m in checks if m.values.get("e_n") is not None]
    there = sorted({str(m.values["with"]) for m in judged})
    if what is None and judged:
        what = str(judged[-1].values["with"])
    mine = [m for m in judged if m.values["with"] == what]
    mine = [m for m in mine if m.calibration == mine[-1].calibration]  # a new calibration begins a new chart
    if not mine:
        view.tell(f"There is no check {f'with {what} ' if what else ''}yet. Checked with: {', '.join(there) or 'nothing'}.")
        return 1
    if not out.parent.is_dir():
        view.tell(f"There is no folder {out.parent} for the picture.")
        return 2
    number = mine[-1].calibration
    points = [
        Point(f"{datetime.fromisoformat(m.wall).astimezone():%Y-%m-%d}", float(m.values["e_n"]), m.verdict) for m in mine
    ]
    under = f"{what}, calibration {number}" if number is not None else f"{what}, no calibration in use"
    unit = "U" if number is not None else "the tolerance (±1 N or ±2 %)"
    out.write_text(control_chart(points, under, unit))
    others = [w for w in there if w != what]
    more = f" Others: {', '.join(others)} (--weight or --gauge chooses)." if others else ""
    view.tell(f"{len(points)} checks with {under}: {out}.{more}")
    return 0
