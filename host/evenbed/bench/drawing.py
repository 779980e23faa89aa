"""A report drawn in a process of its own: ``python -m evenbed.bench.drawing RECORDS JOB UNIT`` prints the page."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path

from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from evenbed.report.kept import load
from evenbed.report.page import page
from evenbed.work.jobs import JobError


def main(records: str, job: str, unit: str) -> int:
    """Draw it; returns the exit code: 0 drawn, 1 not, with the reason on the error output."""
    try:
        with contextlib.closing(Store(Path(records), make=False)) as store:
            kept = load(Jobs(store), int(job))
            sys.stdout.write(page(kept, unit or kept.state.plan.racquet.unit))
    except FileNotFoundError:
        sys.stderr.write("There are no records yet.")
        return 1
    except (StoreError, JobError, ValueError) as e:
        sys.stderr.write(str(e))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:4]))
