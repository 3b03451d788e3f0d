"""Polynomial least squares against certified and published values and against SciPy."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit

from coilbench.capture.calibration.polynomial import (
    PolynomialFit,
    evaluate,
    slope,
    value,
)
from coilbench.capture.calibration.regression import (
    chance_of_needless_term,
    fit_polynomial,
    fit_with_scatter,
)

DATA = Path(__file__).parents[2] / "data"


def table(name: str) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.loadtxt(DATA / name, delimiter=",", skiprows=3, unpack=True)
    return x, y


def standard_deviations(fit: PolynomialFit) -> list[float]:
    return [row[i] ** 0.5 for i, row in enumerate(fit.covariance)]


# NIST StRD, linear least squares, certified values (itl.nist.gov/div898/strd).
PONTIUS = (
    [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15],
    [1.07938612033077e-4, 1.57817399981659e-10, 4.86652849992036e-17],
    2.05177424076185e-4,
)
NORRIS = (
    [-0.262323073774029, 1.00211681802045],
    [0.232818234301152, 0.429796848199937e-03],
    0.884796396144373,
)


@pytest.mark.parametrize(("name", "certified"), [("pontius.csv", PONTIUS), ("norris.csv", NORRIS)])
def test_agrees_with_nist_to_the_certified_digits(name, certified):
    coefficients, sds, residual_sd = certified
    fit = fit_polynomial(*table(name), degree=len(coefficients) - 1)
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-11)
    assert standard_deviations(fit) == pytest.approx(sds, rel=1e-11)
    assert fit.residual_sd == pytest.approx(residual_sd, rel=1e-11)


def test_gum_h3_thermometer():
    """JCGM 100:2008, example H.3: coefficients, their correlation, a predicted correction."""
    t, b = table("gum_h3.csv")
    fit = fit_polynomial(t - 20.0, b, degree=1)
    u1, u2 = standard_deviations(fit)
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert u1 == pytest.approx(0.0029, abs=5e-5)
    assert u2 == pytest.approx(0.00067, abs=5e-6)
    assert fit.covariance[0][1] / (u1 * u2) == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    at_30, u_at_30 = evaluate(fit, 10.0)
    assert float(at_30) == pytest.approx(-0.1494, abs=5e-5)
    assert float(u_at_30) == pytest.approx(0.0041, abs=5e-5)


def test_gum_h3_does_not_depend_on_the_reference_temperature():
    t, b = table("gum_h3.csv")
    for t0 in (0.0, 20.0, 24.0, -1000.0):
        at_30, u_at_30 = evaluate(fit_polynomial(t - t0, b, degree=1), 30.0 - t0)
        # More digits, recomputed with NumPy: -0.149377, 0.0041386.
        assert float(at_30) == pytest.approx(-0.149377, abs=5e-7)
        assert float(u_at_30) == pytest.approx(0.0041386, abs=5e-7)


@pytest.mark.parametrize("degree", [0, 1, 2, 3])
def test_weighted_fit_agrees_with_scipy(degree):
    rng = np.random.default_rng(degree)
    x = rng.uniform(-3.0, 5.0, 25)
    u_y = rng.uniform(0.1, 1.0, 25)
    y = np.polynomial.polynomial.polyval(x, [1.0, -2.0, 0.5, 0.1]) + u_y * rng.normal(size=25)

    def model(at, *c):
        return np.polynomial.polynomial.polyval(at, c)

    expected, covariance = curve_fit(
        model, x, y, p0=np.ones(degree + 1), sigma=u_y, absolute_sigma=True
    )
    fit = fit_polynomial(x, y, degree, u_y)
    assert fit.coefficients == pytest.approx(expected, rel=1e-5, abs=1e-6)
    assert np.array(fit.covariance) == pytest.approx(covariance, rel=1e-4, abs=1e-8)


def test_counts_far_from_zero_keep_their_digits():
    """A converter's offset must cost neither the value nor its uncertainty its digits."""
    rng = np.random.default_rng(5)
    x = np.linspace(0.0, 2e5, 12)
    y = 5e-3 * x + 1e-10 * x**2 + rng.normal(0.0, 0.1, 12)
    near, far = fit_polynomial(x, y, 2), fit_polynomial(x - 8e6, y, 2)
    y_near, u_near = evaluate(near, x)
    y_far, u_far = evaluate(far, x - 8e6)
    assert y_far == pytest.approx(y_near, rel=1e-8, abs=1e-8)
    assert u_far == pytest.approx(u_near, rel=1e-4)


def test_difference_from_a_point_leaves_out_what_both_share():
    """Of a straight line only the slope's uncertainty is left (JCGM 100:2008, 5.2.2)."""
    x, y = table("norris.csv")
    fit = fit_polynomial(x, y, 1)
    difference, u = evaluate(fit, [100.0, 500.0], minus_x=100.0)
    assert difference == pytest.approx([0.0, 400.0 * fit.coefficients[1]])
    assert u == pytest.approx([0.0, 400.0 * standard_deviations(fit)[1]])


def test_coverage_of_the_95_percent_interval():
    """Student's interval holds the truth in 95 % of 2000 lines, within 4 binomial sigmas."""
    rng = np.random.default_rng(11)
    x = np.linspace(0.0, 1.0, 7)
    t95 = stats.t.ppf(0.975, 5)
    runs = 2000
    held = 0
    for _ in range(runs):
        fit = fit_polynomial(x, 3.0 - 2.0 * x + rng.normal(0.0, 0.3, 7), 1)
        predicted, u = evaluate(fit, 0.8)
        held += bool(abs(predicted - 1.4) <= t95 * u)
    assert abs(held - 0.95 * runs) <= 4.0 * (runs * 0.95 * 0.05) ** 0.5


def test_extra_term_test_is_the_t_test_of_that_term():
    """For one added coefficient F = t**2; the t distribution is SciPy's."""
    x, y = table("pontius.csv")
    y = y + np.random.default_rng(3).normal(0.0, 0.01, y.size)
    simpler, richer = fit_polynomial(x, y, 1), fit_polynomial(x, y, 2)
    t = richer.coefficients[2] / standard_deviations(richer)[2]
    expected = 2.0 * stats.t.sf(abs(t), y.size - 3)
    assert 1e-6 < expected < 0.9
    assert chance_of_needless_term(simpler, richer) == pytest.approx(expected, rel=1e-8)


def test_pontius_demands_its_quadratic_term():
    x, y = table("pontius.csv")
    chance = chance_of_needless_term(fit_polynomial(x, y, 1), fit_polynomial(x, y, 2))
    assert chance < 1e-30


def test_exact_points_leave_no_residual():
    fit = fit_polynomial([0.0, 2.0], [1.0, 5.0], 1, [0.1, 0.1])
    assert fit.coefficients == pytest.approx([1.0, 2.0])
    assert fit.residual_sd == 0.0
    assert float(evaluate(fit, 2.0)[1]) == pytest.approx(0.1)
    assert slope(fit, [0.0, 7.0]) == pytest.approx([2.0, 2.0])


@pytest.mark.parametrize(
    ("x", "y", "degree", "u_y", "words"),
    [
        ([1.0, 2.0], [1.0], 1, None, "must match"),
        ([1.0, 2.0], [1.0, 2.0], 1, None, r"degree.*\b1\b"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], 1, None, "too few distinct"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], 1, None, "finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, np.inf], 1, None, "finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 1, [1.0, 0.0, 1.0], "above 0"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], -1, None, "degree must be 0 or more"),
    ],
)
def test_refuses_what_has_no_answer(x, y, degree, u_y, words):
    with pytest.raises(ValueError, match=words):
        fit_polynomial(x, y, degree, u_y)


@settings(max_examples=40)
@given(
    coefficients=st.lists(st.floats(-10.0, 10.0), min_size=1, max_size=4),
    seed=st.integers(0, 2**16),
)
def test_recovers_a_polynomial_without_noise(coefficients, seed):
    x = np.random.default_rng(seed).permutation(np.linspace(-2.0, 3.0, 9))
    y = np.polynomial.polynomial.polyval(x, coefficients)
    fit = fit_polynomial(x, y, len(coefficients) - 1)
    assert fit.coefficients == pytest.approx(coefficients, abs=1e-10)
    assert value(fit, x) == pytest.approx(y, abs=1e-10)
    derived = np.polynomial.polynomial.polyder(coefficients)
    assert slope(fit, x) == pytest.approx(np.polynomial.polynomial.polyval(x, derived), abs=1e-8)
    for each in x.tolist():
        assert (fit.value_at(each), fit.slope_at(each)) == (value(fit, each), slope(fit, each))


def test_few_points_are_widened_by_students_factor_which_can_be_taken_out() -> None:
    """Reference: SciPy's linregress for the line and its standard error, and its Student's t."""
    x = np.arange(4.0)
    y = 2.0 * x + np.array([0.1, -0.1, 0.15, -0.1])
    fit = fit_with_scatter(x, y, 1, np.zeros(4), 1e-9)
    line = stats.linregress(x, y)
    assert fit.coefficients[1] == pytest.approx(line.slope)
    assert fit.widened == pytest.approx(stats.t.ppf(0.975, 2) / 2.0)
    assert fit.degrees_of_freedom == pytest.approx(2.0)
    assert np.sqrt(fit.covariance[1][1]) / fit.widened == pytest.approx(line.stderr)


def test_what_is_known_needs_no_widening() -> None:
    x = np.arange(6.0)
    known = fit_with_scatter(x, 2.0 * x + 0.01 * (-1.0) ** x, 1, np.ones(6), 1e-3)
    assert known.widened == pytest.approx(1.0, abs=1e-6)
    assert known.degrees_of_freedom is None or known.degrees_of_freedom > 1e3


def test_what_the_points_showed_of_themselves_weighs_and_widens() -> None:
    """The heavier, the worse: weighted least squares as SciPy's curve_fit has it."""
    x = np.arange(1.0, 8.0)
    rng = np.random.default_rng(5)
    y = 3.0 * x * (1.0 + 0.01 * rng.normal(size=7))
    seen = 0.03 * x
    fit = fit_with_scatter(x, y, 1, np.zeros(7), 1e-9, seen)
    expected, covariance = curve_fit(
        lambda x, a, b: a + b * x, x, y, sigma=seen, absolute_sigma=True
    )
    assert fit.widened == pytest.approx(stats.t.ppf(0.975, 5) / 2.0, rel=1e-3)
    assert fit.coefficients == pytest.approx(expected, rel=1e-3)
    plain = np.array(fit.covariance) / fit.widened**2
    assert np.sqrt(np.diag(plain)) == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
