"""The rim of a first start on a real (pseudo-)serial port and the real clock."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from evenbed.cli.commission import CommissionRequest, run
from evenbed.cli.commission_rim import PortRim, RimError
from evenbed.cli.keyboard import Keyboard
from evenbed.commission.moments import Moment
from evenbed_sim import presets
from evenbed_sim.rig import Rig
from evenbed_sim.strand import Strand

ptyport = pytest.importorskip("evenbed_sim.ptyport", reason="no pseudo-terminals here")


@pytest.fixture
def served() -> Iterator[str]:
    """The name of a port behind which a rig runs on the real clock."""
    port = ptyport.PtyPort()
    rig = Rig(Strand(presets.steel_tether(6.0, 8.0)), seed=2)
    over = threading.Event()

    def serve() -> None:
        while not over.wait(0.01):
            rig.deliver(port.read(), rig.t_us)
            rig.run_until(rig.t_us + 10_000.0)
            for _, line in rig.collect_lines():
                port.write(line)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield port.name
    over.set()
    thread.join()
    port.close()


def wait(rim: PortRim, ready: Callable[[Moment], bool]) -> Moment:
    until = time.monotonic() + 20.0
    while time.monotonic() < until:
        for m in rim.moments(0.1):
            if m.alive and ready(m):
                return m
    raise AssertionError("nothing came")


def test_it_listens_hands_the_port_over_and_takes_it_back(served: str, tmp_path: Path) -> None:
    rim = PortRim(served, tmp_path, Keyboard(None, False))
    m = wait(rim, lambda m: bool(m.heard))
    assert m.state == "" and m.force_n is not None and rim.board is not None
    model, says = rim.board
    assert model.steps_per_mm == 1600.0 and "1600 steps a millimetre" in says
    rim.connect(40.0)
    assert wait(rim, lambda m: m.force_n is not None).state == "unarmed"
    rim.listen()
    assert wait(rim, lambda m: bool(m.heard)).state == ""
    rim.close()


def test_a_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(RimError, match="no such port"):
        PortRim(str(tmp_path / "ttyNONE"), tmp_path, Keyboard(None, False))


def test_a_simulated_rig_writes_nothing_into_the_users_own_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "rig.toml"
    monkeypatch.setenv("EVENBED_RIG", str(mine))
    assert run(None, True, CommissionRequest(rig=mine, records=tmp_path)) == 2
    assert "your own rig" in capsys.readouterr().err and not mine.exists()


def test_a_step_that_does_not_exist_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(None, True, CommissionRequest(records=tmp_path, begin_at="directions")) == 2
    assert "direction" in capsys.readouterr().err
