"""Straight lines fitted in a moving window over height. Pure."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.statistics import median

Array = NDArray[np.float64]

HALF_WINDOW_STEPS = 2.5  # the line is fitted over this many grid steps to either side
MIN_SPACINGS = 4.0  # and over at least this many samples' spacings, where the stroke was fast
MOST_HALF_MM = 50.0


def half_window_mm(height_mm: Array, step_mm: float) -> float:
    """Return how far a line reaches to either side: some grid steps, of a fast stroke further.

    Not as far as no line tells of a spring: from samples that are as far apart none is laid.
    """
    spaced_mm = MIN_SPACINGS * median(np.diff(height_mm))
    return min(max(HALF_WINDOW_STEPS * step_mm, spaced_mm), MOST_HALF_MM)


def local_grid(height_mm: Array, step_mm: float, edge_mm: float, half_mm: float) -> Array:
    """Return the multiples of a step inside the bins, not at their edge, and both ends.

    Those alone that have a bin within half_mm: one wild count of the travel would make millions.

    Args:
        height_mm: of the bins, ascending, shape (b,).
    """
    lowest_mm, highest_mm = height_mm[0], height_mm[-1]
    around = np.arange(-np.ceil(half_mm / step_mm), np.ceil(half_mm / step_mm) + 2.0)
    inner = np.unique(np.floor(height_mm / step_mm)[:, None] + around) * step_mm
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
