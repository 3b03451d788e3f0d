"""Errors that masses share stay stated; errors of their own show among themselves."""

import numpy as np
import pytest

from coilbench.capture.calibration.fit import mean_readings, shared_u_relative, shown_u_kg

MASSES = np.array([0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0])


def readings(shared, own, seed=0, noise=5.0):
    rng = np.random.default_rng(seed)
    true = MASSES * (1.0 + shared + own * rng.normal(size=MASSES.size))
    twice = np.concatenate([MASSES, MASSES[::-1]])
    counts = 24_000.0 * np.concatenate([true, true[::-1]]) + noise * rng.normal(size=twice.size)
    return mean_readings(twice, counts, 0.0005 * twice)


def test_means_of_each_mass():
    means = mean_readings(np.array([5.0, 0.0, 5.0]), np.array([10.0, 1.0, 14.0]), np.ones(3))
    assert means.mass_kg.tolist() == [0.0, 5.0]
    assert means.counts.tolist() == [1.0, 12.0]
    assert means.u_kg.tolist() == [1.0, 1.0]  # one mass read twice has one error
    assert np.isnan(means.scatter_counts2[0])
    assert means.scatter_counts2[1] == pytest.approx(8.0 / 2.0)  # s^2 / n by hand


@pytest.mark.parametrize("shared", [-0.001, 0.0, 0.001])
def test_what_all_share_cannot_be_seen_and_stays(shared):
    assert shared_u_relative(readings(shared, 0.0)) == pytest.approx(0.0005, rel=0.01)


def test_what_each_has_for_itself_is_not_counted_twice():
    """Errors of the stated size, each its own: on the whole little is left to be shared."""
    left = [shared_u_relative(readings(0.0, 0.0005, seed)) for seed in range(200)]
    assert np.mean(np.square(left)) < 0.5 * 0.0005**2
    assert max(left) <= 0.0005


def test_few_masses_show_nothing():
    means = mean_readings(np.array([0.0, 10.0, 20.0]), np.array([0.0, 11.0, 20.0]), np.ones(3))
    assert shared_u_relative(means) == pytest.approx(1.0 / 20.0)


def test_what_masses_show_of_errors_of_their_own():
    """Drawn errors of 0.05 %: the mean variance shown is theirs, to what 200 draws can tell."""
    shown = np.array([shown_u_kg(readings(0.0003, 0.0005, seed)) for seed in range(200)])
    assert np.mean(shown[:, -1] ** 2) == pytest.approx((0.0005 * MASSES[-1]) ** 2, rel=0.2)
    assert np.all(shown[:, 1] == shown[:, 2])  # the lightest count as 0.3 of the largest
    alike = shown_u_kg(readings(0.0003, 0.0))
    assert alike.max() < 1e-5 * MASSES[-1]
