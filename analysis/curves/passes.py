"""A dense sweep's two directions: first passes on the way down, last passes on the way up."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.capture.sweep import Branch, Sweep

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
    height = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    load = np.concatenate([sweep.loading.load_n, sweep.unloading.load_n])
    finite = np.isfinite(height) & np.isfinite(load)
    height, load = height[finite], load[finite]
    if height.size == 0:
        return Passes(Branch(height, load), Branch(height, load))
    slack_mm = min(JITTER_SDS * jitter_mm(height), MAX_SLACK_MM)
    deepest = int(np.argmin(height))
    down, up = slice(0, deepest + 1), slice(deepest, None)
    first = height[down] <= np.minimum.accumulate(height[down]) + slack_mm
    last = height[up] <= np.minimum.accumulate(height[up][::-1])[::-1] + slack_mm
    return Passes(
        Branch(height[down][first], load[down][first]), Branch(height[up][last], load[up][last])
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
