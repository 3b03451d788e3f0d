"""Means and sums of loads: what the bench shares stays, what is each reading's own averages out."""

import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve import fit_curve
from coilbench.analysis.engine.loads import Load, load_of, mean_load, parallel_load
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep


def test_shared_errors_add_plainly_and_own_ones_as_squares() -> None:
    """JCGM 100:2008, 5.2.2: correlation 1 adds uncertainties, correlation 0 their squares."""
    one, two = Load(300.0, 3.0, 2.0), Load(100.0, 4.0, 1.0)
    both = parallel_load([one, two])
    assert both == Load(400.0, 5.0, 3.0)
    assert both.load_u_n == pytest.approx(math.sqrt(25.0 + 9.0))


def test_a_mean_lessens_only_what_is_own() -> None:
    mean = mean_load([Load(300.0 + n, 4.0, 2.0) for n in range(4)])
    assert mean == Load(301.5, 2.0, 2.0)


def test_a_sum_of_drawn_readings_scatters_as_said() -> None:
    """NumPy draws: a shared offset on both springs, an own one on each, k = 1 each half of u."""
    rng = np.random.default_rng(6)
    shared = rng.normal(0.0, 1.0, 40_000)
    outer = 300.0 + 1.0 * shared + rng.normal(0.0, 1.5, 40_000)
    inner = 100.0 + 0.5 * shared + rng.normal(0.0, 2.0, 40_000)
    both = parallel_load([Load(300.0, 3.0, 2.0), Load(100.0, 4.0, 1.0)])
    assert np.std(outer + inner) == pytest.approx(both.load_u_n / 2.0, rel=0.02)


def test_a_readings_parts_make_its_whole() -> None:
    heights = np.linspace(50.0, 30.0, 200)
    down = Branch(heights, 20.0 * (50.0 - heights))
    up = Branch(heights[::-1], 20.0 * (50.0 - heights[::-1]))
    sweep = Sweep("0", "larch-01", Origin.CONVERTED_FILE, down, up, 1.0, 0.002, 0.02)
    reading = fit_curve("larch-01", [sweep]).load_at(40.0)
    load = load_of(reading)
    assert load.load_n == pytest.approx(200.0)
    assert load.load_u_n == pytest.approx(reading.load_u_n)
    assert load.common_u_n > 0.0
    assert load.own_u_n > 0.0
