"""One sweep ready to be read: both branches fitted, and what its instrument is sure of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import BranchFit, fit_dense, fit_points
from coilbench.analysis.curves.passes import split_passes
from coilbench.capture.sweep import Branch, Sweep

Side = Literal["both", "loading", "unloading"]

GRID_STEP_MM = 0.25
TURN_MM = 1.5  # way back after which friction has turned round in full; ours, no source


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
        load, loop = sum(loads) / len(loads), loads[0] - loads[-1]
        missing = self._missing_loop_n(height_mm, load, loop) if side == "both" else 0.0
        return Look(
            load_n=load - 0.5 * missing,
            slope_n_per_mm=sum(fit.slope_at(height_mm) for fit in found) / len(found),
            se_n=math.hypot(*(fit.se_at(height_mm) for fit in found)) / len(found),
            loop_n=loop,
            turn_u_n=0.25 * missing,
            sweep=self,
        )

    def _missing_loop_n(self, height_mm: float, load_n: float, loop_n: float) -> float:
        """How much of the friction loop is still missing, just above a dense press's turn.

        On the way back up friction needs some travel to turn round. Until then the unloading
        branch is too high, and so is the mean of both, by half of what is missing. The full loop
        is taken as the same share of the load as at TURN_MM above the turn.
        """
        if not self.dense or self.loading is None or self.unloading is None:
            return 0.0
        full_mm = max(self.loading.lowest_mm, self.unloading.lowest_mm) + TURN_MM
        top_mm = min(self.loading.highest_mm, self.unloading.highest_mm)
        if height_mm >= full_mm or full_mm >= top_mm:
            return 0.0
        down, up = self.loading.load_at(full_mm), self.unloading.load_at(full_mm)
        if down + up <= 0.0:
            return 0.0
        return max((down - up) / (0.5 * (down + up)) * load_n - loop_n, 0.0)


class Look(NamedTuple):
    """What one sweep says at one height.

    Attributes:
        load_n: the load; the mean of both branches has the turn's missing friction taken off.
        se_n: its standard error from the samples' noise.
        loop_n: loading less unloading load as measured; zero for one side alone.
        turn_u_n: standard uncertainty (k = 1) of what was taken off at the turn: half of it.
    """

    load_n: float
    slope_n_per_mm: float
    se_n: float
    loop_n: float
    turn_u_n: float
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
