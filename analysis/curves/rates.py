"""A spring's rate by several named definitions, its local stiffness and friction loop. Pure.

- between two heights: what the engine sees, valve shut and full lift;
- over a window of the deflection: from its two ends, by least squares through all that lies
  between, and robustly, so that a slip or a knock has little effect.

The friction loop is the load on the way down less that on the way up, at common heights.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SIDES, SpringCurve
from coilbench.analysis.curves.fits import Fit
from coilbench.analysis.curves.lengths import LEAST_SPAN_MM
from coilbench.analysis.curves.load_budget import budget_lines
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.points import EDGE_MM
from coilbench.analysis.curves.readings import Rate
from coilbench.analysis.curves.sweep_fit import (
    GRID_STEP_MM,
    WAYS,
    BranchFit,
    HeightReading,
    Side,
    SweepFit,
    Way,
)
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.capture.strokes.bins import Array, Bins

FEWEST_BINS = {"least_squares": 6, "robust": 10}  # in a window, for a line through samples; ours
FEWEST_POINTS = {"least_squares": 4, "robust": 8}  # for a line through chosen points; ours
REACHED = 0.9  # a branch must cover so much of a window; ours
# Gauss-Legendre's nodes and weights: what the rig's errors do to a line, to their 7th power
GAUSS = np.polynomial.legendre.leggauss(4)

Method = Literal["two_heights", "window_ends", "least_squares", "robust"]
Fitter = Callable[[Array, Array], Fit]
FITTERS: dict[Method, Fitter] = {"least_squares": Fit.least_squares, "robust": Fit.bisquare}


class NamedRate(msgspec.Struct, frozen=True):
    """A rate, how it came about, and between which heights."""

    method: Method
    top_mm: float
    bottom_mm: float
    rate: Rate

    @classmethod
    def all_of(
        cls,
        curve: SpringCurve,
        window_mm: tuple[float, float] | None,
        heights_mm: Sequence[float] = (),
    ) -> list[NamedRate]:
        """Work out every rate that the curve allows.

        Args:
            window_mm: the window's heights, the higher one first; None leaves its rates out.
            heights_mm: the two running heights; with fewer their rate is left out.
        """
        found: list[tuple[Method, Span, Rate | None]] = []
        if window_mm is not None and window_mm[0] - window_mm[1] >= LEAST_SPAN_MM:
            window = Span(*window_mm)
            found = [("window_ends", window, _between(curve, window))]
            found += [(each, window, Span.line_rate(curve, [window], each)) for each in FITTERS]
        if len(heights_mm) >= 2 and max(heights_mm) - min(heights_mm) >= LEAST_SPAN_MM:
            running = Span(max(heights_mm), min(heights_mm))
            found.append(("two_heights", running, _between(curve, running)))
        return [cls(m, at.top_mm, at.bottom_mm, rate) for m, at, rate in found if rate is not None]


class Span(NamedTuple):
    """Heights whose rate counts with a sign."""

    top_mm: float
    bottom_mm: float
    sign: float = 1.0

    @staticmethod
    def line_rate(curve: SpringCurve, spans: Sequence[Span], method: Method) -> Rate | None:
        """Rate of straight lines through the samples of some spans, each with its sign.

        One span gives a rate, two with opposite signs how it changes. Each stroke's branches are
        fitted for themselves; both branches are averaged where the curve reads the mean. What the
        rig's errors do is taken through the load's own budget: a line's slope is a sum of loads.
        None where a span was not sampled well enough.
        """
        sweeps = _read_sweeps(curve)
        ends = [mm for span in spans for mm in (span.top_mm, span.bottom_mm)]
        for side in SIDES[curve.branch]:
            strokes = [_stroke(sweep, side, spans, method) for sweep in sweeps]
            if found := [stroke for stroke in strokes if stroke is not None]:
                return _combined(found)._replace(side=side)
            if side == "both" and any(all(one.read(side, mm) for mm in ends) for one in sweeps):
                return None  # one branch alone has another rate, by all the friction
        return None


def _between(curve: SpringCurve, span: Span) -> Rate | None:
    try:
        return curve.rate_between(span.top_mm, span.bottom_mm)
    except HeightNotMeasured:
        return None


class _Stroke(msgspec.Struct, frozen=True):
    """What one stroke gives: the value, its noise, and the loads it hangs on."""

    rate_n_per_mm: float
    se_n_per_mm: float
    degrees_of_freedom: float
    weighted: tuple[tuple[float, HeightReading], ...]


def _combined(strokes: Sequence[_Stroke]) -> Rate:
    lines = budget_lines(
        (w / len(strokes), reading) for each in strokes for w, reading in each.weighted
    )
    values = [each.rate_n_per_mm for each in strokes]
    noises = [each.se_n_per_mm for each in strokes]
    freedom = min(each.degrees_of_freedom for each in strokes)
    budget = Budget((*lines, *scatter_lines(values, noises, freedom)))
    return Rate(float(np.mean(values)), budget.expanded_u_n, budget)


def _stroke(sweep: SweepFit, side: Side, spans: Sequence[Span], method: Method) -> _Stroke | None:
    sides = WAYS[side]
    value, variance, freedom = 0.0, 0.0, math.inf
    weighted: list[tuple[float, HeightReading]] = []
    for span in spans:
        for each in sides:
            fit = _line(sweep, each, span, method)
            if fit is None:
                return None
            share = span.sign / len(sides)
            value += share * float(fit.coefficients[0])
            variance += share**2 * float(fit.covariance[0, 0])
            freedom = min(freedom, fit.degrees_of_freedom)
        readings = list(_weighted_readings(sweep, side, span))
        if not readings:
            return None
        weighted += readings
    return _Stroke(value, math.sqrt(variance), freedom, tuple(weighted))


def _line(sweep: SweepFit, way: Way, span: Span, method: Method) -> Fit | None:
    """A line through one branch: its first coefficient is the rate."""
    if not sweep.dense:
        return _line_of_points(sweep.fits(way)[0], span, method)
    (bins,) = sweep.bins(way)
    inside = None if bins is None else bins.between(span.bottom_mm, span.top_mm)
    if inside is None or inside.height_mm.size < FEWEST_BINS[method]:
        return None
    if np.ptp(inside.height_mm) < REACHED * (span.top_mm - span.bottom_mm):
        return None
    return _fit(inside, method)


def _fit(bins: Bins, method: Method) -> Fit:
    root = np.sqrt(bins.weight / float(np.mean(bins.weight)))
    away = float(np.mean(bins.height_mm)) - bins.height_mm
    return FITTERS[method](np.column_stack([root * away, root]), root * bins.load_n)


def _line_of_points(points: BranchFit | None, span: Span, method: Method) -> Fit | None:
    if points is None:
        return None
    chosen = _inside(points, span)
    if np.count_nonzero(chosen) < FEWEST_POINTS[method]:
        return None
    height, load = points.height_mm[chosen], points.load_n[chosen]
    return _fit(Bins(height, load, np.ones_like(load), np.zeros((load.size, 2))), method)


def _weighted_readings(
    sweep: SweepFit, side: Side, span: Span
) -> Iterator[tuple[float, HeightReading]]:
    """Loads and weights whose sum is the slope of a line through a span; nothing if not read."""
    if sweep.dense:
        heights, weights = _nodes(span)
    else:
        branch = sweep.fits(side)[0]
        if branch is None:
            return
        heights = branch.height_mm[_inside(branch, span)]
        away = float(np.mean(heights)) - heights
        weights = span.sign * away / float(away @ away)
    readings = [sweep.read(side, float(height)) for height in heights]
    if all(reading is not None for reading in readings):
        for weight, reading in zip(weights, readings, strict=True):
            if reading is not None:
                yield float(weight), reading


def _nodes(span: Span) -> tuple[Array, Array]:
    """The slope of the least squares line through a continuous course, by Gauss's quadrature."""
    half = 0.5 * (span.top_mm - span.bottom_mm)
    return span.bottom_mm + half * (1.0 + GAUSS[0]), -span.sign * 1.5 * GAUSS[0] * GAUSS[1] / half


def _inside(points: BranchFit, span: Span) -> np.typing.NDArray[np.bool_]:
    slack = LEAST_SPAN_MM
    return (points.height_mm >= span.bottom_mm - slack) & (points.height_mm <= span.top_mm + slack)


def _read_sweeps(curve: SpringCurve) -> list[SweepFit]:
    """Return the dense sweeps of a curve, else its chosen points."""
    return [sweep for sweep in curve.sweeps if sweep.dense] or list(curve.sweeps)


class Loop(NamedTuple):
    """The mean loop over some heights, loading less unloading; friction is half of it each way.

    Given in N and as a fraction of the mean load there, each with its expanded uncertainty, 95 %.
    """

    loop_n: float
    loop_u_n: float
    share: float
    share_u: float

    @classmethod
    def of(cls, curve: SpringCurve, top_mm: float, bottom_mm: float) -> Loop | None:
        """Mean loop between two heights; None where not both branches were measured there.

        What moves both branches alike leaves their difference; the lag moves them apart and stays.
        """
        heights = bottom_mm + 0.5 * (top_mm - bottom_mm) * (1.0 + GAUSS[0])
        sweeps = _read_sweeps(curve)
        found = [both for sweep in sweeps if (both := _both(sweep, heights)) is not None]
        if not found:
            return None
        weight = 0.5 * GAUSS[1]
        loads = np.array([[[reading.load_n for reading in way] for way in ways] for ways in found])
        noises = np.array([[[reading.se_n for reading in way] for way in ways] for ways in found])
        loops = (loads[:, 0] - loads[:, 1]) @ weight
        load_n = float(np.mean(loads.mean(axis=1) @ weight))
        noise = np.sqrt(np.square(noises).sum(axis=1) @ weight**2)
        lines = _rig_lines(found, weight, dense=sweeps[0].dense)
        budget = Budget((*lines, *scatter_lines(loops.tolist(), noise.tolist())))
        loop_n, u_n = float(np.mean(loops)), budget.expanded_u_n
        return cls(loop_n, u_n, loop_n / load_n, u_n / load_n) if load_n > 0.0 else None


def _both(
    sweep: SweepFit, heights: Array
) -> tuple[list[HeightReading], list[HeightReading]] | None:
    """Both branches at some heights; None where one of them is missing."""
    down, up = (
        [reading for h in heights if (reading := sweep.read(way, float(h))) is not None]
        for way in WAYS["both"]
    )
    return (down, up) if len(down) == len(up) == len(heights) else None


def _rig_lines(
    strokes: Sequence[tuple[list[HeightReading], list[HeightReading]]],
    weight: Array,
    *,
    dense: bool,
) -> list[BudgetLine]:
    """What the rig does to the difference; chosen points are each read for themselves."""
    down, up = (
        [
            (sign * float(w) / len(strokes), reading)
            for both in strokes
            for w, reading in zip(weight, both[way], strict=True)
        ]
        for way, sign in ((0, 1.0), (1, -1.0))
    )
    return budget_lines([*down, *up]) if dense else [*budget_lines(down), *budget_lines(up)]


PRESSED_SHARE = 0.1  # of the largest load: below it a loop in per cent says nothing; ours


class BranchGrid(msgspec.Struct, frozen=True):
    """A spring on common heights, shape (m,); NaN where not every stroke measured a branch.

    Attributes:
        loading_n, unloading_n: the strokes' mean.
        stiffness_n_per_mm: local rate, the mean of the branches there are; NaN for chosen points,
            which show none.
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

    @classmethod
    def of(cls, curve: SpringCurve, height_mm: Array | None = None) -> BranchGrid:
        """Put a spring's branches on heights, shape (m,), ascending.

        None takes every GRID_STEP_MM that was measured.
        """
        if height_mm is None:
            first = np.ceil(curve.lowest_mm / GRID_STEP_MM)
            last = np.floor(curve.highest_mm / GRID_STEP_MM)
            height_mm = np.arange(first, last + 1.0) * GRID_STEP_MM
        sweeps = _read_sweeps(curve)
        loading, down_rate = _mean(height_mm, [sweep.loading for sweep in sweeps])
        unloading, up_rate = _mean(height_mm, [sweep.unloading for sweep in sweeps])
        rates = np.where(np.isnan(up_rate), down_rate, up_rate)
        rates = 0.5 * (rates + np.where(np.isnan(down_rate), rates, down_rate))
        if not sweeps[0].dense:
            rates = np.full(height_mm.size, np.nan)
        return cls(height_mm, loading, unloading, rates)


def _mean(height_mm: Array, fits: Sequence[BranchFit | None]) -> tuple[Array, Array]:
    """Mean load and local rate of one branch; of those strokes that have it at all."""
    read = [_read(fit, height_mm) for fit in fits if fit is not None]
    load, rate = np.mean(read, axis=0) if read else np.full((2, height_mm.size), np.nan)
    return load, rate


def _read(fit: BranchFit, height_mm: Array) -> Array:
    inside = (height_mm >= fit.lowest_mm - EDGE_MM) & (height_mm <= fit.highest_mm + EDGE_MM)
    columns = fit.load_n, fit.slope_n_per_mm
    read = [np.interp(height_mm, fit.height_mm, column) for column in columns]
    return np.where(inside, read, np.nan)
