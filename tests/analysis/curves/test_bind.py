"""Coil bind of presses whose truth is known: straight, progressive and simulated springs."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.curve_fit import _find_solid, find_contact, find_solid_height
from coilbench.analysis.curves.passes import fit_sweeps
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.calibration.lag import Lag
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set

FREE_MM, SOLID_MM, RATE = 50.0, 22.0, 17.0
EMPTY = Branch(np.empty(0), np.empty(0))


def press(
    bottom_mm: float, *, soft: float = 0.0, samples: int = 500, seed: int = 1, noise_n: float = 0.1
) -> Branch:
    """A press from 2 mm above the spring; coils that touch add 1500 N/mm below SOLID_MM."""
    rng = np.random.default_rng(seed)
    height: NDArray[np.float64] = np.linspace(
        FREE_MM + 2.0 + rng.uniform(0, 0.05), bottom_mm, samples
    )
    depth = np.maximum(FREE_MM - height, 0.0)
    load = RATE * (depth - soft * 0.5 * (1.0 - np.exp(-depth / 0.5)))
    load = load + 1500.0 * np.maximum(SOLID_MM - height, 0.0)
    return Branch(np.round(height, 2), load + rng.normal(0.0, noise_n, samples))


def bins(branch: Branch) -> Bins:
    return fine_bins(Sweep("s", "x", Origin.RIG, branch, EMPTY, 0, 0, 0).passes.loading)


def test_solid_height_where_the_press_reached_it() -> None:
    for seed in range(10):
        solid = _find_solid(bins(press(21.7, samples=1500, seed=seed)))
        assert solid is not None
        assert solid.height_mm == pytest.approx(SOLID_MM, abs=0.05)
        assert solid.n_per_mm == pytest.approx(1500.0, rel=0.2)


@pytest.mark.parametrize("bottom_mm", [22.2, 25.0, 40.0])
def test_no_solid_height_where_it_was_not_reached(bottom_mm: float) -> None:
    for seed in range(20):
        assert _find_solid(bins(press(bottom_mm, soft=0.4, seed=seed, noise_n=0.5))) is None


@pytest.mark.parametrize("samples", [800, 6000])
def test_noise_at_the_bottom_is_no_wall(samples: int) -> None:
    for seed in range(20):
        assert _find_solid(bins(press(23.0, samples=samples, seed=seed, noise_n=3.0))) is None


def test_a_progressive_spring_is_not_called_solid_before_it_is() -> None:
    height = np.linspace(52.0, 24.0, 800)
    depth = np.maximum(FREE_MM - height, 0.0)
    load = 6.0 * depth + 0.35 * depth**2
    assert _find_solid(bins(Branch(height, load))) is None
    solid = _find_solid(bins(Branch(height, load + 2000.0 * np.maximum(24.4 - height, 0.0))))
    assert solid is not None
    assert solid.height_mm == pytest.approx(24.4, abs=0.05)


def virtual_press(
    spring: SpringModel, bottom_mm: float, rng: np.random.Generator, datum_mm: float
) -> SweepFit:
    """A stroke of uneven speed with a datum wrong by so much, steps and noise."""
    samples, top = int(rng.integers(150, 900)), spring.free_length_mm + rng.uniform(1.0, 4.0)
    share = np.linspace(0.0, 1.0, samples)
    down = top - (top - bottom_mm) * (share - 0.8 * np.sin(2.0 * np.pi * share) / (2.0 * np.pi))
    path = np.concatenate([down, down[::-1]])
    load = spring.pressed_load_n(path) + rng.normal(0.0, 0.3, path.size)
    shown = np.round((path + datum_mm) / 0.01) * 0.01
    turn = int(np.argmin(shown)) + 1
    way = Branch(shown[:turn], load[:turn]), Branch(shown[turn:], load[turn:])
    (fit,) = fit_sweeps([Sweep("s", "larch-01", Origin.RIG, *way, 0.3, 0.001, 0.02)])
    assert fit is not None
    return fit


def test_both_ends_hold_the_truth_and_bind_is_never_dreamt_of() -> None:
    """Sound, tired and cracked springs; coils that touch softly, over 0.08 mm.

    Of 48 intervals at 95 % fewer than 41 hold once in 3000 (binomial); not idle: the largest
    error uses at least a quarter of the interval.
    """
    rng = np.random.default_rng(3)
    held: dict[str, list[float]] = {"contact": [], "solid": []}
    for seed, nominal in enumerate((OUTER, INNER)):
        for spring in draw_set(replace(nominal, bind_mm=0.08), 24, seed, tired=3, cracked=3):
            datum_mm = rng.normal(0.0, 0.02)
            deep = spring.solid_height_mm - rng.uniform(0.15, 0.6)
            fits = [virtual_press(spring, deep, rng, datum_mm) for _ in range(3)]
            contact, solid = find_contact(fits)[0], find_solid_height(fits)
            assert contact is not None
            assert solid is not None
            free_mm, solid_mm = spring.free_length_mm, spring.solid_height_mm
            held["contact"].append(abs(contact.height_mm - free_mm) / contact.height_u_mm)
            held["solid"].append(abs(solid.height_mm - solid_mm) / solid.height_u_mm)
            short = virtual_press(spring, spring.solid_height_mm + 0.5, rng, datum_mm)
            assert find_solid_height([short]) is None
    least = stats.binom.ppf(3e-4, 48, 0.95)
    for shares in held.values():
        assert np.count_nonzero(np.array(shares) <= 1.0) >= least
        assert max(shares) > 0.25


def test_a_fast_press_through_a_slow_filter_is_less_sure() -> None:
    """10 mm/s through a window of 0.1 s (k = 1): the wall is smeared over 1 mm."""
    fit = virtual_press(OUTER, OUTER.solid_height_mm - 0.4, np.random.default_rng(1), 0.0)
    assert fit.loading_bins is not None
    speed = np.full((fit.loading_bins.height_mm.size, 2), (10.0, 0.0))
    slow = Lag(0.1, 0.01, ((1e-12, 0.0), (0.0, 1e-12)))
    lagged = replace(fit, lag=slow, loading_bins=replace(fit.loading_bins, by_lag=speed))
    sharp, smeared = find_solid_height([fit]), find_solid_height([lagged])
    assert sharp is not None
    assert smeared is not None
    assert smeared.height_mm == sharp.height_mm
    assert sharp.height_u_mm < 0.5
    assert smeared.height_u_mm == pytest.approx(2.0, rel=0.05)
