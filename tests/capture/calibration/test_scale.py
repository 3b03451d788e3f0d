"""A scale's own calibration, against NumPy's line and the `uncertainties` package."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat

from coilbench.capture.calibration.keyed_setup import KeyedSetup, ScalePoint
from coilbench.capture.calibration.scale import calibrate_scale, step_of
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedBranches, KeyedReading
from coilbench.capture.unit_factors import KGF_N

MASSES_KG = (0.0, 10.0, 20.0, 30.0, 40.0, 60.0)


def shown(mass_kg: float, rng: np.random.Generator | None = None, sd_kg: float = 0.05) -> float:
    """A scale that shows 2 % too much and 0.3 kg more, in steps of 0.1 kg."""
    noise = 0.0 if rng is None else sd_kg * rng.standard_normal()
    return round((1.02 * mass_kg + 0.3 + noise) * 10) / 10


def points(seed: int = 1) -> list[ScalePoint]:
    rng = np.random.default_rng(seed)
    series = (*MASSES_KG, *MASSES_KG[-2::-1])
    return [ScalePoint(m, shown(m, rng), u_kg=0.001 * m + 0.002) for m in series]


def test_the_curve_is_numpys_least_squares() -> None:
    """Reference: numpy.polyfit; equal weights, since the masses are far surer than the scale."""
    scale = calibrate_scale("bathroom", points(), "scale.csv")
    slope, start = np.polyfit(
        [p.shown_kg * KGF_N for p in points()], [p.mass_kg * KGF_N for p in points()], 1
    )
    assert scale.fit.coefficients == pytest.approx([start, slope], rel=1e-3, abs=1e-2)
    assert scale.load_n(1.02 * 25 * KGF_N + 0.3 * KGF_N) == pytest.approx(25 * KGF_N, rel=3e-3)


def test_the_difference_of_two_readings_is_what_uncertainties_makes_of_it() -> None:
    """Reference: `uncertainties`, coefficients with covariance; F.2.2.1 for the step."""
    scale = calibrate_scale("bathroom", points(), "scale.csv")
    a, b = correlated_values(scale.fit.coefficients, np.array(scale.fit.covariance).tolist())
    reading, tare = 30 * KGF_N, 1.2 * KGF_N
    for step_n in (0.1 * KGF_N, 2.0 * KGF_N):
        setup = KeyedSetup(tare_n=tare, scale_resolution_n=step_n, scale=scale)
        one = max(scale.repeatability_n, step_n / math.sqrt(12))
        load = (a + b * reading) - (a + b * tare) + ufloat(0, one) - ufloat(0, one)
        assert setup.load_u_at(reading) == pytest.approx(load.s, rel=1e-9)


def test_local_gravity_scales_the_load() -> None:
    here = calibrate_scale("bathroom", points(), "x", 9.80665)
    there = calibrate_scale("bathroom", points(), "x", 9.78)
    assert there.load_n(300.0) == pytest.approx(here.load_n(300.0) * 9.78 / 9.80665, rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_keyed_loads_hold_the_truth(seed: int) -> None:
    """On a made scale: a lever of 2, a tare; the 95 % interval misses at most a few of 40."""
    rng = np.random.default_rng(seed)
    scale = calibrate_scale("bathroom", points(seed), "scale.csv")
    tare_kg = shown(1.5, rng)
    setup = KeyedSetup(tare_n=tare_kg * KGF_N, lever_ratio=2.0, lever_ratio_u=0.001, scale=scale)
    missed = 0
    for spring_kg in rng.uniform(20, 80, 40):
        on_scale = 1.5 + spring_kg / 2.0
        reading = KeyedReading("a", shown(on_scale, rng) * KGF_N, 38.0)
        got = KeyedBranches.of([reading], setup)
        u = 2.0 * math.hypot(got.load_u_n, got.load_u_relative * got.loading.load_n[0])
        missed += abs(got.loading.load_n[0] - spring_kg * KGF_N) > u
    assert missed <= 6


def test_without_its_calibration_the_same_scale_misses() -> None:
    """What the correction is for: 2 % and 0.3 kg are more than steps and scatter explain."""
    reading = KeyedReading("a", shown(50.0) * KGF_N, 38.0)
    got = KeyedBranches.of([reading], KeyedSetup())
    u = 2.0 * math.hypot(got.load_u_n, got.load_u_relative)
    assert abs(got.loading.load_n[0] - 50.0 * KGF_N) > u


def test_the_masses_and_the_lever_join_in_the_relative_part() -> None:
    scale = calibrate_scale("bathroom", [ScalePoint(m, shown(m)) for m in MASSES_KG], "x")
    setup = KeyedSetup(lever_ratio_u=0.003, scale=scale)
    assert setup.load_u_relative == pytest.approx(math.hypot(0.003, 0.0005))


def test_corrections_are_what_to_add() -> None:
    rows = {row.shown_kg: row for row in calibrate_scale("b", points(), "x").corrections()}
    top = max(rows)
    assert rows[top].add_kg == pytest.approx(-1.5, abs=0.15)  # 61.5 shown for 60
    assert rows[top].u_kg > 0.05  # no less than the masses' own


@given(st.sampled_from([0.5, 0.2, 0.1, 0.05, 0.01]), st.lists(st.integers(0, 900), min_size=1))
@settings(max_examples=40)
def test_the_step_divides_every_reading(step: float, counts: list[int]) -> None:
    found = step_of([step * count for count in counts])
    assert found >= step * (1 - 1e-9)
    for count in counts:
        ratio = step * count / found
        assert ratio == pytest.approx(round(ratio), abs=1e-5)


def test_a_reading_beyond_the_masses_is_refused() -> None:
    scale = calibrate_scale("bathroom", points(), "x")
    with pytest.raises(CoilbenchError, match=r"calibrated up to 60\d\.\d+ N and shows 784\.53 N"):
        scale.load_n(80.0 * KGF_N)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda p: p[:2], "too few"),
        (lambda p: [ScalePoint(20.0, 20.0)] * 5, "every mass is the same"),
        (lambda p: [*p[:3], ScalePoint(300.0, p[3].shown_kg), *p[4:]], "factor of ten"),
        (lambda p: [ScalePoint(q.mass_kg, 12.0) for q in p], "hardly change"),
        (lambda p: [*p[:2], ScalePoint(20.0, 27.0), *p[3:]], "does not fit the others"),
        (lambda p: [*p[:2], ScalePoint(20.0, float("nan")), *p[3:]], "not a number"),
    ],
)
def test_points_that_make_no_sense_are_refused_in_words(spoil, words: str) -> None:
    with pytest.raises(CoilbenchError, match=words):
        calibrate_scale("bathroom", spoil([ScalePoint(m, shown(m)) for m in MASSES_KG]), "x")


@pytest.mark.parametrize(("name", "gravity"), [("", 9.81), ("a\nb", 9.81), ("b", 32.2)])
def test_a_bad_name_or_gravity_is_refused(name: str, gravity: float) -> None:
    with pytest.raises(CoilbenchError):
        calibrate_scale(name, points(), "x", gravity)


@pytest.mark.parametrize("step_lb", [0.5, 0.2, 0.1])
def test_the_steps_of_a_scale_in_pounds_are_found(step_lb: float) -> None:
    """The pound is 0.45359237 kg: international yard and pound agreement, 1959."""
    shown_kg = [0.45359237 * step_lb * count for count in (0, 3, 111, 224)]
    assert step_of(shown_kg) == pytest.approx(0.45359237 * step_lb)
    assert step_of([0.0, 0.2, 10.4]) == 0.2
