"""A spring's rate by several named definitions, its local stiffness and friction loop. Pure.

- between two heights: what the engine sees, valve shut and full lift;
- over a window of the deflection: from its two ends, by least squares through all that lies
  between, and robustly, so that a slip or a knock has little effect.

The friction loop is the load on the way down less that on the way up, at common heights.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.curve import (
    LEAST_SPAN_MM,
    SIDES,
    HeightNotMeasured,
    Rate,
    SpringCurve,
)
from coilbench.analysis.curves.fits import Fit
from coilbench.analysis.curves.load_budget import budget_lines
from coilbench.analysis.curves.sweep_fit import (
    EDGE_MM,
    GRID_STEP_MM,
    Array,
    Bins,
    BranchFit,
    Look,
    Side,
    SweepFit,
)
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines

FEWEST_BINS = {"least squares": 6, "robust": 10}  # in a window, for a line through samples; ours
FEWEST_POINTS = {"least squares": 4, "robust": 8}  # for a line through chosen points; ours
REACHED = 0.9  # a branch must cover so much of a window; ours
# Gauss-Legendre's nodes and weights: what the rig's errors do to a line, to their 7th power
GAUSS = np.polynomial.legendre.leggauss(4)

Method = Literal["two heights", "window ends", "least squares", "robust"]
Fitter = Callable[[Array, Array], Fit]
FITTERS: dict[Method, Fitter] = {"least squares": Fit.least_squares, "robust": Fit.bisquare}


@dataclass(frozen=True)
class NamedRate:
    """A rate and how it came about.

    Attributes:
        top_mm, bottom_mm: between which heights.
    """

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
            curve: the spring's.
            window_mm: the window's heights, the higher one first; None leaves its rates out.
            heights_mm: the two running heights; with fewer their rate is left out.
        """
        found: list[NamedRate] = []
        if window_mm is not None and window_mm[0] - window_mm[1] >= LEAST_SPAN_MM:
            top, bottom = window_mm
            rates: dict[Method, Rate | None] = {"window ends": _between(curve, top, bottom)}
            for method in FITTERS:
                rates[method] = Span.line_rate(curve, [Span(top, bottom)], method)
            found += [cls(m, top, bottom, rate) for m, rate in rates.items() if rate is not None]
        if len(heights_mm) >= 2 and max(heights_mm) - min(heights_mm) >= LEAST_SPAN_MM:
            top, bottom = max(heights_mm), min(heights_mm)
            rate = _between(curve, top, bottom)
            found += [] if rate is None else [cls("two heights", top, bottom, rate)]
        return found


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

        Returns:
            None where a span was not sampled well enough.
        """
        dense = [sweep for sweep in curve.sweeps if sweep.dense]
        for side in SIDES[curve.branch]:
            if dense:
                strokes = [_stroke(sweep, side, spans, method) for sweep in dense]
            else:
                strokes = [_stroke(_pointed(curve), side, spans, method)]
            found = [stroke for stroke in strokes if stroke is not None]
            if found:
                return _combined(found)
            if side == "both" and _reads_both(dense, spans):
                return None  # one branch alone has another rate, by all the friction
        return None


def _between(curve: SpringCurve, top_mm: float, bottom_mm: float) -> Rate | None:
    try:
        return curve.rate_between(top_mm, bottom_mm)
    except HeightNotMeasured:
        return None


def _reads_both(sweeps: Sequence[SweepFit], spans: Sequence[Span]) -> bool:
    """Whether a stroke has both branches over all spans."""
    ends = [height for span in spans for height in (span.top_mm, span.bottom_mm)]
    return any(all(sweep.look("both", mm) is not None for mm in ends) for sweep in sweeps)


@dataclass(frozen=True)
class _Stroke:
    """What one stroke gives: the value, its noise, and the loads it hangs on."""

    rate_n_per_mm: float
    se_n_per_mm: float
    degrees_of_freedom: float
    weighted: tuple[tuple[float, Look], ...]


def _combined(strokes: Sequence[_Stroke]) -> Rate:
    lines = budget_lines((w / len(strokes), look) for each in strokes for w, look in each.weighted)
    values = [each.rate_n_per_mm for each in strokes]
    noises = [each.se_n_per_mm for each in strokes]
    freedom = min(each.degrees_of_freedom for each in strokes)
    budget = Budget((*lines, *scatter_lines(values, noises, freedom)))
    return Rate(float(np.mean(values)), budget.expanded_u_n, budget)


def _stroke(sweep: SweepFit, side: Side, spans: Sequence[Span], method: Method) -> _Stroke | None:
    sides: tuple[Side, ...] = ("loading", "unloading") if side == "both" else (side,)
    value, variance, freedom = 0.0, 0.0, math.inf
    weighted: list[tuple[float, Look]] = []
    for span in spans:
        for each in sides:
            fit = _line(sweep, each, span, method)
            if fit is None:
                return None
            share = span.sign / len(sides)
            value += share * float(fit.coefficients[0])
            variance += share**2 * float(fit.covariance[0, 0])
            freedom = min(freedom, fit.degrees_of_freedom)
        looks = list(_weighted_looks(sweep, side, span))
        if not looks:
            return None
        weighted += looks
    return _Stroke(value, math.sqrt(variance), freedom, tuple(weighted))


def _line(sweep: SweepFit, side: Side, span: Span, method: Method) -> Fit | None:
    """A line through one branch: its first coefficient is the rate."""
    if not sweep.dense:
        return _line_of_points(_branch(sweep, side), span, method)
    bins = sweep.loading_bins if side == "loading" else sweep.unloading_bins
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


def _weighted_looks(sweep: SweepFit, side: Side, span: Span) -> Iterator[tuple[float, Look]]:
    """Loads and weights whose sum is the slope of a line through a span; nothing if not read."""
    if sweep.dense:
        heights, weights = _nodes(span)
    else:
        branch = _branch(sweep, "loading" if side == "both" else side)
        if branch is None:
            return
        heights = branch.height_mm[_inside(branch, span)]
        away = float(np.mean(heights)) - heights
        weights = span.sign * away / float(away @ away)
    looks = [sweep.look(side, float(height)) for height in heights]
    if all(look is not None for look in looks):
        for weight, look in zip(weights, looks, strict=True):
            if look is not None:
                yield float(weight), look


def _nodes(span: Span) -> tuple[Array, Array]:
    """The slope of the least squares line through a continuous course, by Gauss's quadrature."""
    half = 0.5 * (span.top_mm - span.bottom_mm)
    return span.bottom_mm + half * (1.0 + GAUSS[0]), -span.sign * 1.5 * GAUSS[0] * GAUSS[1] / half


def _branch(sweep: SweepFit, side: Side) -> BranchFit | None:
    return sweep.loading if side == "loading" else sweep.unloading


def _inside(points: BranchFit, span: Span) -> np.typing.NDArray[np.bool_]:
    slack = LEAST_SPAN_MM
    return (points.height_mm >= span.bottom_mm - slack) & (points.height_mm <= span.top_mm + slack)


def _pointed(curve: SpringCurve) -> SweepFit:
    """Return all chosen points of a curve as one sweep."""
    return curve.sweeps[0] if curve.joined is None else curve.joined


WAYS: tuple[Side, ...] = ("loading", "unloading")


class Loop(NamedTuple):
    """The mean loop over some heights, loading less unloading.

    Attributes:
        loop_n, loop_u_n: and its expanded uncertainty, 95 %.
        share, share_u: as fractions of the mean load there. Friction is half of it each way.
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
        dense = [sweep for sweep in curve.sweeps if sweep.dense]
        strokes = [_both(sweep, heights) for sweep in dense or [_pointed(curve)]]
        found = [stroke for stroke in strokes if stroke is not None]
        if not found:
            return None
        weight = 0.5 * GAUSS[1]
        loads = np.array([[[look.load_n for look in way] for way in ways] for ways in found])
        noises = np.array([[[look.se_n for look in way] for way in ways] for ways in found])
        loops = (loads[:, 0] - loads[:, 1]) @ weight
        load_n = float(np.mean(loads.mean(axis=1) @ weight))
        noise = np.sqrt(np.square(noises).sum(axis=1) @ weight**2)
        lines = _rig_lines(found, weight, dense=bool(dense))
        budget = Budget((*lines, *scatter_lines(loops.tolist(), noise.tolist())))
        loop_n, u_n = float(np.mean(loops)), budget.expanded_u_n
        return cls(loop_n, u_n, loop_n / load_n, u_n / load_n) if load_n > 0.0 else None


def _both(sweep: SweepFit, heights: Array) -> tuple[list[Look], list[Look]] | None:
    """Both branches at some heights; None where one of them is missing."""
    down, up = (
        [look for h in heights if (look := sweep.look(side, float(h))) is not None] for side in WAYS
    )
    return (down, up) if len(down) == len(up) == len(heights) else None


def _rig_lines(
    strokes: Sequence[tuple[list[Look], list[Look]]], weight: Array, *, dense: bool
) -> list[BudgetLine]:
    """What the rig does to the difference; chosen points are each read for themselves."""
    down, up = (
        [
            (sign * float(w) / len(strokes), look)
            for both in strokes
            for w, look in zip(weight, both[way], strict=True)
        ]
        for way, sign in ((0, 1.0), (1, -1.0))
    )
    return budget_lines([*down, *up]) if dense else [*budget_lines(down), *budget_lines(up)]


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

    @classmethod
    def of(cls, curve: SpringCurve, height_mm: Array | None = None) -> BranchGrid:
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
        sweeps = dense or [_pointed(curve)]
        loading, down_rate = _mean(height_mm, [sweep.loading for sweep in sweeps])
        unloading, up_rate = _mean(height_mm, [sweep.unloading for sweep in sweeps])
        rates = np.where(np.isnan(up_rate), down_rate, up_rate)
        rates = 0.5 * (rates + np.where(np.isnan(down_rate), rates, down_rate))
        if not dense:
            rates = np.full(height_mm.size, np.nan)
        return cls(height_mm, loading, unloading, rates)


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
