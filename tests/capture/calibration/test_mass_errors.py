"""Errors that masses share stay stated; errors of their own show among themselves."""

import numpy as np
import pytest

from coilbench.capture.calibration.fit import (
    load_part,
    mean_readings,
    shared_u_relative,
    shown_u_kg,
)
from coilbench.capture.calibration.known_points import LoadPoint
from coilbench.capture.calibration.polynomial import evaluate
from coilbench.capture.errors import CoilbenchError

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


# --- masses that err each by itself ---------------------------------------------------------------

G = 9.80665  # standard gravity, exact: 3rd CGPM, 1901
U_RELATIVE = 0.001  # expanded, k = 2
PER_KG = 24_000.0


def points_of(true_kg, nominal_kg=MASSES, u_relative=U_RELATIVE):
    return [
        LoadPoint(mass, PER_KG * true, "up", u_relative * mass)
        for mass, true in zip(nominal_kg, true_kg, strict=True)
    ]


def test_errors_of_each_mass_by_hand():
    """Line through an exact zero, n masses of one relative uncertainty u each, no scatter.

    JCGM 100:2008, 5.1.2 on the weighted least squares slope b = sum(w c m) / sum(w c^2) with
    w = 1 / (u m)^2: u(b) / b = u / sqrt(n). Masses that err together give u.
    """
    each = load_part(points_of(MASSES), "m.csv", G, "each")
    together = load_part(points_of(MASSES), "m.csv", G, "together")
    heavy = np.count_nonzero(MASSES)
    counts = PER_KG * 30.0
    load_n, u_n = evaluate(each.fit, counts, minus_x=0.0)
    assert float(u_n / load_n) == pytest.approx(0.5 * U_RELATIVE / np.sqrt(heavy), rel=0.02)
    assert each.reference_u_relative == 0.0
    assert (each.masses_err, together.masses_err) == ("each", "together")
    _, own_n = evaluate(together.fit, counts, minus_x=0.0)
    whole = np.hypot(float(own_n / load_n), together.reference_u_relative)
    assert whole == pytest.approx(0.5 * U_RELATIVE, rel=0.05)


def test_errors_of_each_mass_against_drawn_ones():
    """Monte Carlo (JCGM 101): of masses drawn as they are stated, 2 u holds the load at 30 kg."""
    rng = np.random.default_rng(5)
    true_n = 30.0 * G
    off, stated = [], []
    for _ in range(400):
        true_kg = MASSES * (1.0 + 0.5 * U_RELATIVE * rng.normal(size=MASSES.size))
        fit = load_part(points_of(true_kg), "m.csv", G, "each").fit
        load_n, u_n = evaluate(fit, PER_KG * 30.0, minus_x=0.0)
        off.append(float(load_n) - true_n)
        stated.append(float(u_n))
    held = np.abs(off) <= 2.0 * np.array(stated)
    assert np.mean(held) >= 0.95
    exact_n = 0.5 * U_RELATIVE * true_n / np.sqrt(6.0)
    assert np.median(stated) >= exact_n
    # scatter that shows beyond what is stated is added, so it is somewhat wider; together: 2.4
    assert np.median(stated) < 1.5 * exact_n


def test_a_mass_read_up_and_down_has_one_error():
    once = load_part(points_of(MASSES), "m.csv", G, "each").fit
    twice = load_part(points_of(MASSES) + points_of(MASSES)[::-1], "m.csv", G, "each").fit
    counts = PER_KG * 30.0
    assert evaluate(twice, counts, minus_x=0.0)[1] == pytest.approx(
        float(evaluate(once, counts, minus_x=0.0)[1]), rel=0.01
    )


def test_each_needs_every_masss_uncertainty():
    unknown = [*points_of(MASSES)[:-1], LoadPoint(50.0, PER_KG * 50.0)]
    assert load_part(unknown, "m.csv", G, "together").masses_err == "together"
    with pytest.raises(CoilbenchError, match=r"point 7 \(50 kg\) has no uncertainty.*together"):
        load_part(unknown, "m.csv", G, "each")
