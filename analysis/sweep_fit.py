"""One sweep ready to be read: both branches fitted, and what its instrument is sure of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.branches import BranchFit, fit_dense, fit_points
from coilbench.analysis.passes import split_passes
from coilbench.capture.sweep import Branch, Sweep

Side = Literal["both", "loading", "unloading"]

GRID_STEP_MM = 0.25


@dataclass(frozen=True)
class SweepFit:
    """Both branches of one sweep, and the instrument's standard uncertainties (k = 1)."""

    loading: BranchFit | None
    unloading: BranchFit | None
    load_u_n: float
    load_u_relative: float
    height_u_mm: float
    dense: bool

    def look(self, side: Side, height_mm: float) -> Look | None:
        """Read one side, or the mean of both, at a height; None where it was not measured."""
        fits = {
            "both": (self.loading, self.unloading),
            "loading": (self.loading,),
            "unloading": (self.unloading,),
        }[side]
        found = [fit for fit in fits if fit is not None and fit.covers(height_mm)]
        if len(found) < len(fits):
            return None
        loads = [fit.load_at(height_mm) for fit in found]
        return Look(
            load_n=sum(loads) / len(loads),
            slope_n_per_mm=sum(fit.slope_at(height_mm) for fit in found) / len(found),
            se_n=math.hypot(*(fit.se_at(height_mm) for fit in found)) / len(found),
            loop_n=loads[0] - loads[-1],
            sweep=self,
        )


class Look(NamedTuple):
    """What one sweep says at one height; loop_n is loading less unloading load."""

    load_n: float
    slope_n_per_mm: float
    se_n: float
    loop_n: float
    sweep: SweepFit


def fit_sweep(sweep: Sweep) -> SweepFit | None:
    """Fit both branches; None where the sweep holds no usable sample."""
    if sweep.dense:
        passes = split_passes(sweep)
        loading = fit_dense(passes.loading, GRID_STEP_MM)
        unloading = fit_dense(passes.unloading, GRID_STEP_MM)
    else:
        loading, unloading = fit_points(sweep.loading), fit_points(sweep.unloading)
    if loading is None and unloading is None:
        return None
    return SweepFit(
        loading,
        unloading,
        sweep.load_u_n,
        sweep.load_u_relative,
        sweep.height_u_mm,
        sweep.dense,
    )


def join_points(sweeps: Sequence[Sweep]) -> SweepFit | None:
    """Take the chosen points of several sweeps as one, with the mean of their uncertainties.

    Returns:
        None where fewer than two sweeps hold points.
    """
    pointed = [sweep for sweep in sweeps if not sweep.dense]
    if len(pointed) < 2:
        return None
    return SweepFit(
        fit_points(_chain([sweep.loading for sweep in pointed])),
        fit_points(_chain([sweep.unloading for sweep in pointed])),
        float(np.mean([sweep.load_u_n for sweep in pointed])),
        float(np.mean([sweep.load_u_relative for sweep in pointed])),
        float(np.mean([sweep.height_u_mm for sweep in pointed])),
        dense=False,
    )


def _chain(branches: Sequence[Branch]) -> Branch:
    return Branch(
        np.concatenate([branch.height_mm for branch in branches]),
        np.concatenate([branch.load_n for branch in branches]),
    )
