"""The wall of touching coils in one branch: where the load leaves the spring's own trend. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.curves.fits import Fit, effective_count
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.calibration.lag import Press, Presses, typical_delay_s
from coilbench.capture.strokes.bins import Array, Bins, fine_bins
from coilbench.capture.strokes.branch import Branch

# All of these are our choice, no source.
PRESSED_SHARE = 0.005  # of the largest load: from here the spring is touched
TREND = (0.15, 0.55)  # share of the pressed range, from the bottom, that shows the trend
FEWEST_BINS = 30
BIND_TIMES = 3.0  # the wall's stiffness over the trend's there: coils touch
EXCESS_NOISES = 8.0  # the load at the bottom is above the trend by this multiple of its noise
BOUND_SHARE = 0.1  # and by this share of itself, for coil bind to be called reached
TOUCHED_SHARE = 0.01  # or by this share, for coils perhaps to touch
WALL = (0.2, 0.5, 0.8)  # shares of the largest excess that the wall is laid through
STEEPENING = 1.6  # a wall so much steeper in its lower half has not been reached yet
ONSET_SHARE = 0.02  # of the largest excess: here the load begins to leave the trend
ONSET_NOISES = 4.0  # and this multiple of the noise
CLEAR_MM = 0.5  # so much above the onset no coil touches, the lag's smear counted in
LAST_MM, FEWEST_LAST = 0.6, 5  # the stiffness at a height is that over so much above it
LONGEST_MM = 1.5  # over more it is no longer that of the last heights
RAISED_MM = (0.0, 0.3, 0.6)  # above the lowest height: near the turn the lag may soften what shows
DEPARTS = 0.1  # by more than this, as a share, and than its scatter a stiffness leaves the trend
SCATTERS = 3.0  # standard errors that are within the scatter
MOST_SCATTER = 0.2  # with more scatter nothing is told
LIFTED_SHARE, LIFTED_SCATTERS = 0.003, 5.0  # of itself: so far the last load leaves the trend
BindKind = Literal["reached", "beginning", "not_reached", "unknown"]
BindWhy = Literal["chosen_heights", "too_few_samples", "too_uncertain", "softer"]


class Line(NamedTuple):
    """The slope of a straight line fitted through some points, and its uncertainty, k = 1."""

    slope: float
    slope_u: float

    @classmethod
    def least_squares(cls, x: Array, y: Array) -> Line:
        """Fit as Fit.least_squares does, in a fraction of its time.

        Args:
            x, y: shape (n,), n above 2, in the order in which neighbours' noise hangs together.
        """
        x, y = x - x.mean(), y - y.mean()
        spread = float(x @ x)
        slope = float(x @ y) / spread
        residual = y - slope * x
        freedom = max(effective_count(residual, 2) - 2.0, 1.0)
        return cls(slope, math.sqrt(float(residual @ residual) / freedom / spread))


class CoilBind(msgspec.Struct, frozen=True):
    """Whether the coils touched, by the stiffness at the lowest heights.

    Attributes:
        height_mm: solid height where it was reached; where the load leaves its trend where coils
            begin to touch; else down to where it was looked.
        stiffness, stiffness_u: the last stiffness over that of the trend there, and its expanded
            uncertainty, k = 2; None where the trend does not show, or a wall does.
        why: for `unknown`.
    """

    kind: BindKind
    height_mm: float
    stiffness: float | None = None
    stiffness_u: float | None = None
    why: BindWhy | None = None


class _Excess(NamedTuple):
    """How far the load of a way down lies above the spring's own trend, towards the bottom.

    From where the trend ends to where the excess is largest, shape (m,); it never falls.
    """

    height_mm: Array
    excess_n: Array
    trend: _Trend
    noise_n: float  # of a sample

    def reaches(self, share: float) -> bool:
        """Whether the largest excess is beyond noise, and beyond so much of the load."""
        own_n = float(self.trend.loads_n(self.height_mm[-1:])[0])
        return float(self.excess_n[-1]) >= max(EXCESS_NOISES * self.noise_n, share * own_n)

    def height_at(self, share: float) -> float:
        """Height at which a share of the largest excess is reached."""
        return float(np.interp(share * self.excess_n[-1], self.excess_n, self.height_mm))

    @property
    def onset_mm(self) -> float:
        """Height at which the load begins to leave the trend, beyond noise."""
        least_n = max(ONSET_SHARE * float(self.excess_n[-1]), ONSET_NOISES * self.noise_n)
        return float(np.interp(least_n, self.excess_n, self.height_mm))


class _Wall(NamedTuple):
    """Touching coils."""

    crossing_mm: float  # where the wall meets the trend
    onset_mm: float  # where the load begins to leave the trend
    n_per_mm: float  # how much steeper than the trend the wall is
    noise_n: float  # of a sample


def _excess_load(bins: Bins) -> _Excess | None:
    """Compare the lowest part of a way down with the trend of the part above it.

    None where too little was pressed, or the load does not rise towards the bottom.
    """
    height, trend = bins.height_mm, _trend_of(bins)
    if trend is None or trend.n_per_mm(float(height[0])) <= 0.0:
        return None
    below = height[: int(height.searchsorted(trend.lowest_mm, side="right"))]
    excess = bins.load_n[: below.size] - trend.loads_n(below)
    peak = int(excess.argmax())
    rising = np.maximum.accumulate(excess[peak:][::-1])
    return _Excess(below[peak:][::-1], rising, trend, bins.noise_n)


def _trend_part(bins: Bins) -> slice | None:
    """Which bins show the trend; None where too little was pressed."""
    height, load = bins.height_mm, bins.load_n
    pressed = np.flatnonzero(load > PRESSED_SHARE * load.max(initial=0.0))
    if pressed.size < FEWEST_BINS:
        return None
    bottom, top = float(height[0]), float(height[pressed[-1]])
    low, high = (bottom + share * (top - bottom) for share in TREND)
    begin, end = int(height.searchsorted(low)), int(height.searchsorted(high, side="right"))
    few = end - begin < FEWEST_BINS // 3 or height.searchsorted(low, side="right") < 2
    return None if few else slice(begin, end)


def judge_coils(fits: Sequence[SweepFit]) -> CoilBind:
    """Tell whether coils touched in any sweep; one that keeps to its trend tells of its own depth.

    A sweep at chosen heights, and one with too few samples, tells nothing.
    """
    branches = [fit for sweep in fits for fit in sweep.fits("both") if fit is not None]
    lowest_mm = min((fit.lowest_mm for fit in branches), default=math.nan)
    told = [_judged(sweep.loading_bins) for sweep in fits if sweep.loading_bins is not None]
    for kind in ("reached", "beginning", "not_reached"):
        found = [each for each in told if each.kind == kind]
        found.sort(key=lambda each: each.height_mm)
        if found:
            return found[0 if kind == "not_reached" else len(found) // 2]
    return told[0] if told else CoilBind("unknown", lowest_mm, why="chosen_heights")


def _judged(bins: Bins) -> CoilBind:
    """Judge one way down by its wall, else by the last load and the stiffness at the bottom."""
    trend = _trend_of(bins)
    if trend is None:
        lowest_mm = float(bins.height_mm.min(initial=math.inf))
        return CoilBind("unknown", lowest_mm, why="too_few_samples")
    if (wall := find_wall(bins)) is not None:
        return CoilBind("reached", wall.crossing_mm)
    found = [trend.stiffness(bins, float(bins.height_mm[0]) + mm) for mm in RAISED_MM]
    stiffer = [each for each in found if each.times - 1.0 > max(DEPARTS, SCATTERS * each.u)]
    excess_n, excess_u_n = trend.excess(bins)
    lifted = excess_n > max(LIFTED_SHARE * bins.load_n[0], LIFTED_SCATTERS * excess_u_n)
    if stiffer or lifted:
        last, excess = (stiffer or found)[0], _excess_load(bins)
        onset_mm = last.height_mm if excess is None else excess.onset_mm
        if not math.isfinite(last.u):
            return CoilBind("beginning", onset_mm)
        return CoilBind("beginning", onset_mm, last.times, 2.0 * last.u)
    sure = [each for each in found if SCATTERS * each.u <= MOST_SCATTER]
    for each in sure:
        if abs(each.times - 1.0) <= max(DEPARTS, SCATTERS * each.u):
            return CoilBind("not_reached", each.height_mm, each.times, 2.0 * each.u)
    why: BindWhy = "softer" if sure else "too_uncertain"
    return CoilBind("unknown", found[0].height_mm, why=why)


class _Stiffness(NamedTuple):
    """The stiffness from a height on over the trend's there, and its standard error."""

    height_mm: float
    times: float
    u: float


class _Trend(NamedTuple):
    """A parabola through the part of a way down that shows the trend: progressive springs keep it.

    Attributes:
        fit: of the height less middle_mm over half_mm, highest power first.
        lowest_mm: of that part.
    """

    fit: Fit
    middle_mm: float
    half_mm: float
    lowest_mm: float

    @classmethod
    def of(cls, bins: Bins, chosen: slice) -> _Trend:
        """Fit it to the chosen bins."""
        height = bins.height_mm[chosen]
        middle_mm, half_mm = float(height.mean()), 0.5 * float(height[-1] - height[0])
        design = np.vander((height - middle_mm) / half_mm, 3)
        fit = Fit.least_squares(design, bins.load_n[chosen])
        return cls(fit, middle_mm, half_mm, float(height[0]))

    def loads_n(self, height_mm: Array) -> Array:
        """Return what it has at some heights."""
        square, line, middle_n = self.fit.coefficients.tolist()
        at = (height_mm - self.middle_mm) / self.half_mm
        return np.asarray((square * at + line) * at + middle_n)

    def n_per_mm(self, height_mm: float) -> float:
        """Return how steep it is there, load over falling height."""
        square, line, _ = self.fit.coefficients.tolist()
        at = (height_mm - self.middle_mm) / self.half_mm
        return float(-(2.0 * square * at + line) / self.half_mm)

    def excess(self, bins: Bins) -> tuple[float, float]:
        """How far the lowest load lies above it, and the standard error of that, N."""
        at = (float(bins.height_mm[0]) - self.middle_mm) / self.half_mm
        row = np.array([at * at, at, 1.0])
        u_n = math.hypot(bins.noise_n, math.sqrt(row @ self.fit.covariance @ row))
        return float(bins.load_n[0] - row @ self.fit.coefficients), u_n

    def stiffness(self, bins: Bins, height_mm: float) -> _Stiffness:
        """Compare the stiffness from a height on; infinitely uncertain where samples are few."""
        first, end = bins.height_mm.searchsorted((height_mm, height_mm + LAST_MM)).tolist()
        last = slice(first, max(end, first + FEWEST_LAST))
        height, load = bins.height_mm[last], bins.load_n[last]
        middle_mm = float(height.mean())
        own = self.n_per_mm(middle_mm)
        if own <= 0.0 or height[-1] - height[0] > LONGEST_MM:
            return _Stiffness(height_mm, 1.0, math.inf)
        tilt = np.array([2.0 * (middle_mm - self.middle_mm) / self.half_mm, 1.0, 0.0])
        own_u = math.sqrt(tilt @ self.fit.covariance @ tilt) / self.half_mm
        line = Line.least_squares(middle_mm - height, load)
        noise_u = bins.noise_n / math.sqrt(float(bins.weight[last] @ (middle_mm - height) ** 2))
        u = math.hypot(max(line.slope_u, noise_u), own_u)
        return _Stiffness(height_mm, line.slope / own, u / own)


@lru_cache(maxsize=16)  # likewise
def _trend_of(bins: Bins) -> _Trend | None:
    """The trend of a way down; None where too little was pressed."""
    chosen = _trend_part(bins)
    return None if chosen is None else _Trend.of(bins, chosen)


@lru_cache(maxsize=16)  # coil bind is judged and read from the same bins
def find_wall(bins: Bins) -> _Wall | None:
    """Find the wall where the press reached it; None where it did not.

    The last of the wall, where the press turns and the filter still follows, is left aside.
    """
    found = _excess_load(bins)
    if found is None or not found.reaches(BOUND_SHARE):
        return None
    upper, middle, lower = (found.height_at(share) for share in WALL)
    if not lower < middle < upper or upper - middle > STEEPENING * (middle - lower):
        return None
    most_n = float(found.excess_n[-1])
    steep = (WALL[2] - WALL[0]) * most_n / (upper - lower)
    own = found.trend.n_per_mm(upper)
    if own + steep < BIND_TIMES * own:
        return None
    crossing = upper + WALL[0] * most_n / steep
    return _Wall(crossing, found.onset_mm, steep, found.noise_n)


def touching_mm(presses: Sequence[Press]) -> list[float]:
    """Height below which coils may touch in strokes whose lag is still in them; -inf where none do.

    There the load rises too steeply for the filter: it gives no information on the lag. The
    typical lag is removed first: where a fast stroke slows down, the lag by itself makes the load
    rise faster than the spring does.

    Args:
        presses: one or more, of two samples or more each.
    """
    every = Presses.of(presses)
    each_s = np.array([typical_delay_s(press.interval_s) for press in presses])
    delay_s = each_s[every.rows.stroke][None]
    height = every.heights_mm(delay_s, delay_s**2 / 3.0)[0]
    return [_touching_mm(height[own], every.load_n[own]) for own in every.rows.slices]


def _touching_mm(height: Array, load: Array) -> float:
    """Return the same of one stroke, its heights without the typical lag."""
    if height.size < FEWEST_BINS:
        return -math.inf
    down = slice(int(np.argmin(height)) + 1)
    found = _excess_load(fine_bins(Branch(height[down], load[down])))
    if found is None or not found.reaches(TOUCHED_SHARE):
        return -math.inf
    return found.onset_mm + CLEAR_MM
