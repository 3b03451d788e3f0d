"""Readings at chosen heights pooled into one curve: repeats averaged, straight lines between. Pure.

All of a spring's readings, keyed in one run or several, or out of files, are readings of one
curve: none is averaged with a line through others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Sweep

Array = NDArray[np.float64]

SAME_HEIGHT_SDS = 2.0  # heights nearer than their expanded uncertainty (k = 2) are one height
SLOPE_SPAN_MM = 3.0  # ours: between nearer heights, the readings' scatter hides the rate
EDGE_MM = 1e-6  # a height so near the end of a branch is inside it: inches do not round evenly
OUTSIDE_MM = 1.5  # how far outside the heights read a load is read: as tried, see BEND_SHARE


class PointReading(NamedTuple):
    """One reading: of which sweep, and its stated standard uncertainty (k = 1) where it has one."""

    height_mm: float
    load_n: float
    sweep: Sweep
    stated_u_n: float | None = None


Weighted = tuple[tuple[float, PointReading], ...]


class Between(NamedTuple):
    """What a load may be off since it lies between two heights that were read.

    Attributes:
        u_n: standard uncertainty, k = 1.
        gap_mm: the two heights: the same error, by another factor, is in all loads between them.
        bent_n: what to add to the straight line, as the set's other springs bend.
        shared: whether the set's other springs have the same error.
    """

    u_n: float
    gap_mm: tuple[float, ...]
    bent_n: float = 0.0
    shared: bool = True

    @classmethod
    def mean(cls, each: Sequence[Between]) -> Between:
        """Of some branches, in which the spring bends alike."""
        gaps_mm, count = dict.fromkeys(one.gap_mm for one in each), len(each)
        u_n, bent_n = sum(one.u_n for one in each), sum(one.bent_n for one in each)
        alike = all(one.shared for one in each)
        return cls(u_n / count, sum(gaps_mm, ()), bent_n / count, alike)


class Extension(NamedTuple):
    """How far outside the heights read, and the rate at which the line goes on."""

    away_mm: float
    rate_n_per_mm: float


class Points(msgspec.Struct, frozen=True):
    """One way's readings as nodes, ascending in height; a node has all readings of one height.

    Attributes:
        height_mm, load_n: each node's means, shape (m,). On a straight line the mean of the loads
            is the load at the mean of the heights.
        readings: those of each node.
    """

    height_mm: Array
    load_n: Array
    readings: tuple[tuple[PointReading, ...], ...]

    @classmethod
    def pooled(cls, readings: Sequence[PointReading]) -> Points | None:
        """Pool readings; None where there is none."""
        nodes: list[list[PointReading]] = []
        for one in sorted(readings, key=lambda each: each.height_mm):
            if nodes and _same_height(nodes[-1], one):
                nodes[-1].append(one)
            else:
                nodes.append([one])
        if not nodes:
            return None
        heights_mm = np.array([fmean([one.height_mm for one in node]) for node in nodes])
        loads_n = np.array([fmean([one.load_n for one in node]) for node in nodes])
        return cls(heights_mm, loads_n, tuple(tuple(node) for node in nodes))

    def covers(self, height_mm: float) -> bool:
        """Whether a height lies between the lowest and the highest that was read, ends included."""
        least_mm, most_mm = self.readings[0][0].height_mm, self.readings[-1][-1].height_mm
        return least_mm - EDGE_MM <= height_mm <= most_mm + EDGE_MM

    def outside_mm(self, height_mm: float) -> float:
        """How far a height lies outside all that were read; 0 inside."""
        least_mm, most_mm = self.readings[0][0].height_mm, self.readings[-1][-1].height_mm
        return 0.0 if self.covers(height_mm) else max(least_mm - height_mm, height_mm - most_mm)

    def rates(self) -> Array:
        """Rate at each node, the steeper side's, shape (m,); 0 for a lone one, which has none."""
        down, up = (self._rates_to(self._far(step)) for step in (-1, 1))
        steeper = np.fmax(down, up)
        return np.where(np.isnan(steeper), 0.0, steeper)

    def _far(self, step: int) -> NDArray[np.intp]:
        """Of each node the nearest one at least SLOPE_SPAN_MM away on one side, else the last."""
        aims_mm = self.height_mm + step * SLOPE_SPAN_MM
        if step > 0:
            return np.minimum(np.searchsorted(self.height_mm, aims_mm), self.height_mm.size - 1)
        return np.maximum(np.searchsorted(self.height_mm, aims_mm, side="right") - 1, 0)

    def _rates_to(self, others: NDArray[np.intp]) -> Array:
        """Rate between each node and another; NaN where that is the node itself."""
        spans_mm = self.height_mm[others] - self.height_mm
        drops_n, none = self.load_n - self.load_n[others], np.full_like(spans_mm, np.nan)
        return np.divide(drops_n, spans_mm, out=none, where=spans_mm != 0.0)

    def extension(self, height_mm: float) -> Extension | None:
        """How a height a little outside is reached; None where it is inside, or too far away."""
        bottom = abs(height_mm - self.height_mm[0]) < abs(height_mm - self.height_mm[-1])
        at, step = (0, 1) if bottom else (self.height_mm.size - 1, -1)
        away_mm = -step * (height_mm - float(self.height_mm[at]))
        if away_mm <= EDGE_MM or self.outside_mm(height_mm) > OUTSIDE_MM + EDGE_MM:
            return None
        base = self._far(step)[at]
        span_mm = float(self.height_mm[base] - self.height_mm[at])
        if abs(span_mm) < SLOPE_SPAN_MM:
            return None
        return Extension(away_mm, float(self.load_n[at] - self.load_n[base]) / span_mm)

    def weights(self, height_mm: float) -> Array:
        """Weights of the nodes whose loads add up to the load at a height, shape (m,).

        Between two nodes, or a little outside along the line through the last one and the nearest
        at least SLOPE_SPAN_MM from it.
        """
        share = np.zeros_like(self.height_mm)
        if (found := self.extension(height_mm)) is None:
            above = int(np.searchsorted(self.height_mm, height_mm))
            low, high = max(above - 1, 0), min(above, share.size - 1)
            gap_mm = float(self.height_mm[high] - self.height_mm[low])
            part = (height_mm - float(self.height_mm[low])) / gap_mm if gap_mm > 0.0 else 0.0
            share[low] += 1.0 - part
            share[high] += part
            return share
        at, step = (0, 1) if height_mm < self.height_mm[0] else (share.size - 1, -1)
        base = self._far(step)[at]
        part = found.away_mm / abs(float(self.height_mm[base] - self.height_mm[at]))
        share[at], share[base] = 1.0 + part, -part
        return share

    def weighted(self, height_mm: float, share: float = 1.0) -> Weighted:
        """Return each reading with its weight in the load at a height, times a share."""
        weights = self.weights(height_mm)
        return tuple(
            (share * float(weights[at]) / len(self.readings[at]), one)
            for at in np.flatnonzero(weights)
            for one in self.readings[at]
        )


def _same_height(node: Sequence[PointReading], one: PointReading) -> bool:
    """Whether a reading repeats those of a node: heights within their uncertainty of each other.

    Not where one run has both heights: they were meant to be two.
    """
    near = one.height_mm - node[0].height_mm <= SAME_HEIGHT_SDS * one.sweep.height_u_mm + EDGE_MM
    meant = any(x.sweep is one.sweep and one.height_mm - x.height_mm > EDGE_MM for x in node)
    return near and not meant


def readings_of(sweeps: Sequence[Sweep], *, loading: bool) -> list[PointReading]:
    """Return the finite readings of one way of some sweeps of chosen points, in their order."""
    found: list[PointReading] = []
    for sweep in sweeps:
        branch: Branch = sweep.loading if loading else sweep.unloading
        stated: Sequence[float | None] = [None] * len(branch)
        if sweep.stated_u_n is not None:
            stated = sweep.stated_u_n[0 if loading else 1]
        read = zip(branch.height_mm.tolist(), branch.load_n.tolist(), stated, strict=True)
        found += [
            PointReading(height_mm, load_n, sweep, u_n)
            for height_mm, load_n, u_n in read
            if math.isfinite(height_mm) and math.isfinite(load_n)
        ]
    return found
