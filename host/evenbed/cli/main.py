"""The command line. Each command's work is in a module of its own, loaded when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenbed.job.ceiling import SPORTS
from evenbed.units import STANDARD_GRAVITY, UNITS, UnitError, parse_force

if TYPE_CHECKING:
    from evenbed.cli.trips import Trips


class Force(click.ParamType[tuple[float, str]]):
    """A force with its unit."""

    name = "force"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, str]:
        """Understand ``24kgf``; say why not."""
        if isinstance(value, tuple):
            return value
        try:
            return parse_force(str(value))
        except UnitError as e:
            self.fail(str(e), param, ctx)


FORCE = Force()
RECORDS = click.option(
    "--records",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the records, instead of the user's data folder (or of EVENBED_RECORDS).",
)
FAMILY = click.Choice(["gut", "nylon", "polyester", "aramid", "badminton nylon", "unknown"])


def one_port(port: str | None, sim: bool) -> None:
    """A port or the simulated rig: one of them has to be named."""
    if sim == (port is not None):
        from evenbed.control.port import ports

        there = "".join(f"\n  {p}" for p in ports()) or "\n  (none found)"
        raise click.UsageError(f"Say where: --port PORT for a board, or --sim. Ports of this computer:{there}")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="evenbed")
def main() -> None:
    """The brain of a hobby-built constant-pull tension head.

    Try it without hardware:  evenbed demo

    Stay clear of the line of pull and protect your eyes; SAFETY.md comes before the first real string.
    """


@main.command()
@click.option("--real-time", is_flag=True, help="As long as it really takes (some minutes).")
@click.option("--no-wait", is_flag=True, help="As fast as this computer can.")
@click.option("--unit", type=click.Choice(UNITS), default="kgf", show_default=True, help="Unit of the forces shown.")
@click.option(
    "--picture",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("evenbed-demo.svg"),
    show_default=True,
    help="Where the picture of every pull goes.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, another stringer and other noise.")
def demo(real_time: bool, no_wait: bool, unit: str, picture: Path, seed: int) -> None:
    """String a small demo racquet on the simulated rig, in about a minute.

    The board's own firmware runs in the simulated rig; the host talks to it through a serial port (a
    pseudo-terminal). A simulated stringer presses the pedal, straightens the crosses and sets the clamps.
    """
    from evenbed.cli.demo import run

    raise SystemExit(run("real" if real_time else "none" if no_wait else "short", unit, picture, seed))


@main.command()
@click.argument("reference", type=FORCE)
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig with a simulated stringer instead of a port.")
@click.option("--ceiling", type=FORCE, help="Highest force allowed; by default with room for hands that push.")
@click.option("--sport", type=click.Choice(SPORTS), help="The frame's sport: a tension that it never takes is refused.")
@click.option("--frame-max", type=FORCE, help="The highest tension that the frame's maker allows.")
@click.option("--family", type=FAMILY, default="unknown", show_default=True, help="Kind of string; tunes 'steady'.")
@click.option("--pre-stretch", type=click.FloatRange(0, 15), default=0.0, help="Over-pull first by this many percent.")
@click.option("--woven", is_flag=True, help="A cross: the word 'straighten' is shown while it is held.")
@click.option("--speed", type=click.FloatRange(5, 100), default=60.0, show_default=True, help="Fastest draw, mm/s.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Save a picture of the pull (SVG).")
@click.option("--despite-check", is_flag=True, help="Arm although the last check failed; that is written down.")
@RECORDS
def pull(
    reference: tuple[float, str],
    port: str | None,
    sim: bool,
    ceiling: tuple[float, str] | None,
    sport: str | None,
    frame_max: tuple[float, str] | None,
    family: str,
    pre_stretch: float,
    woven: bool,
    speed: float,
    picture: Path | None,
    despite_check: bool,
    records: Path | None,
) -> None:
    """Make one pull to REFERENCE (24kgf, 52lbf, 235N): draw, hold, prove the clamp, let off.

    The pedal starts it. Ctrl-C lets the string down; a second Ctrl-C freezes the head.
    """
    from evenbed.cli.pull import PullRequest, run

    request = PullRequest(
        reference_n=reference[0],
        unit=reference[1],
        ceiling_n=ceiling[0] if ceiling else None,
        sport=sport,
        frame_max_n=frame_max[0] if frame_max else None,
        family=family,
        over_pull=pre_stretch / 100.0,
        woven=woven,
        speed_mm_s=speed,
        picture=picture,
        records=records,
        despite_check=despite_check,
    )
    one_port(port, sim)
    raise SystemExit(run(request, port))


@main.command()
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig and simulated hands instead of a port.")
@click.option("--weight", type=FORCE, help="A check weight: 5kgf for 5 kg, hung on the gripper by a line.")
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
def prove(port: str | None, sim: bool, weight: tuple[float, str] | None, unit: str) -> None:
    """The self-proving start, a minute before each session: pedal, emergency stop, check weight, a deliberate trip.

    Each safeguard has to show that it works. Nothing but the deliberate trip moves the motor, and that at low force, on a
    soft spring or a loop of old string.
    """
    from evenbed.cli.prove import run

    one_port(port, sim)
    raise SystemExit(run(port, weight[0] if weight else None, unit))


@main.command()
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


@main.command()
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


@main.command()
@click.argument("ceiling", type=FORCE)
@click.option("--stiffness", type=click.FloatRange(1, 120), default=6.0, show_default=True, help="Of the string, N/mm.")
def budget(ceiling: tuple[float, str], stiffness: float) -> None:
    """Show the stop budget under CEILING (25kgf): how far the force can rise once something is wrong, and what bounds it.

    For the reference rig's settings: every speed, age and grant is what the board itself reckons with.
    """
    from evenbed.cli.budget import run

    raise SystemExit(run(ceiling[0], stiffness, ceiling[1]))


@main.command()
@click.option("--string", "family", type=FAMILY, default="nylon", show_default=True, help="What is in the gripper.")
@click.option(
    "--length", "length_mm", type=click.FloatRange(250, 1200), default=620.0, show_default=True, help="Free length, mm."
)
@click.option("--woven", is_flag=True, help="A cross: the stringer straightens it.")
@click.option("--tether", type=click.FloatRange(5, 120), help="A steel tether of this stiffness (N/mm), no string.")
@click.option("--slack", type=click.FloatRange(0, 200), default=8.0, show_default=True, help="Slack before contact, mm.")
@click.option(
    "--hands",
    type=click.Choice(["auto", "keys", "prove", "weights", "gauge"]),
    default="auto",
    show_default=True,
    help="Who acts.",
)
@click.option("--weight", type=FORCE, help="What the hands of 'prove' hang on the gripper.")
@click.option("--fault", "faults", multiple=True, metavar="LINE", help="Such as '180N cell stuck' or '200N estop on'.")
@click.option("--scenario", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A file of such lines.")
@click.option("--list-faults", is_flag=True, help="Say which faults there are.")
@click.option("--board", is_flag=True, help="Print what the board does, too.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, other noise and timing.")
@click.option(
    "--rate",
    type=click.FloatRange(5, 400),
    default=80.0,
    show_default=True,
    help="Readings a second; the board expects 80.",
)
@click.option(
    "--gain-error", type=click.FloatRange(-60, 60), default=0.0, help="Percent by which the cell differs from its rating."
)
@click.option(
    "--gravity", type=click.FloatRange(9.76, 9.84), default=STANDARD_GRAVITY, help="Where the weights hang, m/s2."
)
def simrig(
    family: str,
    length_mm: float,
    woven: bool,
    tether: float | None,
    slack: float,
    hands: str,
    weight: tuple[float, str] | None,
    faults: tuple[str, ...],
    scenario: Path | None,
    list_faults: bool,
    board: bool,
    seed: int,
    rate: float,
    gain_error: float,
    gravity: float,
) -> None:
    """Run a simulated rig on a serial port (a pseudo-terminal) until Ctrl-C."""
    from evenbed.cli.simrig import SimrigRequest, run

    raise SystemExit(
        run(
            SimrigRequest(
                family=family,
                length_mm=length_mm,
                woven=woven,
                tether_n_mm=tether,
                slack_mm=slack,
                hands=hands,
                fault_lines=faults,
                scenario=scenario,
                list_faults=list_faults,
                seed=seed,
                board=board,
                weight_n=weight[0] if weight else None,
                rate_hz=rate,
                gain_error_percent=gain_error,
                gravity_m_s2=gravity,
            )
        )
    )


@main.command()
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


@main.group(invoke_without_command=True)
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


@main.command()
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


@main.group(invoke_without_command=True)
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


if __name__ == "__main__":
    main()
