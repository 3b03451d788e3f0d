"""The lag, on presses made here: a filter, friction, noise and a spring, all known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import _corrected, _Stroke, undo_lag
from coilbench.analysis.curves.lag_fit import KNOTS, Looked, _basis, _friction_out, estimate_lag
from coilbench.analysis.curves.readings import CurveNote
from coilbench.capture.calibration.lag import Press, Presses
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

Array = NDArray[np.float64]
FREE_MM, BOTTOM_MM, RATE = 53.0, 27.0, 16.0
FINE = 20


def spring_n(height: Array, coulomb_n: float = 3.0, share: float = 0.012) -> Array:
    """Load along a path: a constant friction and one in proportion, turned round in 0.25 mm."""
    depth = np.maximum(FREE_MM - height, 0.0)
    drag, state = np.empty_like(depth), 0.0
    for at, step in enumerate(np.diff(depth, prepend=depth[0])):
        state += (np.sign(step) - state) * (1.0 - math.exp(-abs(step) / 0.25))
        drag[at] = state
    load = RATE * depth
    return load + drag * (share * load + coulomb_n * np.minimum(load, 1.0))


def press(
    seconds: tuple[float, float],
    *,
    filter_s: float = 0.043,
    kind: str = "average",
    rate_hz: float = 93.0,
    seed: int = 0,
    **friction: float,
) -> Press:
    """Down and up in so many seconds, as a filter shows it."""
    rng = np.random.default_rng(seed)
    down, up = (np.linspace(0.0, 1.0, round(s * FINE * rate_hz)) for s in seconds)
    hold = np.ones(round(0.3 * FINE * rate_hz))
    air = np.linspace(FREE_MM + 6.0, FREE_MM + 1.0, round(0.4 * FINE * rate_hz))
    way = np.concatenate([_ease(down), hold, 1.0 - _ease(up)])
    height = FREE_MM + 1.0 - (FREE_MM + 1.0 - BOTTOM_MM) * way
    height = np.concatenate([air, height, air[::-1]])
    load = spring_n(height, **friction)
    length = round(filter_s * FINE * rate_hz)
    if kind == "delay":
        shown = np.concatenate([np.zeros(length // 2), load])[: load.size]
    else:
        total = np.cumsum(np.concatenate([np.zeros(length + 1), load]))
        shown = (total[length:] - total[:-length])[1:] / length if length else load
    pick = slice(None, None, FINE)
    t_s = np.arange(height[pick].size) / rate_hz
    noise = rng.normal(0.0, 0.06, t_s.size)
    return Press(t_s, shown[pick][: t_s.size] + noise, np.round(height[pick], 2), 0.0 * t_s)


def _ease(u: Array) -> Array:
    return u**3 * (10.0 + u * (-15.0 + 6.0 * u))


HANDS = ((1.4, 1.1), (0.9, 1.3), (2.2, 1.7))


@pytest.mark.parametrize("filter_s", [0.0, 0.02, 0.043, 0.09])
@pytest.mark.parametrize("kind", ["average", "delay"])
def test_the_delay_is_half_the_filters_length(filter_s: float, kind: str) -> None:
    presses = [press(s, filter_s=filter_s, kind=kind, seed=n) for n, s in enumerate(HANDS)]
    lag = estimate_lag([presses])
    assert lag.known
    assert abs(lag.delay_s - 0.5 * filter_s) < 3.0 * lag.delay_u_s
    assert lag.delay_u_s < 0.001  # of 11 ms between two samples


@pytest.mark.parametrize("friction", [(0.0, 0.0), (6.0, 0.0), (0.0, 0.05), (8.0, 0.04)])
def test_friction_is_kept_apart(friction: tuple[float, float], loop_n) -> None:
    """However wide the loop that friction makes, the delay stays the filter's."""
    coulomb_n, share = friction
    presses = [press(s, seed=n, coulomb_n=coulomb_n, share=share) for n, s in enumerate(HANDS)]
    lag = estimate_lag([presses])
    assert abs(lag.delay_s - 0.0215) < 3.0 * lag.delay_u_s
    curve = fit_curve("x", undo_lag({"x": [_sweep(one) for one in presses]})["x"])
    for height in (32.0, 38.0, 44.0):
        load = RATE * (FREE_MM - height)
        assert curve.load_at(height).load_n == pytest.approx(load, abs=0.15)
        loop = 2.0 * (share * load + coulomb_n)
        assert loop_n(curve, height) == pytest.approx(loop, abs=0.5)


def test_at_ten_conversions_a_second() -> None:
    presses = [
        press((s, 0.9 * s), filter_s=0.4, rate_hz=10.0, seed=n)
        for n, s in enumerate((4.0, 6.0, 9.0))
    ]
    lag = estimate_lag([presses])
    assert abs(lag.delay_s - 0.2) < 3.0 * lag.delay_u_s
    curve = fit_curve("x", undo_lag({"x": [_sweep(one) for one in presses]})["x"])
    reading = curve.load_at(38.0)
    assert abs(reading.load_n - RATE * 15.0) < max(2.0 * reading.load_u_n, 0.3)


def test_all_springs_of_a_rig_tell_of_it_together() -> None:
    one = estimate_lag([[press(HANDS[0])]])
    many = estimate_lag([[press(s, seed=n)] for n, s in enumerate(HANDS * 3)])
    assert many.delay_u_s < one.delay_u_s
    assert many.degrees_of_freedom > one.degrees_of_freedom


def test_strokes_that_tell_nothing_leave_the_lag_unknown() -> None:
    """A dozen samples cannot part lag from friction: what is typical, and words."""
    short = press((1.2, 1.0))
    few = slice(None, None, 25)
    thin = Press(short.t_s[few], short.load_n[few], short.travel_mm[few], short.flex_mm[few])
    lag = estimate_lag([[thin]])
    assert not lag.known
    assert lag.delay_u_s > 0.5 * lag.delay_s
    converted = _sweep(thin)
    assert undo_lag({"x": [converted]}) == {"x": [converted]}  # whose lag may be undone already
    curve = fit_curve("x", _corrected([_Stroke("x", 0, converted, thin)], Presses.of([thin]), lag))
    assert "lag_unknown" in {note.kind for note in curve.load_at(38.0).notes}
    lines = {line.source for line in curve.load_at(38.0).budget.lines}
    assert "lag_not_known" in lines


def test_one_sample_is_no_stroke() -> None:
    lone = Press(np.zeros(1), np.ones(1), np.ones(1), np.zeros(1))
    assert estimate_lag([[lone]]).delay_s == 0.0


def test_contact_is_where_the_straight_course_ends() -> None:
    presses = [press(s, seed=n) for n, s in enumerate(HANDS)]
    lag = estimate_lag([presses])
    looked = Looked.of([*presses, press((0.05, 0.05))], [0, 0, 0, 1])
    found = looked.contacts_mm(lag)
    assert found[:3] == pytest.approx(FREE_MM, abs=0.05)
    assert found[3] == math.inf


def test_a_stroke_the_filter_cannot_follow_is_left_out() -> None:
    slow = [press(s, filter_s=0.4, rate_hz=10.0) for s in ((5.0, 4.0), (7.0, 6.0))]
    hasty = press((0.4, 0.4), filter_s=0.4, rate_hz=10.0)
    assert hasty.too_fast(0.2, 0.4**2 / 12.0)
    assert not slow[0].too_fast(0.2, 0.4**2 / 12.0)
    sweeps = undo_lag({"x": [_sweep(one) for one in (*slow, hasty)]})["x"]
    assert [sweep.too_fast for sweep in sweeps] == [False, False, True]
    reading = fit_curve("x", sweeps).load_at(38.0)
    assert CurveNote("fast_strokes_left_out", strokes=1) in reading.notes
    assert reading.load_n == pytest.approx(RATE * 15.0, abs=0.5)
    doubted, trusted = sweeps[2].lag, sweeps[0].lag
    assert doubted is not None
    assert trusted is not None
    assert doubted.delay_u_s == pytest.approx(3.0 * trusted.delay_u_s)
    alone = fit_curve("x", sweeps[2:]).load_at(38.0)
    assert abs(alone.load_n - RATE * 15.0) < alone.load_u_n
    fast = [replace(sweep, too_fast=True) for sweep in sweeps]
    alone = fit_curve("x", fast)
    assert CurveNote("all_strokes_too_fast") in alone.notes


def test_points_have_no_lag() -> None:
    heights = np.array([38.0, 30.0])
    points = Sweep(
        "s", "x", Origin.KEYED, Branch(heights, heights), Branch(heights, heights), 1.0, 0.0, 0.0
    )
    assert undo_lag({"x": [points]}) == {"x": [points]}


def _sweep(press: Press) -> Sweep:
    down, up = Branch(press.travel_mm, press.load_n).split()
    return Sweep("s", "x", Origin.CONVERTED_FILE, down, up, 0.01, 0.0, 0.0, replace(press))


def test_the_splines_are_scipys() -> None:
    """scipy.interpolate.BSpline on the same knots; what lies outside is as the ends are."""
    shares = np.concatenate([np.linspace(-0.2, 1.2, 300), np.linspace(0.0, 1.0, KNOTS)])
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, KNOTS), [1.0] * 3])
    expected = BSpline(knots, np.eye(KNOTS + 2), 3)(np.clip(shares, 0.0, 1.0))
    assert _basis(shares) == pytest.approx(expected, abs=1e-13)


@pytest.mark.parametrize("ways", ["both", "nearly down"])
def test_what_is_left_is_what_least_squares_leaves(ways: str) -> None:
    """numpy.linalg.lstsq's, also where a way up of one sample has hardly anything of its own."""
    rng = np.random.default_rng(3)
    share = rng.uniform(0.0, 1.0, 400)
    way = np.where((rng.uniform(size=400) < 0.5) & (ways == "both"), -1.0, 1.0)
    way[0] = -1.0
    load = 300.0 + 200.0 * share + 4.0 * way + rng.normal(size=400)
    by_lag, strokes = rng.normal(size=(400, 2)), (np.arange(400) // 200 == 1)[:, None]
    splines, rising = _basis(share), (_basis(share + 0.01) - _basis(share - 0.01)) / 0.02
    left = _friction_out(splines, rising, load, way, by_lag, strokes)
    smooth = np.linalg.lstsq(splines, load)[0]
    columns = np.column_stack([load, (rising @ smooth)[:, None] * by_lag])
    others = np.column_stack([splines, way, way * load, strokes])
    expected = columns - others @ np.linalg.lstsq(others, columns)[0]
    assert left == pytest.approx(expected, rel=1e-9, abs=1e-9 * np.abs(columns).max())
