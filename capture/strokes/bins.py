"""A branch in fine bins of height, and the noise of its loads. Pure."""

from __future__ import annotations

from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, median
from coilbench.capture.strokes.branch import Branch

Array = NDArray[np.float64]

BIN_MM = 0.05  # width of a fine bin; a fifth of a grid step
MOST_BINS = 1 << 16  # that are counted, a hundred times those of a press; ours


class Bins(msgspec.Struct, frozen=True, eq=False, dict=True):
    """Means of fine bins of height, ascending, shape (b,) each; by_lag (b, 2), as in Branch.

    The weight is the number of samples, capped at the median bin's, so that a pause (many samples
    at one height, while the load creeps) weighs no more than moving on.
    """

    height_mm: Array
    load_n: Array
    weight: Array
    by_lag: Array

    def at(self, rows: NDArray[np.bool_]) -> Bins:
        """Return some of the bins."""
        columns = self.height_mm, self.load_n, self.weight, self.by_lag
        return Bins(*(column[rows] for column in columns))

    def between(self, low_mm: float, high_mm: float) -> Bins:
        """Return the bins whose mean height lies between two heights."""
        return self.at((self.height_mm >= low_mm) & (self.height_mm <= high_mm))

    @cached_property
    def noise_n(self) -> float:
        """Noise of a sample's load (standard deviation), whatever the curve's shape.

        Robust scale of each bin's departure from the line through its two neighbours, each over its
        own standard deviation for unit noise (Gasser, Sroka and Jennen-Steinmetz, Biometrika 73,
        1986, from memory; the robust scale is ours).
        """
        if self.load_n.size < 3:
            return 0.0
        height, load, variance = self.height_mm, self.load_n, 1.0 / self.weight
        left = (height[2:] - height[1:-1]) / (height[2:] - height[:-2])
        right = 1.0 - left
        departure = load[1:-1] - left * load[:-2] - right * load[2:]
        unit = variance[1:-1] + left**2 * variance[:-2] + right**2 * variance[2:]
        return ROBUST_SD_PER_MAD * median(np.abs(departure) / np.sqrt(unit))


def fine_bins(branch: Branch, width_mm: float = BIN_MM) -> Bins:
    """Average height and load in bins of height, ascending, empty bins left out; kept with it."""
    if (bins := branch.kept.get(width_mm)) is None:
        bins = branch.kept[width_mm] = _binned(branch, width_mm)
    return bins


def _binned(branch: Branch, width_mm: float) -> Bins:
    where = _numbered(np.floor(branch.height_mm / width_mm))
    count = np.bincount(where).astype(np.float64)
    height, load = (np.bincount(where, x) / count for x in (branch.height_mm, branch.load_n))
    by_lag = np.zeros((count.size, 2))
    if branch.by_lag is not None:
        for at, column in enumerate(branch.by_lag.T):
            by_lag[:, at] = np.bincount(where, column) / count
    weight = np.minimum(count, median(count)) if count.size else count
    return Bins(height, load, weight, by_lag)


def _numbered(bin_of: Array) -> NDArray[np.intp]:
    """Number those of some whole numbers, shape (n,), that are there from 0, ascending."""
    if not bin_of.size:
        return np.empty(0, np.intp)
    first, last = bin_of.min(), bin_of.max()
    if not last - first < MOST_BINS:  # or none of them is a number
        return np.unique(bin_of, return_inverse=True)[1]
    place = (bin_of - first).astype(np.intp)
    there = np.bincount(place) > 0
    return np.asarray((np.cumsum(there) - 1)[place])
