"""``evenbed report``: one job as a page of HTML."""

from __future__ import annotations

from pathlib import Path

from evenbed.cli.jobs import with_jobs
from evenbed.record.jobs import Jobs
from evenbed.report.kept import load
from evenbed.report.page import page


def run(number: int | None, out: Path | None, records: Path | None, unit: str | None) -> int:
    """Write the report of a job (the last one without a number); returns the exit code: 0 done, 1 could not."""

    def write(jobs: Jobs) -> int:
        rows = jobs.rows()
        chosen = rows[-1].number if number is None and rows else number or 0
        kept = load(jobs, chosen)
        file = out or Path(f"job-{chosen}.html")
        file.write_text(page(kept, unit or kept.state.plan.racquet.unit), encoding="utf-8")
        print(f"Report of job {chosen} ({kept.state.plan.racquet.name}, {kept.progress}): {file}")
        return 0

    return with_jobs("report", records, write)
