"""A dense sweep's two directions: first passes on the way down, last passes on the way up."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.capture.strokes.sweep import Branch, Sweep

MAX_SLACK_MM = 0.1  # jitter of a height never excuses going back further than this
JITTER_SDS = 3.0


class Passes(NamedTuple):
    """The samples of a dense sweep that belong to its two branches, both in time order."""

    loading: Branch
    unloading: Branch


def split_passes(sweep: Sweep) -> Passes:
    """Split a dense sweep at its deepest point; keep first passes down and last passes up.

    A pass back up (a wobbling hand, a double press) reads between the two branches where there
    is friction, so that only the first visit to a height counts on the way down and only the
    last on the way up. Going back by no more than the height's own jitter is no pass.
    """
    whole = _joined(sweep.loading, sweep.unloading)
    whole = whole.at(np.isfinite(whole.height_mm) & np.isfinite(whole.load_n))
    height = whole.height_mm
    if height.size == 0:
        return Passes(whole, whole)
    slack_mm = min(JITTER_SDS * jitter_mm(height), MAX_SLACK_MM)
    deepest = int(np.argmin(height))
    down, up = slice(0, deepest + 1), slice(deepest, None)
    first = height[down] <= np.minimum.accumulate(height[down]) + slack_mm
    last = height[up] <= np.minimum.accumulate(height[up][::-1])[::-1] + slack_mm
    return Passes(whole.at(down).at(first), whole.at(up).at(last))


def _joined(one: Branch, other: Branch) -> Branch:
    by_lag = None
    if one.by_lag is not None and other.by_lag is not None:
        by_lag = np.concatenate([one.by_lag, other.by_lag])
    return Branch(
        np.concatenate([one.height_mm, other.height_mm]),
        np.concatenate([one.load_n, other.load_n]),
        by_lag,
    )


def jitter_mm(height_mm: Array) -> float:
    """Noise of a height (standard deviation): robust scale of the second differences.

    A steady hand leaves none; of white noise they have a variance six times the noise's.
    """
    if height_mm.size < 5:
        return 0.0
    bend = np.diff(height_mm, 2)
    scale = 1.4826 * float(np.median(np.abs(bend - np.median(bend))))
    return float(scale / 6.0**0.5)
