"""Rules that say which member of a set stands apart. Pure statistics, no units, no words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.curve import SpringCurve

NORMAL_MAD = 0.6745  # the MAD of a normal distribution over its standard deviation
Z_LIMIT = 3.5  # Iglewicz and Hoaglin (1993), in NIST/SEMATECH e-Handbook 1.3.5.17
FEWEST_FOR_MIDDLE = 3  # below this a set has no middle to be away from; ours, no source
FEWEST_FOR_Z = 5  # below this a MAD says nothing; ours, no source

# The shape's rules are ours, no source.
SHAPE_HEIGHTS = 60
SHAPE_BIND_MM = 1.0  # heights nearer to solid than this are coil bind's, not the spring's shape
SHAPE_TOP_SHARE = 0.1  # of the deflection, where end coils are still closing


def modified_z(values: Array, least_sd: float = 0.0) -> Array:
    """Modified z-score of each value, 0.6745 (x - median)/MAD.

    Args:
        values: shape (n,).
        least_sd: the MAD counts as at least a normal distribution's of this standard deviation,
            so that nothing stands apart by less than it could be measured.

    Returns:
        shape (n,); zero where a value is the median, whatever the MAD.

    References:
        Iglewicz and Hoaglin, How to Detect and Handle Outliers (1993), as cited in the
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.
    """
    away = values - np.median(values)
    mad = max(float(np.median(np.abs(away))), NORMAL_MAD * least_sd)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.where(away == 0.0, 0.0, NORMAL_MAD * away / np.float64(mad))


def shape_departures(curves: Sequence[SpringCurve]) -> list[tuple[float, float]] | None:
    """How far each spring's shape departs from the set's, at most, and at which height.

    Every curve is divided by its own mean, so that a weak spring of good shape stays in. The
    set's shape is the median at each height. Each curve is then laid on it with the best scale
    and shift (least squares: a rate and a free length of its own), and what is left is its
    departure: a bend that the others don't have.

    Args:
        curves: at least FEWEST_FOR_Z springs.

    Returns:
        (largest departure as a fraction of the mean load, height_mm) a spring, in order; None
        where the springs are few, were not sampled densely, or share no range of heights.
    """
    if len(curves) < FEWEST_FOR_Z or not all(s.dense for curve in curves for s in curve.sweeps):
        return None
    bottom, top = _shared_range_mm(curves)
    if top - bottom < SHAPE_BIND_MM:
        return None
    heights = np.linspace(bottom, top, SHAPE_HEIGHTS)
    loads = np.array([[curve.load_at(float(h)).load_n for h in heights] for curve in curves])
    means = loads.mean(axis=1, keepdims=True)
    if np.any(means <= 0.0):
        return None
    shapes = loads / means
    design = np.column_stack([np.median(shapes, axis=0), np.ones(heights.size)])
    laid, *_ = np.linalg.lstsq(design, shapes.T)
    left = np.abs(shapes.T - design @ laid)
    worst = np.argmax(left, axis=0)
    return [(float(left[at, i]), float(heights[at])) for i, at in enumerate(worst)]


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
