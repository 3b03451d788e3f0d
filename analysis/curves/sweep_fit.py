"""A sweep's two branches, smoothed, with the uncertainties of its instrument. Pure.

A dense sweep's two directions are its first passes on the way down and its last passes on the way
up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.branch_fit import Array, Between, Bins, BranchFit, fine_bins
from coilbench.capture.calibration.lag import Lag
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD
from coilbench.capture.strokes.sweep import Branch, RigReading, Sweep

MAX_SLACK_MM = 0.1  # jitter of a height never excuses going back further than this
JITTER_SDS = 3.0
Side = Literal["both", "loading", "unloading"]
Way = Literal["loading", "unloading"]
WAYS: dict[Side, tuple[Way, ...]] = {
    "both": ("loading", "unloading"),
    "loading": ("loading",),
    "unloading": ("unloading",),
}

GRID_STEP_MM = 0.25
FLEX_REACH = 1.05  # of the load to which the press's flex was measured: a curve may go on so far
FEWEST_OF_WAY, WAY_TIMES = 8, 3.0  # bins of a way that make a course, if the other has more; ours
TURN_MM = 1.5  # way back after which friction has fully reversed; ours, no source


class _Passes(NamedTuple):
    """The samples of a dense sweep that belong to its two branches, both in time order."""

    loading: Branch
    unloading: Branch


def split_passes(sweep: Sweep) -> _Passes:
    """Split a dense sweep at its deepest point; keep first passes down and last passes up.

    A pass back up (a wobbling hand, a double press) reads between the two branches where there
    is friction, so that only the first visit to a height counts on the way down and only the
    last on the way up. Going back by no more than the height's own jitter is no pass.
    """
    whole = chained([sweep.loading, sweep.unloading])
    whole = whole.at(np.isfinite(whole.height_mm) & np.isfinite(whole.load_n))
    height = whole.height_mm
    if height.size == 0:
        return _Passes(whole, whole)
    slack_mm = min(JITTER_SDS * _jitter_mm(height), MAX_SLACK_MM)
    deepest = int(np.argmin(height))
    down, up = slice(0, deepest + 1), slice(deepest, None)
    first = height[down] <= np.minimum.accumulate(height[down]) + slack_mm
    last = height[up] <= np.minimum.accumulate(height[up][::-1])[::-1] + slack_mm
    return _Passes(whole.at(down).at(first), whole.at(up).at(last))


def chained(branches: Sequence[Branch]) -> Branch:
    """Put the samples of some branches, one or more, behind each other."""
    by_lag = [branch.by_lag for branch in branches if branch.by_lag is not None]
    return Branch(
        np.concatenate([branch.height_mm for branch in branches]),
        np.concatenate([branch.load_n for branch in branches]),
        np.concatenate(by_lag) if len(by_lag) == len(branches) else None,
    )


def _jitter_mm(height_mm: Array) -> float:
    """Noise of a height (standard deviation): robust scale of the second differences.

    A steady hand leaves none; of white noise they have a variance six times the noise's.
    """
    if height_mm.size < 5:
        return 0.0
    bend = np.diff(height_mm, 2)
    scale = ROBUST_SD_PER_MAD * float(np.median(np.abs(bend - np.median(bend))))
    return float(scale / 6.0**0.5)


@dataclass(frozen=True)
class SweepFit:
    """Both branches of one sweep, with the uncertainties of its instrument.

    What has the name of a field of Sweep is the same.

    Attributes:
        loading, unloading: None where not measured.
        loading_bins, unloading_bins: what the dense branches were fitted to; on the way up only
            where friction has fully reversed. None for points.
        sparse: the way that has too few samples to be read.
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
    sparse: Way | None = None

    @property
    def zero_u_n(self) -> float:
        """Standard uncertainty (k = 1) of this sweep's own zero; 0 where it is not known."""
        return 0.0 if self.rig is None else self.rig.zero_u_n

    def fits(self, side: Side) -> list[BranchFit | None]:
        """Return the one branch, or the way down and the way up."""
        ways = {"loading": self.loading, "unloading": self.unloading}
        return [ways[way] for way in WAYS[side]]

    def bins(self, side: Side) -> list[Bins | None]:
        """Return what the branches of fits() were fitted to; None for points."""
        ways = {"loading": self.loading_bins, "unloading": self.unloading_bins}
        return [ways[way] for way in WAYS[side]]

    def look(self, side: Side, height_mm: float) -> Look | None:
        """Read one side, or the mean of both, at a height; None where it was not measured."""
        fits = self.fits(side)
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
            between=Between.mean([fit.between_at(height_mm) for fit in found]),
            sweep=self,
        )

    def _missing_loop_n(self, height_mm: float, load_n: float, loop_n: float) -> float:
        """How much of the friction loop is still missing, just above a dense press's turn.

        On the way back up friction needs some travel to reverse. Until then the unloading
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
        between: what the spring may do between the heights read.
    """

    height_mm: float
    load_n: float
    slope_n_per_mm: float
    se_n: float
    loop_n: float
    turn_u_n: float
    by_lag: Array
    sweep: SweepFit
    between: Between = Between(0.0, ())


def fit_sweep(sweep: Sweep) -> SweepFit | None:
    """Fit both branches; None where the sweep holds no usable sample."""
    loading_bins: Bins | None = None
    unloading_bins: Bins | None = None
    sparse: Way | None = None
    if not sweep.dense:
        fits = [BranchFit.of_points(branch) for branch in (sweep.loading, sweep.unloading)]
    else:
        loading_bins, rising = (fine_bins(branch) for branch in split_passes(sweep))
        sparse = _sparse(loading_bins, rising)
        unloading, unloading_bins = _fit_unloading(rising, sweep.turned_mm)
        fits = [loading_bins.fit(GRID_STEP_MM), unloading]
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
        sparse,
    )


def _sparse(down: Bins, up: Bins) -> Way | None:
    """Name a way of which a handful of samples is strewn over its range, beside a well read one."""
    few, many = sorted((down, up), key=lambda bins: bins.height_mm.size)
    count = few.height_mm.size
    if not 2 <= count < min(FEWEST_OF_WAY, many.height_mm.size / WAY_TIMES):
        return None
    return None if np.ptp(few.height_mm) <= TURN_MM else "unloading" if few is up else "loading"


def _fit_unloading(bins: Bins, turned_mm: float | None) -> tuple[BranchFit | None, Bins]:
    """Fit the way up: the part in which friction turns round, and what lies above, for itself.

    A window that reached across would take a part of the turning for load. The bins returned are
    those of the part above.
    """
    whole = bins.fit(GRID_STEP_MM)
    if whole is None:
        return None, bins
    full_mm = whole.lowest_mm + TURN_MM
    full_mm = full_mm if turned_mm is None else max(full_mm, turned_mm)
    turned = bins.at(bins.height_mm >= full_mm)
    above = turned.fit(GRID_STEP_MM)
    return whole if above is None else whole.joined(above), turned
