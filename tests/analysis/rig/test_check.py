"""Check weights: the error's uncertainty against `uncertainties`, the trend against SciPy."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import UFloat, correlated_values, ufloat

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import MassReading, PastCheck, Trend, judge_mass, warnings
from coilbench.capture.calibration.fit import load_part
from coilbench.capture.calibration.known_points import LoadPoint
from coilbench.capture.calibration.polynomial import PolynomialFit, hidden_departure
from coilbench.capture.errors import CoilbenchError

G = 9.80665


def polynomial(fit: PolynomialFit) -> Callable[[float], UFloat]:
    """A fit as `uncertainties` sees it: its coefficients correlated."""
    known = list(fit.coefficients), np.array(fit.covariance).tolist()
    coefficients = correlated_values(*known)
    return lambda x: sum(c * x**power for power, c in enumerate(coefficients))


MASSES_KG = [0, 5, 10, 20, 30, 40, 50, 40, 30, 20, 10, 5, 0]


def counts(mass_kg: float) -> float:
    return 40_000.0 + 24_500.0 * mass_kg


@pytest.fixture(scope="module")
def fit():
    rng = np.random.default_rng(2)
    points = [LoadPoint(m, counts(m) + 60.0 * rng.standard_normal()) for m in MASSES_KG]
    return load_part(points, "m").fit


def test_the_uncertainty_is_that_of_correlated_coefficients(fit) -> None:
    """Reference: the `uncertainties` package, coefficients with their covariance."""
    reading = MassReading(20.0, counts(0) + 900, counts(20) + 1400, 120.0, 140)
    verdict = judge_mass(fit, reading, gravity_m_s2=G, mass_u_relative=2e-4)
    curve, slope = polynomial(fit), fit.coefficients[1]
    noise = ufloat(0.0, fit.residual_sd) + slope * ufloat(0.0, 120.0) / math.sqrt(140)
    load = curve(reading.load_counts) - curve(reading.zero_counts) + noise
    hidden = hidden_departure(fit, reading.load_counts, minus_x=reading.zero_counts)
    load += ufloat(0.0, abs(float(hidden)))
    error = load - ufloat(20.0, 20.0 * 2e-4) * G
    assert verdict.error_n == pytest.approx(error.n, rel=1e-9)
    assert verdict.error_u_n == pytest.approx(2.0 * error.s, rel=1e-6)


def test_it_passes_at_its_tolerance_and_fails_beyond(fit) -> None:
    expected = 20.0 * G
    for off_n, passed in ((0.99, True), (-0.99, True), (1.01, False), (-1.01, False)):
        shift = off_n * 0.01 * expected / fit.coefficients[1]
        reading = MassReading(20.0, counts(0), counts(0) + expected / fit.coefficients[1], 1.0, 99)
        moved = MassReading(20.0, reading.zero_counts, reading.load_counts + shift, 1.0, 99)
        verdict = judge_mass(fit, moved, gravity_m_s2=G)
        assert verdict.passed is passed
        assert verdict.error_n == pytest.approx(off_n * 0.01 * expected, rel=1e-6)


def test_an_error_beyond_what_is_unsure_is_called_a_drift(fit) -> None:
    for off, drifted in ((0.0, False), (1.5, True), (-1.5, True)):
        shift = off / fit.coefficients[1]
        reading = MassReading(20.0, counts(0), counts(20) + shift, 9.0, 99)
        verdict = judge_mass(fit, reading, gravity_m_s2=G)
        assert verdict.passed
        assert verdict.drifted is drifted


def test_a_response_within_noise_is_none(fit) -> None:
    noisy = MassReading(0.2, counts(0), counts(0.2), 600.0, 99)  # 4900 counts of 600 noise
    with pytest.raises(CoilbenchError, match="did not respond"):
        judge_mass(fit, noisy, gravity_m_s2=G)


def test_a_zero_that_moved_is_taken_off(fit) -> None:
    steady = judge_mass(fit, MassReading(20.0, counts(0), counts(20), 9.0, 99), gravity_m_s2=G)
    moved = judge_mass(
        fit, MassReading(20.0, counts(0) + 5000, counts(20) + 5000, 9.0, 99), gravity_m_s2=G
    )
    assert moved.error_n == pytest.approx(steady.error_n, abs=1e-6)


def test_local_gravity_changes_what_is_expected(fit) -> None:
    reading = MassReading(20.0, counts(0), counts(20), 9.0, 99)
    assert judge_mass(fit, reading, gravity_m_s2=9.78).expected_n == pytest.approx(195.6)


@pytest.mark.parametrize(
    ("mass_kg", "loaded", "words"),
    [
        (0.0, 20.0, "checks nothing"),
        (-5.0, 20.0, "checks nothing"),
        (80.0, 80.0, "above.*calibrated"),
        (20.0, 0.0, "did not respond"),
    ],
)
def test_what_checks_nothing_is_refused(fit, mass_kg: float, loaded: float, words: str) -> None:
    reading = MassReading(mass_kg, counts(0), counts(loaded), 120.0, 140)
    with pytest.raises(CoilbenchError, match=words):
        judge_mass(fit, reading, gravity_m_s2=G)


def past(day: float, error_n: float, passed: bool = True) -> PastCheck:
    made = f"2026-{1 + int(day) // 28:02}-{1 + int(day) % 28:02}T{int(day % 1 * 24):02}:00:00+00:00"
    return PastCheck(made, 20.0, G, error_n, 0.3, 2.0, passed)


def test_the_trend_is_scipys_line() -> None:
    """Reference: scipy.stats.linregress, slope and its standard error, Student's t for 95 %."""
    days = [0.0, 3.0, 9.0, 16.0, 27.0]
    errors = [0.1, 0.3, 0.2, 0.6, 0.9]
    found = Trend.of([past(d, e) for d, e in zip(days, errors, strict=True)])
    percent = [e / (20.0 * G) * 100.0 for e in errors]
    line = stats.linregress(days, percent)
    assert found is not None
    assert found.percent_per_30_days == pytest.approx(30.0 * line.slope, rel=1e-9)
    t = stats.t.ppf(0.975, len(days) - 2)
    assert found.u_percent_per_30_days == pytest.approx(30.0 * t * line.stderr, rel=1e-9)
    assert found.drifts


def test_a_falling_trend_is_one_too() -> None:
    found = Trend.of([past(day, -0.1 * day) for day in (0, 4, 9, 15)])
    assert found is not None
    assert found.percent_per_30_days < 0.0
    assert found.drifts


def test_too_few_or_too_near_checks_show_no_trend() -> None:
    assert Trend.of([past(0, 0.1), past(9, 0.2)]) is None
    assert Trend.of([past(0.1, 0.1), past(0.2, 0.2), past(0.5, 0.3)]) is None


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-1.0, 1.0), min_size=4, max_size=8), st.floats(-0.3, 0.3))
def test_a_constant_error_changes_no_trend(errors: list[float], more: float) -> None:
    one = Trend.of([past(3 * day, e) for day, e in enumerate(errors)])
    two = Trend.of([past(3 * day, e + more) for day, e in enumerate(errors)])
    assert one is not None
    assert two is not None
    assert two.percent_per_30_days == pytest.approx(one.percent_per_30_days, abs=1e-9)


LOAD_MADE = "2026-01-01T00:00:00+00:00"
CHECKED = PastCheck("2026-01-05T00:00:00+00:00", 20.0, G, 0.1, 0.3, 2.0, True)
FAILED = PastCheck("2026-01-06T00:00:00+00:00", 20.0, G, 4.0, 0.3, 2.0, False)


def said(checks: list[PastCheck], now: str, good_for_days: float = 90.0) -> str:
    found = warnings(LOAD_MADE, checks, f"{now}T00:00:00+00:00", good_for_days)
    return "; ".join(describe(one, Units()) for one in found)


def test_nothing_is_said_of_a_young_calibration() -> None:
    assert said([], "2026-03-30") == ""
    assert said([CHECKED], "2026-03-30") == ""


def test_an_old_calibration_is_said_with_how_it_was_checked() -> None:
    assert re.search(r"\b99 days.*\b90\b", said([], "2026-04-10"))
    assert re.search(r"\b95 days", said([CHECKED], "2026-04-10"))
    young = PastCheck("2026-04-08T00:00:00+00:00", 20.0, G, 0.1, 0.3, 2.0, True)
    assert re.search(r"passed.*\b2 days", said([young], "2026-04-10"))


def test_the_limit_is_a_setting() -> None:
    assert "the limit is 30" in said([CHECKED], "2026-02-10", 30.0)


def test_only_the_newest_check_counts() -> None:
    assert re.search(
        r"FAILED.*2026-01-06.*\b20 kg.*\+2\.04 %.*\b1\.02 %", said([CHECKED, FAILED], "2026-01-07")
    )
    passed_again = PastCheck("2026-01-07T00:00:00+00:00", 20.0, G, 0.1, 0.3, 2.0, True)
    assert said([FAILED, passed_again], "2026-01-08") == ""


def test_a_failed_check_is_said_of_an_old_calibration_too() -> None:
    words = said([FAILED], "2026-05-01")
    assert "FAILED" in words
    assert "120 days old" in words
    assert "checked" not in words
