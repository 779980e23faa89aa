"""``evenbed report``: one job as a page of HTML."""

from __future__ import annotations

from pathlib import Path

from evenbed.cli.jobs import with_jobs
from evenbed.job.twin import summary
from evenbed.record.jobs import Jobs
from evenbed.report.kept import Kept, load
from evenbed.report.page import page
from evenbed.work.jobs import JobError


def run(number: int | None, out: Path | None, records: Path | None, unit: str | None) -> int:
    """Write the report of a job (the last one without a number); returns the exit code: 0 done, 1 could not."""

    def write(jobs: Jobs) -> int:
        rows = jobs.rows()
        chosen = rows[-1].number if number is None and rows else number or 0
        kept = load(jobs, chosen)
        file = out or Path(f"job-{chosen}.html")
        shown = unit or kept.state.plan.racquet.unit
        file.write_text(page(kept, shown, _twin(jobs, kept, shown)), encoding="utf-8")
        print(f"Report of job {chosen} ({kept.state.plan.racquet.name}, {kept.progress}): {file}")
        return 0

    return with_jobs("report", records, write)


def _twin(jobs: Jobs, kept: Kept, unit: str) -> str:
    """The line on a job that was to match another one; "" for others."""
    if kept.row.twin_of is None:
        return ""
    try:
        return summary(load(jobs, kept.row.twin_of).state, kept.state, unit)
    except JobError as e:
        return f"Job {kept.row.twin_of}, which it was to match, cannot be read: {e}"
