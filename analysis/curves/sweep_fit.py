"""A sweep's two branches, smoothed, with the uncertainties of its instrument. Pure.

A sampled branch is a straight line in a moving window; chosen points are joined by straight lines,
with what the spring may do in between.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import compress
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.local_lines import LocalLines, local_lines
from coilbench.analysis.curves.points import EDGE_MM, Between, Points, Weighted
from coilbench.capture.calibration.lag import Lag
from coilbench.capture.strokes.bins import Array, Bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import RigReading

GAP_MM = 1.0  # a wider gap in a sampled course was not sampled
# By this share of the rate between two heights read may a coil spring's own differ at them, either
# way. By simulation of straight, progressive and two-rate springs; no source
BEND_SHARE = 0.25
Side = Literal["both", "loading", "unloading"]
Way = Literal["loading", "unloading"]
WAYS: dict[Side, tuple[Way, ...]] = {
    "both": ("loading", "unloading"),
    "loading": ("loading",),
    "unloading": ("unloading",),
}

GRID_STEP_MM = 0.25
TURN_MM = 1.5  # way back after which friction has fully reversed; ours, no source


class BranchReading(NamedTuple):
    """What a branch has at one height: see BranchFit; by_lag has shape (2,)."""

    load_n: float
    slope_n_per_mm: float
    load_se_n: float
    by_lag: Array


class _Place(NamedTuple):
    """A height's two neighbours, and how far it lies from the lower to the higher one."""

    low: int
    high: int
    part: float  # 0 to 1

    def of(self, column: Array) -> float:
        """Interpolate a column there, shape (m,)."""
        return (1.0 - self.part) * column.item(self.low) + self.part * column.item(self.high)


class BranchFit(NamedTuple):
    """One branch of one sweep, ready to be read at any height inside it; shape (m,) each.

    Attributes:
        height_mm: strictly ascending.
        load_n: straight between neighbours.
        slope_n_per_mm: local rate (load over falling height, so positive for a spring).
        load_se_n: standard error (k = 1) of load_n from the samples' noise; zero for points, whose
            noise belongs to the instrument's own uncertainty.
        by_lag: shape (m, 2), how load_n moves with the lag's delay and spread, N/s and N/s^2;
            zero where no lag was undone.
        bend: by what share of the straight line's rate the rate may differ at the ends of the gap
            to the next height; zero where samples lie between.
        bent: the same with its sign, as the set's other springs show it; zero where none does.
        alike: 1 where the set's other springs have the same gap, of the last the same ends; else 0.
    """

    height_mm: Array
    load_n: Array
    slope_n_per_mm: Array
    load_se_n: Array
    by_lag: Array
    bend: Array
    bent: Array
    alike: Array

    @property
    def lowest_mm(self) -> float:
        """Lowest height measured."""
        return float(self.height_mm[0])

    @property
    def highest_mm(self) -> float:
        """Highest height measured."""
        return float(self.height_mm[-1])

    def covers(self, height_mm: float) -> bool:
        """Whether the height was measured, ends included."""
        return self.lowest_mm - EDGE_MM <= height_mm <= self.highest_mm + EDGE_MM

    def load_at(self, height_mm: float) -> float:
        """Load at a height that the branch covers."""
        return self._place(height_mm).of(self.load_n)

    def slope_at(self, height_mm: float) -> float:
        """Local rate at a height that the branch covers."""
        return self._place(height_mm).of(self.slope_n_per_mm)

    def read_at(self, height_mm: float) -> BranchReading:
        """Read all of these at once, for much is read."""
        place = self._place(height_mm)
        by_lag = (1.0 - place.part) * self.by_lag[place.low] + place.part * self.by_lag[place.high]
        loads = place.of(self.load_n), place.of(self.slope_n_per_mm), place.of(self.load_se_n)
        return BranchReading(*loads, by_lag)

    def _place(self, height_mm: float) -> _Place:
        high = min(int(self.height_mm.searchsorted(height_mm)), self.height_mm.size - 1)
        low = max(high - 1, 0)
        low_mm, high_mm = self.height_mm.item(low), self.height_mm.item(high)
        part = (height_mm - low_mm) / (high_mm - low_mm) if high_mm > low_mm else 0.0
        return _Place(low, high, min(max(part, 0.0), 1.0))

    def between_at(self, height_mm: float) -> Between:
        """What the spring may do at a height between two that were read.

        A load bent by as much as the rate may change lies bend rate t (L - t) / L off the straight
        line, L the gap and t the way into it; a rectangle, so the k = 1 is that over sqrt(3).
        Outside by d, the line that goes on may be off by BEND_SHARE of its rate all the way:
        BEND_SHARE rate d, a rectangle too.
        """
        at = int(np.searchsorted(self.height_mm, height_mm, side="right")) - 1
        at = min(max(at, 0), self.height_mm.size - 2)
        if self.height_mm.size < 2 or self.bend[at] == 0.0:
            return Between(0.0, (height_mm, height_mm))
        low, high = self.height_mm[at : at + 2].tolist()
        load_low_n, load_high_n = self.load_n[at : at + 2].tolist()
        rate = abs(load_high_n - load_low_n) / (high - low)
        outside = max(low - height_mm, height_mm - high, 0.0)
        if outside > 0.0:
            end = 0 if height_mm < low else -1
            u_n = BEND_SHARE * abs(float(self.slope_n_per_mm[end])) * outside / 3.0**0.5
            return Between(u_n, (float(self.height_mm[end]),), shared=bool(self.alike[-1]))
        inside = max(height_mm - low, 0.0) * max(high - height_mm, 0.0) / (high - low)
        return Between(
            float(self.bend[at]) * rate * inside / 3.0**0.5,
            (low, high),
            float(self.bent[at]) * rate * inside,
            bool(self.alike[at]),
        )

    def up_to(self, load_n: float) -> BranchFit | None:
        """Leave out what lies beyond a load; None where fewer than two heights remain."""
        keep = self.load_n <= load_n
        keep &= self.height_mm >= np.max(self.height_mm[~keep], initial=-np.inf)
        return self.at(keep) if np.count_nonzero(keep) >= 2 else None

    def at(self, rows: NDArray[np.bool_]) -> BranchFit:
        """Return some of its heights."""
        return BranchFit(*(column[rows] for column in self))

    def joined(self, above: BranchFit) -> BranchFit:
        """Go on with another fit from its lowest height on."""
        below = self.at(self.height_mm < above.lowest_mm)
        return BranchFit(*(np.concatenate(pair) for pair in zip(below, above, strict=True)))

    @classmethod
    def of_points(cls, branch: Branch) -> BranchFit | None:
        """Join samples by straight lines; those at the same height are averaged.

        The slope at a point is the steeper neighbour's; it is zero for a lone point, which has
        none. None where there is no finite point.
        """
        finite = np.isfinite(branch.height_mm) & np.isfinite(branch.load_n)
        heights, where = np.unique(branch.height_mm[finite], return_inverse=True)
        if heights.size == 0:
            return None
        loads = np.bincount(where, weights=branch.load_n[finite]) / np.bincount(where)
        slopes = np.zeros_like(heights)
        if heights.size > 1:
            segments = -np.diff(loads) / np.diff(heights)
            slopes = np.maximum(np.append(segments, segments[-1]), np.append(segments[0], segments))
        return cls._straight(heights, loads, slopes)

    @classmethod
    def of_nodes(cls, points: Points) -> BranchFit:
        """Join pooled readings by straight lines."""
        return cls._straight(points.height_mm, points.load_n, points.rates())

    @classmethod
    def _straight(cls, heights: Array, loads: Array, slopes: Array) -> BranchFit:
        flat, bend = np.zeros_like(heights), np.full_like(heights, BEND_SHARE)
        alike = np.ones_like(heights)
        return cls(heights, loads, slopes, flat, np.zeros((heights.size, 2)), bend, flat, alike)

    @classmethod
    def of_bins(cls, every: Sequence[Bins], step_mm: float) -> list[BranchFit | None]:
        """Fit straight lines in a moving window, at each multiple of step_mm and at both ends.

        Local straight lines have no first-order bias, not even at the ends (Fan and Gijbels,
        Local Polynomial Modelling and Its Applications, 1996, from memory). None for a branch of
        which fewer than two different heights were sampled.
        """
        sampled = [bins.height_mm.size > 1 for bins in every]
        lines = iter(local_lines([*compress(every, sampled)], step_mm, EDGE_MM))
        told = zip(every, sampled, strict=True)
        return [cls._of_lines(bins, next(lines)) if some else None for bins, some in told]

    @classmethod
    def _of_lines(cls, bins: Bins, lines: LocalLines) -> BranchFit | None:
        grid, (load, *by_lag), slope, noises = lines
        if grid.size < 2:
            return cls.of_points(Branch(bins.height_mm, bins.load_n))
        flat, bend, alike = np.zeros_like(grid), np.zeros_like(grid), np.ones_like(grid)
        bend[:-1][grid[1:] - grid[:-1] > GAP_MM] = BEND_SHARE
        back = np.column_stack(by_lag) * -slope[:, None]
        return cls(grid, load, -slope, bins.noise_n * noises, back, bend, flat, alike)


class SweepFit(msgspec.Struct, frozen=True, dict=True):
    """Both branches of one sweep, with the uncertainties of its instrument.

    What has the name of a field of Sweep is the same.

    Attributes:
        loading, unloading: None where not measured.
        loading_points, unloading_points: the readings that chosen points are the means of.
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
    loading_points: Points | None = None
    unloading_points: Points | None = None
    loading_bins: Bins | None = None
    unloading_bins: Bins | None = None
    sparse: Way | None = None

    @property
    def zero_u_n(self) -> float:
        """Standard uncertainty (k = 1) of this sweep's own zero; 0 where it is not known."""
        return 0.0 if self.rig is None else self.rig.zero_u_n

    @property
    def rests_n(self) -> float:
        """Weight on the spring that its zero contains: in the branches' loads, not in the bins'."""
        return 0.0 if self.rig is None else self.rig.rests_n or 0.0

    def fits(self, side: Side) -> list[BranchFit | None]:
        """Return the one branch, or the way down and the way up."""
        ways = {"loading": self.loading, "unloading": self.unloading}
        return [ways[way] for way in WAYS[side]]

    def bins(self, side: Side) -> list[Bins | None]:
        """Return what the branches of fits() were fitted to; None for points."""
        ways = {"loading": self.loading_bins, "unloading": self.unloading_bins}
        return [ways[way] for way in WAYS[side]]

    def read(self, side: Side, height_mm: float) -> HeightReading | None:
        """Read one side, or the mean of both, at a height; None where it was not measured."""
        if not self.dense:
            return self._read_points(side, height_mm)
        fits = self.fits(side)
        found = [fit for fit in fits if fit is not None and fit.covers(height_mm)]
        if len(found) < len(fits):
            return None
        reads = [fit.read_at(height_mm) for fit in found]
        first, last = reads[0], reads[-1]
        load, loop = 0.5 * (first.load_n + last.load_n), first.load_n - last.load_n
        missing = self._missing_n(height_mm, load, loop) if side == "both" else 0.0
        between = Between(0.0, ())
        if height_mm >= self.gap_mm:
            between = Between.mean([fit.between_at(height_mm) for fit in found])
        return HeightReading(
            height_mm=height_mm,
            load_n=load - 0.5 * missing,
            slope_n_per_mm=0.5 * (first.slope_n_per_mm + last.slope_n_per_mm),
            se_n=math.hypot(*(one.load_se_n for one in reads)) / len(reads),
            loop_n=loop,
            turn_u_n=0.25 * missing,
            by_lag=0.5 * (first.by_lag + last.by_lag),
            between=between,
            sweep=self,
        )

    @cached_property
    def gap_mm(self) -> float:
        """Below which height its branches were sampled; minus infinity where nowhere."""
        gap_mm = math.inf if self.dense else -math.inf
        for fit in self.fits("both"):
            if fit is not None and (at := np.flatnonzero(fit.bend)).size:
                gap_mm = min(gap_mm, float(fit.height_mm[at[0]]) if at[0] else -math.inf)
        return gap_mm

    def load_n(self, side: Side, height_mm: float) -> float:
        """Read the load alone of a sampled sweep, as read does; NaN where it was not measured."""
        loads = []
        for fit in self.fits(side):
            if fit is None or not fit.covers(height_mm):
                return math.nan
            loads.append(fit.load_at(height_mm))
        load, loop = 0.5 * (loads[0] + loads[-1]), loads[0] - loads[-1]
        return load - 0.5 * self._missing_n(height_mm, load, loop) if side == "both" else load

    def reads(self, side: Side, heights_mm: Array) -> HeightReadings:
        """Read a sampled sweep as read does, at many heights that the side has, shape (m,)."""
        load, missing = self._loads(side, heights_mm)
        fits = [fit for fit in self.fits(side) if fit is not None]
        each = [(fit.slope_n_per_mm, fit.load_se_n, *fit.by_lag.T) for fit in fits]
        read = np.array(
            [[np.interp(heights_mm, fit.height_mm, x) for x in columns]
             for fit, columns in zip(fits, each, strict=True)]
        )  # fmt: skip
        slope, _, *by_lag = read.mean(axis=0)
        se_n = np.hypot.reduce(read[:, 1]) / len(fits)
        return HeightReadings(heights_mm, load, slope, se_n, 0.25 * missing, np.array(by_lag), self)

    def loads_n(self, side: Side, heights_mm: Array) -> Array:
        """Read load_n at many heights, shape (m,)."""
        return self._loads(side, heights_mm)[0]

    def _loads(self, side: Side, heights_mm: Array) -> tuple[Array, Array]:
        """Read them with what _missing_n says there; NaN where it was not measured."""
        loads = []
        for fit in self.fits(side):
            if fit is None:
                return np.full_like(heights_mm, np.nan), np.zeros_like(heights_mm)
            low_mm, high_mm = fit.lowest_mm - EDGE_MM, fit.highest_mm + EDGE_MM
            inside = (heights_mm >= low_mm) & (heights_mm <= high_mm)
            loads.append(np.where(inside, np.interp(heights_mm, fit.height_mm, fit.load_n), np.nan))
        load, loop = 0.5 * (loads[0] + loads[-1]), loads[0] - loads[-1]
        full_mm, share = self.full_loop if side == "both" else (-math.inf, 0.0)
        missing_n = np.where(heights_mm < full_mm, np.maximum(share * load - loop, 0.0), 0.0)
        return load - 0.5 * missing_n, missing_n

    def points(self, side: Side) -> list[Points]:
        """Return the readings of the ways that have some."""
        ways = {"loading": self.loading_points, "unloading": self.unloading_points}
        return [found for way in WAYS[side] if (found := ways[way]) is not None]

    def _read_points(self, side: Side, height_mm: float) -> HeightReading | None:
        """Read chosen points at one of their heights, between two, or a little outside."""
        ways, fits = self.points(side), [fit for fit in self.fits(side) if fit is not None]
        if len(ways) < len(WAYS[side]):
            return None
        beyond = [way.extension(height_mm) for way in ways]
        each = list(zip(fits, beyond, strict=True))
        if not (all(way.covers(height_mm) for way in ways) or all(beyond)):
            return None
        between = Between.mean([fit.between_at(height_mm) for fit in fits])
        loads = [float(way.weights(height_mm) @ way.load_n) for way in ways]
        if all(beyond) and min(loads) <= 0.0:
            return None
        rates = [fit.slope_at(height_mm) if out is None else out.rate_n_per_mm for fit, out in each]
        return HeightReading(
            height_mm=height_mm,
            load_n=sum(loads) / len(loads) + between.bent_n,
            slope_n_per_mm=sum(rates) / len(rates),
            se_n=0.0,
            loop_n=loads[0] - loads[-1],
            turn_u_n=0.0,
            by_lag=np.zeros(2),
            between=between,
            sweep=self,
            points=sum((way.weighted(height_mm, 1.0 / len(ways)) for way in ways), ()),
            outside_mm=max(way.outside_mm(height_mm) for way in ways),
        )

    def _missing_n(self, height_mm: float, load_n: float, loop_n: float) -> float:
        """How much of the friction loop is still missing, just above a dense press's turn.

        On the way back up friction needs some travel to reverse. Until then the unloading
        branch is too high, and so is the mean of both, by half of what is missing. The full loop
        is taken as the same share of the load as at TURN_MM above the turn.
        """
        full_mm, share = self.full_loop
        return max(share * load_n - loop_n, 0.0) if height_mm < full_mm else 0.0

    @cached_property
    def full_loop(self) -> tuple[float, float]:
        """From which height up the friction loop is whole, and its share of the load there.

        Minus infinity where nothing is known to be missing.
        """
        nothing = -math.inf, 0.0
        if not self.dense or self.loading is None or self.unloading is None:
            return nothing
        full_mm = max(self.loading.lowest_mm, self.unloading.lowest_mm) + TURN_MM
        full_mm = full_mm if self.turned_mm is None else max(full_mm, self.turned_mm)
        top_mm = min(self.loading.highest_mm, self.unloading.highest_mm)
        if full_mm >= top_mm:
            return nothing
        down, up = self.loading.load_at(full_mm), self.unloading.load_at(full_mm)
        return (full_mm, (down - up) / (0.5 * (down + up))) if down + up > 0.0 else nothing


class HeightReading(NamedTuple):
    """What one sweep says at one height.

    Attributes:
        load_n: the load; the mean of both branches has the turn's missing friction taken off.
        se_n: its standard error from the samples' noise.
        loop_n: loading less unloading load as measured; zero for one side alone.
        turn_u_n: standard uncertainty (k = 1) of what was taken off at the turn: half of it.
        by_lag: shape (2,), how the load moves with the lag's delay and spread, N/s and N/s^2.
        between: what the spring may do between the heights read, or a little outside them.
        points: of chosen points: each reading with its weight in the load.
        outside_mm: how far it lies outside the heights read.
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
    points: Weighted = ()
    outside_mm: float = 0.0


class HeightReadings(NamedTuple):
    """What one sampled sweep says at m heights: as HeightReading, shape (m,); by_lag (2, m)."""

    height_mm: Array
    load_n: Array
    slope_n_per_mm: Array
    se_n: Array
    turn_u_n: Array
    by_lag: Array
    sweep: SweepFit
