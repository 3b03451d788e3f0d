"""Least squares and bisquare against statsmodels and NIST's certified line, under real noise."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.fits import Fit, effective_count
from coilbench.analysis.curves.wall import Line

Array = NDArray[np.float64]
NORRIS = Path(__file__).parents[2] / "data" / "norris.csv"


def line(n: int, seed: int, *, correlation: float = 0.0) -> tuple[Array, Array]:
    """A design of height and one, and 16 N/mm with AR(1) noise of 0.5 N."""
    rng = np.random.default_rng(seed)
    x = np.linspace(43.0, 31.0, n)
    noise = rng.normal(0.0, 0.5, n)
    for at in range(1, n):
        noise[at] = correlation * noise[at - 1] + np.sqrt(1.0 - correlation**2) * noise[at]
    return np.column_stack([x - 37.0, np.ones(n)]), 16.0 * (53.0 - x) + noise


def test_nist_norris_certified_line() -> None:
    """NIST StRD, Norris (linear, lower difficulty): certified values and standard deviations."""
    x, y = np.loadtxt(NORRIS, delimiter=",", comments="#", skiprows=_header_rows(NORRIS)).T[:2]
    fit = Fit.least_squares(np.column_stack([np.ones_like(x), x]), y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    errors = np.sqrt(_unwidened(fit, x.size) * np.diag(fit.covariance))
    assert errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)


def _header_rows(path: Path) -> int:
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(at for at, text in enumerate(lines) if not text.startswith("#")) + 1


def test_least_squares_is_statsmodels(sm: Any) -> None:
    design, y = line(220, 1)
    result = sm.OLS(y, design).fit()
    ours = Fit.least_squares(design, y)
    assert ours.coefficients == pytest.approx(result.params, rel=1e-10)
    errors = np.sqrt(_unwidened(ours, 220) * np.diag(ours.covariance))
    assert errors == pytest.approx(result.bse, rel=1e-9)


@pytest.mark.parametrize("correlation", [0.5, 0.8])
def test_correlated_noise_widens_the_error_as_newey_and_west_say(
    sm: Any, correlation: float
) -> None:
    """Their estimate in statsmodels, of so many readings that its own bias is small."""
    design, y = line(20_000, 6, correlation=correlation)
    theirs = sm.OLS(y, design).fit(cov_type="HAC", cov_kwds={"maxlags": 50})
    ours = Fit.least_squares(design, y)
    # ours takes the wider of two estimates: up to a fifth more at so long a correlation
    assert 0.9 < np.sqrt(ours.covariance[0, 0]) / theirs.bse[0] < 1.25
    share = (1.0 - correlation) / (1.0 + correlation)
    assert ours.effective_n == pytest.approx(20_000 * share, rel=0.25)


@pytest.mark.parametrize("rogue_n", [0.0, 25.0])
def test_bisquare_is_statsmodels(sm: Any, rogue_n: float) -> None:
    design, y = line(220, 2)
    y[::17] += rogue_n
    result = sm.RLM(y, design, M=sm.robust.norms.TukeyBiweight(4.685)).fit(tol=1e-12, maxiter=200)
    ours = Fit.bisquare(design, y)
    assert ours.coefficients == pytest.approx(result.params, rel=1e-7)
    assert ours.weight == pytest.approx(result.weights, abs=1e-5)
    # taken as independent: Huber's H1
    errors = np.sqrt(_unwidened(ours, 220) * np.diag(ours.covariance))
    assert errors == pytest.approx(result.bse, rel=1e-5)


def test_a_tenth_of_rogue_samples_does_not_move_the_robust_rate() -> None:
    design, y = line(200, 3)
    clean = Fit.least_squares(design, y)
    rogue = y.copy()
    rogue[150:170] -= 60.0  # a slip in the cup near one end
    moved = abs(Fit.least_squares(design, rogue).coefficients[0] - clean.coefficients[0])
    stays = abs(Fit.bisquare(design, rogue).coefficients[0] - clean.coefficients[0])
    error = float(np.sqrt(clean.covariance[0, 0]))
    assert moved > 20.0 * error
    assert stays < 2.0 * error


@pytest.mark.parametrize("how", [Fit.least_squares, Fit.bisquare])
@pytest.mark.parametrize(("correlation", "slow_n"), [(0.0, 0.0), (0.7, 0.0), (0.0, 0.4)])
def test_intervals_hold_the_rate_whatever_the_noise(how, correlation: float, slow_n: float) -> None:
    """300 repeats: of 95 % intervals fewer than 90 % hold by chance once in 5000 (binomial).

    The last case hides slow wandering among white noise; its intervals hold in about 92 %.
    """
    held, classical = 0, 0
    for seed in range(300):
        design, y = line(220, 100 + seed, correlation=correlation)
        if slow_n:
            slow = line(220, 5000 + seed, correlation=0.9)[1]
            y = y + slow_n / 0.5 * (slow - 16.0 * (16.0 - design[:, 0]))
        held += _holds(how(design, y), 1.0)
        fit = Fit.least_squares(design, y)
        classical += _holds(fit, _unwidened(fit, 220))
    assert held >= (0.88 if slow_n else 0.90) * 300
    if correlation > 0.0 or slow_n > 0.0:
        assert classical < 0.80 * 300  # errors taken as independent claim far too much


def _unwidened(fit: Fit, n: int) -> float:
    """By what to multiply a covariance so that the noise counts as independent."""
    p = fit.coefficients.size
    return (fit.effective_n - p) / (n - p)


def _holds(fit: Fit, times: float) -> bool:
    k = stats.t.ppf(0.975, fit.degrees_of_freedom)
    return bool(abs(fit.coefficients[0] + 16.0) <= k * np.sqrt(times * fit.covariance[0, 0]))


def test_few_readings_are_taken_as_independent_and_exact_ones_have_no_error() -> None:
    assert effective_count(np.arange(19.0), 2) == 19.0
    assert effective_count(np.zeros(100), 2) == 100.0
    design, _ = line(12, 4)
    exact = Fit.bisquare(design, design @ np.array([-16.0, 250.0]))
    assert exact.coefficients == pytest.approx([-16.0, 250.0])
    assert np.sqrt(exact.covariance[0, 0]) < 1e-9


@pytest.mark.parametrize("count", [5, 60])
def test_a_lines_slope_is_that_of_the_whole_fit(count: int) -> None:
    rng = np.random.default_rng(count)
    x = np.sort(rng.uniform(30.0, 40.0, count))
    y = 16.0 * x + np.convolve(rng.normal(size=count + 2), [0.5, 1.0, 0.5], "valid")
    whole = Fit.least_squares(np.column_stack([x - x.mean(), np.ones_like(x)]), y)
    line = Line.least_squares(x, y)
    assert line.slope == pytest.approx(whole.coefficients[0], rel=1e-9)
    assert line.slope_u == pytest.approx(math.sqrt(whole.covariance[0, 0]), rel=1e-9)
