"""Commands for building a rig: size."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.units import UNITS


@click.command()
@click.argument("rig", required=False, type=click.Path(dir_okay=False, path_type=Path))
@click.option("--set", "trial", multiple=True, metavar="TABLE.KEY=VALUE", help="Try a value; several times if you like.")
@click.option("--write", is_flag=True, help="Write what was tried and reckoned into the file; begin one if there is none.")
@click.option("--why", is_flag=True, help="Show the formula and its source below each value.")
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
def size(rig: Path | None, trial: tuple[str, ...], write: bool, why: bool, unit: str) -> None:
    """Check the design of a rig: screw, motor, mechanics, cell, supply, travel, stop budget.

    RIG is its rig.toml; without it your own, or the invented rig of the defaults. Each value comes with its limit and
    margin; what is unsafe or pointless is said first, with what to change. Ends with 4 if anything is unsafe.
    """
    from evenbed.cli.size import SizeRequest, run

    raise SystemExit(run(SizeRequest(rig, trial, write, why, unit)))
