"""The fault campaign: ``python -m tests.campaign.run --runs 10000 --jobs 2 --seed 1``. See tests/benchmarks/README.md."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable
from multiprocessing import get_context

from evenbed_fw import safety

from .cases import case
from .judge import Verdict, judge
from .play import play


def _leave_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def work(job: tuple[int, int]) -> Verdict:
    """Play and judge one case in a worker."""
    return judge(play(case(*job)))


def table(verdicts: Iterable[tuple[int, Verdict]]) -> str:
    """One row per fault, of (index, verdict); behind the worst figures the index of the case."""
    rows: dict[str, list[tuple[int, Verdict]]] = defaultdict(list)
    for index, v in verdicts:
        rows[v.case.kind].append((index, v))
    out = [
        "| fault | runs | rides | told | violations | known | worst margin N | the same, cell reads low | most lost N |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for kind in sorted(rows):
        row = [v for _, v in rows[kind]]
        told = Counter(v.told for v in row if v.told != "rides")
        honest = [(v.margin_n, i) for i, v in rows[kind] if not v.reads_low]
        low = [(v.margin_n, i) for i, v in rows[kind] if v.reads_low]
        out.append(
            f"| {kind} | {len(row)} | {sum(v.told == 'rides' for v in row)} "
            f"| {', '.join(f'{name} {n}' for name, n in told.most_common())} "
            f"| {sum(bool(v.violations) for v in row)} | {sum(bool(v.known) for v in row)} "
            f"| {_least(honest)} | {_least(low)} | {_named(max((v.lost_n, i) for i, v in rows[kind]))} |"
        )
    return "\n".join(out)


def _named(found: tuple[float, int]) -> str:
    return f"{found[0]:.1f} (#{found[1]})"


def _least(values: list[tuple[float, int]]) -> str:
    return _named(min(values)) if values else "–"


def main(args: list[str]) -> int:
    """Run the campaign; 0 if nothing was violated."""
    parser = argparse.ArgumentParser(description="Play faults in every phase of a pull and judge them by the truth.")
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="index to begin with")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="play this index alone and show what happens")
    chosen = parser.parse_args(args)
    if chosen.only is not None:
        return show(chosen.seed, chosen.only)
    jobs = [(chosen.seed, index) for index in range(chosen.first, chosen.first + chosen.runs)]
    verdicts: list[Verdict] = []
    # Ctrl-C tells what there is so far.
    with contextlib.suppress(KeyboardInterrupt), get_context("fork").Pool(chosen.jobs, _leave_to_parent) as pool:
        for job, v in zip(jobs, pool.imap(work, jobs, chunksize=4), strict=True):
            verdicts.append(v)
            for text, wrong in (("VIOLATION", v.violations), ("known", v.known)):
                if wrong:
                    print(f"{text} --seed {job[0]} --only {job[1]}: {v.case.told()}: {'; '.join(wrong)}", flush=True)
    print("\n" + table(zip((index for _, index in jobs), verdicts, strict=False)))
    wrong = sum(bool(v.violations) for v in verdicts)
    missed = sum(not v.reached for v in verdicts)
    print(f"\n{len(verdicts)} runs, {wrong} with a violation; {missed} did not come to their phase.")
    # Rule of three: no event in n runs bounds its rate by 3/n with 95 % confidence (1 - 0.05**(1/n)).
    if verdicts and not wrong:
        print(f"None in {len(verdicts)} bounds the rate to below {3.0 / len(verdicts):.1e} (95 %), in these strata only.")
    return 1 if wrong else 0


def show(seed: int, index: int) -> int:
    """One case in full."""
    p = play(case(seed, index))
    v = judge(p)
    print(f"{p.case}\n")
    log = [(t, "FAULT " + what) for t, what in p.r.faults.log]
    log += [(t, f"{e.name}: {e.says}") for t, e in p.r.host.events]
    for t, what in sorted(log):
        m = min(p.r.moments, key=lambda m: abs(m.t_s - t))
        print(f"{t:7.3f} s {m.force_n:6.1f} N {m.carriage_mm:7.2f} mm {safety_name(m.board):8} {what}")
    print(f"\nwatched until {p.watched_s:.2f} s, down: {p.down}\n{v.sentence}")
    for known in v.known:
        print(f"known: {known}")
    return 1 if v.violations else 0


def safety_name(board: int) -> str:
    """The board's state in words."""
    return safety.STATES[board]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
