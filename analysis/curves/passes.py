"""A stroke's two branches fitted to its passes down and up. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.points import Points, readings_of
from coilbench.analysis.curves.sweep_fit import GRID_STEP_MM, TURN_MM, BranchFit, SweepFit, Way
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.sweep import Sweep

FLEX_REACH = 1.05  # of the load to which the press's flex was measured: a curve may go on so far
FEWEST_OF_WAY, WAY_TIMES = 8, 3.0  # bins of a way that make a course, if the other has more; ours


def fit_sweeps(sweeps: Sequence[Sweep]) -> list[SweepFit | None]:
    """Fit both branches of each; None for one that holds no usable sample."""
    dense = [sweep for sweep in sweeps if sweep.dense]
    bins = [(fine_bins(sweep.passes.loading), fine_bins(sweep.passes.unloading)) for sweep in dense]
    down = BranchFit.of_bins([one for one, _ in bins], GRID_STEP_MM)
    up = _fit_unloading([one for _, one in bins], [sweep.turned_mm for sweep in dense])
    fits = iter(map(_fitted, dense, bins, down, up))
    return [next(fits) if sweep.dense else fit_points([sweep]) for sweep in sweeps]


def _fitted(
    sweep: Sweep, bins: tuple[Bins, Bins], down: BranchFit | None, up: tuple[BranchFit | None, Bins]
) -> SweepFit | None:
    """Put a dense sweep's fit together from its branches', with what they were fitted to."""
    loading_bins: Bins | None = bins[0]
    unloading_bins: Bins | None
    unloading, unloading_bins = up
    sparse, fits = _sparse(*bins), [down, unloading]
    if sparse == "loading":
        fits[0] = loading_bins = None
    elif sparse == "unloading":
        fits[1] = unloading_bins = None
    flex = None if sweep.rig is None else sweep.rig.calibration.flex
    reach_n = math.inf if flex is None else FLEX_REACH * flex.x_max
    if all(fit is None or fit.load_n.max() <= reach_n for fit in fits):
        reach_n = math.inf
    loading, unloading = (
        fit.up_to(reach_n) if fit is not None and math.isfinite(reach_n) else fit for fit in fits
    )
    if loading is None and unloading is None:
        return None
    rests_n = 0.0 if sweep.rig is None else sweep.rig.rests_n or 0.0
    loading, unloading = (
        None if fit is None else fit._replace(load_n=fit.load_n + rests_n)
        for fit in (loading, unloading)
    )
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
        loading_bins=loading_bins,
        unloading_bins=unloading_bins,
        sparse=sparse,
    )


def fit_points(sweeps: Sequence[Sweep]) -> SweepFit | None:
    """Pool the chosen points of some sweeps, one or more; None where there is no finite one."""
    down, up = (Points.pooled(readings_of(sweeps, loading=way)) for way in (True, False))
    if down is None and up is None:
        return None
    return SweepFit(
        None if down is None else BranchFit.of_nodes(down),
        None if up is None else BranchFit.of_nodes(up),
        max(sweep.load_u_n for sweep in sweeps),
        max(sweep.load_u_relative for sweep in sweeps),
        max(sweep.height_u_mm for sweep in sweeps),
        dense=False,
        sweep_id=sweeps[0].sweep_id,
        loading_points=down,
        unloading_points=up,
    )


def _sparse(down: Bins, up: Bins) -> Way | None:
    """Name a way of which a handful of samples is strewn over its range, beside a well read one."""
    few, many = sorted((down, up), key=lambda bins: bins.height_mm.size)
    count = few.height_mm.size
    if not 2 <= count < min(FEWEST_OF_WAY, many.height_mm.size / WAY_TIMES):
        return None
    return None if np.ptp(few.height_mm) <= TURN_MM else "unloading" if few is up else "loading"


def _fit_unloading(
    every: Sequence[Bins], turned_mm: Sequence[float | None]
) -> list[tuple[BranchFit | None, Bins]]:
    """Fit ways up: the part in which friction turns round, and what lies above, for itself.

    A window that reached across would take a part of the turning for load. The bins returned are
    those of the part above.
    """
    wholes = BranchFit.of_bins(every, GRID_STEP_MM)
    turned = [
        bins if whole is None else _turned(bins, whole.lowest_mm + TURN_MM, at_mm)
        for bins, whole, at_mm in zip(every, wholes, turned_mm, strict=True)
    ]
    aboves = BranchFit.of_bins(turned, GRID_STEP_MM)
    fits = [
        whole if whole is None or above is None else whole.joined(above)
        for whole, above in zip(wholes, aboves, strict=True)
    ]
    return list(zip(fits, turned, strict=True))


def _turned(bins: Bins, full_mm: float, turned_mm: float | None) -> Bins:
    return bins.at(bins.height_mm >= (full_mm if turned_mm is None else max(full_mm, turned_mm)))
