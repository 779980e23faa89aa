"""Pages drawn in a process of their own: ``python -m evenbed.bench.drawing RECORDS UNIT STYLES JOB [OTHER]`` prints the
report of one job, or two jobs side by side. ``STYLES``: the address of the styles, "" for a page that carries its own."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path

from evenbed.job.twin import summary
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from evenbed.report import compare
from evenbed.report.kept import Kept, load
from evenbed.report.page import page
from evenbed.work.jobs import JobError


def main(records: str, unit: str, styles: str, job: str, other: str = "") -> int:
    """Draw it; returns the exit code: 0 drawn, 1 not, with the reason on the error output."""
    try:
        with contextlib.closing(Store(Path(records), make=False)) as store:
            jobs = Jobs(store)
            kept = load(jobs, int(job))
            unit = unit or kept.state.plan.racquet.unit
            if other:
                drawn = compare.page(kept, load(jobs, int(other)), unit, styles)
            else:
                drawn = page(kept, unit, _twin(jobs, kept, unit), styles)
        sys.stdout.buffer.write(drawn.encode())  # UTF-8, as the page says of itself, whatever is usual here
    except FileNotFoundError:
        sys.stderr.write("There are no records yet.")
        return 1
    except (StoreError, JobError, ValueError) as e:
        sys.stderr.write(str(e))
        return 1
    return 0


def _twin(jobs: Jobs, kept: Kept, unit: str) -> str:
    if kept.row.twin_of is None:
        return ""
    with contextlib.suppress(JobError):
        return summary(load(jobs, kept.row.twin_of).state, kept.state, unit)
    return ""


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
