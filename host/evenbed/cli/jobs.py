"""``evenbed jobs``: the jobs that were strung, one of them, two compared, one exported."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from evenbed.job import marks as kinds
from evenbed.job.marks import Done
from evenbed.job.tone import held_s
from evenbed.job.twin import summary
from evenbed.record.jobs import JobRow, Jobs
from evenbed.record.keeping import local_time
from evenbed.record.store import Store, StoreError, folder
from evenbed.report import compare, export, words
from evenbed.report.compare import CompareError
from evenbed.report.figures import ledger
from evenbed.report.kept import Kept, happened, load, missing, tones, verdict
from evenbed.work.jobs import JobError

STDOUT = Path("-")
LOOKED = 6  # questions shown
NONE_YET = "No job is kept in {where} yet. 'evenbed job start RACQUET' begins one."


def run(
    number: int | None,
    two: tuple[int, int] | None,
    csv_file: Path | None,
    json_file: Path | None,
    records: Path | None,
    unit: str | None,
) -> int:
    """Do what was asked; returns the exit code: 0 done, 1 could not, 2 asked wrongly."""
    if two is not None and (number is not None or csv_file or json_file):
        print("evenbed jobs: --compare takes two jobs and nothing else.", file=sys.stderr)
        return 2
    if number is None and (csv_file or json_file):
        print("evenbed jobs: say which job is to be exported: evenbed jobs NUMBER --csv FILE.", file=sys.stderr)
        return 2
    return with_jobs("jobs", records, lambda kept: _do(kept, number, two, csv_file, json_file, unit))


def with_jobs(command: str, records: Path | None, deed: Callable[[Jobs], int]) -> int:
    """Open the records, do it, say what went wrong."""
    where = folder(records)
    try:
        store = Store(where, make=False)
    except FileNotFoundError:
        print(NONE_YET.format(where=where), file=sys.stderr)
        return 1
    except StoreError as e:
        print(f"evenbed {command}: {e}", file=sys.stderr)
        return 1
    with closing(store):
        try:
            return deed(Jobs(store))
        except (JobError, StoreError) as e:
            print(f"evenbed {command}: {e}", file=sys.stderr)
            return 1
        except OSError as e:
            print(f"evenbed {command}: {e.filename}: {e.strerror}.", file=sys.stderr)
            return 1


def _do(
    jobs: Jobs,
    number: int | None,
    two: tuple[int, int] | None,
    csv_file: Path | None,
    json_file: Path | None,
    unit: str | None,
) -> int:
    if two is not None:
        return _compare(load(jobs, two[0]), load(jobs, two[1]), unit)
    if number is None:
        return _list(jobs)
    if csv_file or json_file:
        return _export(jobs, number, csv_file, json_file)
    return _show(load(jobs, number), unit)


# --- the list ------------------------------------------------------------------------------------------------------
def _list(jobs: Jobs) -> int:
    rows = jobs.rows()
    if not rows:
        print(NONE_YET.format(where="these records"))
        return 0
    print(f"{'no.':>4}  {'begun':<16}  {'racquet':<28}  {'state':<14}  {'pulls':>8}")
    for r in rows:
        phase, made = _progress(jobs, r)
        of = f"{made} of {len(r.labels)}" if r.racquet else str(made)
        more = " · simulated" * r.simulated + (f" · twin of {r.twin_of}" if r.twin_of is not None else "")
        print(f"{r.number:>4}  {local_time(r.wall)[:16]:<16}  {_short(r.name, 28):<28}  {phase:<14}  {of:>8}{more}")
    last = rows[-1].number
    print(f"More:  evenbed jobs {last}, evenbed report {last}")
    return 0


def _progress(jobs: Jobs, row: JobRow) -> tuple[str, int]:
    """Phase and pulls that are in the bed, from the marks alone: a list is not to fail on one job."""
    phase, numbers = kinds.INTAKE, []
    for m in jobs.marks(row.number):
        if m.kind == "phase":
            phase = str(m.values.get("phase", ""))
        elif m.kind in ("pulled", "kept"):
            numbers.append(m.values.get("number"))
        elif m.kind in ("taken back", "again") and m.values.get("number") in numbers:
            numbers.remove(m.values.get("number"))
    return phase, len(numbers)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


# --- one job -------------------------------------------------------------------------------------------------------
def _show(kept: Kept, unit: str | None) -> int:
    r = kept.state.plan.racquet
    unit = unit or r.unit
    print(f"Job {kept.row.number}: {r.name}, {kept.progress}, begun {local_time(kept.row.wall)[:16]}")
    if kept.row.simulated:
        print("  Simulated: no string was pulled.")
    if kept.row.twin_of is not None:
        print(f"  To match job {kept.row.twin_of}:  evenbed jobs --compare {kept.row.twin_of} {kept.row.number}")
    for kind in ("main", "cross"):
        found = ledger(kept.state, kept.figures, "main" if kind == "main" else "cross")
        if found is not None:
            name = "mains" if kind == "main" else "crosses"
            stays = words.within(found.delivered_n, found.u_delivered_n, unit)
            asked_for, at_clamp = words.force(found.asked_n, unit), words.bare(found.pulled_n, unit)
            print(f"  {found.count} {name}: {at_clamp} at the clamp of {asked_for} asked, {stays} delivered")
    asked = [h for h in happened(kept) if h.answer]
    for h in asked[:LOOKED]:
        print(f"  ? {h.label}: {h.what} ({h.answer})")
    if len(asked) > LOOKED:
        print(f"  and {len(asked) - LOOKED} more questions")
    for t in tones(kept):
        print(f"  tone {t.hz:.0f} Hz {t.when}: {verdict(t)}")
    head = f"{'pull':<26} {'asked':>10} {'at clamp':>10} {'off':>8} {'draw':>8} {'held':>7} {'take-up':>8}  clamp"
    print(f"\n  {head}")
    for d in kept.state.done:
        print(f"  {_line(d, unit)}")
    n = kept.row.number
    print(f"\nMore:  evenbed report {n}, evenbed jobs {n} --csv FILE, evenbed jobs {n} --json FILE")
    return 0


def _line(d: Done, unit: str) -> str:
    r = d.record
    force = r.get("force_at_clamp_n")
    off = words.figure(None if force is None else 100.0 * (force / d.pull.target_n - 1.0), 2, True) + " %"
    signs = "  asked about" * d.questioned + "  pulled twice" * d.again
    return (
        f"{_short(d.pull.label, 26):<26} {words.force(d.pull.target_n, unit):>10} {words.force(force, unit):>10} {off:>8} "
        f"{words.figure(r.get('draw_length_mm')):>5} mm {words.figure(held_s(r)):>5} s "
        f"{words.figure(r.get('take_up_mm')):>5} mm  {r.get('proof', '')}{signs}"
    )


# --- two jobs ------------------------------------------------------------------------------------------------------
def _compare(a: Kept, b: Kept, unit: str | None) -> int:
    try:
        compare.check(a, b)
    except CompareError as e:
        print(f"evenbed jobs: {e}", file=sys.stderr)
        return 2
    unit = unit or a.state.plan.racquet.unit
    for k in (a, b):
        print(f"Job {k.row.number}: {k.state.plan.racquet.name}, {k.progress}, begun {local_time(k.row.wall)[:16]}")
    one, other = str(a.row.number), str(b.row.number)
    columns = [(name.format(unit=unit), max(15, len(name.format(unit=unit)) + 2)) for name in compare.COLUMNS]
    print("\n" + f"{'':<14}" + "".join(f"{name:>{width}}" for name, width in columns))
    print(f"{'':<14}" + "".join(f"{one:>{width - 7}}{other:>7}" for _, width in columns))
    for name, x, y in compare.pairs(a, b):
        both = zip(compare.figures(x, unit), compare.figures(y, unit), columns, strict=True)
        print(f"{name:<14}" + "".join(f"{p:>{w - 7}}{q:>7}" for p, q, (_, w) in both))
    print("\n" + summary(a.state, b.state, unit))
    return 0


# --- a file --------------------------------------------------------------------------------------------------------
def _export(jobs: Jobs, number: int, csv_file: Path | None, json_file: Path | None) -> int:
    row = jobs.row(number)
    if row is None:
        raise JobError(missing(jobs, number))
    kept: Kept | None = None
    try:
        kept = load(jobs, number)
    except JobError as e:
        if csv_file is not None:
            raise
        # The marks are all there, whatever this program makes of them.
        print(f"evenbed jobs: {e} Only what was recorded is written.", file=sys.stderr)
    if csv_file is not None and kept is not None:
        _write(csv_file, export.to_csv(kept), f"Job {number}, a line for each pull")
    if json_file is not None:
        _write(json_file, export.to_json(row, jobs.marks(number), kept), f"Job {number}, all that was recorded")
    return 0


def _write(file: Path, text: str, says: str) -> None:
    if file == STDOUT:
        sys.stdout.write(text)
    else:
        file.write_text(text, encoding="utf-8", newline="")
        print(f"{says}: {file}")
