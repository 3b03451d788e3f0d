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
    at = begin[:, None] + np.arange(max(int((end - begin).max()), 1))
    inside = at < end[:, None]
    at = np.minimum(at, height_mm.size - 1)
    away = height_mm[at] - grid[:, None]
    of_bin = weight[at]
    kernel = np.clip(1.0 - (away / half_mm) ** 2, 0.0, None) * of_bin * inside
    moment = kernel * away
    s0, s1, s2 = kernel.sum(1), moment.sum(1), (moment * away).sum(1)
    determinant = s0 * s2 - s1**2
    enough = (np.count_nonzero(kernel, axis=1) >= 3) & (determinant > 1e-9 * s0**2 * half_mm**2)
    determinant = np.where(enough, determinant, np.nan)
    smoother = (s2 / determinant)[:, None] * kernel - (s1 / determinant)[:, None] * moment
    there = columns[at]
    first = there[:, :, 0]
    tilt = (s0 * (moment * first).sum(1) - s1 * (kernel * first).sum(1)) / determinant
    noises = np.sqrt((smoother**2 / of_bin).sum(1))
    return LocalLines((smoother[:, None, :] @ there)[:, 0], tilt, noises)
