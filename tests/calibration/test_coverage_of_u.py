"""Stated intervals hold the true force as often as they say; the full table is ``python -m tests.benchmarks.coverage``."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

# The benchmark lives beside the tests, in no installed package; plain pytest does not look there.
sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.coverage import SETS, calibrated, pooled, tally

RUNS = 200
LEAST = 0.94
# A calibration whose intervals hold 94 % of the time gets fewer than this in 200 only once in ten thousand times.
BOUND = int(binom.ppf(1e-4, RUNS, LEAST))


def test_intervals_hold_the_true_force() -> None:
    found = pooled(tally(RUNS, seed=7))
    assert set(found) == {"50", "100", "235", "top"}
    for force, one in found.items():
        assert one.n == RUNS
        assert one.held >= BOUND, (force, one.share)
        # And they say something: half a percent to a percent with such weights, not ten.
        assert one.width / one.n < 1.5, force


def test_a_wrong_sensitivity_is_not_held() -> None:
    """The same count must notice a calibration that is wrong: here by three times what its weights explain."""
    held = 0
    for i in range(40):
        rng = np.random.default_rng((11, i))
        cell, doc = calibrated(rng, SETS[0][1], careful=True)
        force_n = doc.calibration.top_n
        wrong_n = force_n * 1.004
        shown_n = float(cell.mean(wrong_n, wrong_n, 0.0) - cell.mean(0.0, 0.0, 0.0)) / doc.gain_counts_n
        held += abs(shown_n - force_n) <= doc.uncertainty(shown_n).expanded_n
    assert held < 40 * 0.5


@pytest.mark.parametrize("kit", [kit for _, kit in SETS])
def test_more_series_make_the_interval_narrower(kit: tuple[str, ...]) -> None:
    """Median over ten cells, at the highest weight: three series up and down against a single one."""
    widths = []
    for careful in (False, True):
        docs = [calibrated(np.random.default_rng((5, i)), kit, careful)[1] for i in range(10)]
        widths.append(np.median([doc.uncertainty(doc.calibration.top_n).expanded_n for doc in docs]))
    assert widths[1] < widths[0]
