"""``evenbed sensor``: is the measurement sound? The board is only listened to; nothing is armed, nothing moves."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from evenbed.calibration.cellcreep import judge_creep, warm_up
from evenbed.calibration.health import (
    DRIFT_LOOK_N_MIN,
    Configured,
    Finding,
    creep_findings,
    judge,
    warm_up_finding,
)
from evenbed.calibration.readings import Heard, sort
from evenbed.calibration.weights import Load, WeightError, parse_weights, stack, standard_place
from evenbed.cli.basis import basis, keep
from evenbed.cli.chart_picture import creep_picture
from evenbed.cli.view import View
from evenbed.cli.weighthands import rig_with_hands
from evenbed.control.measure import Listening, MeasureError
from evenbed.control.port import PortError
from evenbed.head.reference import shift_n
from evenbed.link.session import LinkError
from evenbed.record.store import folder

USUAL_N = 235.0
FIRST_S = 0.5  # after a start the converter has to settle, and the board believes nothing until then
ZERO_S = 10.0
SETTLE_S = 20.0  # after unloading, as OIML R 60 waits after loading
PATIENCE_S = 120.0
WINDOW_S = 120.0
SIGNS = {"pass": "pass", "look": "LOOK", "fail": "FAIL"}


@dataclass(frozen=True)
class SensorRequest:
    """What was asked on the command line."""

    seconds: float = 20.0
    creep: str | None = None
    minutes: float = 30.0
    warm_up_min: float | None = None
    capacity_n: float | None = None
    picture: Path = Path("evenbed-creep.svg")
    records: Path | None = None


class Stopped(Exception):
    """It cannot go on; the text says why and what to do."""


def lines(findings: Sequence[Finding]) -> list[str]:
    """Findings for people, one or two lines each."""
    out = []
    for f in findings:
        out.append(f"  {SIGNS[f.verdict]}  {f.name:<28} {f.value}; limit {f.limit}")
        if f.next_step:
            out.append(f"        -> {f.next_step}")
    return out


class Ear:
    """Listens to one board and keeps what it hears."""

    def __init__(self, listening: Listening, view: View) -> None:
        self.listening = listening
        self._view = view

    def hear(self, seconds: float, what: str, until: Callable[[list[Heard]], bool] | None = None) -> list[Heard]:
        """Readings of so many seconds, or until ``until`` says that it is enough. Raises Stopped."""
        heard: list[Heard] = []
        end = time.monotonic() + seconds
        told = 0.0
        while (now := time.monotonic()) < end:
            for r in self.listening.readings(0.1):
                heard.append(Heard(r.t_s, r.counts, r.sound, r.sample.conversion))
            if self.listening.restarted():
                raise Stopped(
                    "The board was silent or has started anew in the middle: check its supply and cable, then begin again."
                )
            if until is not None and until(heard):
                break
            if now - told > 0.5 and heard:
                told = now
                self._view.status([f"  {what}: {heard[-1].counts} counts, {end - now:.0f} s to go"])
        self._view.status([])
        return heard


def mean_counts(heard: Sequence[Heard]) -> float:
    """Mean of the readings that are right in themselves. Raises Stopped for none."""
    good = sort(heard).good if heard else ()
    if not good:
        raise Stopped("No reading came: check the cable from the converter to the board.")
    return sum(r.counts for r in good) / len(good)


def run(port: str | None, request: SensorRequest) -> int:
    """Listen and judge; return the exit code: 0 sound, 1 no board, 2 asked wrongly, 3 something failed, 130 Ctrl-C."""
    view = View("N")
    try:
        load = stack(parse_weights(request.creep), standard_place()) if request.creep else None
    except WeightError as e:
        print(f"evenbed sensor: {e}", file=sys.stderr)
        return 2
    if load is not None and not request.picture.parent.is_dir():
        print(f"evenbed sensor: there is no folder {request.picture.parent} for the picture.", file=sys.stderr)
        return 2
    with contextlib.ExitStack() as stack_:
        say: Callable[[str], None] = lambda line: None  # noqa: E731  # no simulated hands on a real port
        try:
            if port is None:
                port, say = _hands(stack_)
                view.tell(f"Simulated rig on {port} (simulated hands do what is asked)")
            listening = Listening(port)
            stack_.callback(listening.close)
            return _run(Ear(listening, view), view, request, load, say)
        except (PortError, MeasureError, LinkError, Stopped) as e:
            view.tell(str(e))
            return 1
        except KeyboardInterrupt:
            view.tell("Ctrl-C: nothing is judged.")
            return 130


def _hands(stack_: contextlib.ExitStack) -> tuple[str, Callable[[str], None]]:
    try:
        return stack_.enter_context(rig_with_hands([]))
    except ValueError as e:
        raise MeasureError(str(e)) from None


def _run(ear: Ear, view: View, request: SensorRequest, load: Load | None, say: Callable[[str], None]) -> int:
    limits = ear.listening.limits
    where = folder(request.records)
    stands_on = basis(where, limits)
    configured = Configured(
        limits.period_us * 1e-6, limits.zero_counts, limits.counts_per_n, USUAL_N, shift_n(stands_on.known, USUAL_N)
    )
    calibrated = f"calibration {stands_on.number}" if stands_on.number is not None else "the board's settings"
    view.tell(f"Newtons by {calibrated}: {limits.counts_per_n:.2f} counts/N. {stands_on.why}".rstrip())
    seconds = request.seconds if request.warm_up_min is None else 60.0 * request.warm_up_min
    view.tell(f"Take everything off the gripper and keep hands off for {seconds:.0f} s. Nothing moves.")
    ear.hear(FIRST_S, "listening")
    heard = ear.hear(seconds, "listening")
    last = [r for r in heard if heard[-1].t_s - r.t_s <= max(request.seconds, 5.0)] if heard else []
    findings = judge(last, configured)
    if request.warm_up_min is not None:
        findings.append(_warmed(heard, configured, request.warm_up_min))
    view.tell("\n".join(lines(findings)))
    if load is not None:
        capacity_n = request.capacity_n
        if capacity_n is None:
            capacity_n = stands_on.document.cell.capacity_n if stands_on.document is not None else 490.3325
            view.tell(f"Capacity of the cell taken as {capacity_n:.0f} N; say --capacity if it is another.")
        more = _creep(ear, view, request, load, configured, capacity_n, say)
        view.tell("\n".join(lines(more)))
        findings += more
    return _close(view, where, stands_on.number, findings)


def _warmed(heard: Sequence[Heard], configured: Configured, minutes: float) -> Finding:
    good = sort(heard).good
    per_n = abs(configured.counts_n)
    window_s = min(WINDOW_S, 60.0 * minutes / 4.0)
    t, y = [r.t_s for r in good], [float(r.counts) for r in good]
    try:
        return warm_up_finding(warm_up(t, y, DRIFT_LOOK_N_MIN * per_n, window_s), minutes, per_n)
    except ValueError as e:
        return Finding("warm-up", "not told", "two windows of readings", "look", f"{e} Do first what failed above.")


def _creep(
    ear: Ear,
    view: View,
    request: SensorRequest,
    load: Load,
    configured: Configured,
    capacity_n: float,
    say: Callable[[str], None],
) -> list[Finding]:
    per_n = configured.counts_n
    half = 0.5 * load.force_n * abs(per_n)
    before = mean_counts(ear.hear(min(ZERO_S, request.seconds), "zero"))
    view.tell(f"Hang {load.text} ({load.force_n:.1f} N) on the gripper and leave it for {request.minutes:g} min.")
    say(f"{load.mass_kg:g}kg")
    _wait(ear, "the weight", lambda counts: abs(counts - before) > half)
    heard = ear.hear(60.0 * request.minutes, "under the weight")
    if not heard or abs(_recent(heard) - before) < half:
        raise Stopped(f"The weight did not stay on for {request.minutes:g} min: begin again.")
    view.tell("Take the weight off, hands away.")
    say("0")
    _wait(ear, "the empty gripper", lambda counts: abs(counts - before) < half)
    ear.hear(min(SETTLE_S, request.seconds), "settling")
    after = mean_counts(ear.hear(min(ZERO_S, request.seconds), "zero"))
    good = sort(heard).good
    found = judge_creep(
        [r.t_s for r in good],
        [float(r.counts) for r in good],
        load.force_n,
        capacity_n,
        per_n,
        before,
        after,
        loaded_s=heard[0].t_s,
    )
    request.picture.write_text(creep_picture(found, capacity_n, load.force_n))
    view.tell(f"Curve: {request.picture}")
    return creep_findings(found, capacity_n)


def _recent(heard: Sequence[Heard]) -> float:
    """Middle one of the last five readings: a single stray one is no weight."""
    last = sorted(r.counts for r in heard[-5:])
    return float(last[len(last) // 2])


def _wait(ear: Ear, what: str, is_there: Callable[[float], bool]) -> None:
    """Listen until the counts say so. Raises Stopped after two minutes."""
    seen = ear.hear(PATIENCE_S, f"waiting for {what}", lambda heard: bool(heard) and is_there(_recent(heard)))
    if not seen or not is_there(_recent(seen)):
        raise Stopped(f"Waited {PATIENCE_S:.0f} s for {what}, in vain. Does the weight hang freely on the gripper?")


def _close(view: View, where: Path, number: int | None, findings: Sequence[Finding]) -> int:
    failed = [f.name for f in findings if f.verdict == "fail"]
    looked = [f.name for f in findings if f.verdict == "look"]
    verdict = "fail" if failed else "look" if looked else "pass"
    says = "The measurement is sound."
    if failed:
        says = f"Not sound: {', '.join(failed)}. Do not string before that is put right."
    elif looked:
        says = f"Sound enough to go on; look at: {', '.join(looked)}."
    values: dict[str, object] = {f.name: f.number for f in findings}
    kept, why_not = keep(where, "sensor", number, verdict, says, values)
    view.tell(f"{says} {f'Kept as measurement {kept}.' if kept is not None else why_not}")
    return 3 if failed else 0
