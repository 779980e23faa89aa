"""One whole pull with one line of the wire hurt: whichever it is, the pull comes right or is stopped with a sentence.

Here every line outside the steady stream is hurt in every manner, and a stride of the rest; ``tests.benchmarks.nth`` does
every line. What a pull must be in the end is said in the benchmark's README.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import pytest
from evenbed_fw.hardware import I_PEDAL_A, I_PEDAL_B
from evenbed_sim.rig import Rig

# The benchmark lives beside the tests, in no installed package; plain pytest does not look there.
sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.nth import (
    CEILING_N,
    HURTS,
    REFERENCE_N,
    TO_BOARD,
    TO_HOST,
    WAYS,
    OnePull,
    Verdict,
    marked,
    some,
    tell,
    undisturbed,
    work,
)

STRIDE = 16


def judged(way: str) -> list[Verdict]:
    return [work(job) for job in some(STRIDE) if job[0] == way]


@pytest.mark.parametrize("way", WAYS)
def test_whichever_line_is_hurt_the_pull_comes_right_or_says_why_not(way: str) -> None:
    done = judged(way)
    assert len(done) > 40
    assert [tell(v) for v in done if v.kind == "violation"] == []
    kinds = Counter(v.kind for v in done)
    # A lost line is made up for by the next one; only what keeps all lines back for longer than a lease stops a pull.
    assert kinds["right"] > 0.8 * len(done), kinds
    assert {v.hurt for v in done if v.kind not in ("right", "again")} <= {"stall 200 ms"}, kinds
    assert max(v.peak_n for v in done) <= CEILING_N


def test_the_slice_holds_what_happens_once() -> None:
    lines = undisturbed()
    kinds = {way: {lines[way][n][1].split(b" ")[0] for n in marked(way)} for way in WAYS}
    assert kinds[TO_BOARD] == {b"hello", b"limits", b"arm", b"go"}
    assert {b"board", b"limits", b"ok"} <= kinds[TO_HOST]
    goes = [lines[TO_BOARD][n] for n in marked(TO_BOARD) if lines[TO_BOARD][n][1].startswith(b"go")]
    assert {state for _, _, state in goes} >= {
        "taking_up",
        "drawing",
        "holding",
        "proving_clamp",
        "easing_off",
        "returning",
    }


def test_a_trip_in_the_middle_is_told_whichever_of_its_lines_is_hurt() -> None:
    """The lines around a lease that has run out: the fault, the question for the record, the record."""
    n = next(i for i, (_, _, state) in enumerate(undisturbed()[TO_BOARD]) if state == "drawing") + 10
    tripped = OnePull(TO_BOARD, n, "stall 200 ms")
    assert tripped.fate.kind == "lease_expired", tripped.fate
    after = [i for i, (_, line, _) in enumerate(tripped.wire.lines[TO_HOST]) if line.startswith(b"trip")]
    assert after  # the record was asked for and has come
    for i in range(after[0] - 3, after[0] + 2):
        for hurt in ("lose", "corrupt"):
            pull = OnePull(TO_BOARD, n, "stall 200 ms", also=[(TO_HOST, i, hurt)])
            assert pull.fate.kind == "lease_expired", (i, hurt, pull.fate)
            assert sum(e.name == "lease_expired" for e in pull.told) == 1


# --- the judge itself ----------------------------------------------------------------------------------------------
def scaled(factor: float) -> Verdict:
    def meddle(rig: Rig) -> None:
        zero = rig.params.cell.zero_counts
        rig.bend_reading = lambda code: round(zero + (code - zero) * factor)

    return OnePull(meddle=meddle).fate


def test_a_pull_with_a_cell_that_lies_is_a_violation() -> None:
    assert OnePull().fate.kind == "right"
    low = scaled(0.95)  # holds 5 % too much
    assert low.kind == "violation" and "held" in low.why
    assert scaled(0.6).kind == "violation"
    assert low.peak_n > 1.04 * REFERENCE_N


def test_a_pull_that_ends_nowhere_without_a_word_is_a_violation() -> None:
    def meddle(rig: Rig) -> None:
        rig.pedal_wires = lambda pins: (pins | I_PEDAL_B) & ~I_PEDAL_A  # nobody presses

    dead = OnePull(meddle=meddle).fate
    assert dead.kind == "violation" and "not drawn" in dead.why


def test_every_hurt_does_what_it_is_called() -> None:
    line = undisturbed()[TO_BOARD][0][1]
    assert HURTS["lose"](line, 0) == []
    bent = HURTS["corrupt"](line, 5)[0][1]
    assert sum((a ^ b).bit_count() for a, b in zip(line, bent, strict=True)) == 1
    assert HURTS["duplicate"](line, 0) == [(0.0, line)] * 2
    assert HURTS["delay 60 ms"](line, 0) == [(60e3, line)]
    assert line.startswith(HURTS["truncate"](line, 3)[0][1]) and len(HURTS["truncate"](line, 3)[0][1]) < len(line)
