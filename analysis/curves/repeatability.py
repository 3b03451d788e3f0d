"""How well one stroke repeats another, from all springs of a rig that were pressed twice. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.sweep_fit import SweepFit, fit_sweep
from coilbench.capture.strokes.rig_stroke import StrokeRepeat
from coilbench.capture.strokes.sweep import Sweep

LOOKS = 5  # heights between a tenth and nine tenths of the way: a shift shows at all of them


def seen_repeat(springs: Sequence[Sequence[Sweep]]) -> StrokeRepeat | None:
    """Pool how far the strokes of each spring stand apart, as a shift in height.

    Args:
        springs: the strokes of each spring.

    Returns:
        The pooled standard deviation of one stroke (each spring about its own mean); None where
        no spring was pressed twice.
    """
    squares, freedom = 0.0, 0
    for sweeps in springs:
        shifts = _shifts_mm(sweeps) if len(sweeps) > 1 else np.empty(0)
        if shifts.size > 1:
            squares += float(np.sum((shifts - shifts.mean()) ** 2))
            freedom += shifts.size - 1
    if not freedom:
        return None
    return StrokeRepeat(math.sqrt(squares / freedom), float(freedom), seen=True)


def _shifts_mm(sweeps: Sequence[Sweep]) -> Array:
    """How much higher each stroke pushes than the mean of all, shape (n,) or empty."""
    fits = [fit for sweep in sweeps if (fit := fit_sweep(sweep)) is not None]
    ends = np.array([end for fit in fits if (end := _ends_mm(fit)) is not None])
    if len(ends) < max(len(fits), 2):
        return np.empty(0)
    low, high = float(ends[:, 0].max()), float(ends[:, 1].min())
    heights = low + (high - low) * np.linspace(0.1, 0.9, LOOKS)
    looks = [[fit.look("both", float(height)) for height in heights] for fit in fits]
    loads = np.array([[look.load_n if look else np.nan for look in row] for row in looks])
    slopes = np.array([[look.slope_n_per_mm if look else np.nan for look in row] for row in looks])
    shifts = np.mean((loads - loads.mean(axis=0)) / slopes.mean(axis=0), axis=1)
    return shifts if np.isfinite(shifts).all() else np.empty(0)


def _ends_mm(fit: SweepFit) -> tuple[float, float] | None:
    """Between which heights both branches were measured."""
    if fit.loading is None or fit.unloading is None:
        return None
    return (
        max(fit.loading.lowest_mm, fit.unloading.lowest_mm),
        min(fit.loading.highest_mm, fit.unloading.highest_mm),
    )
