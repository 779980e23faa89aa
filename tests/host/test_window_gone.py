"""The control process without its window: it goes on until nothing hangs on it, and leaves no board armed for nothing."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from evenbed.control.loop import Mechanics
from evenbed.control.port import CONTROL, control_process, in_use
from evenbed.control.process import Server
from evenbed.head.types import Ask
from evenbed_fw import faults
from evenbed_fw.safety import ARMED, HOLDING, LATCHED
from handled_rig import HandledRig


@pytest.fixture
def server() -> Iterator[Server]:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    yield Server("no port", 250.0, theirs, Mechanics())
    ours.close()
    theirs.close()


def ends(server: Server, r: HandledRig, within_s: float = 20.0) -> bool:
    """Does the process end, its window gone now?"""
    server.loop = r.host.loop
    server.client_gone = True
    return r.until(lambda: server._over(r.t_s), within_s)


def test_an_armed_slack_head_is_disarmed_first(server: Server) -> None:
    r = HandledRig().arm()
    assert r.rig.board.core.state == ARMED
    assert ends(server, r)
    assert r.rig.board.core.state == LATCHED and not r.rig.board.core.enabled


def test_a_board_that_does_not_disarm_keeps_no_process(server: Server) -> None:
    r = HandledRig().arm()
    r.inject_now("cell off")
    r.wait(1.0)
    assert ends(server, r)
    assert r.rig.board.core.state != LATCHED


def test_no_press_draws_any_more(server: Server) -> None:
    r = HandledRig().arm()
    r.host.on_line = None  # nobody plans
    r.inject_now("to-board intermittent 1.0 for 0.5s")  # the board hears of the disarming late
    server.loop = r.host.loop
    server.client_gone = True
    r.until(lambda: server._over(r.t_s), 0.1)
    assert r.head.pull is None


def test_a_string_is_held_until_it_is_off(server: Server) -> None:
    r = HandledRig().draw()
    assert not ends(server, r, 3.0) and r.rig.board.core.state == HOLDING
    r.hold(1.5)
    assert ends(server, r)
    assert r.rig.force_n < 10.0 and r.rig.board.core.state == LATCHED  # 10 N: from there the board calls it loaded


def test_a_way_down_after_a_trip_is_not_left_in_the_middle(server: Server) -> None:
    r = HandledRig().draw()
    r.inject_now("cell stuck for 0.5s")
    r.wait(3.0)
    r.ask(Ask.LET_DOWN)
    r.wait(1.0)
    assert r.rig.hw.rate < 0
    assert ends(server, r)
    assert r.rig.force_n < 10.0 and r.rig.hw.rate == 0
    assert not r.rig.board.core.later >> faults.LEASE_EXPIRED & 1


# --- whose port it is ----------------------------------------------------------------------------------------------
def test_a_port_that_another_evenbed_uses_is_told_with_its_process(tmp_path: Path) -> None:
    port = tmp_path / "tty"
    port.write_text("")
    for pid, program, there in ((4711, CONTROL, True), (4712, b"editor", True), (4713, CONTROL, False)):
        folder = tmp_path / "proc" / str(pid)
        (folder / "fd").mkdir(parents=True)
        (folder / "cmdline").write_bytes(b"python\0-m\0" + program + b"\0")
        (folder / "fd" / "5").symlink_to(port if there else tmp_path / "other")
    assert control_process(str(port), tmp_path / "proc") == 4711
    assert control_process(str(tmp_path / "none"), tmp_path / "proc") is None
    assert in_use(os.fspath(port)) == ""  # on this computer nobody does
