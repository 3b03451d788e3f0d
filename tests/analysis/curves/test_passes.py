"""First passes down and last passes up."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike

from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep, _jitter_mm


def dense(height_mm: ArrayLike, load_n: ArrayLike) -> Sweep:
    height, load = np.asarray(height_mm, float), np.asarray(load_n, float)
    turn = int(np.argmin(height)) + 1
    return Sweep(
        "s",
        "larch-01",
        Origin.RIG,
        Branch(height[:turn], load[:turn]),
        Branch(height[turn:], load[turn:]),
        0.1,
        0.001,
        0.02,
    )


def test_a_double_press_counts_each_height_once_each_way() -> None:
    # the loads number the samples, so that it shows which were kept
    height = [50, 44, 38, 44, 50, 44, 38, 32, 26, 32, 38, 32, 38, 44, 50]
    passes = dense(height, range(15)).passes
    assert passes.loading.load_n.tolist() == [0, 1, 2, 6, 7, 8]
    assert passes.unloading.load_n.tolist() == [8, 9, 11, 12, 13, 14]


def test_the_deepest_point_divides_even_where_the_stored_branches_do_not() -> None:
    sweep = dense([50, 40, 30, 40, 50], range(5))
    moved = Sweep(
        "s",
        "larch-01",
        Origin.RIG,
        Branch(sweep.loading.height_mm[:2], sweep.loading.load_n[:2]),
        Branch(np.array([30.0, 40.0, 50.0]), np.array([2.0, 3.0, 4.0])),
        0.1,
        0.001,
        0.02,
    )
    passes = moved.passes
    assert passes.loading.load_n.tolist() == [0, 1, 2]
    assert passes.unloading.load_n.tolist() == [2, 3, 4]


def test_samples_that_are_no_number_are_left_out() -> None:
    passes = dense([50, 40, 30, 40, 50], [0, np.nan, 2, 3, np.inf]).passes
    assert passes.loading.load_n.tolist() == [0, 2]
    assert passes.unloading.load_n.tolist() == [2, 3]
    empty = dense([50.0], [np.nan]).passes
    assert len(empty.loading) == len(empty.unloading) == 0


def test_jitter_is_the_noise_of_a_moving_height() -> None:
    rng = np.random.default_rng(5)
    height = np.linspace(50.0, 30.0, 4000) + rng.normal(0.0, 0.02, 4000)
    assert _jitter_mm(height[None]) == pytest.approx(0.02, rel=0.1)
    assert _jitter_mm(np.linspace(50.0, 30.0, 400)[None]) < 1e-12


def test_noise_of_the_height_does_not_pick_the_low_readings() -> None:
    rng = np.random.default_rng(6)
    true = np.concatenate([np.linspace(50, 30, 2000), np.linspace(30, 50, 2000)])
    noise = rng.normal(0.0, 0.02, true.size)
    sweep = dense(true + noise, noise)  # the load carries each sample's own height error
    passes = sweep.passes
    for branch in passes:
        # keeping only new minima would leave a mean near -0.02 (about one standard deviation)
        assert abs(float(np.mean(branch.load_n))) < 0.003
        assert len(branch) > 1600
