"""Commands for building a rig: size, flash, commission."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.cli.options import RECORDS
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


@click.command()
@click.option("--port", metavar="PORT", help="The board's USB serial port; without it, the only one like a board.")
@click.option(
    "--pins",
    metavar="FILE",
    help="Put this pins file on the board ('reference': the reference board's); else its own stays.",
)
@click.option("--dry-run", is_flag=True, help="Show what would be copied, and copy nothing.")
@click.option("--no-string", is_flag=True, help="I have looked: nothing is in the gripper. For a board that cannot tell.")
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
def flash(port: str | None, pins: str | None, dry_run: bool, no_string: bool, unit: str) -> None:
    """Put the firmware on the board: copy what differs, verify it, start it.

    MicroPython has to be on the board; if it is not, this says how to put it there. A board that is armed, moving or under
    load is refused. Its calibration stays, and so do its pins without --pins. Stopped in the middle, the board does
    nothing until this is run again.
    """
    from evenbed.cli.flash import FlashOptions, run

    raise SystemExit(run(FlashOptions(port, pins, dry_run, no_string, unit)))


@click.command()
@click.option("--port", help="The board's serial port; without it plug the board in when asked.")
@click.option("--sim", is_flag=True, help="A simulated rig, and simulated hands that do what is asked.")
@click.option("--mistake", metavar="NAME", help="With --sim: a mistake to find, such as motor-reversed; 'help' names them.")
@click.option("--from", "begin_at", default="port", show_default=True, metavar="STEP", help="Begin at this step.")
@click.option("--rig", type=click.Path(dir_okay=False, path_type=Path), help="The rig.toml for the results; else yours.")
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
@RECORDS
def commission(
    port: str | None, sim: bool, mistake: str | None, begin_at: str, rig: Path | None, unit: str, records: Path | None
) -> None:
    """First start of a rig, guided, from cold.

    Steps: port, inputs, reading, rate, direction, switches, travel, stiffness, delay, limits, holding, trip. Each can be
    repeated, or passed over with its reason; results go into rig.toml with their date. Nothing moves without a press of
    the pedal.
    """
    from evenbed.cli.commission import CommissionRequest, run

    if sim and port:
        raise click.UsageError("Either --port or --sim.")
    if mistake and not sim:
        raise click.UsageError("--mistake is for --sim: a real rig brings its own.")
    raise SystemExit(run(port, sim, CommissionRequest(rig, records, begin_at, mistake, unit)))
