"""How well one stroke repeats another, from all springs of a rig that were pressed twice. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.sweep_fit import SweepFit, fit_sweep
from coilbench.capture.strokes.rig_stroke import StrokeRepeat
from coilbench.capture.strokes.sweep import Sweep

LOOKS = 12  # heights between both ends of what was measured: a shift shows at all of them
PRESSED_SHARE = 0.2  # of the largest load there: below it the end coils close, above it is air


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
    heights = low + (high - low) * np.linspace(0.05, 0.95, LOOKS)
    looks = [[fit.look("both", float(height)) for height in heights] for fit in fits]
    loads = np.array([[look.load_n if look else np.nan for look in row] for row in looks])
    slopes = np.array([[look.slope_n_per_mm if look else np.nan for look in row] for row in looks])
    load, slope = loads.mean(axis=0), slopes.mean(axis=0)
    whole = np.isfinite(load) & (slope > 0.0)
    if not whole.any():
        return np.empty(0)
    pressed = whole & (load >= PRESSED_SHARE * load[whole].max())
    return np.asarray(np.mean(((loads - load)[:, pressed] / slope[pressed]), axis=1))


def _ends_mm(fit: SweepFit) -> tuple[float, float] | None:
    """Between which heights both branches were measured."""
    if fit.loading is None or fit.unloading is None:
        return None
    return (
        max(fit.loading.lowest_mm, fit.unloading.lowest_mm),
        min(fit.loading.highest_mm, fit.unloading.highest_mm),
    )
