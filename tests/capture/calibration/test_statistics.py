"""Robust spread, Student's factor and effective degrees of freedom against outside values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from coilbench.capture.calibration.statistics import (
    LEAST_SD_COUNTS,
    ROBUST_SD_PER_MAD,
    chi_square_tail,
    coverage_factor,
    distinct,
    f_tail,
    median,
    medians,
    noise_sd,
    quantiles,
    student_factor,
    student_quantile,
    widening,
)


def test_the_robust_constant_is_that_of_a_normal_distribution() -> None:
    assert pytest.approx(1.0 / stats.norm.ppf(0.75), rel=1e-14) == ROBUST_SD_PER_MAD


# Table G.2 of JCGM 100:2008.
@pytest.mark.parametrize(
    ("dof", "p", "factor"), [(1, 0.95, 12.71), (4, 0.95, 2.78), (10, 0.95, 2.23), (4, 0.99, 4.60)]
)
def test_students_factor_is_the_guides_table(dof: float, p: float, factor: float) -> None:
    assert student_factor(dof, p) == pytest.approx(factor, abs=0.005)


@pytest.mark.parametrize("outside", [0.5, 0.3, 0.05, 0.01, 1e-4, 1e-6])
def test_students_quantiles_are_scipys(outside: float) -> None:
    for dof in (0.3, 1.0, 1.7, 2.0, 5.0, 30.0, 59.9, 400.0, 9999.0, 10_001.0, 1e9, math.inf):
        expected = stats.t.isf(0.5 * outside, dof)
        assert student_quantile(dof, outside) == pytest.approx(expected, rel=1e-10), dof
    assert student_factor(7.0, 1.0 - outside) == pytest.approx(
        stats.t.isf(0.5 * outside, 7.0), rel=1e-9
    )


@pytest.mark.parametrize("dof", [1.0, 2.0, 3.0, 8.0])
@pytest.mark.parametrize("rest_dof", [1.0, 2.5, 6.0, 40.0, 500.0])
def test_the_tail_of_f_is_scipys(dof: float, rest_dof: float) -> None:
    for f in (0.0, 1e-6, 0.1, 1.0, 3.0, 40.0, 1e4):
        expected = stats.f.sf(f, dof, rest_dof)
        assert f_tail(dof, rest_dof, f) == pytest.approx(expected, rel=1e-9, abs=1e-300)


@pytest.mark.parametrize("dof", range(1, 8))
def test_the_tail_of_chi_square_is_scipys(dof: int) -> None:
    for x in (0.0, 0.01, 1.0, 4.0, 20.0, 200.0):
        assert chi_square_tail(dof, x) == pytest.approx(stats.chi2.sf(x, dof), rel=1e-12)


def test_a_coverage_factor_is_at_least_two_and_widens_by_half_of_it() -> None:
    assert coverage_factor(59.0) == pytest.approx(2.00, abs=0.005)
    assert coverage_factor(60.0) == coverage_factor(math.inf) == 2.0
    assert widening(4) == pytest.approx(2.776 / 2.0, abs=0.001)
    assert widening(0) == 1.0


def test_noise_is_blind_to_drift_and_jumps_and_never_below_a_step() -> None:
    rng = np.random.default_rng(3)
    counts = rng.normal(0.0, 40.0, 5000) + np.linspace(0.0, 20_000.0, 5000)
    counts[1000:] += 1e6
    assert noise_sd(counts) == pytest.approx(40.0, rel=0.05)
    assert noise_sd(np.zeros(10)) == LEAST_SD_COUNTS


@pytest.mark.parametrize("count", [1, 2, 3, 10, 401])
def test_a_median_is_numpys(count: int) -> None:
    x = np.random.default_rng(count).normal(size=count)
    assert median(x) == np.median(x)
    x[count // 2] = np.nan
    assert math.isnan(median(x))


@pytest.mark.parametrize("count", [1, 2, 3, 40, 41])
def test_medians_and_quantiles_of_rows_are_numpys(count: int) -> None:
    x = np.random.default_rng(count).normal(size=(5, count))
    assert medians(x).tolist() == np.median(x, axis=1).tolist()
    for share in (0.0, 0.25, 0.75, 0.9):
        assert quantiles(x, share) == pytest.approx(np.quantile(x, share, axis=1), rel=1e-13)


def test_distinct_values_are_numpys() -> None:
    for x in (np.array([3.0, -1.0, 3.0, 0.5, -1.0]), np.array([2, 2, 0, 7]), np.empty(0)):
        assert distinct(x).tolist() == np.unique(x).tolist()
