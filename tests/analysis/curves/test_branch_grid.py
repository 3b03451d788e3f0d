"""Both branches on common heights, against a spring whose loads are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.rates import BranchGrid
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

NONE = Branch(np.empty(0), np.empty(0))


def ways(top_mm: float, bottom_mm: float, loop: float = 0.04) -> tuple[Branch, Branch]:
    height = np.linspace(top_mm, bottom_mm, 500)
    load = 16.0 * (53.0 - height)
    return Branch(height, load * (1 + loop / 2)), Branch(height[::-1], load[::-1] * (1 - loop / 2))


def test_branches_loop_and_stiffness_on_one_grid() -> None:
    sweeps = [
        Sweep("s", "x", Origin.CONVERTED_FILE, *ways(50.0, bottom), 0.1, 0.001, 0.02)
        for bottom in (27.0, 28.1)
    ]
    grid = BranchGrid.of(fit_curve("x", sweeps))
    assert grid.height_mm == pytest.approx(np.arange(27.25, 50.01, 0.25))
    assert np.isnan(grid.loading_n[grid.height_mm < 28.1]).all()  # one stroke did not come there
    measured = grid.height_mm > 28.6  # nearer to the turn one sample is of both branches
    height = grid.height_mm[measured]
    assert grid.loading_n[measured] == pytest.approx(16.0 * (53.0 - height) * 1.02, rel=1e-6)
    assert grid.unloading_n[measured] == pytest.approx(16.0 * (53.0 - height) * 0.98, rel=1e-6)
    assert grid.loop_share[measured] == pytest.approx(0.04, rel=1e-5)
    assert grid.stiffness_n_per_mm[measured] == pytest.approx(16.0, rel=1e-6)
    asked = BranchGrid.of(fit_curve("x", sweeps), np.array([20.0, 40.0]))
    assert np.isnan(asked.loading_n[0])
    assert asked.loop_n[1] == pytest.approx(0.04 * 16.0 * 13.0)


def test_one_branch_alone_has_no_loop_but_a_stiffness() -> None:
    down = Sweep("s", "x", Origin.CONVERTED_FILE, ways(50.0, 27.0)[0], NONE, 0.1, 0.001, 0.02)
    grid = BranchGrid.of(fit_curve("x", [down]))
    assert np.isnan(grid.loop_share).all()
    assert grid.stiffness_n_per_mm == pytest.approx(16.0 * 1.02, rel=1e-6)


def test_points_show_loads_but_no_stiffness() -> None:
    points = Branch(np.array([38.0, 28.0]), np.array([240.0, 400.0]))
    keyed = Sweep("s", "x", Origin.KEYED, points, NONE, 1.0, 0.0, 0.1)
    grid = BranchGrid.of(fit_curve("x", [keyed]), np.array([28.0, 33.0]))
    assert grid.loading_n == pytest.approx([400.0, 320.0])
    assert np.isnan(grid.stiffness_n_per_mm).all()
