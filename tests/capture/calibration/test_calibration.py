"""Applying a calibration, its sum of uncertainties, and keeping its fits as documents."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.model import Calibration, fit_from_json, fit_to_json
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import apply


def fit(*coefficients: float, sd: float = 0.0, u: float = 0.0, x_max: float = 1e6) -> PolynomialFit:
    size = len(coefficients)
    covariance = np.diag([u**2] * size)
    return PolynomialFit(
        coefficients, tuple(map(tuple, covariance.tolist())), sd, 0.0, x_max, size + 8
    )


RIG = Calibration(
    load=fit(-10.0, 0.005),
    travel=fit(60.0, -0.01),
    flex=fit(0.0, 1e-3, -2.5e-7, x_max=1000.0),
    load_u_relative=0.0005,
)


def block(load_counts, travel_counts, flags=0) -> RawBlock:
    samples = np.zeros(len(load_counts), dtype=RAW_DTYPE)
    samples["seq"] = np.arange(len(samples))
    samples["t_us"] = 5_000_000 + 10_000 * np.arange(len(samples))
    samples["load_counts"] = load_counts
    samples["travel_counts"] = travel_counts
    samples["flags"] = flags
    return RawBlock(samples)


def test_height_is_travel_plus_flex():
    """By hand: 102000 counts are 500 N, 2000 counts 40 mm, the press gives 0.4375 mm."""
    flags = [SampleFlag.ACCEPT_PRESSED, SampleFlag.LOAD_SUSPECT, 0]
    out = apply(RIG, block([2000, 102000, 0], [0, 2000, 10], flags)).samples
    assert out["t_s"] == pytest.approx([0.0, 0.01, 0.02])
    assert out["load_n"] == pytest.approx([0.0, 500.0, -10.0])
    assert out["height_mm"] == pytest.approx([60.0, 40.0 + 0.5 - 0.0625, 59.9])
    assert out["flags"].tolist() == flags


def test_zero_counts_are_taken_off_before_the_flex():
    out = apply(RIG, block([102000], [2000]), zero_counts=2000.0 + 200.0).samples
    assert out["load_n"] == pytest.approx([499.0])
    assert out["height_mm"] == pytest.approx([40.0 + 0.499 - 2.5e-7 * 499.0**2])


@pytest.mark.parametrize("zero", [np.nan, np.inf])
def test_a_zero_that_is_no_number_is_refused(zero):
    with pytest.raises(ValueError, match="zero_counts"):
        apply(RIG, block([1], [1]), zero_counts=zero)


def test_flex_goes_on_straight_beyond_the_measured_load():
    """The parabola alone would turn back; its slope at 1000 N is 0.5 um/N."""
    assert RIG.flex_mm([1000.0, 1400.0, 4000.0]) == pytest.approx([0.75, 0.95, 2.25])


def test_no_flex_measured_corrects_nothing():
    rig = replace(RIG, flex=None)
    assert apply(rig, block([102000], [2000])).samples["height_mm"] == pytest.approx([40.0])


def test_an_empty_block_stays_empty():
    assert len(apply(RIG, block([], []), zero_counts=3.0)) == 0


@settings(max_examples=50)
@given(
    counts=st.lists(
        st.tuples(st.integers(-(2**31), 2**31 - 1), st.integers(-(2**31), 2**31 - 1)), max_size=8
    ),
    zero=st.none() | st.floats(-1e7, 1e7),
)
def test_finite_counts_never_give_nan(counts, zero):
    load, travel = ([pair[i] for pair in counts] for i in (0, 1))
    out = apply(RIG, block(load, travel), zero).samples
    assert np.isfinite(out["load_n"]).all()
    assert np.isfinite(out["height_mm"]).all()


def test_a_fit_survives_json_to_the_last_bit():
    few = replace(RIG.load, widened=1.3, degrees_of_freedom=4.7)
    for kept in (RIG.load, RIG.flex, few, fit(1.0 / 3.0, 0.1, sd=0.7, u=1e-17)):
        assert fit_from_json(fit_to_json(kept)) == kept
    old = json.loads(fit_to_json(RIG.load))
    del old["widened"], old["degrees_of_freedom"]  # a book of before has neither
    assert fit_from_json(json.dumps(old)) == RIG.load


def test_the_press_gives_nothing_in_the_air_and_straight_to_the_lightest_load():
    """What a steep beginning adds is all there at 20 N, half of it at 10 N, none without load."""
    steep = replace(RIG, flex=replace(fit(0.01, 8e-4), x_min=20.0, x_max=900.0))
    give = steep.flex_mm([-5.0, 0.0, 10.0, 20.0, 100.0])
    assert give == pytest.approx([0.0, 0.0, 0.013, 0.026, 0.09])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.pop("x_max"), "x_max"),
        (lambda d: d.update(coefficients=7), "cannot be read"),
        (lambda d: d.update(coefficients=[1.0, float("nan")]), "cannot be read"),
        (lambda d: d.update(covariance=[[1.0]]), "covariance of another size"),
        (lambda d: d.update(residual_sd=None), "residual_sd"),
    ],
)
def test_a_damaged_fit_is_refused_in_words(change, words):
    document = json.loads(fit_to_json(RIG.load))
    change(document)
    with pytest.raises(CoilbenchError) as caught:
        fit_from_json(json.dumps(document))
    assert words in str(caught.value)
    assert "coilbench rig weigh" in str(caught.value)


def test_uncertainties_add_as_squares():
    """JCGM 100:2008, 5.1.2. From the zero only the slope's part of a straight line is left."""
    rig = Calibration(
        load=fit(0.0, 0.005, sd=0.3, u=2e-6, x_max=2e5),
        travel=fit(60.0, -0.01, sd=0.03, u=0.0, x_max=3000.0),
        flex=fit(0.0, 1e-3, sd=0.04),
        load_u_relative=0.0005,
    )
    total = rig.uncertainty
    assert total.load_u_n == pytest.approx(0.5)  # 0.4 and 0.3
    assert total.height_u_mm == pytest.approx(0.05)
    assert total.load_u_relative == 0.0005
