"""What belongs on a board, what has to be done for it, and which board must be left alone."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import evenbed_fw
import pytest
from evenbed.flash.changes import changes, foreign, sha256, wrong
from evenbed.flash.files import BOOT, CELL, FRESH, MAIN, PINS, firmware, reference_pins
from evenbed.flash.greeting import Heard, refusal
from evenbed.flash.places import Place, PlaceError, choose
from evenbed.link.messages import BoardInfo
from evenbed_fw import safety
from hypothesis import given
from hypothesis import strategies as st

ROOT = Path(evenbed_fw.__file__).parents[1]
SLACK = Heard(BoardInfo(1, 100, 1, 891504336), frozenset({safety.LATCHED}), 0.4)


def test_every_module_of_the_firmware_belongs_on_the_board() -> None:
    """And nothing else: MicroPython reads only .py here, and the pins are the rig's own."""
    sources = {str(p.relative_to(ROOT)): p.read_bytes() for p in ROOT.rglob("*.py") if "__pycache__" not in p.parts}
    assert firmware() == sources
    assert {BOOT, MAIN} < sources.keys() and "evenbed_pico/start.py" in sources
    assert reference_pins() == (ROOT / PINS).read_bytes()


def test_the_digest_is_sha_256() -> None:
    """FIPS 180-4; the example "abc" of NIST's SHA-256 examples."""
    assert sha256(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_blind_is_the_firmwares_own_number() -> None:
    from evenbed.flash.flashing import BLIND

    assert f"\nBLIND = {BLIND} " in (ROOT / "evenbed_pico" / "start.py").read_text()


PATHS = st.sampled_from([MAIN, BOOT, "evenbed_fw/a.py", "evenbed_fw/b.py", "evenbed_pico/c.py"])
WANTED = st.dictionaries(PATHS, st.sampled_from([b"1", b"2"])).map(lambda d: {**d, MAIN: b"m"})
THERE = st.dictionaries(
    st.one_of(PATHS, st.sampled_from(["evenbed_fw/old.py", "evenbed_pico/d.mpy", PINS, CELL, FRESH])),
    st.sampled_from([b"1", b"2", b"m"]),
)


@given(WANTED, THERE)
def test_doing_the_changes_leaves_what_belongs_there(wanted: dict[str, bytes], there: dict[str, bytes]) -> None:
    """At every moment before the end there is no main.py; at the end all is as wanted, and the rig's own files are as they
    were."""
    todo = changes(wanted, {path: hashlib.sha256(data).hexdigest() for path, data in there.items()})
    now = dict(there)
    if todo.any:
        now.pop(MAIN, None)
        for path in todo.remove:
            del now[path]
        for path in todo.copy:
            assert path != MAIN and now.get(path) != wanted[path]
            now[path] = wanted[path]
        assert MAIN not in now
        now[MAIN] = wanted[MAIN]
    for path in (PINS, CELL):
        assert now.get(path) == there.get(path)
    ours = {path: data for path, data in now.items() if path not in (PINS, CELL)}
    assert {**ours, BOOT: b""} == {**wanted, BOOT: b""}  # an older boot.py may stay where none is wanted
    assert not wrong(wanted, {path: hashlib.sha256(data).hexdigest() for path, data in now.items()})


def test_the_program_of_somebody_else_is_seen() -> None:
    assert foreign({MAIN: "x"}) == (MAIN,)
    assert foreign({BOOT: "x", MAIN: "y"}) == (BOOT, MAIN)
    assert foreign({}) == ()
    for ours in (PINS, CELL, FRESH, "evenbed_fw/wire.py"):
        assert foreign({MAIN: "x", ours: "y"}) == ()


def test_only_a_slack_board_without_power_is_interrupted() -> None:
    """By state, hardware/protocol.md section 5: the drive is off in 0 and 7 alone. Nobody's word overrides that."""
    assert refusal(SLACK, no_string=False) == ""
    for state, name in enumerate(safety.STATES):
        board = replace(SLACK, states=frozenset({state}))
        assert (refusal(board, no_string=True) == "") == (name in ("latched", "cut")), name
    assert "armed" in refusal(replace(SLACK, states=frozenset({0, 1})), no_string=True)
    assert "moving" in refusal(replace(SLACK, states=frozenset({2})), no_string=True)


@pytest.mark.parametrize(
    ("force_n", "loaded"), [(0.0, False), (4.0, False), (4.1, True), (-4.1, True), (250.0, True), (None, True)]
)
def test_a_loaded_board_is_not_interrupted_unless_somebody_has_looked(force_n: float | None, loaded: bool) -> None:
    """contact_mn of the protocol's section 9, 4 N, to both sides: a cell may be wired the other way round."""
    board = replace(SLACK, force_n=force_n)
    assert bool(refusal(board, no_string=False)) == loaded
    assert refusal(board, no_string=True) == ""
    if force_n == 250.0:
        # 250 / 9.80665 (standard gravity, NIST SP 811)
        assert "25.49 kgf" in refusal(board, no_string=False, unit="kgf")


def test_the_port_is_chosen_only_if_there_is_one() -> None:
    """0x2E8A: the USB vendor number of RP2040 boards under MicroPython, from memory."""
    other = Place("/dev/ttyS0", "n/a", None)
    one, two = Place("/dev/ttyACM0", "Board", 0x2E8A), Place("/dev/ttyACM1", "Board", 0x2E8A)
    adapter = Place("/dev/ttyUSB0", "UART adapter", 0x0403)
    assert choose([other, adapter, one]) == "/dev/ttyACM0"
    for found, shown, hidden in (
        ([other, adapter], "/dev/ttyUSB0 (UART adapter)", "n/a"),
        ([one, two], "ttyACM1", "ttyS0"),
    ):
        with pytest.raises(PlaceError) as e:
            choose(found)
        assert "--port PORT" in str(e.value) and shown in str(e.value) and hidden not in str(e.value)
    with pytest.raises(PlaceError, match="none"):
        choose([])
