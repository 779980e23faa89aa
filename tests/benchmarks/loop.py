"""The benchmark of the control loop: ``python -m tests.benchmarks.loop --help``; what the columns mean: README.md."""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable, Iterable
from multiprocessing import get_context

import numpy as np
from evenbed.head.types import Pull
from evenbed_sim.converter import CellParams
from evenbed_sim.rig import RigParams

from tests.benchmarks import peers
from tests.benchmarks.ideal import ideal
from tests.benchmarks.measure import LOST, Bench, Clamp, Result, TimedLoop, measure_loop
from tests.benchmarks.plants import ROWS, Case, Row, cases

Job = tuple[str, str, int, bool, str, float, int]


STEP_MM = 1.0
ANSWER_MM_S = 3.0


def _row(name: str) -> Row:
    return next(row for row in ROWS if row.name == name)


def work(job: Job) -> Result:
    """Do one job in a worker: kind, row, seed, jump, controller, pipeline delay in s, pulls to warm up."""
    kind, name, seed, jump, who, pipeline_s, warm = job
    case = Case(_row(name), kind, seed, jump)
    if who == "loop":
        return measure_loop(case, pipeline_s, warm)
    return peers.measure_peer(case, who)


def nominal() -> Bench:
    """A bench with a nominal string and converter of the shortest delay, armed."""
    case = Case(_row("polyester 620"), "first", 0, False)
    case.rig = RigParams(cell=CellParams(taps=1))
    bench = Bench(case, TimedLoop)
    bench.arm()
    return bench


def pipeline_delay_s(bench: Bench) -> float:
    """From the end of the first conversion after a step of force to the first motion that answers it, s. The step comes
    in a quiet hold, right after a conversion, and is large. Raises RuntimeError if nothing answers."""
    head = bench.run.loop.head
    assert head is not None
    head.plan(Pull(bench.case.reference_n))
    result = Result("probe", False, ideal(bench.case), 0.0)
    if not bench.draw(result):
        raise RuntimeError("the probe's pull did not settle")
    rig = bench.rig
    rig.flush()
    rig.plant.add_path(-STEP_MM, 0.0005)
    stepped_us = rig.t_us
    conversions = bench.run.loop.session.clock.latest_s
    shown_s = math.nan
    while rig.t_us < stepped_us + 300000.0:
        bench.wait(0.0005)
        board_s = bench.run.loop.session.clock.latest_s
        if math.isnan(shown_s) and board_s > max(conversions, stepped_us * 1e-6 + 0.001):
            shown_s = board_s
        if rig.hw.rate > ANSWER_MM_S * rig.params.carriage.steps_per_mm:
            return rig.t_us * 1e-6 - shown_s
    raise RuntimeError("the head did not answer a step of force")


def rig_speed(bench: Bench, for_s: float = 5.0) -> float:
    """Virtual seconds per second of this machine, with the whole loop on the wire, holding."""
    begun = time.perf_counter()
    bench.wait(for_s)
    return for_s / (time.perf_counter() - begun)


# --- tables ------------------------------------------------------------------------------------------------------
def _finite(values: Iterable[float]) -> list[float]:
    return [v for v in values if not math.isnan(v)]


def _worst(values: Iterable[float], digits: int = 2, scale: float = 1.0) -> str:
    kept = _finite(values)
    return _show(max(kept) * scale, digits) if kept else "–"


def _quantile(values: Iterable[float], q: float, digits: int = 2, scale: float = 1.0) -> str:
    kept = sorted(_finite(values))
    if not kept:
        return "–"
    # The value that at least q of all do not exceed: no interpolation towards an infinite one.
    return _show(kept[max(0, math.ceil(q * len(kept)) - 1)] * scale, digits)


def _show(value: float, digits: int) -> str:
    return "never" if math.isinf(value) else f"{value:.{digits}f}"


def _both(values: Iterable[float], digits: int = 2, scale: float = 1.0) -> str:
    kept = list(values)
    return f"{_quantile(kept, 0.5, digits, scale)} / {_worst(kept, digits, scale)}"


def _table(head: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)


DRAW_HEAD = [
    "string", "runs", "T*_safe s", "T* s", "start ms", "settle/(T*_safe+50 ms) median / worst",
    "settle/(T*+50 ms) median / worst", "overshoot % p95 / worst", "hold mean % median / worst",
    "hold SD % median / worst",
    "cell's own error % worst", "delay believed, off ms median / worst", "handed over: mean % worst", "SD % worst",
]  # fmt: skip


def draw_row(name: str, results: list[Result]) -> list[str]:
    """One row of the table of draw and hold."""
    over = [r.overshoot for r in results]
    return [
        name,
        str(len(results)),
        _quantile((r.ideal.t_safe_s for r in results), 0.5),
        _quantile((r.ideal.t_raw_s for r in results), 0.5),
        _quantile((r.start_s for r in results), 0.5, 0, 1e3),
        _both(r.safe_ratio for r in results),
        _both(r.raw_ratio for r in results),
        f"{_quantile(over, 0.95, 2, 100.0)} / {_worst(over, 2, 100.0)}",
        _both((abs(r.hold_mean) for r in results), 3, 100.0),
        _both((r.hold_sd for r in results), 3, 100.0),
        _worst((abs(r.cell_error) for r in results), 3, 100.0),
        _both((abs(r.delay_error_s) for r in results), 0, 1e3),
        _worst((abs(r.handed_mean) for r in results), 3, 100.0),
        _worst((r.handed_sd for r in results), 3, 100.0),
    ]


HANDS_HEAD = [
    "string", "dip/(k v θ) median / worst", "back after feed s median / worst", "over after feed % worst",
    "open caught", "early slip caught", "late slip caught", "false alarms", "proof s median / worst", "least margin N",
    "spare to ceiling + overrun N", "trips",
]  # fmt: skip


def hands_row(name: str, results: list[Result]) -> list[str]:
    """One row of the table of hands, clamps and limits."""
    clamps = [c for r in results for c in r.clamps]

    def caught(kept: list[Clamp]) -> str:
        return f"{sum(c.verdict in ('open', 'slips') and c.lost < LOST for c in kept)}/{len(kept)}"

    good = [c for c in clamps if c.kind == "good"]
    trips: dict[str, int] = {}
    for r in results:
        for trip in set(r.trips):
            trips[trip] = trips.get(trip, 0) + 1
    return [
        name,
        _both(r.dip_ratio for r in results),
        _both(r.feed_back_s for r in results),
        _worst((r.feed_over for r in results), 2, 100.0),
        caught([c for c in clamps if c.kind == "open"]),
        caught([c for c in clamps if c.kind == "slips early"]),
        caught([c for c in clamps if c.kind == "slips late"]),
        f"{sum(c.verdict != 'passed' for c in good)}/{len(good)}",
        _both(c.cost_s for c in good),
        _least(r.least_margin_n for r in results),
        _least(r.spare_n for r in results),
        ", ".join(f"{trip} {n}" for trip, n in sorted(trips.items())) or "none",
    ]


def _least(values: Iterable[float]) -> str:
    kept = _finite(values)
    return f"{min(kept):.1f}" if kept else "–"


PEER_HEAD = ["string", "controller", "settle/(T*_safe+50 ms) median / worst", "settle/(T*+50 ms) median / worst",
             "overshoot % p95 / worst", "hold SD % median / worst", "stopped by the board"]  # fmt: skip


def peer_row(name: str, who: str, results: list[Result]) -> list[str]:
    """One row of the table of peers."""
    over = [r.overshoot for r in results]
    return [
        name,
        who,
        _both(r.safe_ratio for r in results),
        _both(r.raw_ratio for r in results),
        f"{_quantile(over, 0.95, 2, 100.0)} / {_worst(over, 2, 100.0)}",
        _both((r.hold_sd for r in results), 3, 100.0),
        str(sum(bool(r.trips) for r in results)),
    ]


def report(kind: str, rows: list[Row], done: dict[tuple[str, str], list[Result]], whos: list[str]) -> str:
    """All tables of one plant."""
    groups: list[tuple[str, Callable[[Result], bool]]] = [
        ("", lambda r: not r.jump),
        (", ×3 in flight", lambda r: r.jump),
    ]
    named = [(row.name + label, row.name, keep) for row in rows for label, keep in groups]
    out = [f"## {kind} plant"]
    if "loop" in whos:
        sets = [(label, [r for r in done["loop", name] if keep(r)]) for label, name, keep in named]
        out += ["", "Draw and hold", "", _table(DRAW_HEAD, [draw_row(*s) for s in sets])]
        out += ["", "Hands, clamps, limits", "", _table(HANDS_HEAD, [hands_row(*s) for s in sets])]
        us = np.array([u for row in rows for r in done["loop", row.name] for u in r.work_us])
        p50, p99 = np.percentile(us, 50, axis=0), np.percentile(us, 99, axis=0)
        out += ["", f"Host work per line: p50 {p50[0]:.0f} µs, p99 {p99[0]:.0f} µs by the clock; {p50[1]:.0f} µs, "
                f"{p99[1]:.0f} µs of the processor."]  # fmt: skip
    if len(whos) > 1:
        table = [
            peer_row(label, who, [r for r in done[who, name] if keep(r)]) for label, name, keep in named for who in whos
        ]
        out += ["", "Peers on the same rig, seeds and run", "", _table(PEER_HEAD, table)]
    return "\n".join(out)


def tell(result: Result) -> str:
    """One run on one line, for looking into the worst of them."""
    clamps = " ".join(f"{c.kind}({c.slips_share:.2f}):{c.verdict}/{100 * c.lost:.1f}%" for c in result.clamps)
    return (
        f"{result.case}: delay {1e3 * result.group_delay_s:.0f} ms believed {1e3 * result.delay_error_s:+.0f} "
        f"k {result.ideal.k_n_mm:.1f} "
        f"ratio {result.safe_ratio:.2f} over {100 * result.overshoot:+.2f} % hold {100 * result.hold_mean:+.3f} "
        f"SD {100 * result.hold_sd:.3f} cell {100 * result.cell_error:+.3f} handed {100 * result.handed_mean:+.3f} "
        f"SD {100 * result.handed_sd:.3f} dip {result.dip_ratio:.2f} back {result.feed_back_s:.2f} "
        f"over {100 * result.feed_over:+.2f} {clamps} {' '.join(result.trips)}"
    )


def main(args: list[str]) -> None:
    """Run the benchmark and print its tables."""
    parser = argparse.ArgumentParser(description="Measure the control loop on simulated rigs, and its peers.")
    parser.add_argument("--seeds", type=int, default=10, help="runs per row; a fifth as many more jump in flight")
    parser.add_argument("--plant", choices=("first", "second", "both"), default="first")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--families", nargs="*", help="rows whose names begin with one of these")
    parser.add_argument("--warm", type=int, default=0, help="ordinary pulls on the same rig before the one measured")
    parser.add_argument("--peers", action="store_true", help="also run the other controllers")
    parser.add_argument("--each", action="store_true", help="also print every run")
    chosen = parser.parse_args(args)
    bench = nominal()
    pipeline_s = pipeline_delay_s(bench)
    speed = rig_speed(bench)
    print(f"From a reading to the first motion {1e3 * pipeline_s:.0f} ms; virtual rig {speed:.0f} × real time.\n")
    whos = ["loop", *(peers.NAMES if chosen.peers else ())]
    for kind in ("first", "second") if chosen.plant == "both" else (chosen.plant,):
        rows = [r for r in ROWS if kind == "first" or r.second is not None]
        if chosen.families:
            rows = [r for r in rows if r.name.startswith(tuple(chosen.families))]
        jobs: list[Job] = [
            (kind, row.name, case.seed, case.jump, who, pipeline_s, chosen.warm)
            for row in rows
            for case in cases(row, kind, chosen.seeds)
            for who in whos
        ]
        done: dict[tuple[str, str], list[Result]] = {(who, row.name): [] for who in whos for row in rows}
        with get_context("fork").Pool(chosen.jobs) as pool:
            for job, result in zip(jobs, pool.imap(work, jobs), strict=True):
                done[job[4], job[1]].append(result)
                if chosen.each:
                    print(f"{job[4]}: {tell(result)}", flush=True)
        print(report(kind, rows, done, whos) + "\n", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
