"""Straight lines fitted in a moving window over height. Pure."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def local_grid(lowest_mm: float, highest_mm: float, step_mm: float, edge_mm: float) -> Array:
    """Return every multiple of a step inside two heights, not at their edge, and both ends."""
    first, last = np.ceil(lowest_mm / step_mm), np.floor(highest_mm / step_mm)
    inner = np.arange(first, last + 1.0) * step_mm
    inner = inner[(inner > lowest_mm + edge_mm) & (inner < highest_mm - edge_mm)]
    return np.concatenate([[lowest_mm], inner, [highest_mm]])


class LocalLines(NamedTuple):
    """Straight lines around the grid's heights; NaN where a window holds fewer than three bins.

    Attributes:
        values: shape (g, c), the lines' values there.
        slope: shape (g,), the first column's.
        noises: shape (g,), standard error of a value for unit noise of a sample.
    """

    values: Array
    slope: Array
    noises: Array


def local_lines(
    height_mm: Array, columns: Array, weight: Array, grid: Array, half_mm: float
) -> LocalLines:
    """Weighted straight lines around every grid height (Epanechnikov weights).

    Args:
        height_mm: of the bins, ascending, shape (b,).
        columns: what lines are laid through, shape (b, c).
        weight: how many samples each bin is the mean of, shape (b,).
    """
    begin = np.searchsorted(height_mm, grid - half_mm)
    end = np.searchsorted(height_mm, grid + half_mm, side="right")
    at = begin + np.arange(max(int((end - begin).max()), 1))[:, None]  # (window, g): sums are quick
    inside = at < end
    at = np.minimum(at, height_mm.size - 1)
    away, of_bin = height_mm.take(at) - grid, weight.take(at)
    kernel = np.maximum(1.0 - (away / half_mm) ** 2, 0.0) * (of_bin * inside)
    moment = kernel * away
    s0, s1, s2 = kernel.sum(0), moment.sum(0), (moment * away).sum(0)
    determinant = s0 * s2 - s1**2
    enough = (np.count_nonzero(kernel, axis=0) >= 3) & (determinant > 1e-9 * s0**2 * half_mm**2)
    determinant = np.where(enough, determinant, np.nan)
    smoother = (s2 / determinant) * kernel - (s1 / determinant) * moment
    there = [column.take(at) for column in np.ascontiguousarray(columns.T)]
    first = there[0]
    tilt = (s0 * (moment * first).sum(0) - s1 * (kernel * first).sum(0)) / determinant
    noises = np.sqrt((smoother**2 / of_bin).sum(0))
    return LocalLines(np.stack([(smoother * each).sum(0) for each in there], 1), tilt, noises)
