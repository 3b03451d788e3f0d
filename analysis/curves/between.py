"""What springs do between heights read, as the set's more densely read ones show. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.sweep_fit import WAYS, BranchFit, SweepFit
from coilbench.capture.strokes.bins import Array

# All of these are our choice, no source.
INSIDE = np.linspace(0.2, 0.8, 7)  # of a gap: nearer to its ends noise would be taken for a bend
COVERED_SHARE = 0.9  # of the gap, over which another spring was read at least
WIDEST_SHARE = 0.5  # of the gap: what another spring leaves unread inside it is no more
TRUST = 1.25  # springs of a set bend alike within a quarter
LEAST_BEND = 0.05  # and no two of them more alike than this


def with_set_shape(curves: Sequence[SpringCurve]) -> tuple[SpringCurve, ...]:
    """Take what springs do between their chosen heights from the set's more densely read ones.

    A gap that no other spring was read inside of keeps what coil springs do.

    Args:
        curves: a set's.
    """
    return tuple(_told(curve, [one for one in curves if one is not curve]) for curve in curves)


def _told(curve: SpringCurve, others: Sequence[SpringCurve]) -> SpringCurve:
    if all(sweep.dense for sweep in curve.sweeps):
        return curve
    reads = [sweep for one in others for sweep in (*one.sweeps, one.joined) if sweep is not None]
    joined = None if curve.joined is None else _bent(curve.joined, reads)
    return replace(curve, sweeps=tuple(_bent(each, reads) for each in curve.sweeps), joined=joined)


def _bent(sweep: SweepFit, reads: Sequence[SweepFit]) -> SweepFit:
    if sweep.dense:
        return sweep
    ways = zip(sweep.fits("both"), WAYS["both"], strict=True)
    down, up = (_with_bends(fit, [read.fits(way)[0] for read in reads]) for fit, way in ways)
    return replace(sweep, loading=down, unloading=up)


def _with_bends(fit: BranchFit | None, others: Sequence[BranchFit | None]) -> BranchFit | None:
    if fit is None:
        return None
    bend = fit.bend.copy()
    for at, (low_mm, high_mm) in enumerate(pairwise(fit.height_mm.tolist())):
        seen = [_seen_bend(other, low_mm, high_mm) for other in others if other is not None]
        known = [each for each in seen if each is not None]
        bend[at] = TRUST * max(known) + LEAST_BEND if known else bend[at]
    return fit._replace(bend=bend)


def _seen_bend(other: BranchFit, low_mm: float, high_mm: float) -> float | None:
    """By how much another spring departs from a straight line, as BranchFit.bend counts it."""
    gap_mm = high_mm - low_mm
    low_mm, high_mm = max(low_mm, other.lowest_mm), min(high_mm, other.highest_mm)
    if high_mm - low_mm < COVERED_SHARE * gap_mm:
        return None
    inside = other.height_mm[(other.height_mm > low_mm) & (other.height_mm < high_mm)]
    widest_mm = float(np.diff(inside, prepend=low_mm, append=high_mm).max())
    if widest_mm > WIDEST_SHARE * gap_mm:
        return None
    ends = other.load_at(low_mm), other.load_at(high_mm)
    heights: Array = low_mm + INSIDE * (high_mm - low_mm)
    loads = np.interp(heights, other.height_mm, other.load_n)
    away = np.abs(loads - np.interp(heights, (low_mm, high_mm), ends))
    drop_n = abs(ends[0] - ends[1])
    return float(np.max(away / (INSIDE * (1.0 - INSIDE)))) / drop_n if drop_n > 0.0 else None
