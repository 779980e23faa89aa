"""What the commands share: forces with a unit, ports, the folder of the records."""

from __future__ import annotations

from pathlib import Path

import click

from evenbed.units import UnitError, parse_force


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


class Numbers(click.ParamType[tuple[int, ...]]):
    """Numbers from 1, with commas between."""

    name = "numbers"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        """Understand ``1,2,5``; say why not."""
        if isinstance(value, tuple):
            return value
        words = [w.strip() for w in str(value).split(",") if w.strip()]
        if not all(w.isdecimal() and int(w) for w in words) or len(set(words)) < len(words):
            self.fail(f"'{value}': numbers from 1, each once, such as 1,2,5.", param, ctx)
        return tuple(int(w) for w in words)


FORCE = Force()
NUMBERS = Numbers()
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
