"""Rates by name: a textbook's spring, SciPy's and statsmodels' lines, simulated presses."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.rates import Loop, NamedRate, Span
from coilbench.capture.strokes.bins import fine_bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import OUTER, draw_set

Array = NDArray[np.float64]
NONE = Branch(np.empty(0), np.empty(0))
LOOP = 0.03


def press(
    load_n: Array, height_mm: Array, *, origin: Origin = Origin.CONVERTED_FILE, up: bool = True
) -> Sweep:
    turn = int(np.argmin(height_mm)) + 1
    ways = (
        Branch(height_mm[:turn], load_n[:turn]),
        Branch(height_mm[turn:], load_n[turn:]) if up else NONE,
    )
    return Sweep("s", "x", origin, *ways, load_u_n=0.4, load_u_relative=0.001, height_u_mm=0.02)


def path_mm(samples: int = 400, bottom_mm: float = 26.0) -> Array:
    down = np.linspace(55.0, bottom_mm, samples)
    return np.concatenate([down, down[::-1]])


def with_loop(height_mm: Array, rate: float = 16.0, free_mm: float = 53.0) -> Array:
    """A straight spring whose friction is LOOP/2 of its load each way."""
    turn = int(np.argmin(height_mm)) + 1
    way = np.where(np.arange(height_mm.size) < turn, 1.0, -1.0)
    return np.asarray(rate * np.maximum(free_mm - height_mm, 0.0) * (1.0 + 0.5 * LOOP * way))


def by_method(rates: list[NamedRate]) -> dict[str, NamedRate]:
    return {each.method: each for each in rates}


def test_each_rate_says_what_it_is_and_where() -> None:
    """30 to 70 % of 53 - 26 mm; a straight spring has one rate by any definition."""
    height = path_mm()
    curve = fit_curve("x", [press(with_loop(height), height)])
    window = curve.window_mm()
    assert window == pytest.approx((53.0 - 0.3 * 27.0, 53.0 - 0.7 * 27.0), abs=0.05)
    found = by_method(NamedRate.all_of(curve, window, (27.6, 38.5)))
    assert list(found) == ["window_ends", "least_squares", "robust", "two_heights"]
    for each in found.values():
        assert each.rate.rate_n_per_mm == pytest.approx(16.0, rel=1e-4)
        assert 0.0 < each.rate.rate_u_n_per_mm < 0.2
    assert (found["two_heights"].top_mm, found["two_heights"].bottom_mm) == (38.5, 27.6)
    assert (found["robust"].top_mm, found["robust"].bottom_mm) == window
    wide = curve.window_mm((0.2, 0.8))
    assert wide == pytest.approx((53.0 - 0.2 * 27.0, 53.0 - 0.8 * 27.0), abs=0.05)
    assert by_method(NamedRate.all_of(curve, None, (38.5,))) == {}


def test_the_textbook_spring_at_every_rate() -> None:
    """EN 13906-1 worked sheet: d 5, De 39.6, n 9.5, G 81 500: 16.18 N/mm, 280 N at 88.5 mm and
    620 N at 67.5 mm (of L0 105.8 mm)."""
    rate = 81_500.0 * 5.0**4 / (8.0 * 34.6**3 * 9.5)
    assert rate == pytest.approx(16.18, abs=0.005)
    height = np.concatenate([np.linspace(108, 62, 500), np.linspace(62, 108, 500)])
    load = rate * np.maximum(105.8 - height, 0.0)
    curve = fit_curve("x", [press(load, height)], solid_height_mm=57.5)
    for each in NamedRate.all_of(curve, curve.window_mm(), (88.5, 67.5)):
        assert each.rate.rate_n_per_mm == pytest.approx((620.0 - 280.0) / 21.0, rel=2e-3)


@pytest.mark.parametrize("method", ["least_squares", "robust"])
def test_the_line_is_scipys_and_statsmodels(sm: Any, method) -> None:
    """scipy.stats.linregress, and statsmodels' bisquare, of the same readings, one branch."""
    rng = np.random.default_rng(1)
    height = path_mm(600)
    load = with_loop(height) + rng.normal(0.0, 0.5, height.size)
    sweep = press(load, height, up=False)
    curve = fit_curve("x", [sweep], "loading")
    found = Span.line_rate(curve, [Span(45.0, 34.0)], method)
    assert found is not None
    bins = fine_bins(sweep.loading).between(34.0, 45.0)
    assert np.ptp(bins.weight) <= 1.0  # a steady press: all bins weigh nearly alike
    root = np.sqrt(bins.weight)
    design = np.column_stack([root, root * bins.height_mm])
    if method == "robust":
        norm = sm.robust.norms.TukeyBiweight(4.685)
        want = sm.RLM(root * bins.load_n, design, M=norm).fit(tol=1e-12, maxiter=100).params[1]
    elif np.ptp(bins.weight) == 0.0:
        want = stats.linregress(bins.height_mm, bins.load_n).slope
    else:
        want = sm.WLS(bins.load_n, sm.add_constant(bins.height_mm), bins.weight).fit().params[1]
    assert found.rate_n_per_mm == pytest.approx(-want, rel=1e-6)


def test_a_slip_moves_all_rates_but_the_robust() -> None:
    rng = np.random.default_rng(2)
    height = path_mm()
    load = with_loop(height) + rng.normal(0.0, 0.3, height.size)
    slipped = load.copy()
    slipped[(height > 34.0) & (height < 35.0) & (np.arange(800) < 400)] -= 25.0
    window = (45.0, 34.0)
    clean = by_method(NamedRate.all_of(fit_curve("x", [press(load, height)]), window))
    found = by_method(NamedRate.all_of(fit_curve("x", [press(slipped, height)]), window))

    def moved(method: str) -> float:
        change = found[method].rate.rate_n_per_mm - clean[method].rate.rate_n_per_mm
        return abs(change) / 16.0

    assert moved("window_ends") > 0.01
    assert moved("least_squares") > 0.01
    assert moved("robust") < 0.001


def test_intervals_hold_the_true_rate() -> None:
    """Drawn springs on drawn benches: a gain, a datum and a scale of the travel each.

    Of 60 intervals at 95 % fewer than 50 hold once in 1000 (binomial).
    """
    rng = np.random.default_rng(3)
    held = dict.fromkeys(("window_ends", "least_squares", "robust", "two_heights"), 0)
    for spring in draw_set(OUTER, 60, 7, tired=6):
        gain, zero_n = 1.0 + rng.normal(0.0, 0.001), rng.normal(0.0, 0.3)
        sweeps = []
        for _ in range(3):
            height = path_mm(int(rng.integers(200, 500)), spring.solid_height_mm + 1.5)
            load = gain * spring.pressed_load_n(height) + zero_n
            noise = np.convolve(rng.normal(0.0, 0.5, height.size + 4), np.full(5, 0.4), "valid")
            sweeps.append(press(load + noise, height))
        curve = fit_curve("x", sweeps)
        for each in NamedRate.all_of(curve, curve.window_mm(), (38.5, 27.6)):
            truth = float(spring.load_n(each.bottom_mm) - spring.load_n(each.top_mm))
            truth /= each.top_mm - each.bottom_mm
            held[each.method] += abs(each.rate.rate_n_per_mm - truth) <= each.rate.rate_u_n_per_mm
    for count in held.values():
        assert count >= stats.binom.ppf(1e-3, 60, 0.95)


@pytest.mark.parametrize("method", ["least_squares", "robust"])
def test_the_rigs_part_of_a_lines_uncertainty_by_hand(method) -> None:
    """A straight spring without noise: loads 1 % in proportion make a rate 1 % wrong; an offset
    none; what is left of a load's error at each height, half its variance, as the quadrature's
    weights say: 2 sqrt(sum w^2 / 2)."""
    height = path_mm()
    exact = press(with_loop(height), height)
    span = Span(45.0, 34.0)
    gain = replace(exact, load_u_n=0.0, load_u_relative=0.01, height_u_mm=0.0)
    found = Span.line_rate(fit_curve("x", [gain]), [span], method)
    assert found is not None
    assert found.rate_u_n_per_mm == pytest.approx(2.0 * 0.01 * 16.0, rel=1e-3)
    offset = replace(exact, load_u_n=1.0, load_u_relative=0.0, height_u_mm=0.0)
    found = Span.line_rate(fit_curve("x", [offset]), [span], method)
    assert found is not None
    x, w = np.polynomial.legendre.leggauss(4)
    weights = 3.0 * x * w / (span.top_mm - span.bottom_mm)
    assert found.rate_u_n_per_mm == pytest.approx(
        2.0 * math.sqrt(0.5 * weights @ weights), rel=1e-3
    )


def test_a_change_of_rate_is_the_difference_of_two() -> None:
    height = path_mm()
    depth = np.maximum(53.0 - height, 0.0)
    curve = fit_curve("x", [press(10.0 * depth + 0.2 * depth**2, height)])
    change = Span.line_rate(curve, [Span(35.0, 30.0), Span(48.0, 43.0, -1.0)], "least_squares")
    assert change is not None
    assert change.rate_n_per_mm == pytest.approx(0.4 * 13.0, rel=4e-3)


def test_points_give_a_line_only_where_they_are_enough() -> None:
    at = np.array([50.0, 45.0, 40.0, 35.0, 30.0])
    load = 16.0 * (53.0 - at) + np.array([1.0, -1.0, 0.5, -1.5, 1.0])
    few = fit_curve("x", [press(load[:3], at[:3], origin=Origin.KEYED)])
    assert Span.line_rate(few, [Span(50.0, 30.0)], "least_squares") is None
    five = fit_curve("x", [press(load, at, origin=Origin.KEYED)])
    found = Span.line_rate(five, [Span(50.0, 30.0)], "least_squares")
    assert found is not None
    line = stats.linregress(at, load)
    assert found.rate_n_per_mm == pytest.approx(-line.slope)
    scatter = next(each for each in found.budget.lines if each.kind == "A")
    assert scatter.contribution_n == pytest.approx(line.stderr)
    assert scatter.degrees_of_freedom == 3.0
    assert Span.line_rate(five, [Span(50.0, 30.0)], "robust") is None
    assert Span.line_rate(five, [Span(29.0, 20.0)], "least_squares") is None


def test_one_branch_is_no_rate_of_the_mean() -> None:
    """A way up too fast for a line: the way down alone reads friction's half too steep."""
    down, up = np.linspace(55.0, 26.0, 400), np.linspace(27.0, 55.0, 12)
    height = np.concatenate([down, up])
    sweep = press(with_loop(height), height)
    assert Span.line_rate(fit_curve("x", [sweep]), [Span(45.0, 34.0)], "least_squares") is None
    alone = Span.line_rate(fit_curve("x", [sweep], "loading"), [Span(45.0, 34.0)], "least_squares")
    assert alone is not None
    assert alone.rate_n_per_mm == pytest.approx(16.0 * (1.0 + 0.5 * LOOP), rel=1e-6)


def test_the_friction_loop_with_its_uncertainty() -> None:
    rng = np.random.default_rng(4)
    height = path_mm()
    sweeps = [
        press(with_loop(height) + rng.normal(0.0, 0.3, height.size), height) for _ in range(3)
    ]
    loop = Loop.of(fit_curve("x", sweeps), 45.0, 34.0)
    assert loop is not None
    assert abs(loop.share - LOOP) <= loop.share_u < 0.01
    assert loop.loop_n == pytest.approx(LOOP * 16.0 * 13.5, abs=loop.loop_u_n)
    assert math.isclose(loop.loop_n / loop.share, 16.0 * 13.5, rel_tol=0.01)
    down = fit_curve("x", [press(with_loop(height), height, up=False)])
    assert Loop.of(down, 45.0, 34.0) is None
    assert Loop.of(fit_curve("x", sweeps), 80.0, 70.0) is None


def test_what_moves_both_branches_alike_leaves_the_loop() -> None:
    """Loads 1 % in proportion make the loop 1 % wrong, not two loads; chosen points are read each
    for themselves: there it is two loads'."""
    height = path_mm()
    exact = replace(press(with_loop(height), height), load_u_n=0.0, height_u_mm=0.0)
    gain = replace(exact, load_u_relative=0.01)
    loop = Loop.of(fit_curve("x", [gain]), 45.0, 34.0)
    assert loop is not None
    assert loop.loop_u_n == pytest.approx(2.0 * 0.01 * loop.loop_n, rel=0.02)
    every = replace(gain, origin=Origin.POINTS_FILE)
    points = Loop.of(fit_curve("x", [every]), 45.0, 34.0)
    assert points is not None
    assert points.loop_u_n > 2.0 * 0.01 * 16.0 * 13.5
