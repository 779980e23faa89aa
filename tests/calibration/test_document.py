"""A calibration as it is kept: what is written is read back, what is not one is refused, and what the board is told."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from calibration_runs import CELL, GAIN, ZERO, run
from evenbed.calibration.budget import Term, expand
from evenbed.calibration.document import FORMAT, Document, DocumentError, document
from evenbed.calibration.steps import Series
from evenbed.calibration.weights import Place, parse_weights, stack
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store

PLACE = Place(9.81, 3e-4)
LOADS = {text: stack(parse_weights(text), PLACE) for text in ("5kg M1", "10kg M1", "5kg M1 + 10kg M1")}
FORCES_N = [load.force_n for load in LOADS.values()]


def terms(force_n: float) -> tuple[Term, ...]:
    return next(load.terms for load in LOADS.values() if load.force_n == force_n)


def made(gain: float = GAIN, runs: int = 1) -> Document:
    series = tuple(run(FORCES_N, lambda f: gain * f, 20.0, seed, terms=terms, zero_end=30.0) for seed in range(runs))
    texts = ("", *LOADS, "") * runs
    return Document("2026-03-01T10:00:00+01:00", "somebody", PLACE, CELL, series, weights=texts, room_c=21.0, remark="new")


def test_what_is_kept_is_read_back() -> None:
    doc = made(runs=2)
    again = document(json.loads(json.dumps(doc.plain(), allow_nan=False)))
    assert again == doc
    assert any(math.isinf(term.dof) for s in again.runs[0].steps for term in s.terms)
    assert again.setting == doc.setting and again.uncertainty(100.0) == doc.uncertainty(100.0)


@pytest.mark.parametrize("form", [None, "evenbed calibration 0", "evenbed calibration 2", 1])
def test_another_format_is_refused(form: object) -> None:
    plain = {**made().plain(), "format": form}
    with pytest.raises(DocumentError, match="no calibration of this program"):
        document(plain)
    assert document({**plain, "format": FORMAT})


@pytest.mark.parametrize(
    "change", [{"runs": [[{"force_n": 1.0}]]}, {"place": {"g_m_s2": 1.6, "u_g_m_s2": 0.0}}, {"cell": None}]
)
def test_a_damaged_one_is_refused_with_a_sentence(change: dict[str, object]) -> None:
    with pytest.raises(DocumentError, match="cannot be read"):
        document({**made().plain(), **change})
    plain = made().plain()
    del plain["cell"]
    with pytest.raises(DocumentError, match="cannot be read"):
        document(plain)


def test_what_the_board_is_told() -> None:
    setting = made(gain=1.04 * GAIN).setting
    assert setting.zero_counts == round(ZERO)
    # Scatter of 20 counts at 147 N: 1.6e-5 of the sensitivity; four of them and the zero's return of 30 counts.
    assert setting.gain_mcounts_n == pytest.approx(1040.0 * GAIN, rel=1e-4)
    assert setting.rated_mcounts_n == round(1000.0 * GAIN)
    # A rating given anew is told as it was given, never as what was measured: the board's own check stays one.
    given = replace(made(gain=1.04 * GAIN), cell=replace(CELL, rating_mv_v=2.1, rating_corrected=True))
    assert given.setting.rated_mcounts_n == round(1050.0 * GAIN)
    turned = replace(CELL, inverted=True)
    assert replace(made(), cell=turned).setting.rated_mcounts_n == round(1000.0 * GAIN)


def test_the_straight_line_on_the_board_costs_what_the_curve_bends() -> None:
    straight = made(runs=2)
    assert straight.bent_n(100.0) == pytest.approx(0.0, abs=1e-9)
    forces_n = [30.0, 60.0, 90.0, 120.0, 147.0]
    bowed = tuple(run(forces_n, lambda f: GAIN * f + 0.5 * f * (200.0 - f), 5.0, seed) for seed in (1, 2))
    bent = replace(straight, runs=bowed)
    assert bent.calibration.chosen.fit.degree == 2
    # Chord of a bow of 0.5 f (200 - f) counts to 147 N, at 75 N: 0.5 * 75 * 72 counts over the chord's slope.
    assert bent.bent_n(75.0) == pytest.approx(0.5 * 75.0 * 72.0 / (GAIN + 0.5 * 53.0), rel=0.02)
    # Known and not corrected: added in full (JCGM 100 F.2.4.5).
    on_curve = expand(bent.budget(75.0)).expanded_n
    assert bent.uncertainty(75.0).expanded_n == pytest.approx(on_curve + bent.bent_n(75.0))


def test_beyond_the_weights() -> None:
    doc = made()
    top_n = max(FORCES_N)
    assert [doc.extrapolation(k * top_n) for k in (1.0, 1.19, 1.21, 1.99, 2.01)] == ["", "", "warn", "warn", "refuse"]
    table = doc.table()
    assert table[0][0] == 0.0 and table[-1][0] == pytest.approx(2.0 * top_n)
    assert all(u > 0.0 for _, u in table)


def test_steps_that_make_no_calibration_say_what_is_missing() -> None:
    only_zero = replace(made(), runs=(Series(made().runs[0].zeros),))
    with pytest.raises(DocumentError, match="Hang on weights"):
        _ = only_zero.setting
    no_zero = replace(made(), runs=(Series(made().runs[0].loaded),))
    with pytest.raises(DocumentError, match="no zero in the last series"):
        _ = no_zero.setting


def test_the_store_keeps_each_for_ever_and_logs_what_was_in_use(tmp_path: Path) -> None:
    store = Store(tmp_path)
    kept = Calibrations(store)
    first, second = kept.keep(made()), kept.keep(made(gain=1.01 * GAIN))
    assert kept.in_use() is None
    kept.use(second, "new")
    kept.use(first, "back to the old one")
    used = kept.in_use()
    assert used is not None and used.number == first and used.document == made()
    assert [(number, why) for _, number, why in kept.uses()] == [(second, "new"), (first, "back to the old one")]
    kept.save_draft(made().plain())
    left = kept.draft()
    assert left is not None and document(left[1]) == made()
    kept.drop_draft()
    assert kept.draft() is None
    store.close()
