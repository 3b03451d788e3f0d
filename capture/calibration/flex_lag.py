"""The load's lag in a press on a solid block, in samples, and the travel without it. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.lag import averaged

Array = NDArray[np.float64]

# Our choice, no source.
FEWEST_SAMPLES = 60  # fewer are readings one by one, or show no course in time
LONGEST_SAMPLES = 8.0  # twice the four conversions in which such a converter settles
STEP_SAMPLES = 0.25
GAIN = 0.7  # the loop must shrink to less than this, or it is the frame's friction
LOADS = 12  # where up and down are compared


class Undelayed(NamedTuple):
    """Heights that belong to the loads, and the samples they hold for.

    Attributes:
        height_mm: shape (n,), by the travel averaged as the load is.
        used: shape (n,), those whose whole average lies on the block.
        lag_samples: how far the load came behind, 0 where that could not be told.
    """

    height_mm: Array
    used: NDArray[np.bool_]
    lag_samples: float


def undo_sample_lag(
    load_n: Array, height_mm: Array, rising: NDArray[np.bool_], used: NDArray[np.bool_]
) -> Undelayed:
    """Find the delay at which load and travel make the thinnest loop, and undo it.

    The points of a press follow each other as the rig samples, so that a delay is a number of
    samples. A frame's friction makes a loop as well, which no delay takes away.

    Args:
        load_n, height_mm: shape (n,), in the order of time.
        rising: shape (n,), load going up; one change of direction.
        used: shape (n,), samples on the block.
    """
    as_read = Undelayed(height_mm, used, 0.0)
    in_order = np.count_nonzero(np.diff(rising.astype(np.int8))) == 1 and rising[0]
    if load_n.size < FEWEST_SAMPLES or not in_order:
        return as_read
    lags = np.arange(0.0, LONGEST_SAMPLES + STEP_SAMPLES, STEP_SAMPLES)
    tries = [_delayed(height_mm, used, float(lag)) for lag in lags]
    loops = np.array([_loop_mm(load_n, one.height_mm, rising, one.used) for one in tries])
    if not math.isfinite(loops[0]) or not np.isfinite(loops).any():
        return as_read
    best = int(np.nanargmin(loops))
    return tries[best] if loops[best] < GAIN * loops[0] else as_read


def _delayed(height_mm: Array, used: NDArray[np.bool_], lag: float) -> Undelayed:
    number = np.arange(height_mm.size, dtype=np.float64)
    height = averaged(number, height_mm, lag, lag**2 / 3.0) if lag > 0.0 else height_mm
    reach = math.ceil(2.0 * lag)
    earlier = np.concatenate([np.zeros(reach, np.bool_), used[: used.size - reach]])
    return Undelayed(height, used & earlier, lag)


def _loop_mm(
    load_n: Array, height_mm: Array, rising: NDArray[np.bool_], used: NDArray[np.bool_]
) -> float:
    """Root mean square of up less down at the same loads; NaN where they share none."""
    up, down = used & rising, used & ~rising
    if min(np.count_nonzero(up), np.count_nonzero(down)) < LOADS:
        return math.nan
    low = max(load_n[up].min(), load_n[down].min())
    high = min(load_n[up].max(), load_n[down].max())
    if high <= low:
        return math.nan
    at = low + (high - low) * np.linspace(0.1, 0.9, LOADS)

    def course(rows: NDArray[np.bool_]) -> Array:
        order = np.argsort(load_n[rows], kind="stable")
        along = np.interp(at, load_n[rows][order], height_mm[rows][order])
        return np.asarray(along, dtype=np.float64)

    return float(np.sqrt(np.mean((course(up) - course(down)) ** 2)))
