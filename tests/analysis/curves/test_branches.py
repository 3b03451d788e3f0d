"""Local straight lines and joined points, against NumPy's least squares and SciPy's lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import make_interp_spline

from coilbench.analysis.curves.sweep_fit import BranchFit
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.branch import Branch


def branch(height_mm: object, load_n: object) -> Branch:
    return Branch(np.asarray(height_mm, float), np.asarray(load_n, float))


def fitted(bins: Bins) -> BranchFit | None:
    (fit,) = BranchFit.of_bins([bins], 0.25)
    return fit


def test_points_are_exact_and_straight_between() -> None:
    height, load = [38.0, 33.5, 27.1], [219.7, 290.0, 399.1]
    fit = BranchFit.of_points(branch(height, load))
    assert fit is not None
    for at, want in zip(height, load, strict=True):
        assert fit.load_at(at) == pytest.approx(want, rel=1e-12)
    line = make_interp_spline(height[::-1], load[::-1], k=1)
    for at in (27.7, 30.0, 36.2):
        assert fit.load_at(at) == pytest.approx(float(line(at)), rel=1e-12)
    assert fit.slope_at(33.5) == pytest.approx((399.1 - 290.0) / 6.4)  # the steeper neighbour's
    assert fit.slope_at(38.0) == pytest.approx((290.0 - 219.7) / 4.5)


def test_points_at_one_height_are_averaged_and_a_lone_point_has_no_slope() -> None:
    fit = BranchFit.of_points(branch([38.0, 38.0], [220.0, 222.0]))
    assert fit is not None
    assert (fit.load_at(38.0), fit.slope_at(38.0)) == (221.0, 0.0)
    assert fit.covers(38.0)
    assert not fit.covers(38.1)
    assert BranchFit.of_points(branch([], [])) is None
    assert BranchFit.of_points(branch([np.nan], [3.0])) is None


@given(
    rate=st.floats(1.0, 60.0),
    free_mm=st.floats(40.0, 80.0),
    count=st.integers(12, 400),
    start=st.floats(0.0, 0.99),
)
def test_a_straight_spring_is_read_exactly(
    rate: float, free_mm: float, count: int, start: float
) -> None:
    height = np.linspace(38.0 + start, 22.0 - start, count)
    fit = fitted(fine_bins(branch(height, rate * (free_mm - height))))
    assert fit is not None
    for at in np.linspace(fit.lowest_mm, fit.highest_mm, 7):
        assert fit.load_at(float(at)) == pytest.approx(rate * (free_mm - at), rel=1e-9, abs=1e-9)
        assert fit.slope_at(float(at)) == pytest.approx(rate, rel=1e-7)


def test_a_grid_point_is_the_weighted_straight_line_through_its_window() -> None:
    rng = np.random.default_rng(3)
    height = np.arange(30.0, 40.0, 0.05) + 0.025  # one sample a fine bin, so that all weigh alike
    load = 16.0 * (53.0 - height) + rng.normal(0.0, 0.5, height.size)
    fit = fitted(fine_bins(branch(height[::-1], load[::-1])))
    assert fit is not None
    weight = np.clip(1.0 - ((height - 35.0) / 0.625) ** 2, 0.0, None)
    slope, intercept = np.polyfit(height - 35.0, load, 1, w=np.sqrt(weight))
    assert fit.load_at(35.0) == pytest.approx(intercept, rel=1e-9)
    assert fit.slope_at(35.0) == pytest.approx(-slope, rel=1e-9)


def test_the_standard_error_is_the_scatter_over_repeats() -> None:
    rng = np.random.default_rng(4)
    height = np.linspace(45.0, 25.0, 500)
    load = 16.0 * (53.0 - height) + 0.2 * (53.0 - height) ** 2
    repeats = [fine_bins(branch(height, load + rng.normal(0, 0.4, 500))) for _ in range(300)]
    fits = BranchFit.of_bins(repeats, 0.25)
    reads = [(fit.load_at(33.0), fit.read_at(33.0).load_se_n) for fit in fits if fit is not None]
    loads, errors = np.array(reads).T
    # 300 repeats know a standard deviation to 4 %; 15 % is more than three times that
    assert float(np.mean(errors)) == pytest.approx(float(np.std(loads, ddof=1)), rel=0.15)


def test_branches_fitted_together_are_each_fitted_as_alone() -> None:
    rng = np.random.default_rng(6)
    every = [
        fine_bins(branch(np.linspace(45.0, low_mm, size), rng.normal(300.0, 20.0, size)))
        for low_mm, size in ((25.0, 500), (45.0, 1), (31.0, 9), (12.0, 40), (44.9, 3))
    ]
    together = BranchFit.of_bins(every, 0.25)
    for bins, fit in zip(every, together, strict=True):
        alone = fitted(bins)
        assert (fit is None) == (alone is None)
        for ours, theirs in zip(fit or (), alone or (), strict=True):
            np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)
    assert [fit is None for fit in together] == [False, True, False, False, False]


def test_noise_is_found_whatever_the_curve() -> None:
    rng = np.random.default_rng(8)
    height = np.linspace(25.0, 45.0, 3000)
    load = 0.5 * (53.0 - height) ** 2 + rng.normal(0.0, 0.4, height.size)
    assert fine_bins(branch(height, load), 0.05).noise_n == pytest.approx(0.4, rel=0.15)
    assert Bins(height[:2], load[:2], np.ones(2), np.zeros((2, 2))).noise_n == 0.0


def test_a_pause_with_creep_weighs_no_more_than_moving_on() -> None:
    moving = np.linspace(45.0, 25.0, 800)
    load = 16.0 * (53.0 - moving)
    at = int(np.argmin(np.abs(moving - 35.0)))
    pause_h = np.full(2000, moving[at])
    pause_f = load[at] - 1.5 * (1.0 - np.exp(-np.arange(2000) / 300.0))
    paused = branch(
        np.concatenate([moving[:at], pause_h, moving[at:]]),
        np.concatenate([load[:at], pause_f, load[at:]]),
    )
    fit = fitted(fine_bins(paused))
    assert fit is not None
    # samples weighed alike would draw it down by more than 1.2 N
    assert fit.load_at(35.0) == pytest.approx(16.0 * 18.0, abs=0.15)


@pytest.mark.parametrize("far_mm", [5e5, 2e7, 1e12])
def test_one_wild_count_of_the_travel_changes_nothing_and_takes_no_room(far_mm: float) -> None:
    """At every 0.25 mm as far as that there would be millions of lines, in gigabytes."""
    height = np.linspace(45.0, 25.0, 400)
    load = 16.0 * (53.0 - height)
    wild = branch(np.append(far_mm, height), np.append(0.0, load))
    fit = fitted(fine_bins(wild))
    plain = fitted(fine_bins(branch(height, load)))
    assert fit is not None
    assert plain is not None
    assert fit.height_mm.size <= plain.height_mm.size + 3  # the window reaches beyond
    for at in (26.0, 35.0, 44.0):
        assert fit.load_at(at) == pytest.approx(plain.load_at(at), rel=1e-9)
        assert fit.slope_at(at) == pytest.approx(plain.slope_at(at), rel=1e-9)


def test_samples_that_are_metres_apart_are_joined() -> None:
    height = np.linspace(1e12, 0.0, 40)
    fit = fitted(fine_bins(branch(height, 2.0 * (1e12 - height))))
    assert fit is not None
    assert fit.height_mm.size == 40


def test_few_and_far_samples_are_joined_not_refused() -> None:
    assert fitted(fine_bins(branch([40.0], [200.0]))) is None
    two = fitted(fine_bins(branch([40.0, 30.0], [200.0, 360.0])))
    assert two is not None
    assert two.load_at(35.0) == pytest.approx(280.0)
    height = np.linspace(48.0, 26.0, 12)  # a fast stroke on a slow converter: 2 mm a sample
    fast = fitted(fine_bins(branch(height, 16.0 * (53.0 - height))))
    assert fast is not None
    assert np.all(np.isfinite(fast.load_n))
    assert fast.load_at(37.3) == pytest.approx(16.0 * 15.7, rel=1e-9)
