"""A stated uncertainty of which it is not known what readings have in common: the careful side."""

import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.uncertainty import common_u, split
from coilbench.analysis.engine.loads import Load
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

U_N = 10.0  # k = 1
HEIGHTS_MM = np.array([38.5, 38.5, 27.6])
NONE = Branch(np.array([]), np.array([]))


def stated(label: str = "a") -> SpringCurve:
    """Read twice at 38.5 mm and once at 27.6 mm, 16 N/mm, each load with a stated uncertainty."""
    read = Branch(HEIGHTS_MM, 16.0 * (53.0 - HEIGHTS_MM))
    u = ((U_N,) * len(HEIGHTS_MM), ())
    sweep = Sweep(label, label, Origin.POINTS_FILE, read, NONE, 0.0, 0.0, 0.0, stated_u_n=u)
    return fit_curve(label, [sweep])


def test_one_load_has_all_of_it_however_often_it_was_read() -> None:
    for height_mm in (38.5, 33.0, 27.6):
        lines = stated().load_at(height_mm).budget.lines
        (own,) = [line for line in lines if line.source == "load_stated"]
        assert own.contribution_n == pytest.approx(U_N)


def test_a_rate_takes_it_as_independent_at_each_end() -> None:
    """JCGM 100:2008, 5.1.2: a difference of independent values: root of the sum of squares."""
    rate = stated().rate_between(38.5, 27.6)
    assert rate.rate_u_n_per_mm == pytest.approx(2.0 * math.sqrt(2.0) * U_N / 10.9, rel=1e-3)


def test_a_mean_takes_it_as_common_and_a_difference_as_each_springs_own() -> None:
    reading = stated().load_at(27.6)
    measured = split(reading.load_n, reading.budget)
    assert measured.own_u == pytest.approx(2.0 * U_N)  # springs are told apart by this
    assert common_u(measured) == pytest.approx(2.0 * U_N)
    load = Load.of(reading)
    assert load.load_u_n == pytest.approx(2.0 * U_N)
    assert Load.mean([load] * 8).load_u_n == pytest.approx(2.0 * U_N)
