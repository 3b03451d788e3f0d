"""Line, knee or smooth: false alarms under correlated noise, and knees whose truth is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.shape_model import _compare_models, _Course, _Models

Array = NDArray[np.float64]
HEIGHT: Array = np.linspace(28.0, 48.0, 80)
STRAIGHT: Array = 16.0 * (53.0 - HEIGHT)


def noise_n(rng: np.random.Generator, correlation: float, sd_n: float = 0.3) -> Array:
    white = rng.normal(0.0, np.sqrt(1.0 - correlation**2), HEIGHT.size + 100)
    return np.asarray(sd_n * scipy.signal.lfilter([1.0], [1.0, -correlation], white)[100:])


def models(load_n: Array) -> _Models:
    found = _compare_models(_Course(HEIGHT, load_n))
    assert found is not None
    return found


def knee_n(share: float, at_mm: float = 38.0) -> Array:
    return STRAIGHT + 16.0 * share * np.maximum(at_mm - HEIGHT, 0.0)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
def test_a_straight_course_is_called_bent_no_more_often_than_promised(correlation: float) -> None:
    """500 straight courses; more than 5 % by chance once in 1000 (binomial) is 40, 1 % is 13."""
    rng = np.random.default_rng(1)
    chances = np.array(
        [models(STRAIGHT + noise_n(rng, correlation)).bent_chance for _ in range(500)]
    )
    for alpha in (0.05, 0.01):
        assert np.count_nonzero(chances < alpha) <= stats.binom.ppf(0.999, 500, alpha)
    assert np.count_nonzero(chances < 0.5) > 50  # and the test is not asleep


def test_the_test_is_statsmodels_f_test_where_noise_is_independent(sm: Any) -> None:
    """The same F-test by statsmodels, nested regressions; the noise is told by the richest model,
    so that the figures differ as two estimates of one noise do."""
    rng = np.random.default_rng(2)
    x = (HEIGHT - 38.0) / 10.0
    ours, theirs = [], []
    for _ in range(60):
        load = STRAIGHT + noise_n(rng, 0.0)
        ours.append(models(load).bent_chance)
        line, cubic = (sm.OLS(load, np.vander(x, count)).fit() for count in (2, 4))
        theirs.append(float(cubic.compare_f_test(line)[1]))
    assert np.corrcoef(stats.norm.ppf(ours), stats.norm.ppf(theirs))[0, 1] > 0.97
    assert float(np.mean(ours)) > float(np.mean(theirs)) - 0.02  # never the keener of both


@pytest.mark.parametrize(("share", "correlation"), [(0.05, 0.0), (0.2, 0.6), (-0.2, 0.0)])
def test_a_knee_is_found_where_it_is(share: float, correlation: float) -> None:
    """Of 100 intervals at 95 % fewer than 87 hold by chance once in 1000 (binomial)."""
    rng = np.random.default_rng(3)
    held = named = 0
    for _ in range(100):
        at_mm = rng.uniform(33.0, 43.0)
        found = models(knee_n(share, at_mm) + noise_n(rng, correlation))
        held += abs(found.knee_mm - at_mm) <= found.knee_u_mm
        named += found.bent_chance < 0.01 and found.knee_over_smooth > 4.0
    assert held >= 87
    assert named >= 90


def test_a_smooth_bend_is_no_knee() -> None:
    rng = np.random.default_rng(4)
    bent_n = STRAIGHT + 0.03 * (53.0 - HEIGHT) ** 2
    found = [models(bent_n + noise_n(rng, 0.3)) for _ in range(40)]
    assert max(each.bent_chance for each in found) < 0.01
    assert max(each.knee_over_smooth for each in found) < 4.0
    assert np.count_nonzero([each.knee_over_smooth < -4.0 for each in found]) > 30


def test_exact_courses_and_too_few_readings() -> None:
    assert _compare_models(_Course(HEIGHT[:40], STRAIGHT[:40])) is None
    assert models(STRAIGHT).bent_chance > 0.01
    exact = models(knee_n(0.5))
    assert exact.bent_chance < 1e-4
    assert exact.knee_over_smooth > 4.0
    assert exact.knee_mm == pytest.approx(38.0, abs=0.05)
