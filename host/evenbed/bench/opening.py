"""How work begins from the page: a single pull, a racquet file, a job that was left; a port, or a simulated rig."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evenbed.bench import rigs
from evenbed.bench.bed import bed
from evenbed.bench.orders import Order
from evenbed.bench.pull import FreePull, ceiling_of
from evenbed.bench.rigs import SimulatedRig
from evenbed.control.port import ports
from evenbed.job import marks
from evenbed.job.ceiling import CeilingError, session_ceiling_of
from evenbed.job.free import free_plan
from evenbed.job.twin import Twin, TwinError
from evenbed.racquet.file import SUFFIX, RacquetError, examples, parse
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from evenbed.rig import RigError, load
from evenbed.work import jobs
from evenbed.work.desk import Desk, DeskError
from evenbed.work.jobs import Begun, JobError
from evenbed.work.session import JobSession

SIMULATED = "simulated"
TROUBLES = (JobError, CeilingError, StoreError, DeskError, RigError, rigs.RigError, RacquetError, TwinError)


@dataclass(frozen=True)
class Means:
    """Where records and racquet files are, the port and rig named on the command line, how a simulated rig is started."""

    records: Path
    racquets: Path
    port: str | None = None
    rig: Path | None = None
    despite_check: bool = False
    simrig: Sequence[str] = rigs.COMMAND
    simrig_options: Sequence[str] = ()


@dataclass
class Opened:
    """Work that has begun. ``close`` ends all of it."""

    work: FreePull | JobSession
    desk: Desk
    rig: SimulatedRig | None
    port: str
    unit: str
    name: str
    number: int | None = None
    family: str = "unknown"
    bed: dict[str, Any] | None = None
    says: list[str] = field(default_factory=list)
    cuts: list[dict[str, Any]] = field(default_factory=list)
    stack: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def close(self) -> None:
        """End it; with a string on the head of a real rig its control process goes on until the string is off."""
        self.stack.close()


def racquet_files(folder: Path) -> dict[str, Path]:
    """Racquet files there are: those of the folder, and the examples."""
    own = {p.name.removesuffix(SUFFIX): p for p in sorted(folder.glob(f"*{SUFFIX}"))} if folder.is_dir() else {}
    return {**{f"example: {name}": path for name, path in examples().items()}, **own}


def choices(means: Means) -> dict[str, Any]:
    """What may be begun: racquets, jobs that wait, ports; and what is in the records."""
    racquets: list[dict[str, Any]] = []
    for key, path in racquet_files(means.racquets).items():
        try:
            r = parse(path.read_text("utf-8-sig"), key)
        except (RacquetError, OSError, UnicodeDecodeError) as e:
            racquets.append({"key": key, "name": key, "trouble": str(e)})
            continue
        family = " + ".join(dict.fromkeys(p.family for p in r.pieces))
        racquets.append(
            {"key": key, "name": r.name, "mains": r.mains, "crosses": r.crosses, "main_n": r.main_n, "cross_n": r.cross_n,
             "family": family, "sport": r.sport, "unit": r.unit}
        )  # fmt: skip
    out: dict[str, Any] = {"kind": "choices", "racquets": racquets, "ports": [means.port] if means.port else ports()}
    return {**out, **records(means.records)}


def records(where: Path) -> dict[str, Any]:
    """Jobs and trips that are kept, the newest first, and what is wrong with the records if something is."""
    out: dict[str, Any] = {"jobs": [], "trips": [], "trouble": ""}
    try:
        with contextlib.closing(Store(where, make=False)) as store:
            kept = Jobs(store)
            for row in reversed(kept.rows()):
                out["jobs"].append(
                    {"number": row.number, "wall": row.wall, "name": row.name, "simulated": row.simulated,
                     "phase": kept.phase(row.number), "pulls": len(row.labels), "twin_of": row.twin_of}
                )  # fmt: skip
            for trip in reversed(store.trips()):
                out["trips"].append(
                    {"number": trip.number, "wall": trip.wall, "name": trip.name.replace("_", " "), "force_n": trip.force_n,
                     "state": trip.state.replace("_", " "), "simulated": trip.simulated}
                )  # fmt: skip
    except FileNotFoundError:
        pass
    except StoreError as e:
        out["trouble"] = str(e)
    return out


def port_of(wanted: str, means: Means) -> str:
    """The port of the rig that was chosen, "" for the simulated one. Raises JobError if it is not there now."""
    if wanted == SIMULATED:
        return ""
    if wanted not in ([means.port] if means.port else ports()):
        raise JobError(f"There is no port {wanted} here now.")
    return wanted.partition(" (")[0]


def open_work(order: Order, means: Means, heard: Callable[[str], None]) -> Opened:
    """Begin what ``order`` wants. Raises one of TROUBLES; then nothing is left open."""
    with contextlib.ExitStack() as stack:
        what = order.values["what"]
        opening = _Opening(order.values, means, heard, stack)
        opened = {"pull": opening.pull, "free": opening.free, "job": opening.job, "resume": opening.resume}[what]()
        opened.stack = stack.pop_all()
        return opened


def _string(family: str) -> list[str]:
    return ["--string", "nylon" if family == "unknown" else family]


class _Opening:
    """What one order to begin leads to; whatever is opened is put on ``stack``."""

    def __init__(
        self, values: Mapping[str, Any], means: Means, heard: Callable[[str], None], stack: contextlib.ExitStack
    ) -> None:
        self._values = values
        self._means = means
        self._heard = heard
        self._stack = stack
        self._simulated = values["rig"] == SIMULATED

    def _rig(self, racquet: str, more: Sequence[str] = ()) -> tuple[str, SimulatedRig | None]:
        means = self._means
        if self._simulated:
            rig = SimulatedRig([*means.simrig_options, *more], self._heard, racquet, means.simrig)
            self._stack.callback(rig.close)
            return rig.port, rig
        return port_of(self._values["rig"], means), None

    def _desk(self, port: str, ceiling_n: float, unit: str) -> Desk:
        means = self._means
        return self._stack.enter_context(
            Desk(port, ceiling_n, means.records, unit, self._simulated, means.despite_check)
        )  # fmt: skip

    def pull(self) -> Opened:
        """Pulls at one reference."""
        v = self._values
        unit, family, woven = v["unit"], v["family"], v["woven"]
        top = ceiling_of(v["reference_n"], family, unit)
        port, rig = self._rig("", [*_string(family), *(["--woven"] if woven else [])])
        desk = self._desk(port, top.force_n, unit)
        work = FreePull(desk.client, v["reference_n"], family, woven, unit)
        return Opened(work, desk, rig, port, unit, "", family=family)

    def _kept(self) -> Jobs:
        store = Store(self._means.records)
        self._stack.callback(store.close)
        return Jobs(store)

    def free(self) -> Opened:
        """A job without a racquet file."""
        v = self._values
        kept = self._kept()
        wanted = {name: v[name] for name in ("main_n", "cross_n", "family", "sport", "unit")}
        top = session_ceiling_of(free_plan(**wanted), ())
        port, rig = self._rig("", _string(v["family"]))
        desk = self._desk(port, top.force_n, v["unit"])
        return self._opened(jobs.begin_free(kept, self._simulated, **wanted), kept, desk, rig, port, None)

    def job(self) -> Opened:
        """A new job for a racquet file."""
        kept = self._kept()
        files = racquet_files(self._means.racquets)
        if self._values["racquet"] not in files:
            raise JobError(f"There is no racquet file '{self._values['racquet']}' here.")
        builder = load(None if self._simulated else self._means.rig)  # simulated hands read the user's own, too
        plan, text = jobs.racquet_plan(files[self._values["racquet"]], builder)
        unit = plan.racquet.unit
        twin = self._twin(kept, self._values["twin"])
        if twin is not None:
            twin.fits(marks.begin(plan))
        top = session_ceiling_of(plan, ())
        port, rig = self._rig(text)
        desk = self._desk(port, top.force_n, unit)
        begun = jobs.begin(kept, plan, text, unit, self._simulated, self._values["twin"])
        return self._opened(begun, kept, desk, rig, port, twin)

    def _twin(self, kept: Jobs, number: int | None) -> Twin | None:
        if number is None:
            return None
        row = kept.row(number)
        if row is None:
            raise JobError(f"There is no job {number} to match.")
        return Twin(jobs.state_of(row, kept))

    def resume(self) -> Opened:
        """A job that was left."""
        kept = self._kept()
        begun = jobs.go_on(kept, self._values["number"])
        row = kept.row(begun.number)
        assert row is not None
        if row.simulated != self._simulated:
            there = "the simulated rig" if row.simulated else "a real rig"
            raise JobError(f"Job {row.number} was begun on {there}: go on with it there.")
        twin = self._twin(kept, row.twin_of)
        state = begun.job.state
        top = begun.job.ceiling
        plan = state.plan
        made = ",".join(str(d.pull.number) for d in state.in_bed)
        string = _string(plan.racquet.pieces[0].family) if plan.free else ["--done", made]
        port, rig = self._rig(row.racquet, string)
        desk = self._desk(port, top.force_n, begun.job.unit)
        return self._opened(begun, kept, desk, rig, port, twin)

    def _opened(
        self, begun: Begun, kept: Jobs, desk: Desk, rig: SimulatedRig | None, port: str, twin: Twin | None
    ) -> Opened:
        plan, job = begun.job.state.plan, begun.job
        session = JobSession(begun.number, job, kept, desk.client, twin)
        racquet = plan.racquet
        cuts = [
            {"total_mm": c.total_mm, "short_side_mm": c.short_side_mm, "part": racquet.pieces[c.piece].part}
            for c in plan.cuts
        ]
        return Opened(
            session,
            desk,
            rig,
            port,
            job.unit,
            racquet.name,
            begun.number,
            racquet.pieces[-1].family,
            None if plan.free else bed(racquet),
            [*plan.warnings, *plan.questions],
            [] if begun.resumed else cuts,
        )
