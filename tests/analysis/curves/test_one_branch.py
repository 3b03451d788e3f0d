"""Rates that never join two branches, and a way with a handful of samples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.readings import CurveNote
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

Points = list[tuple[float, float]]


def branch(points: Points) -> Branch:
    height, load = np.array(points, dtype=float).reshape(-1, 2).T
    return Branch(height, load)


def keyed(down: Points, up: Points) -> Sweep:
    return Sweep("s", "x", Origin.KEYED, branch(down), branch(up), 1.0, 0.0, 0.0)


def wide(height_mm: float, way: float) -> tuple[float, float]:
    """16 N/mm from 53 mm, with 40 N of friction."""
    return height_mm, 16.0 * (53.0 - height_mm) + 40.0 * way


def test_heights_read_in_different_branches_have_no_rate() -> None:
    curve = fit_curve("x", [keyed([wide(38.0, 1.0)], []), keyed([], [wide(28.0, -1.0)])])
    assert curve.load_at(38.0).load_n == 280.0
    with pytest.raises(HeightNotMeasured) as caught:
        curve.rate_between(38.0, 28.0)
    assert caught.value.finding.other_mm == 38.0
    words = describe(caught.value.finding, Units())
    assert "28.00 mm" in words
    assert "38.00 mm" in words


def test_one_branch_for_the_mean_has_the_loop_in_its_uncertainty() -> None:
    """Seen elsewhere: 80 N. Half of it may be at one end alone: 40 N over 10 mm, a rectangle."""
    down = [wide(mm, 1.0) for mm in (48.0, 38.0, 28.0)]
    curve = fit_curve("x", [keyed(down, [wide(mm, -1.0) for mm in (48.0, 38.0)])])
    rate = curve.rate_between(38.0, 28.0)
    assert (rate.side, rate.rate_n_per_mm) == ("loading", pytest.approx(16.0))
    (line,) = [line for line in rate.budget.lines if line.source == "branch_not_measured"]
    assert line.contribution_n == pytest.approx(40.0 / 10.0 / math.sqrt(3.0))
    assert curve.rate_between(48.0, 38.0).side == "both"
    asked = fit_curve("x", curve_sweeps(curve), "loading").rate_between(38.0, 28.0)
    assert all(line.source != "branch_not_measured" for line in asked.budget.lines)
    alone = fit_curve("x", [keyed(down, [])]).rate_between(38.0, 28.0)
    assert all(line.source != "branch_not_measured" for line in alone.budget.lines)
    told = SpringFindings.of(curve, Given(), heights_mm=(38.0, 28.0))
    assert [each["branch"] for each in told.document()["rates"]] == ["mean", "loading"]
    assert list(told.rate_lines(Units()))[-1].endswith("loading alone")


def curve_sweeps(curve: SpringCurve) -> list[Sweep]:
    fits = [fit for fit in curve.sweeps[0].fits("both") if fit is not None]
    down, up = ([*zip(fit.height_mm, fit.load_n, strict=True)] for fit in fits)
    return [keyed(down, up)]


@pytest.mark.parametrize(("up_to_mm", "rated"), [(37.9, (48.0, 37.9)), (38.1, (48.0, 28.0))])
def test_a_rate_is_of_both_where_they_have_half_of_the_range(
    up_to_mm: float, rated: tuple[float, float]
) -> None:
    down = [wide(mm, 1.0) for mm in (48.0, 38.1, 37.9, 28.0)]
    curve = fit_curve("x", [keyed(down, [wide(mm, -1.0) for mm in (48.0, up_to_mm)])])
    assert curve.rated_mm == rated
    rate = curve.rate
    assert rate is not None
    assert rate.side == ("both" if rated[1] > 28.0 else "loading")


def stroke(up: int, down: int = 400, from_mm: float = 28.0, to_mm: float = 52.0) -> Sweep:
    """A sampled stroke whose way up has so many samples."""
    fall, rise = np.linspace(55.0, 27.0, down), np.linspace(from_mm, to_mm, up)
    loads = [16.0 * np.maximum(53.0 - mm, 0.0) + way for mm, way in ((fall, 5.0), (rise, -5.0))]
    ways = Branch(fall, loads[0]), Branch(rise, loads[1])
    return Sweep("s", "x", Origin.CONVERTED_FILE, *ways, 0.5, 0.001, 0.02)


@pytest.mark.parametrize(
    ("found", "left_out"),
    [
        (stroke(5), True),
        (stroke(6), True), (stroke(7), False),  # with the turn's own sample 7 and 8
        (stroke(5, 17), False), (stroke(5, 19), True),  # three times as many on the way down
        (stroke(5, 400, 27.2, 28.4), False),  # a way up that was hardly begun is read as far
    ],
)  # fmt: skip
def test_a_handful_of_samples_on_the_way_up_is_no_branch(found: Sweep, left_out: bool) -> None:
    curve = fit_curve("x", [found])
    assert (CurveNote("few_samples", side="unloading") in curve.notes) == left_out
    assert (curve.sweeps[0].unloading is None) == left_out
    if left_out:
        rate = curve.rate_between(45.0, 30.0)
        assert (rate.side, rate.rate_n_per_mm) == ("loading", pytest.approx(16.0, abs=0.01))
