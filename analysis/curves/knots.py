"""Heights between which a course, or the mean of some, is straight. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.sweep_fit import WAYS, Side, SweepFit
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.strokes.bins import Array


def knots(sweep: SweepFit, side: Side) -> Array:
    """Heights between which load_n is straight, ascending; none of a side not measured."""
    fits = [fit for fit in sweep.fits(side) if fit is not None]
    if len(fits) < len(WAYS[side]):
        return np.empty(0)
    full_mm, share = sweep.full_loop
    at = distinct(np.concatenate([[full_mm], *(fit.height_mm for fit in fits)]))
    low_mm, high_mm = max(f.lowest_mm for f in fits), min(f.highest_mm for f in fits)
    at = at[(at >= low_mm) & (at <= high_mm)]
    down, up = (np.interp(at, fit.height_mm, fit.load_n) for fit in (fits[0], fits[-1]))
    # as SweepFit.read has it: taken off where it is above 0
    missing_n = 0.5 * share * (down + up) - (down - up)
    begins = np.flatnonzero(missing_n[1:] * missing_n[:-1] < 0.0)
    part = missing_n[begins] / (missing_n[begins] - missing_n[begins + 1])
    return np.sort(np.append(at, at[begins] + part * np.diff(at)[begins]))


def shared_knots(each: Sequence[Array]) -> Array:
    """Return the heights between which the mean of some courses is straight, each by its own."""
    if not each or not all(own.size for own in each):
        return np.empty(0)
    every = distinct(np.concatenate(each))
    low_mm, high_mm = max(own[0] for own in each), min(own[-1] for own in each)
    return np.asarray(every[(every >= low_mm) & (every <= high_mm)])
