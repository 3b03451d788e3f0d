"""Rules of standing apart: NIST's example, SciPy's MAD, and shapes of simulated springs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from coilbench.analysis.curves.curve import SpringCurve, fit_curve
from coilbench.analysis.sets.check import check_set
from coilbench.analysis.sets.rules import modified_z, shape_departures
from coilbench.capture.sweep import Branch, Origin, Sweep

EMPTY = Branch(np.empty(0), np.empty(0))
SEAT_MM, OPEN_MM = 38.5, 27.6


def test_modified_z_of_the_published_example() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1's data (Tietjen and Moore, 1972); score recomputed."""
    grubbs = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    z = modified_z(grubbs)
    assert z[-1] == pytest.approx(29.96, abs=0.005)
    assert np.all(np.abs(z[:-1]) < 3.5)


@given(
    st.lists(st.floats(100.0, 500.0), min_size=5, max_size=16),
    st.floats(0.0, 20.0),
)
@settings(max_examples=60)
def test_modified_z_against_scipy(values: list[float], least_sd: float) -> None:
    loads = np.array(values)
    mad = float(stats.median_abs_deviation(loads))
    if mad == 0.0 and least_sd == 0.0:
        return
    # 0.6745 is the normal quantile that NIST prints with four digits
    sd = max(mad / 0.6745, least_sd)
    assert modified_z(loads, least_sd) == pytest.approx((loads - np.median(loads)) / sd, rel=1e-9)


def test_where_all_but_one_are_alike() -> None:
    assert modified_z(np.full(6, 3.0)).tolist() == [0.0] * 6
    z = modified_z(np.array([3.0, 3.0, 3.0, 3.0, 4.0]))
    assert z.tolist() == [0.0, 0.0, 0.0, 0.0, math.inf]


def dense(
    label: str, *, rate: float = 16.0, free_mm: float = 53.0, crack: float = 1.0
) -> SpringCurve:
    """A pressed spring; one with a crack changes its rate by that factor 12 mm down."""
    rng = np.random.default_rng(list(label.encode()))
    height = np.linspace(free_mm + 1.0, 26.0, 500)
    depth = np.maximum(free_mm - height, 0.0)
    load = rate * (depth + (crack - 1.0) * np.maximum(depth - 12.0, 0.0))
    load = load + rng.normal(0.0, 0.3, height.size)
    sweeps = [Sweep("s", label, Origin.RIG, Branch(height, load), EMPTY, 0.3, 0.001, 0.02)]
    return fit_curve(label, sweeps)


def test_a_crack_is_odd_and_a_plain_weak_spring_is_not() -> None:
    rng = np.random.default_rng(1)
    sound = [
        dense(f"s{i:02d}", rate=16.0 * rng.normal(1.0, 0.008), free_mm=rng.normal(53.0, 0.15))
        for i in range(10)
    ]
    curves = [*sound, dense("tired", rate=14.4, free_mm=52.0), dense("cracked", crack=0.8)]
    check = check_set("larch", curves, [SEAT_MM, OPEN_MM])
    found = {
        s.label: {flag.kind: flag.reason for flag in s.flags} for s in check.springs if s.flags
    }
    assert set(found) == {"tired", "cracked"}
    assert set(found["tired"]) == {"weak"}
    assert "look for a crack" in found["cracked"]["odd"]


def test_a_scale_and_a_shift_are_no_shape() -> None:
    curves = [dense(f"s{i}") for i in range(6)]
    curves += [dense("soft", rate=12.0), dense("long", free_mm=54.5)]
    departures = shape_departures(curves)
    assert departures is not None
    assert max(share for share, _ in departures) < 0.005
    assert shape_departures(curves[:4]) is None
    points = Branch(np.array([SEAT_MM, OPEN_MM]), np.array([230.0, 400.0]))
    keyed = Sweep("s", "keyed", Origin.KEYED, points, EMPTY, 0.5, 0.0, 0.0)
    assert shape_departures([*curves, fit_curve("keyed", [keyed])]) is None
