"""The shapes of a set's curves: which spring bends where the others don't. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.sets.esd import FEWEST_FOR_ESD, Esd, find_outliers

# The shape's rules are ours, no source.
SHAPE_HEIGHTS = 60
SHAPE_BIND_MM = 1.0  # heights nearer to solid than this are coil bind's, not the spring's shape
SHAPE_TOP_SHARE = 0.1  # of the deflection, where end coils are still closing


class Departure(NamedTuple):
    """How far one spring's shape departs from the set's, as fractions of its mean load.

    Attributes:
        rms: root mean square over the heights.
        largest: at most, and height_mm: where.
    """

    rms: float
    largest: float
    height_mm: float


def shape_departures(curves: Sequence[SpringCurve]) -> list[Departure] | None:
    """How far each spring's shape departs from the set's.

    Every curve is divided by its own mean, so that a weak spring of good shape stays in. The
    set's shape is the median at each height. Each curve is then laid on it with the best scale
    and shift (least squares: a rate and a free length of its own), and what is left is its
    departure: a bend that the others don't have.

    Args:
        curves: at least FEWEST_FOR_ESD springs.

    Returns:
        One a spring, in order; None where the springs are few, were not sampled densely, or
        share no range of heights.
    """
    if len(curves) < FEWEST_FOR_ESD or not all(s.dense for curve in curves for s in curve.sweeps):
        return None
    bottom, top = _shared_range_mm(curves)
    if top - bottom < SHAPE_BIND_MM:
        return None
    heights = np.linspace(bottom, top, SHAPE_HEIGHTS)
    loads = np.array([[curve.load_n_at(float(h)) for h in heights] for curve in curves])
    means = loads.mean(axis=1, keepdims=True)
    if np.any(means <= 0.0):
        return None
    shapes = loads / means
    design = np.column_stack([np.median(shapes, axis=0), np.ones(heights.size)])
    laid, *_ = np.linalg.lstsq(design, shapes.T)
    left = np.abs(shapes.T - design @ laid)
    worst = np.argmax(left, axis=0)
    rms = np.sqrt(np.mean(left**2, axis=0))
    return [
        Departure(float(rms[i]), float(left[at, i]), float(heights[at]))
        for i, at in enumerate(worst)
    ]


def odd_shapes(departures: Sequence[Departure], alpha: float) -> Esd | None:
    """Look for departures that are larger than the others'.

    The mean square of a smooth residual is a sum of a few chi-square variables; its cube root is
    nearly normal (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory), so that the
    outlier test keeps its false-alarm rate on it.
    """
    return find_outliers([departure.rms ** (2.0 / 3.0) for departure in departures], alpha)


def _shared_range_mm(curves: Sequence[SpringCurve]) -> tuple[float, float]:
    """Heights that every branch of every sweep has, between coil bind and closing end coils."""
    fits = [
        fit
        for curve in curves
        for sweep in curve.sweeps
        for fit in (sweep.loading, sweep.unloading)
        if fit is not None
    ]
    bottom = max(fit.lowest_mm for fit in fits)
    top = min(fit.highest_mm for fit in fits)
    solids = [c.solid_height_mm for c in curves if c.solid_height_mm is not None]
    if solids:
        bottom = max(bottom, max(solids) + SHAPE_BIND_MM)
    lengths = [c.free_length_mm for c in curves if c.free_length_mm is not None]
    if lengths:
        top = min(top, min(lengths) - SHAPE_TOP_SHARE * (min(lengths) - bottom))
    return bottom, top
