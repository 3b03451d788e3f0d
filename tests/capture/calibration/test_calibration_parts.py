"""Parts: points beside their fit, and a datum moved without loss or gain of certainty."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import Hello
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.model import datum_part
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate, value
from coilbench.capture.errors import CoilbenchError

MASSES = [
    LoadPoint(0.0, 120.0, "up", 0.0),
    LoadPoint(20.0, 40_160.0, "up", 0.02),
    LoadPoint(40.0, 80_090.0, "up", 0.04),
    LoadPoint(20.0, 40_140.0, "down", 0.02),
    LoadPoint(0.0, 100.0, "down", 0.0),
]
GAUGES = [
    GaugePoint(mm, 6000.0 - 100.0 * mm + off, 0.01) for mm, off in ((0, 1), (25, -1), (50, 0))
]
TRAVEL = PolynomialFit((60.0, -0.01), ((4e-4, -8e-8), (-8e-8, 2.5e-11)), 0.015, 500.0, 5500.0, 8)


def test_a_load_part_keeps_its_points_with_what_is_left_over():
    part = load_part(MASSES, "masses.csv")
    assert (part.kind, part.origin) == ("load", "masses.csv")
    assert [row.mass_kg for row in part.points] == [p.mass_kg for p in MASSES]
    assert [row.load_counts for row in part.points] == [p.counts for p in MASSES]
    assert [row.direction for row in part.points] == [p.direction for p in MASSES]
    known_n = np.array([p.mass_kg for p in MASSES]) * 9.80665  # 3rd CGPM, 1901
    fitted_n = value(part.fit, [p.counts for p in MASSES])
    assert [row.residual_n for row in part.points] == pytest.approx((known_n - fitted_n).tolist())
    assert part.reference_u_relative == pytest.approx(0.0005)  # 0.1 % expanded, k = 2


def test_a_travel_part_keeps_its_points_with_what_is_left_over():
    part = travel_part(GAUGES, "gauges.csv")
    fitted_mm = value(part.fit, [p.counts for p in GAUGES])
    assert [row.length_mm for row in part.points] == [0, 25, 50]
    assert [row.residual_mm for row in part.points] == pytest.approx(
        [known - fitted for known, fitted in zip((0, 25, 50), fitted_mm, strict=True)]
    )
    assert part.reference_u_relative == 0.0


def test_a_flex_part_keeps_points_before_contact_without_a_residual():
    load, travel = load_part(MASSES, "masses.csv").fit, TRAVEL
    pressed = [
        FlexPoint(100.0 + 2000.0 * kg, 3000.0 + 1.5 * kg) for kg in (0, 10, 20, 30, 40, 30, 20, 10)
    ]
    part = flex_part(pressed, load, travel, "block.csv")
    assert [row.load_counts for row in part.points] == [p.load_counts for p in pressed]
    assert part.points[0].residual_mm is None
    assert all(abs(row.residual_mm) < 0.02 for row in part.points[1:])
    # 1.5 counts of 0.01 mm a kg
    assert value(part.fit, 40 * 9.80665) == pytest.approx(0.6, rel=0.02)


@pytest.mark.parametrize("make", [load_part, travel_part])
def test_too_few_points_are_refused(make):
    with pytest.raises(CoilbenchError):
        make([], "nothing.csv")


def test_a_part_can_say_on_which_rig_it_was_read():
    hello = Hello(1, "test 1.0", "rig-7", 41, 80.0, "quadrature", 10.0)
    part = travel_part(GAUGES, "guided")
    assert (part.device_id, part.boot_id) == (None, None)
    assert part.on(hello) == replace(part, device_id="rig-7", boot_id=41)


def test_a_new_datum_reads_the_length_where_it_lies_and_keeps_the_slope():
    part = datum_part(TRAVEL, GaugePoint(30.0, -1234.0, 0.01))
    assert value(part.fit, -1234.0) == pytest.approx(30.0)
    assert part.fit.coefficients[1] == TRAVEL.coefficients[1]
    # the same heights are covered: 30 mm was at 3000 counts before
    assert (part.fit.x_min, part.fit.x_max) == pytest.approx((500.0 - 4234.0, 5500.0 - 4234.0))
    assert value(part.fit, part.fit.x_min) == pytest.approx(value(TRAVEL, TRAVEL.x_min))
    (row,) = part.points
    assert (row.length_mm, row.travel_counts) == (30.0, -1234.0)


@pytest.mark.parametrize(
    ("length_mm", "counts", "u_mm", "scatter_sd_mm"),
    [
        (30.0, 0.0, 0.01, 0.015),
        (50.0, 3000.0, None, 0.015),
        (0.0, -90_000.0, 0.3, 0.015),
        (30.0, 500.0, 0.0, 0.0),  # only the scale's step is left
    ],
)
def test_the_new_datums_uncertainty_is_what_drawn_errors_give(
    length_mm, counts, u_mm, scatter_sd_mm
):
    """JCGM 101:2008: draw the errors, do what a user does, look at the spread of the heights.

    The truth: 100 counts a mm, the length at `counts`. Wrong, each by chance: the length, the
    reading (the scale's scatter, and a step of a count), and the old line as its covariance says.
    """
    draws = 40_000
    rng = np.random.default_rng(4711)
    expanded_mm = 0.02 if u_mm is None else u_mm  # what a gauge is taken as good for, k = 2
    lengths_mm = length_mm + rng.normal(0.0, expanded_mm / 2.0, draws)
    step_mm = rng.uniform(-0.5, 0.5, draws) * 0.01
    scatter_mm = rng.normal(0.0, scatter_sd_mm, draws)
    read_counts = counts + (step_mm + scatter_mm) / 0.01
    old = rng.multivariate_normal(TRAVEL.coefficients, TRAVEL.covariance, draws)

    before = replace(TRAVEL, residual_sd=scatter_sd_mm)
    part = datum_part(before, GaugePoint(length_mm, counts, u_mm))
    at = counts + np.array([-4000.0, 0.0, 2500.0])
    true_mm = length_mm - 0.01 * (at - counts)
    stated_mm, u = evaluate(part.fit, at)
    assert stated_mm == pytest.approx(true_mm)
    # the line through the nominal length at the reading; the true length lies elsewhere
    drawn_mm = length_mm + old[:, 1, None] * (at - read_counts[:, None])
    error_mm = drawn_mm - (true_mm + (lengths_mm - length_mm)[:, None])
    # a spread of 40,000 draws is known to 1 / sqrt(2 * 40,000) = 0.35 %
    assert error_mm.std(axis=0) == pytest.approx(u, rel=0.02)


def test_a_new_datum_is_no_worse_for_where_the_scale_began_anew():
    """An intercept lies far away from the counts in use; its uncertainty must not come back."""
    u = [
        evaluate(datum_part(TRAVEL, GaugePoint(30.0, counts, 0.01)).fit, counts)[1]
        for counts in (0.0, 3000.0, -500_000.0)
    ]
    assert u == pytest.approx([float(u[0])] * 3, rel=1e-4)
