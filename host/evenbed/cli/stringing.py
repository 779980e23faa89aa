"""Commands of the stringing job: racquet, plan, job, bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from evenbed.cli.options import FAMILY, FORCE, RECORDS, one_port
from evenbed.job.ceiling import SPORTS
from evenbed.units import UNITS


def at_the_rig(command: Any) -> Any:
    """The options of a command that works at a rig."""
    options = (
        click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints."),
        click.option("--sim", is_flag=True, help="A simulated rig with a simulated stringer instead of a port."),
        click.option("--rig", type=click.Path(dir_okay=False, path_type=Path), help="rig.toml, instead of the user's."),
        click.option("--unit", type=click.Choice(UNITS), help="Unit of the forces shown; the racquet file's without it."),
        click.option("--despite-check", is_flag=True, help="Arm although the last check failed; that is written down."),
        click.option("--real-time", is_flag=True, help="Simulated rig: as long as it really takes."),
        click.option("--no-wait", is_flag=True, help="Simulated rig: as fast as this computer can."),
        click.option("--habit", default="good", show_default=True, help="Simulated rig: how the stringer works."),
        click.option("--seed", type=int, default=1, show_default=True, help="Simulated rig: other noise and timing."),
        click.option("--quiet", is_flag=True, help="No sounds."),
        click.option("--speak", is_flag=True, help="Speak questions and new references, where this computer can."),
        RECORDS,
    )
    for option in reversed(options):
        command = option(command)
    return command


def _where(o: dict[str, Any]) -> Any:
    from evenbed.cli.jobstart import Where

    one_port(o["port"], o["sim"])
    pace = "real" if o["real_time"] else "none" if o["no_wait"] else "short"
    return Where(
        port=o["port"],
        rig=o["rig"],
        records=o["records"],
        unit=o["unit"],
        despite_check=o["despite_check"],
        pace=pace,
        seed=o["seed"],
        habit=o["habit"],
        sounds=not o["quiet"],
        speak=o["speak"],
    )


@click.group()
def job() -> None:
    """String a racquet, from the first main to the last tie-off: start, resume, free, learn."""


@job.command()
@click.argument("racquet", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--twin", type=int, metavar="JOB", help="Match an earlier job of this racquet, string by string.")
@at_the_rig
def start(racquet: Path, twin: int | None, **options: Any) -> None:
    """Begin with RACQUET, a racquet file. The pedal alone suffices; every mark is kept, and a job resumes where it was."""
    from evenbed.cli.jobstart import start as begin

    raise SystemExit(begin(racquet, _where(options), twin))


@job.command()
@click.argument("number", type=int, required=False)
@at_the_rig
def resume(number: int | None, **options: Any) -> None:
    """Go on with job NUMBER; without it, with the one that is not finished."""
    from evenbed.cli.jobstart import resume as go_on

    raise SystemExit(go_on(number, _where(options)))


@job.command("free")
@click.option("--main", "main", type=FORCE, required=True, help="Reference of the mains, such as 24kgf.")
@click.option("--cross", type=FORCE, help="Reference of the crosses; that of the mains without it.")
@click.option("--family", type=FAMILY, default="unknown", show_default=True, help="Kind of string; tunes 'steady'.")
@click.option("--sport", type=click.Choice(SPORTS), default="tennis", show_default=True, help="The frame's sport.")
@click.option("--frame-max", type=FORCE, help="The highest tension that the frame's maker allows.")
@at_the_rig
def free_(
    main: tuple[float, str],
    cross: tuple[float, str] | None,
    family: str,
    sport: str,
    frame_max: tuple[float, str] | None,
    **options: Any,
) -> None:
    """Free work, without a racquet file: pull after pull, all recorded; 'crosses' and Enter change over."""
    from evenbed.cli.jobstart import free_work

    options["unit"] = options["unit"] or main[1]
    most_n = frame_max[0] if frame_max else None
    raise SystemExit(free_work(_where(options), main[0], (cross or main)[0], family, sport, most_n))


@job.command()
@click.argument("number", type=int)
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--name", default="learnt racquet", show_default=True, help="What the racquet is called.")
@RECORDS
def learn(number: int, file: Path, name: str, records: Path | None) -> None:
    """Write the racquet that was strung in free work NUMBER to FILE, to be completed."""
    from evenbed.cli.jobstart import learn as write

    raise SystemExit(write(number, file, name, records))


@click.group()
def racquet() -> None:
    """Make, check and copy racquet files: frame, pattern, holes, strings, references."""


@racquet.command("new")
@click.argument("file")
def racquet_new(file: str) -> None:
    """Ask for a racquet, in two minutes at most, and write FILE (.racquet.toml is added).

    Enter takes the usual answer in brackets. Ctrl-C leaves, and nothing is written.
    """
    from evenbed.cli.racquet import new

    raise SystemExit(new(file))


@racquet.command("check")
@click.argument("file")
def racquet_check(file: str) -> None:
    """Show what FILE (or an example's name) says, and check it: sport's rules, itself, parity."""
    from evenbed.cli.racquet import show

    raise SystemExit(show(file))


@racquet.command("examples")
@click.argument("folder", required=False, type=click.Path(file_okay=False, path_type=Path))
def racquet_examples(folder: Path | None) -> None:
    """List the example racquets, or copy them into FOLDER."""
    from evenbed.cli.racquet import show_examples

    raise SystemExit(show_examples(folder))


@click.command()
@click.argument("racquet")
@click.option("--rig", type=click.Path(dir_okay=False, path_type=Path), help="rig.toml, instead of the user's.")
@click.option("--unit", type=click.Choice(UNITS), help="Unit of the forces shown; the racquet file's without it.")
def plan(racquet: str, rig: Path | None, unit: str | None) -> None:
    """Print the plan for RACQUET as a sheet: string to cut, pulls, holes, clamps, knots, tensions to expect."""
    from evenbed.cli.plan import run

    raise SystemExit(run(racquet, rig, unit))


@click.command()
@click.option("--port", help="The board's serial port; the page chooses without it.")
@click.option("--listen", type=click.IntRange(0, 65535), default=8765, show_default=True, help="Port of the page; 0: any.")
@click.option("--lan", is_flag=True, help="Print a link with which other devices may look on, and move nothing.")
@click.option("--no-browser", is_flag=True, help="Print the link only.")
@click.option(
    "--racquets", type=click.Path(file_okay=False, path_type=Path), default=Path(), help="Folder of racquet files."
)
@click.option("--rig", type=click.Path(dir_okay=False, path_type=Path), help="rig.toml, instead of the user's.")
@click.option("--despite-check", is_flag=True, help="Arm although the last check failed; that is written down.")
@RECORDS
def bench(
    port: str | None,
    listen: int,
    lan: bool,
    no_browser: bool,
    racquets: Path,
    rig: Path | None,
    despite_check: bool,
    records: Path | None,
) -> None:
    """The bench screen in the browser: real rig, or simulated rig with the space bar as pedal."""
    from evenbed.cli.bench import BenchRequest, run

    raise SystemExit(run(BenchRequest(port, listen, lan, not no_browser, records, racquets, rig, despite_check)))
