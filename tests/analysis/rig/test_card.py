"""The card's numbers: GUM H.3's published correlation, ISO 7500-1's errors by hand, trust."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from uncertainties import UFloat, correlated_values, ufloat

from coilbench.analysis.curves.load_budget import TYPICAL_RATE_N_PER_MM, typical_budget
from coilbench.analysis.report.card_text import _rounded_up, calibration_text, gravity_words
from coilbench.analysis.report.document import document
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.card import (
    Card,
    PartCard,
    Trust,
    _load_u_n,
    _resolution_of,
    _step_errors,
)
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.model import Calibration, NewPart, PointRow
from coilbench.capture.calibration.polynomial import PolynomialFit, hidden_departure, value
from coilbench.capture.calibration.regression import fit_polynomial

G = 9.80665
NOW = "2026-05-11T00:00:00+00:00"
MADE = "2026-05-01T00:00:00+00:00"


def polynomial(fit: PolynomialFit) -> Callable[[float], UFloat]:
    """A fit as `uncertainties` sees it: its coefficients correlated."""
    known = list(fit.coefficients), np.array(fit.covariance).tolist()
    coefficients = correlated_values(*known)
    return lambda x: sum(c * x**power for power, c in enumerate(coefficients))


def unwidened(fit: PolynomialFit) -> PolynomialFit:
    """A fit without what stands in for Student's factor, which a budget applies as a whole."""
    covariance = np.array(fit.covariance) / fit.widened**2
    return replace(fit, covariance=tuple(map(tuple, covariance.tolist())))


def part_of(fit: PolynomialFit) -> PartCard:
    return PartCard("p1", MADE, 0.0, NewPart("load", "x", fit, ()))


def card_of(part: NewPart) -> Card:
    return Card.of(None, [("p1", MADE, part)], NOW)


def trust(part: NewPart) -> Trust | None:
    return card_of(part).trust


def test_coefficients_and_correlation_are_those_published_in_gum_h3() -> None:
    """JCGM 100:2008, H.3: y1 -0.1712 (s 0.0029), y2 0.00218 (s 0.00067), r -0.930."""
    table = Path(__file__).parents[2] / "data" / "gum_h3.csv"
    t, b = np.loadtxt(table, delimiter=",", comments=["#", "t_"], unpack=True)
    fit = fit_polynomial(t - 20.0, b, 1)
    assert fit.coefficients[0] == pytest.approx(-0.1712, abs=5e-5)
    part = part_of(fit)
    assert part.coefficients_u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert part.correlation[0][1] == pytest.approx(-0.930, abs=5e-4)
    assert part.correlation[1][1] == 1.0


def test_a_certain_coefficient_has_no_correlation() -> None:
    part = part_of(PolynomialFit((0.0, 2.0), ((0.0, 0.0), (0.0, 0.25)), 0.1, 0.0, 9.0, 5))
    assert part.correlation == [[1.0, 0.0], [0.0, 1.0]]
    assert part.coefficients_u == [0.0, 0.5]


def row(mass_kg: float, shown_kg: float, way: str) -> PointRow:
    """A reading of a cell with a count a newton, whose curve is counts = load."""
    return PointRow(direction=way, mass_kg=mass_kg, load_counts=shown_kg * G)


LINE = PolynomialFit((0.0, 1.0), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 500.0, 9)


def test_errors_at_each_step_as_worked_by_hand() -> None:
    """Three increasing runs and one back; all loads read 0.1 kg too much, which the zero takes off.

    At 10 kg: up 10.05, 9.95, 10.00 gives q 0, b 1.0 %; down 10.08 gives v 0.8 %. At 20 kg: up
    20.10, 20.00, 20.20 gives q 0.5 %, b 1.0 %, no run back. Nothing left: 0.02 kg of 20 is 0.1 %.
    """
    points = [row(0, 0.1, "up")]
    for ten, twenty in ((10.05, 20.10), (9.95, 20.00), (10.00, 20.20)):
        points += [row(10, ten + 0.1, "up"), row(20, twenty + 0.1, "up")]
    points += [row(10, 10.18, "down"), row(0, 0.12, "down")]
    ten, twenty = _step_errors(points, LINE, G, resolution_n=0.49)
    assert ten.q_percent == pytest.approx(0.0, abs=1e-9)
    assert ten.b_percent == pytest.approx(1.0)
    assert ten.v_percent == pytest.approx(0.8)
    assert ten.resolution_percent == pytest.approx(0.49 / (10 * G) * 100)
    assert twenty.q_percent == pytest.approx(0.5)
    assert twenty.b_percent == pytest.approx(1.0)
    assert twenty.v_percent is None
    assert ten.zero_percent == twenty.zero_percent == pytest.approx(0.1)


def test_a_series_without_a_reading_at_nothing_has_no_zero_error() -> None:
    (step,) = _step_errors([row(10, 10.0, "up")], LINE, G, 0.1)
    assert step.zero_percent is None
    assert step.b_percent is None


def test_noise_widens_the_resolution() -> None:
    fit = PolynomialFit((0.0, -4e-4), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)
    assert _resolution_of(fit, None) == pytest.approx(4e-4)
    assert _resolution_of(fit, 100.0) == pytest.approx(4e-4 * 201)


def test_the_coarser_end_of_a_bent_cell_sets_the_resolution() -> None:
    bent = PolynomialFit((0.0, 4e-4, 1e-10), ((0.0,) * 3,) * 3, 0.0, 0.0, 1e6, 5)
    assert _resolution_of(bent, None) == pytest.approx(4e-4 + 2e-10 * 1e6)


def test_a_part_without_a_gravity_has_the_standard_one() -> None:
    part = replace(calibrated(), gravity_m_s2=None)
    card = Card.of(None, [("p1", MADE, part)], NOW)
    assert card.gravity_m_s2 == G
    assert card.budget is None
    assert Card.of(None, [("p1", MADE, replace(part, gravity_m_s2=9.79))], NOW).steps[
        0
    ].true_n == pytest.approx(5 * 9.79)


def calibrated(noise_n: float = 0.05, seed: int = 1) -> NewPart:
    rng = np.random.default_rng(seed)
    masses = [0, 5, 10, 20, 40, 20, 10, 5, 0]
    points = [
        LoadPoint(m, 30_000 + (m * G + noise_n * rng.standard_normal()) / 4e-4, way)
        for m, way in zip(masses, ["up"] * 5 + ["down"] * 4, strict=True)
    ]
    return load_part(points, "weights.csv")


def test_trust_is_the_chain_that_uncertainties_adds_up() -> None:
    """Reference: the `uncertainties` package, coefficients with their covariance."""
    part = calibrated()
    fit, zero = part.fit, part.points[0].load_counts
    curve = polynomial(fit)
    expected = []
    for mass in (5, 10, 20, 40):
        counts = np.mean([p.load_counts for p in part.points if p.mass_kg == mass])
        hidden = hidden_departure(fit, counts, minus_x=zero)
        load = curve(counts) - curve(zero) + ufloat(0.0, fit.residual_sd)
        load += ufloat(0.0, abs(float(hidden)))
        expected.append((load + ufloat(0.0, part.reference_u_relative * mass * G)).s)
    assert _load_u_n(part, G) == pytest.approx(expected, rel=1e-9)
    found = trust(part)
    assert found is not None
    assert found.load_u_n == pytest.approx(2.0 * max(expected))
    assert (found.low_n, found.high_n) == pytest.approx((5 * G, 40 * G))


@pytest.mark.parametrize("seed", range(8))
def test_the_trusted_interval_holds_a_steady_load(seed: int) -> None:
    """On a made cell: 40 new readings of known loads; at most a few may lie outside of 95 %."""
    part = calibrated(seed=seed)
    found = trust(part)
    assert found is not None
    rng = np.random.default_rng(100 + seed)
    true_n = rng.uniform(found.low_n, found.high_n, 40)
    counts = 30_000 + (true_n + 0.05 * rng.standard_normal(40)) / 4e-4
    read_n = value(part.fit, counts) - value(part.fit, 30_000)  # the zero was taken just before
    assert np.count_nonzero(np.abs(read_n - true_n) > found.load_u_n) <= 5


@given(st.floats(1e-6, 1e6))
def test_rounding_up_never_promises_more(number: float) -> None:
    rounded = _rounded_up(number)
    assert number * (1 - 1e-8) <= rounded <= 1.5 * number + 1e-12


def test_rounded_up_as_a_person_would() -> None:
    assert [_rounded_up(x) for x in (0.27, 0.0123, 0.3, 1.01, 0.0)] == [0.3, 0.013, 0.3, 1.1, 0.0]


def said(part: NewPart, units: Units) -> str:
    return "; ".join(calibration_text(card_of(part), units).sentences)


def test_the_sentences() -> None:
    part = calibrated()
    assert re.search(r"\b5\b.*\b40 kg.*\b0\.0", said(part, Units("kg", "mm")))
    assert "lbf" in said(part, Units("lbf", "in"))
    assert "presses with 9.81000 N, which shows as 1.00034 kg" in gravity_words(9.81, Units())
    assumed = said(replace(part, reference_u_relative=0.0005), Units())
    assert "taken as 0.10% (k = 2), assumed" in assumed
    stated = replace(part, reference_u_relative=0.001, notes=())
    assert re.search(r"\b0\.20%.*stated", said(stated, Units()))


def test_the_card_and_its_document() -> None:
    travel = travel_part([GaugePoint(h, 14_000 - 200 * h) for h in (0, 20, 50)], "gauges.csv")
    card = Card.of("c1", [("p1", MADE, calibrated()), ("p2", MADE, travel)], NOW)
    assert [part.age_days for part in card.parts] == [10.0, 10.0]
    assert card.ranges[0].name == "0.5"
    words = calibration_text(card, Units("kg", "mm")).sentences
    met = "Of ISO 7500-1's limits its errors would meet those of class 0.5"
    assert any(one.startswith(met) for one in words)
    assert "Not measured, and so not judged: repeatability" in words
    assert any("not a certificate" in one for one in words)
    told = document(card)
    assert told["iso7500"]["limits"]["1"]["q_percent"] == 1.0
    assert [step["class"] for step in told["iso7500"]["steps"]][-1] == "0.5"
    assert told["parts"][1]["unit"] == "mm"
    assert math.isclose(told["gravity_m_s2"], G)


def test_errors_beyond_every_class_are_said_with_the_column() -> None:
    points = [row(0, 0, "up"), row(10, 10, "up"), row(20, 22, "up"), row(20, 20, "up")]
    part = NewPart("load", "x", LINE, points, (), 0.0005, G)
    assert card_of(part).ranges == ()
    words = said(part, Units("kg", "mm"))
    assert "would meet none: at 20.00 kg the accuracy, repeatability exceeds" in words


def test_the_typical_budget_is_what_uncertainties_propagates() -> None:
    """Reference: the `uncertainties` package on load - rate * height, coefficients correlated.

    Half the largest load at the middle of the gauges, on TYPICAL_RATE_N_PER_MM.
    """
    load = calibrated()
    travel = travel_part([GaugePoint(h, 14_000 - 200 * h + o) for h, o in GAUGED], "g").fit
    flex = PolynomialFit((0.0, 8e-4), ((0.0, 0.0), (0.0, 1e-10)), 0.004, 50.0, 500.0, 20)
    calibration = Calibration(load.fit, travel, flex, load.reference_u_relative)
    budget = typical_budget(calibration)

    curve, slope = polynomial(unwidened(load.fit)), load.fit.coefficients[1]
    zero = load.fit.x_min
    typical_n = 0.5 * curve(load.fit.x_max).n
    counts = zero + typical_n / slope
    force = curve(counts) - curve(zero) + ufloat(0, load.reference_u_relative) * typical_n
    bend = PolynomialFit(load.fit.hidden_bend, ((0.0,),), 0.0, 0.0, 1.0, 3)
    force += ufloat(0, float(abs(value(bend, counts) - value(bend, zero))))
    height = polynomial(unwidened(travel))(0.5 * (travel.x_min + travel.x_max))
    height += ufloat(0, 0.005 / math.sqrt(12 * len(GAUGED))) + ufloat(8e-4, 1e-5) * typical_n
    whole = force - TYPICAL_RATE_N_PER_MM * height
    assert budget.combined_u_n == pytest.approx(whole.s, rel=1e-3)


def test_a_press_whose_give_was_not_measured_is_in_the_budget() -> None:
    load = calibrated()
    travel = travel_part([GaugePoint(h, 14_000 - 200 * h + o) for h, o in GAUGED], "g").fit
    budget = typical_budget(Calibration(load.fit, travel, None, load.reference_u_relative))
    (flex,) = (line for line in budget.lines if "flex" in line.source)
    assert flex.source == "flex_not_measured"
    assert flex.contribution_n > 0.5 * budget.combined_u_n


GAUGED = ((0, 1), (20, -2), (40, 2), (60, -1))
