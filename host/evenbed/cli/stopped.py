"""The commands about what stopped the head: trips."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenbed.cli.options import RECORDS
from evenbed.units import UNITS

if TYPE_CHECKING:
    from evenbed.cli.trips import Trips


@click.group(invoke_without_command=True)
@RECORDS
@click.option("--unit", type=click.Choice(UNITS), default="kgf", show_default=True, help="Unit of the forces shown.")
@click.pass_context
def trips(context: click.Context, records: Path | None, unit: str) -> None:
    """List what has stopped the head, or look at one of it: show, plot, replay, export.

    Each stop that nobody asked for is kept with the seconds before it. N is its number in the list.
    """
    from evenbed.cli.trips import Trips

    context.obj = Trips(records, unit)
    if context.invoked_subcommand is None:
        raise SystemExit(context.obj.table())


@trips.command()
@click.argument("number", type=int)
@click.pass_obj
def show(trips: Trips, number: int) -> None:
    """Say what stopped the head, first cause first, with values, and what to do next."""
    raise SystemExit(trips.show(number))


@trips.command()
@click.argument("number", type=int)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Where the picture goes; trip-N.svg.")
@click.pass_obj
def plot(trips: Trips, number: int, out: Path | None) -> None:
    """Draw the last ten seconds: force, ceiling, position, states (SVG)."""
    raise SystemExit(trips.plot(number, out or Path(f"trip-{number}.svg")))


@trips.command()
@click.argument("which")
@click.pass_obj
def replay(trips: Trips, which: str) -> None:
    """Decide it once more: WHICH is a number, or a file that was exported. Says whether the verdict is the same."""
    raise SystemExit(trips.replay(which))


@trips.command()
@click.argument("number", type=int)
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--csv", is_flag=True, help="The readings only, as a table.")
@click.pass_obj
def export(trips: Trips, number: int, file: Path, csv: bool) -> None:
    """Write all that was recorded to FILE (JSON)."""
    raise SystemExit(trips.export(number, file, csv))
