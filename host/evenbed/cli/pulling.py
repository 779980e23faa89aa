"""Commands at the rig: demo, pull, prove, budget, simrig."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.cli.options import FAMILY, FORCE, NUMBERS, RECORDS, one_port
from evenbed.job.ceiling import SPORTS
from evenbed.units import STANDARD_GRAVITY, UNITS


@click.command()
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


@click.command()
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


@click.command()
@click.option("--port", help="The board's serial port, such as /dev/ttyACM0, or what simrig prints.")
@click.option("--sim", is_flag=True, help="Use a simulated rig and simulated hands instead of a port.")
@click.option("--weight", type=FORCE, help="A check weight, 49 N at least: 10kgf for 10 kg, hung by a line.")
@click.option("--unit", type=click.Choice(UNITS), default="N", show_default=True, help="Unit of the forces shown.")
def prove(port: str | None, sim: bool, weight: tuple[float, str] | None, unit: str) -> None:
    """The self-proving start, a minute before each session: pedal, emergency stop, check weight, a deliberate trip.

    Each safeguard has to show that it works. Nothing but the deliberate trip moves the motor, and that at low force, on a
    soft spring or a loop of old string.
    """
    from evenbed.cli.prove import run
    from evenbed.job.proving import weight_refused

    if weight is not None and (why := weight_refused(*weight)):
        raise click.BadParameter(why, param_hint="--weight")
    one_port(port, sim)
    raise SystemExit(run(port, weight[0] if weight else None, unit))


@click.command()
@click.argument("ceiling", type=FORCE)
@click.option("--stiffness", type=click.FloatRange(1, 120), default=6.0, show_default=True, help="Of the string, N/mm.")
def budget(ceiling: tuple[float, str], stiffness: float) -> None:
    """Show the stop budget under CEILING (25kgf): how far the force can rise once something is wrong, and what bounds it.

    For the reference rig's settings: every speed, age and grant is what the board itself reckons with.
    """
    from evenbed.cli.budget import run

    raise SystemExit(run(ceiling[0], stiffness, ceiling[1]))


@click.command()
@click.option("--string", "family", type=FAMILY, default="nylon", show_default=True, help="What is in the gripper.")
@click.option(
    "--length", "length_mm", type=click.FloatRange(250, 1200), default=620.0, show_default=True, help="Free length, mm."
)
@click.option("--woven", is_flag=True, help="A cross: the stringer straightens it.")
@click.option("--tether", type=click.FloatRange(5, 120), help="A steel tether of this stiffness (N/mm), no string.")
@click.option("--slack", type=click.FloatRange(0, 200), default=8.0, show_default=True, help="Slack before contact, mm.")
@click.option(
    "--hands",
    type=click.Choice(["auto", "keys", "pedal", "prove", "weights", "gauge"]),
    default="auto",
    show_default=True,
    help="Who acts.",
)
@click.option(
    "--racquet", type=click.Path(dir_okay=False, path_type=Path), help="A racquet file: its strings, by the plan."
)
@click.option("--habit", default="good", show_default=True, help="How the hands work; needs --racquet.")
@click.option("--done", type=NUMBERS, default=(), help="Pulls of the plan that are in the bed already: 1,2,5.")
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
    racquet: Path | None,
    habit: str,
    done: tuple[int, ...],
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
                racquet=racquet,
                habit=habit,
                done=done,
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
