"""What springs do between heights read, as the set's more densely read ones show. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.hand_budget import own_point_u_n
from coilbench.analysis.curves.points import EDGE_MM
from coilbench.analysis.curves.sweep_fit import BEND_SHARE, WAYS, BranchFit, SweepFit, Way
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.bins import Array

# All of these are our choice, no source.
INSIDE = np.linspace(0.2, 0.8, 13)  # of a gap: nearer to its ends noise would be taken for a bend
COVERED_SHARE = 0.9  # of the gap, over which another spring was read at least
WIDEST_SHARE = 0.65  # of the gap: what another spring leaves unread inside it is no more
UNLIKE = 0.25  # springs of a set bend alike within a quarter
LEAST_BEND = 0.05  # and no two of them more alike than this
SAME_MM = 0.3  # heights nearer than this were meant to be one


class _Other(NamedTuple):
    """One way of another spring's sweep, and the sweep it is of."""

    fit: BranchFit
    sweep: SweepFit
    way: Way


class _Seen(NamedTuple):
    """A bend as BranchFit.bent counts it: its noise (k = 1), and what it leaves unread."""

    bent: float
    noise: float
    unread: float


def with_set_shape(curves: Sequence[SpringCurve]) -> tuple[SpringCurve, ...]:
    """Take what springs do between their chosen heights from the set's more densely read ones.

    A gap that no other spring was read inside of keeps the straight line and what coil springs do.
    Where the others were not read at the same heights, what is left unsure is each spring's own.

    Args:
        curves: a set's.
    """
    return tuple(_told(curve, [one for one in curves if one is not curve]) for curve in curves)


def _told(curve: SpringCurve, others: Sequence[SpringCurve]) -> SpringCurve:
    if all(sweep.dense for sweep in curve.sweeps):
        return curve
    reads = [sweep for one in others for sweep in one.sweeps]
    return replace(curve, sweeps=tuple(_bent(each, reads) for each in curve.sweeps))


def _bent(sweep: SweepFit, reads: Sequence[SweepFit]) -> SweepFit:
    if sweep.dense:
        return sweep
    down, up = (
        _with_bends(fit, [_Other(own, one, way) for one in reads for own in one.fits(way) if own])
        for fit, way in zip(sweep.fits("both"), WAYS["both"], strict=True)
    )
    return replace(sweep, loading=down, unloading=up)


def _with_bends(fit: BranchFit | None, others: Sequence[_Other]) -> BranchFit | None:
    if fit is None:
        return None
    bend, bent, alike = fit.bend.copy(), fit.bent.copy(), fit.alike.copy()
    for at, (low_mm, high_mm) in enumerate(pairwise(fit.height_mm.tolist())):
        known = [seen for one in others if (seen := _seen_bend(one, low_mm, high_mm)) is not None]
        if known:
            bent[at], bend[at] = _together(known)
        alike[at] = all(_has_gap(one, low_mm, high_mm) for one in others)
    lowest_mm, highest_mm = fit.lowest_mm, fit.highest_mm
    alike[-1] = all(
        not one.sweep.dense
        and one.fit.lowest_mm > lowest_mm - SAME_MM
        and one.fit.highest_mm < highest_mm + SAME_MM
        for one in others
    )
    return fit._replace(bend=bend, bent=bent, alike=alike)


def _together(known: Sequence[_Seen]) -> tuple[float, float]:
    """Return by how much a spring bends as others do, and the half-width of what is left open."""
    each = np.array(known)
    bent = median(each[:, 0])
    apart, unread = float(np.max(np.abs(each[:, 0] - bent))), float(np.min(each[:, 2]))
    noise = 3.0**0.5 * float(np.sqrt(np.mean(each[:, 1] ** 2) / len(known)))
    left = UNLIKE * abs(bent) + LEAST_BEND + BEND_SHARE * unread
    return bent, float(np.hypot(np.hypot(left, apart), noise))


def _has_gap(other: _Other, low_mm: float, high_mm: float) -> bool:
    """Whether another spring was read at both ends of a gap, and not inside it."""
    inside = other.fit.height_mm[
        (other.fit.height_mm > low_mm - SAME_MM) & (other.fit.height_mm < high_mm + SAME_MM)
    ]
    return inside.size == 2 and bool(np.all(np.abs(inside - (low_mm, high_mm)) < SAME_MM))


def _seen_bend(other: _Other, low_mm: float, high_mm: float) -> _Seen | None:
    """By how much another spring departs from a straight line, as BranchFit.bent counts it."""
    fit, gap_mm = other.fit, high_mm - low_mm
    low_mm, high_mm = max(low_mm, fit.lowest_mm), min(high_mm, fit.highest_mm)
    if high_mm - low_mm < COVERED_SHARE * gap_mm:
        return None
    inside = fit.height_mm[(fit.height_mm > low_mm + EDGE_MM) & (fit.height_mm < high_mm - EDGE_MM)]
    widest_mm = float(np.diff(inside, prepend=low_mm, append=high_mm).max())
    if widest_mm > WIDEST_SHARE * gap_mm:
        return None
    ends = fit.load_at(low_mm), fit.load_at(high_mm)
    heights: Array = low_mm + INSIDE * (high_mm - low_mm)
    loads = np.interp(heights, fit.height_mm, fit.load_n)
    shape = INSIDE * (1.0 - INSIDE)
    away = (loads - np.interp(heights, (low_mm, high_mm), ends)) / shape
    drop_n = abs(ends[0] - ends[1])
    if drop_n <= 0.0:
        return None
    most = int(np.argmax(np.abs(away)))
    noise_n = _noise_n(other, float(heights[most])) / float(shape[most])
    unread = 0.0 if other.sweep.dense else widest_mm / gap_mm
    return _Seen(float(away[most]) / drop_n, noise_n / drop_n, unread)


def _noise_n(other: _Other, height_mm: float) -> float:
    """What a reading and the line it is held against are off, k = 1, each end half."""
    rate = other.fit.slope_at(height_mm)
    own_n = [own_point_u_n(way.weighted(height_mm), rate) for way in other.sweep.points(other.way)]
    return float(1.5**0.5 * max(own_n, default=other.fit.read_at(height_mm).load_se_n))
