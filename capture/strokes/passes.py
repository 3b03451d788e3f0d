"""A stroke's passes down and up. Pure.

A dense sweep's two directions are its first passes on the way down and its last passes on the way
up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, medians
from coilbench.capture.strokes.branch import Branch

Array = NDArray[np.float64]

MAX_SLACK_MM = 0.1  # jitter of a height never excuses going back further than this
JITTER_SDS = 3.0


class Passes(NamedTuple):
    """The samples of a dense sweep that belong to its two branches, both in time order."""

    loading: Branch
    unloading: Branch


def split_passes(loading: Branch, unloading: Branch) -> Passes:
    """Split a dense sweep at its deepest point; keep first passes down and last passes up.

    A pass back up (a wobbling hand, a double press) reads between the two branches where there
    is friction, so that only the first visit to a height counts on the way down and only the
    last on the way up. Going back by no more than the height's own jitter is no pass.
    """
    whole = chained([loading, unloading])
    whole = whole.at(np.isfinite(whole.height_mm) & np.isfinite(whole.load_n))
    if len(whole) == 0:
        return Passes(whole, whole)
    down, up = passing(whole.height_mm[None])
    return Passes(whole.at(down[0]), whole.at(up[0]))


def passing(height_mm: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which samples belong to the first pass down, and which to the last pass up.

    Args:
        height_mm: shape (k, n), n above 0: of one dense sweep, by k lags.

    Returns:
        Two of the shape of height_mm.
    """
    slack_mm = np.minimum(JITTER_SDS * _jitter_mm(height_mm), MAX_SLACK_MM)[:, None]
    deepest, at = height_mm.argmin(axis=1)[:, None], np.arange(height_mm.shape[1])
    so_far = np.minimum.accumulate(height_mm, axis=1)
    from_here = np.minimum.accumulate(height_mm[:, ::-1], axis=1)[:, ::-1]
    down = (at <= deepest) & (height_mm <= so_far + slack_mm)
    up = (at >= deepest) & (height_mm <= from_here + slack_mm)
    return down, up


def chained(branches: Sequence[Branch]) -> Branch:
    """Put the samples of some branches, one or more, behind each other."""
    by_lag = [branch.by_lag for branch in branches if branch.by_lag is not None]
    return Branch(
        np.concatenate([branch.height_mm for branch in branches]),
        np.concatenate([branch.load_n for branch in branches]),
        np.concatenate(by_lag) if len(by_lag) == len(branches) else None,
    )


def _jitter_mm(height_mm: Array) -> Array:
    """Noise of heights (standard deviation), shape (k,): robust scale of the second differences.

    A steady hand leaves none; of white noise they have a variance six times the noise's.
    """
    if height_mm.shape[1] < 5:
        return np.zeros(height_mm.shape[0])
    bend = np.diff(height_mm, 2)
    scale = ROBUST_SD_PER_MAD * medians(np.abs(bend - medians(bend)[:, None]))
    return np.asarray(scale / 6.0**0.5)
