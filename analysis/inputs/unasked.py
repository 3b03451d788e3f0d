"""At which heights a set is judged where none is asked for."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from coilbench.analysis.curves.between import SAME_MM
from coilbench.analysis.curves.curve import SpringCurve

# The default heights keep this far from the ends of what was measured; near the free length a
# small error of height is a large share of the load.
TOP_SHARE, BOTTOM_SHARE = 0.4, 0.15
MOST_SHARE = 0.5  # of the springs that were read at one height, to judge the set there; ours


def default_heights_mm(curves: Sequence[SpringCurve]) -> tuple[float, ...]:
    """Return two heights to judge a set at, the higher one first; none where there are none.

    Of springs that were read at chosen heights, those where most were: elsewhere their loads are
    less sure. Else two inside what every spring was measured over.
    """
    if not any(sweep.dense for curve in curves for sweep in curve.sweeps):
        read = _read_by_most(curves)
        if len(read) > 1:
            return read[-1], read[0]
    low = max(curve.lowest_mm for curve in curves)
    tops = [curve.highest_mm for curve in curves]
    tops += [c.free_length_mm for c in curves if c.free_length_mm is not None]
    span = min(tops) - low
    if span <= 0:
        return ()
    return round(min(tops) - TOP_SHARE * span, 1), round(low + BOTTOM_SHARE * span, 1)


def _read_by_most(curves: Sequence[SpringCurve]) -> list[float]:
    """Return where springs were read, low to high, without where few were."""
    read = sorted(
        (height_mm, curve.label)
        for curve in curves
        for sweep in curve.sweeps
        for fit in (sweep.loading, sweep.unloading)
        if fit is not None
        for height_mm in fit.height_mm.tolist()
    )
    groups: list[list[tuple[float, str]]] = []
    for one in read:
        if not groups or one[0] - groups[-1][-1][0] > SAME_MM:
            groups.append([])
        groups[-1].append(one)
    springs = [len({label for _, label in group}) for group in groups]
    return [
        round(statistics.median(height_mm for height_mm, _ in group), 2)
        for group, many in zip(groups, springs, strict=True)
        if many >= MOST_SHARE * max(springs)
    ]
