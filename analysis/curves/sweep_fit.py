"""One sweep ready to be read: both branches fitted, and what its instrument is sure of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import Array, Bins, BranchFit, fine_bins, split_passes
from coilbench.capture.calibration.lag import Lag
from coilbench.capture.strokes.sweep import RigReading, Sweep

Side = Literal["both", "loading", "unloading"]

GRID_STEP_MM = 0.25
FLEX_REACH = 1.05  # of the load to which the press's flex was measured: a curve may go on so far
TURN_MM = 1.5  # way back after which friction has turned round in full; ours, no source


@dataclass(frozen=True)
class SweepFit:
    """Both branches of one sweep, and what its instrument is sure of.

    Attributes:
        loading, unloading: None where not measured.
        load_u_n, load_u_relative, height_u_mm, rig, lag: as in Sweep.
        dense: whether the samples are a sampled curve.
        sweep_id: whose error is its own.
        turned_mm: as in Sweep.
        loading_bins, unloading_bins: what the dense branches were fitted to; on the way up only
            where friction has turned round in full. None for points.
        reach_n: above this load the branches were cut, since the press's flex was not measured
            there; infinite where nothing was cut.
    """

    loading: BranchFit | None
    unloading: BranchFit | None
    load_u_n: float
    load_u_relative: float
    height_u_mm: float
    dense: bool
    sweep_id: str = ""
    rig: RigReading | None = None
    lag: Lag | None = None
    reach_n: float = math.inf
    turned_mm: float | None = None
    loading_bins: Bins | None = None
    unloading_bins: Bins | None = None

    @property
    def zero_u_n(self) -> float:
        """Standard uncertainty (k = 1) of this sweep's own zero; 0 where it is not known."""
        return 0.0 if self.rig is None else self.rig.zero_u_n

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
            height_mm=height_mm,
            load_n=load - 0.5 * missing,
            slope_n_per_mm=sum(fit.slope_at(height_mm) for fit in found) / len(found),
            se_n=math.hypot(*(fit.se_at(height_mm) for fit in found)) / len(found),
            loop_n=loop,
            turn_u_n=0.25 * missing,
            by_lag=np.mean([fit.by_lag_at(height_mm) for fit in found], axis=0),
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
        full_mm = full_mm if self.turned_mm is None else max(full_mm, self.turned_mm)
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
        by_lag: shape (2,), how the load moves with the lag's delay and spread, N/s and N/s^2.
    """

    height_mm: float
    load_n: float
    slope_n_per_mm: float
    se_n: float
    loop_n: float
    turn_u_n: float
    by_lag: Array
    sweep: SweepFit


def fit_sweep(sweep: Sweep) -> SweepFit | None:
    """Fit both branches; None where the sweep holds no usable sample."""
    loading_bins = unloading_bins = None
    if sweep.dense:
        passes = split_passes(sweep)
        loading_bins = fine_bins(passes.loading)
        loading = loading_bins.fit(GRID_STEP_MM)
        unloading, unloading_bins = _fit_unloading(fine_bins(passes.unloading), sweep.turned_mm)
    else:
        loading, unloading = (
            BranchFit.of_points(sweep.loading),
            BranchFit.of_points(sweep.unloading),
        )
    reach_n = math.inf
    if sweep.rig is not None and sweep.rig.calibration.flex is not None:
        loading, unloading, reach_n = _within_flex(
            loading, unloading, FLEX_REACH * sweep.rig.calibration.flex.x_max
        )
    if loading is None and unloading is None:
        return None
    return SweepFit(
        loading,
        unloading,
        sweep.load_u_n,
        sweep.load_u_relative,
        sweep.height_u_mm,
        sweep.dense,
        sweep.sweep_id,
        sweep.rig,
        sweep.lag,
        reach_n,
        sweep.turned_mm,
        loading_bins,
        unloading_bins,
    )


def _fit_unloading(bins: Bins, turned_mm: float | None) -> tuple[BranchFit | None, Bins]:
    """Fit the way up: the part in which friction turns round, and what lies above, for itself.

    A window that reached across would take a part of the turning for load.

    Returns:
        The fit, and the bins of the part above.
    """
    whole = bins.fit(GRID_STEP_MM)
    if whole is None:
        return None, bins
    full_mm = whole.lowest_mm + TURN_MM
    full_mm = full_mm if turned_mm is None else max(full_mm, turned_mm)
    turned = bins.at(bins.height_mm >= full_mm)
    above = turned.fit(GRID_STEP_MM)
    fit = whole if above is None else whole.below(above.lowest_mm).joined(above)
    return fit, turned


def _within_flex(
    loading: BranchFit | None, unloading: BranchFit | None, reach_n: float
) -> tuple[BranchFit | None, BranchFit | None, float]:
    """Cut both branches where the press's flex was not measured; tell the load if any was cut."""
    beyond = any(fit is not None and fit.load_n.max() > reach_n for fit in (loading, unloading))
    if not beyond:
        return loading, unloading, math.inf
    return (
        None if loading is None else loading.up_to(reach_n),
        None if unloading is None else unloading.up_to(reach_n),
        reach_n,
    )
