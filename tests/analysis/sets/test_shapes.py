"""Shapes of a set: a bend that the others don't have, and how often sound sets seem to have it."""

from __future__ import annotations

import numpy as np
from scipy import stats

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.judge import check_set
from coilbench.analysis.sets.set_columns import _Departure, _odd_shapes, _shape_departures
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

EMPTY = Branch(np.empty(0), np.empty(0))
SEAT_MM, OPEN_MM = 38.5, 27.6


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
        s.label: {flag.kind: describe(flag, Units()) for flag in s.flags}
        for s in check.springs
        if s.flags
    }
    assert set(found) == {"tired", "cracked"}
    assert set(found["tired"]) == {"weak"}
    assert "look for a crack" in found["cracked"]["odd"]


def test_a_scale_and_a_shift_are_no_shape() -> None:
    curves = [dense(f"s{i}") for i in range(6)]
    curves += [dense("soft", rate=12.0), dense("long", free_mm=54.5)]
    departures = _shape_departures(curves)
    assert departures is not None
    assert max(one.largest for one in departures) < 0.005
    assert all(one.rms <= one.largest for one in departures)
    assert _shape_departures(curves[:4]) is None
    points = Branch(np.array([SEAT_MM, OPEN_MM]), np.array([230.0, 400.0]))
    keyed = Sweep("s", "keyed", Origin.KEYED, points, EMPTY, 0.5, 0.0, 0.0)
    assert _shape_departures([*curves, fit_curve("keyed", [keyed])]) is None


def test_sound_shapes_raise_no_more_alarms_than_asked_for() -> None:
    """Departures as root mean squares of a few smooth normal terms: 1500 sets of ten."""
    rng = np.random.default_rng(3)
    for freedom in (2, 4, 12):
        terms = rng.normal(0.0, 0.002, (1500, 10, freedom))
        rms = np.sqrt(np.mean(terms**2, axis=2))
        alarms = 0
        for one in rms:
            esd = _odd_shapes([_Departure(float(r), float(r), 40.0) for r in one], 0.05)
            alarms += esd is not None and any(esd.scores[at] > 0.0 for at in esd.outliers)
        assert alarms <= stats.binom.ppf(0.9999, 1500, 0.05)
