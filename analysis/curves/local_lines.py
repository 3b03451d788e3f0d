"""Straight lines fitted in a moving window over height. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import accumulate, pairwise
from typing import NamedTuple

import numpy as np

from coilbench.capture.calibration.course import Places
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.bins import Array, Bins

HALF_WINDOW_STEPS = 2.5  # the line is fitted over this many grid steps to either side
MIN_SPACINGS = 4.0  # and over at least this many samples' spacings, where the stroke was fast
MOST_HALF_MM = 50.0
FEWEST_BINS = 3  # that a line is laid through


def half_window_mm(height_mm: Array, step_mm: float) -> float:
    """Return how far a line reaches to either side: some grid steps, of a fast stroke further.

    Not as far as no line tells of a spring: from samples that are as far apart none is laid.
    """
    spaced_mm = MIN_SPACINGS * median(height_mm[1:] - height_mm[:-1])
    return min(max(HALF_WINDOW_STEPS * step_mm, spaced_mm), MOST_HALF_MM)


def local_grid(height_mm: Array, step_mm: float, edge_mm: float, half_mm: float) -> Array:
    """Return the multiples of a step inside the bins, not at their edge, and both ends.

    Those alone that have a bin within half_mm: one wild count of the travel would make millions.

    Args:
        height_mm: of the bins, ascending, shape (b,).
    """
    lowest_mm, highest_mm = height_mm[0], height_mm[-1]
    cell, reach = np.floor(height_mm / step_mm), math.ceil(half_mm / step_mm)
    if (cell[1:] - cell[:-1]).max(initial=0.0) <= 2 * reach + 2:  # each reaches to the next one's
        every = np.arange(cell[0] - reach, cell[-1] + reach + 2.0)
    else:
        every = np.unique(cell[:, None] + np.arange(-reach, reach + 2.0))
    inner = every * step_mm
    inner = inner[(inner > lowest_mm + edge_mm) & (inner < highest_mm - edge_mm)]
    return np.concatenate([[lowest_mm], inner, [highest_mm]])


class LocalLines(NamedTuple):
    """Straight lines around the heights of a grid whose windows hold enough bins, shape (g,) each.

    Attributes:
        height_mm: of the grid.
        values: shape (3, g), the lines' values there: of the load, and of by_lag.
        slope: the load's.
        noises: standard error of a value for unit noise of a sample.
    """

    height_mm: Array
    values: Array
    slope: Array
    noises: Array


def local_lines(every: Sequence[Bins], step_mm: float, edge_mm: float) -> list[LocalLines]:
    """Lay weighted straight lines around each height of some branches' grids.

    Epanechnikov's weights. All windows lie behind each other in one array, since of each branch
    alone NumPy's calls would take longer than their work.

    Args:
        every: two bins or more each.
    """
    if not every:
        return []
    halves_mm = [half_window_mm(bins.height_mm, step_mm) for bins in every]
    grids = [
        local_grid(bins.height_mm, step_mm, edge_mm, half_mm)
        for bins, half_mm in zip(every, halves_mm, strict=True)
    ]
    height, weight, load = (
        np.concatenate(one)
        for one in zip(*((b.height_mm, b.weight, b.load_n) for b in every), strict=True)
    )
    columns = (load, *np.concatenate([bins.by_lag for bins in every]).T)
    grid, half_mm = np.concatenate(grids), np.repeat(halves_mm, [one.size for one in grids])
    begin, end = _windows(every, grids, halves_mm)
    some = np.flatnonzero(end - begin >= FEWEST_BINS)
    grid, half_mm, begin, count = grid[some], half_mm[some], begin[some], (end - begin)[some]

    first = np.cumsum(count) - count
    at = np.arange(count.sum()) + np.repeat(begin - first, count)  # the bins of window by window
    away, of_bin = height.take(at) - np.repeat(grid, count), weight.take(at)
    kernel = np.maximum(1.0 - (away / np.repeat(half_mm, count)) ** 2, 0.0) * of_bin
    moment = kernel * away

    def sums(*terms: Array) -> Array:
        return np.array([np.add.reduceat(term, first) for term in terms])

    s0, s1, s2, inside = sums(kernel, moment, moment * away, (kernel > 0.0).astype(np.float64))
    determinant = s0 * s2 - s1**2
    enough = (inside >= FEWEST_BINS) & (determinant > 1e-9 * s0**2 * half_mm**2)
    determinant = np.where(enough, determinant, 1.0)
    smoother = np.repeat(s2 / determinant, count) * kernel
    smoother -= np.repeat(s1 / determinant, count) * moment
    there = [column.take(at) for column in columns]
    values = sums(*(smoother * each for each in there))
    tilted, flat = sums(moment * there[0], kernel * there[0])
    lines = (
        grid[enough],
        values[:, enough],
        ((s0 * tilted - s1 * flat) / determinant)[enough],
        np.sqrt(np.add.reduceat(smoother**2 / of_bin, first))[enough],
    )
    ends = np.searchsorted(some[enough], [0, *accumulate(one.size for one in grids)]).tolist()
    return [LocalLines(*(x[..., low:high] for x in lines)) for low, high in pairwise(ends)]


def _windows(
    every: Sequence[Bins], grids: Sequence[Array], halves_mm: Sequence[float]
) -> tuple[Places, Places]:
    """Return from which bin and to which each height's window goes, of all bins together."""
    found, before = [], 0
    for bins, grid, half_mm in zip(every, grids, halves_mm, strict=True):
        heights = bins.height_mm
        begin = heights.searchsorted(grid - half_mm)
        end = heights.searchsorted(grid + half_mm, side="right")
        found.append((begin + before, end + before))
        before += heights.size
    begins, ends = zip(*found, strict=True)
    return np.concatenate(begins), np.concatenate(ends)
