"""What one spring's curve tells, on drawn rigs and springs (tests/bench has many more of them)."""

from __future__ import annotations

import pytest
from scipy import stats

from bench_curve_truth import Truths, truths
from bench_metrology import USUAL
from support.shared import reckoned_once

DAYS = 12


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Truths:
    seeds = range(7000, 7000 + DAYS)
    return reckoned_once(tmp_path_factory, "usual-truths", lambda: truths(USUAL, seeds))


def test_intervals_of_every_finding_hold_the_truth(usual: Truths) -> None:
    """Of 12 at 95 %, fewer than 8 hold once in 5000."""
    least = stats.binom.ppf(2e-4, DAYS, 0.95) / DAYS
    assert len(usual.pairs) == 6
    for finding, pairs in usual.pairs.items():
        assert len(pairs) == DAYS
        assert usual.coverage(finding) >= least, finding


def test_rates_are_unbiased_and_near_a_thousandth(usual: Truths) -> None:
    for finding, pairs in usual.pairs.items():
        if "N/mm" in finding:
            mean_u = sum(u for _, u in pairs) / DAYS
            assert abs(sum(error for error, _ in pairs) / DAYS) < 0.5 * mean_u
            assert mean_u < 0.03  # of 9 to 16 N/mm


def test_sound_springs_have_one_rate_and_are_not_bound(usual: Truths) -> None:
    assert set(usual.shapes) <= {"one_rate", "cannot_tell"}
    assert usual.shapes["one_rate"] >= 0.8 * DAYS
    assert "solid, mm" not in usual.pairs
