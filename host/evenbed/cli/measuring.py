"""Commands about the measurement: sensor, check, calibrate, calibrations, certificate."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.cli.options import FORCE, RECORDS, one_port
from evenbed.units import UNITS


@click.command()
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig and simulated hands instead of a port.")
@click.option("--seconds", type=click.FloatRange(3, 600), default=20.0, show_default=True, help="How long to listen.")
@click.option("--creep", metavar="WEIGHT", help="A creep test, too, under a dead weight such as '5kg M1'.")
@click.option(
    "--minutes", type=click.FloatRange(0.5, 240), default=30.0, show_default=True, help="How long the weight hangs."
)
@click.option("--capacity", type=FORCE, help="The cell's capacity, for the creep test; by default the calibration's.")
@click.option("--warm-up", type=click.FloatRange(1, 240), help="Listen for so many minutes and say when it has warmed up.")
@click.option(
    "--picture",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("evenbed-creep.svg"),
    show_default=True,
    help="Where the creep curve goes.",
)
@RECORDS
def sensor(
    port: str | None,
    sim: bool,
    seconds: float,
    creep: str | None,
    minutes: float,
    capacity: tuple[float, str] | None,
    warm_up: float | None,
    picture: Path,
    records: Path | None,
) -> None:
    """Say whether the measurement is sound: rate, noise, mains hum, drift, zero, stray and missing readings.

    The board is only listened to; nothing moves. Each figure comes with its limit and the next step.
    """
    from evenbed.cli.sensor import SensorRequest, run

    one_port(port, sim)
    request = SensorRequest(
        seconds=seconds,
        creep=creep,
        minutes=minutes,
        warm_up_min=warm_up,
        capacity_n=capacity[0] if capacity else None,
        picture=picture,
        records=records,
    )
    raise SystemExit(run(port, request))


@click.command()
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig and simulated hands instead of a port.")
@click.option("--weight", metavar="WEIGHT", help="Check with a weight, such as '5kg M1' or '20lb ±1%'.")
@click.option("--gauge", metavar="TOLERANCE", help="Check with a pull gauge of this tolerance, such as 1% or 0.2kgf.")
@click.option(
    "--steps", "steps", multiple=True, type=FORCE, help="With a gauge: a force to draw to; give it several times."
)
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
@click.option("--chart", is_flag=True, help="Draw the control chart of the checks made so far, and check nothing.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("evenbed-checks.svg"),
    show_default=True,
    help="Where the chart goes.",
)
@RECORDS
def check(
    port: str | None,
    sim: bool,
    weight: str | None,
    gauge: str | None,
    steps: tuple[tuple[float, str], ...],
    unit: str,
    chart: bool,
    out: Path,
    records: Path | None,
) -> None:
    """Check, seconds before a session: does the head still show what hangs on it? With a weight, or a pull gauge.

    With a weight nothing moves. With a gauge between gripper and mount the head draws to 100, 180 and 240 N, each on a
    tap of the pedal, and you type what the gauge shows. A check is no calibration.
    """
    from evenbed.cli import check as checks

    if chart:
        raise SystemExit(checks.chart(out, weight, gauge, records))
    if (weight is None) == (gauge is None):
        raise click.UsageError("Say with what: --weight '5kg M1', or --gauge 1%.")
    one_port(port, sim)
    steps_n = tuple(sorted(force for force, _ in steps)) or checks.STEPS_N
    raise SystemExit(checks.run(port, checks.CheckRequest(weight, gauge, steps_n, unit, records)))


@click.command()
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig and simulated hands that hang what you type.")
@click.option("--latitude", type=click.FloatRange(-90, 90), help="Where the weights hang, degrees: says gravity.")
@click.option("--height", type=click.FloatRange(-500, 9000), help="Height above the sea there, m.")
@click.option("--gravity", type=click.FloatRange(9.76, 9.84), help="Gravity there, m/s2, if you know it.")
@click.option("--capacity", type=FORCE, default="50kgf", show_default=True, help="Printed on the cell: what it takes.")
@click.option(
    "--rating", type=click.FloatRange(0.1, 10), help="Printed on the cell, mV/V, in place of what the board knows."
)
@click.option(
    "--converter-gain", type=click.FloatRange(1, 1024), default=128.0, show_default=True, help="Of the converter."
)
@click.option("--by", help="Who calibrates; your name on this computer without it.")
@click.option("--room", type=click.FloatRange(-10, 50), help="Temperature of the room, deg C.")
@click.option("--limit", type=FORCE, help="The rig's own limit to store; without it the board's stays.")
@click.option("--resume", is_flag=True, help="Go on with the run that was left.")
@click.option("--unit", type=click.Choice(UNITS), default="kgf", show_default=True, help="Unit of the forces shown.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another simulated cell, other weights.")
@RECORDS
def calibrate(
    port: str | None,
    sim: bool,
    latitude: float | None,
    height: float | None,
    gravity: float | None,
    capacity: tuple[float, str],
    rating: float | None,
    converter_gain: float,
    by: str | None,
    room: float | None,
    limit: tuple[float, str] | None,
    resume: bool,
    unit: str,
    seed: int,
    records: Path | None,
) -> None:
    """Calibrate the load cell against weights: a guided run. It only listens; nothing moves.

    Hang what you have, type what it is (5kg M1, 20lb ±1%), and see what a reading is worth. The board stores the result
    once somebody holds the pedal.
    """
    from evenbed.calibration.weights import WeightError
    from evenbed.cli.calibrate import CalibrateRequest, place_of, run

    one_port(port, sim)
    try:
        place = place_of(gravity, latitude, height)
    except WeightError as e:
        raise click.UsageError(str(e)) from None
    request = CalibrateRequest(
        place=place,
        capacity_n=capacity[0],
        rating_mv_v=rating,
        converter_gain=converter_gain,
        by=by,
        room_c=room,
        limit_n=limit[0] if limit else None,
        resume=resume,
        records=records,
        unit=unit,
        seed=seed,
    )
    raise SystemExit(run(request, port))


@click.group(invoke_without_command=True)
@RECORDS
@click.option("--unit", type=click.Choice(UNITS), default="kgf", show_default=True, help="Unit of the forces shown.")
@click.pass_context
def calibrations(context: click.Context, records: Path | None, unit: str) -> None:
    """List the calibrations, or choose one: use."""
    from evenbed.cli.calibrations import table

    context.obj = records
    if context.invoked_subcommand is None:
        raise SystemExit(table(records, unit))


@calibrations.command()
@click.argument("number", type=int)
@click.option("--port", required=True, help="The board that is to store it.")
@click.option("--limit", type=FORCE, help="The rig's own limit to store; without it the board's stays.")
@click.pass_obj
def use(records: Path | None, number: int, port: str, limit: tuple[float, str] | None) -> None:
    """Offer calibration NUMBER to the board; a hand on its pedal takes it over. From then on it is in use."""
    from evenbed.cli.calibrations import use as choose

    raise SystemExit(choose(number, port, limit[0] if limit else None, records))


@click.command()
@click.argument("number", type=int, required=False)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Where the page goes; calibration-N.html.")
@click.option("--csv", type=click.Path(dir_okay=False, path_type=Path), help="Write the steps as a table.")
@click.option("--json", type=click.Path(dir_okay=False, path_type=Path), help="Write all of it.")
@click.option("--unit", type=click.Choice(UNITS), default="kgf", show_default=True, help="Unit of the forces shown.")
@RECORDS
def certificate(
    number: int | None, out: Path | None, csv: Path | None, json: Path | None, unit: str, records: Path | None
) -> None:
    """Say what calibration NUMBER (the one in use without it) is worth, and write it as a page that prints well (HTML)."""
    from evenbed.cli.certificate import run

    raise SystemExit(run(number, out, csv, json, records, unit))
