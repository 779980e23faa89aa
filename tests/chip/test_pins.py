"""The board's own file: whatever is doubtful in it keeps the board from arming."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import evenbed_fw
import pytest

from chip.chip import Chip
from chip.rigs import load

PINS = load(Chip(), "pins")
TEXT = (Path(evenbed_fw.__file__).parents[1] / "evenbed_board.json").read_text()


def wrong(change: Any) -> str:
    data = json.loads(TEXT)
    change(data)
    return str(PINS.BoardFile(json.dumps(data)).wrong)


def test_the_file_that_comes_with_it_is_good() -> None:
    file = PINS.BoardFile(TEXT)
    assert file.wrong == ""
    assert set(file.pins) == {role[0] for role in PINS.ROLES + PINS.UART_ROLES}
    assert (file.dir_up, file.enable_on, file.uart) == (1, 1, False)
    assert file.settings.unusable() == ""
    assert file.settings.limit_mn == file.settings.limit_most_mn
    assert file.settings.gain_mcounts_n == file.settings.rated_mcounts_n


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "3", '"x"', TEXT[:-20], TEXT.replace('"form": 1', '"form": 2')])
def test_an_unreadable_file_is_no_file(text: str) -> None:
    assert PINS.BoardFile(text).wrong


@pytest.mark.parametrize("key", sorted(json.loads(TEXT)))
def test_nothing_may_be_missing(key: str) -> None:
    assert wrong(lambda data: data.pop(key))


@pytest.mark.parametrize("name", [role[0] for role in PINS.ROLES])
def test_no_pin_may_be_missing(name: str) -> None:
    assert name in wrong(lambda data: data["pins"].pop(name))


@pytest.mark.parametrize("name", PINS.NEEDED)
def test_no_limit_may_be_missing(name: str) -> None:
    assert name in wrong(lambda data: data["settings"].pop(name))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d["pins"].update(step=3), "dir"),  # twice
        (lambda d: d["pins"].update(step=23), "step"),  # the module's own
        (lambda d: d["pins"].update(step=-1), "step"),
        (lambda d: d["pins"].update(step=True), "step"),
        (lambda d: d["pins"].update(step="2"), "step"),
        (lambda d: d["pins"].update(setp=5), "setp"),
        (lambda d: d.update(dir_up=2), "dir_up"),
        (lambda d: d.update(enable_on=True), "enable_on"),
        (lambda d: d.update(port="wifi"), "port"),
        (lambda d: d.update(more=1), "more"),
        (lambda d: d["settings"].update(limit_moost_mn=1), "limit_moost_mn"),
        (lambda d: d["settings"].update(limit_most_mn=330.5), "limit_most_mn"),
        (lambda d: d["settings"].update(limit_mn=330001), "limit_mn"),  # above what the same file allows
        (lambda d: d["settings"].update(rate_max_steps_s=10**9), "rate_max_steps_s"),
        (lambda d: d.update(port="uart", pins={k: v for k, v in d["pins"].items() if k != "uart_rx"}), "uart_rx"),
        (lambda d: (d.update(port="uart"), d["pins"].update(uart_tx=5)), "uart_tx"),  # no UART there
    ],
)
def test_doubt_is_an_error_that_names_its_place(change: Any, says: str) -> None:
    assert says in wrong(change)


def test_the_guard_leaves_the_ramp_its_braking_distance() -> None:
    """v^2 / (2 a): 96000^2 / 2560000 = 3600 steps."""
    assert wrong(lambda data: data.update(end_steps=3601)) == ""
    assert "3601" in wrong(lambda data: data.update(end_steps=3600))


def test_every_role_says_where_its_wire_goes_when_nobody_drives_it() -> None:
    for name, direction, pull, what in PINS.ROLES + PINS.UART_ROLES:
        assert direction in ("in", "out") and what
        if direction == "in":
            assert pull == "pull-up", name
