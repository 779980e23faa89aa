"""The command line. Each command's work is in a module of its own, loaded when it is asked for."""

from __future__ import annotations

import click

from evenbed.cli import afterwards, building, measuring, pulling, stopped, stringing


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="evenbed")
def main() -> None:
    """The brain of a hobby-built constant-pull tension head.

    Try it without hardware:  evenbed demo

    Stay clear of the line of pull and protect your eyes; SAFETY.md comes before the first real string.
    """


for command in (
    pulling.demo,
    pulling.pull,
    pulling.prove,
    pulling.budget,
    pulling.simrig,
    afterwards.jobs,
    afterwards.report,
    afterwards.tone,
    building.commission,
    building.flash,
    building.size,
    measuring.calibrate,
    measuring.calibrations,
    measuring.certificate,
    measuring.check,
    measuring.sensor,
    stopped.trips,
    stringing.bench,
    stringing.job,
    stringing.plan,
    stringing.racquet,
):
    main.add_command(command)


if __name__ == "__main__":
    main()
