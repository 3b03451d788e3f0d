"""A height found in several strokes (first contact, coil bind), and how sure it is. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.budget import Budget
from coilbench.analysis.curves.chain import budget_lines
from coilbench.analysis.curves.sweep_fit import Look, SweepFit
from coilbench.analysis.curves.uncertainty import expanded, type_a


class Spot(NamedTuple):
    """A height found in one branch.

    Attributes:
        height_mm: where.
        se_mm: its standard error (k = 1) from the samples.
        n_per_mm: how steep the load runs through it: a load's error moves it so much less.
        shape_u_mm: standard uncertainty (k = 1) of what the place is, the same in all strokes.
    """

    height_mm: float
    se_mm: float
    n_per_mm: float
    shape_u_mm: float


class FoundHeight(NamedTuple):
    """A height and its expanded uncertainty, 95 %."""

    height_mm: float
    height_u_mm: float


def combine(spots: Sequence[tuple[Spot, SweepFit]], read_below_mm: float) -> FoundHeight | None:
    """Take the mean of what some strokes show, the rig's errors as in every load.

    Args:
        spots: one a stroke that shows it, from its loading branch.
        read_below_mm: how far below the spot the branch tells how the rig's errors move it.

    Returns:
        None where no stroke shows it.
    """
    if not spots:
        return None
    heights = [spot.height_mm for spot, _ in spots]
    noises = [math.hypot(spot.se_mm, fit.zero_u_n / spot.n_per_mm) for spot, fit in spots]
    looks = [
        (1.0 / (len(spots) * spot.n_per_mm), look)
        for spot, fit in spots
        if (look := _look(spot, fit, read_below_mm)) is not None
    ]
    rig_u_mm = Budget(tuple(budget_lines(looks))).combined_u_n
    shape_u_mm = float(np.mean([spot.shape_u_mm for spot, _ in spots]))
    u_mm = expanded(type_a(heights, noises), len(spots), math.hypot(rig_u_mm, shape_u_mm))
    return FoundHeight(float(np.mean(heights)), u_mm)


def _look(spot: Spot, fit: SweepFit, below_mm: float) -> Look | None:
    """Read the branch near the spot, as steep as the spot is."""
    if fit.loading is None:
        return None
    at_mm = max(spot.height_mm - below_mm, fit.loading.lowest_mm)
    look = fit.look("loading", at_mm)
    if look is None:
        return None
    steeper = spot.n_per_mm / look.slope_n_per_mm if look.slope_n_per_mm > 0.0 else 1.0
    return look._replace(slope_n_per_mm=spot.n_per_mm, by_lag=look.by_lag * steeper)
