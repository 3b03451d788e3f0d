"""Both branches of all strokes on common heights, their loop, the local stiffness. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.analysis.curves.branches import EDGE_MM, Array, BranchFit
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.rates import pointed
from coilbench.analysis.curves.sweep_fit import GRID_STEP_MM

PRESSED_SHARE = 0.1  # of the largest load: below it a loop in per cent says nothing; ours


@dataclass(frozen=True)
class BranchGrid:
    """A spring on common heights; NaN where a branch was not measured by every stroke.

    Attributes:
        height_mm: shape (m,), ascending.
        loading_n, unloading_n: shape (m,), the strokes' mean.
        stiffness_n_per_mm: shape (m,), local rate, the mean of the branches there are; NaN for
            chosen points, which show none.
    """

    height_mm: Array
    loading_n: Array
    unloading_n: Array
    stiffness_n_per_mm: Array

    @property
    def loop_n(self) -> Array:
        """Loading less unloading load, shape (m,)."""
        return self.loading_n - self.unloading_n

    @property
    def loop_share(self) -> Array:
        """The loop as a fraction of the mean load, shape (m,); NaN where end coils still close."""
        mean = 0.5 * (self.loading_n + self.unloading_n)
        pressed = mean > PRESSED_SHARE * np.nanmax(mean, initial=0.0)
        empty: Array = np.full(mean.size, np.nan)
        return np.asarray(np.divide(self.loop_n, mean, out=empty, where=pressed))


def common_grid(curve: SpringCurve, height_mm: Array | None = None) -> BranchGrid:
    """Put a spring's branches on common heights.

    Args:
        curve: the spring's.
        height_mm: shape (m,), ascending; None takes every GRID_STEP_MM that was measured.
    """
    if height_mm is None:
        first = np.ceil(curve.lowest_mm / GRID_STEP_MM)
        last = np.floor(curve.highest_mm / GRID_STEP_MM)
        height_mm = np.arange(first, last + 1.0) * GRID_STEP_MM
    dense = [sweep for sweep in curve.sweeps if sweep.dense]
    sweeps = dense or [pointed(curve)]
    loading, down_rate = _mean(height_mm, [sweep.loading for sweep in sweeps])
    unloading, up_rate = _mean(height_mm, [sweep.unloading for sweep in sweeps])
    rates = np.where(np.isnan(up_rate), down_rate, up_rate)
    rates = 0.5 * (rates + np.where(np.isnan(down_rate), rates, down_rate))
    if not dense:
        rates = np.full(height_mm.size, np.nan)
    return BranchGrid(height_mm, loading, unloading, rates)


def _mean(height_mm: Array, fits: Sequence[BranchFit | None]) -> tuple[Array, Array]:
    """Mean load and local rate of one branch; of those strokes that have it at all."""
    known = [fit for fit in fits if fit is not None]
    if not known:
        nothing = np.full(height_mm.size, np.nan)
        return nothing, nothing
    loads, rates = zip(*(_read(fit, height_mm) for fit in known), strict=True)
    return np.mean(loads, axis=0), np.mean(rates, axis=0)


def _read(fit: BranchFit, height_mm: Array) -> tuple[Array, Array]:
    inside = (height_mm >= fit.lowest_mm - EDGE_MM) & (height_mm <= fit.highest_mm + EDGE_MM)
    load, rate = (
        np.where(inside, np.interp(height_mm, fit.height_mm, column), np.nan)
        for column in (fit.load_n, fit.slope_n_per_mm)
    )
    return load, rate
