"""Commands about jobs that were strung: jobs, report, tone."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.cli.options import RECORDS
from evenbed.units import UNITS

AFTER = ("after the job", "after a day", "after a week", "after a month")
FILE = click.Path(dir_okay=False, path_type=Path, allow_dash=True)


@click.command()
@click.argument("number", type=int, required=False)
@click.option("--compare", type=int, nargs=2, metavar="FIRST OTHER", help="Two jobs of one racquet, string by string.")
@click.option("--csv", type=FILE, help="A line for each pull, with its trace; - for the terminal.")
@click.option("--json", type=FILE, help="All that was recorded; - for the terminal.")
@click.option("--unit", type=click.Choice(UNITS), help="Unit of the forces shown; the racquet file's without it.")
@RECORDS
def jobs(
    number: int | None,
    compare: tuple[int, int] | None,
    csv: Path | None,
    json: Path | None,
    unit: str | None,
    records: Path | None,
) -> None:
    """List the jobs that were strung, show job NUMBER, compare two, or export one."""
    from evenbed.cli.jobs import run

    raise SystemExit(run(number, compare, csv, json, records, unit))


@click.command()
@click.argument("number", type=int, required=False)
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), required=False)
@click.option("--unit", type=click.Choice(UNITS), help="Unit of the forces shown; the racquet file's without it.")
@RECORDS
def report(number: int | None, file: Path | None, unit: str | None, records: Path | None) -> None:
    """Write job NUMBER (the last one without it) as one page of HTML to FILE (job-N.html), for player and stringer."""
    from evenbed.cli.report import run

    raise SystemExit(run(number, file, records, unit))


@click.command()
@click.argument("job", type=int)
@click.argument("hz", type=float, required=False)
@click.option("--wav", type=click.Path(dir_okay=False, path_type=Path), help="A recording of some taps on the bed.")
@click.option("--when", type=click.Choice(AFTER), help="When it was taken; by the clock without it.")
@click.option("--between", type=float, nargs=2, metavar="LOW HIGH", help="Where a recording is searched, Hz.")
@click.option("--room", type=float, metavar="°C", help="Temperature of the room, to be noted.")
@click.option("--unit", type=click.Choice(UNITS), help="Unit of the forces shown; the racquet file's without it.")
@RECORDS
def tone(
    job: int,
    hz: float | None,
    wav: Path | None,
    when: str | None,
    between: tuple[float, float] | None,
    room: float | None,
    unit: str | None,
    records: Path | None,
) -> None:
    """Note the tone of a bed, typed (HZ) or heard in a recording, against what was to be expected.

    JOB is the number of a finished job. Without a tone it says which ones are to be expected. Hold the racquet at the butt,
    close to the microphone, out of the mount, and tap the middle of the bed with a knuckle four times.
    """
    from evenbed.cli.tone import run

    raise SystemExit(run(job, hz, wav, when, between, room, records, unit))
