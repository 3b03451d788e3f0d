"""Straight lines fitted in a moving window over height. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def local_grid(lowest_mm: float, highest_mm: float, step_mm: float, edge_mm: float) -> Array:
    """Return every multiple of a step inside two heights, not at their edge, and both ends."""
    first, last = np.ceil(lowest_mm / step_mm), np.floor(highest_mm / step_mm)
    inner = np.arange(first, last + 1.0) * step_mm
    inner = inner[(inner > lowest_mm + edge_mm) & (inner < highest_mm - edge_mm)]
    return np.concatenate([[lowest_mm], inner, [highest_mm]])


def local_lines(
    height_mm: Array, load_n: Array, weight: Array, grid: Array, half_mm: float
) -> tuple[Array, Array, Array]:
    """Weighted straight line around every grid height (Epanechnikov weights).

    Returns load and slope at the grid heights, shape (g,), NaN where the window holds fewer than
    three bins, and the smoother's matrix, shape (g, bins): load = smoother @ load_n.
    """
    away = height_mm[None, :] - grid[:, None]
    kernel = np.clip(1.0 - (away / half_mm) ** 2, 0.0, None) * weight
    moment = kernel * away
    s0, s1, s2 = kernel.sum(1), moment.sum(1), (moment * away).sum(1)
    determinant = s0 * s2 - s1**2
    enough = (np.count_nonzero(kernel, axis=1) >= 3) & (determinant > 1e-9 * s0**2 * half_mm**2)
    determinant = np.where(enough, determinant, np.nan)
    smoother = (s2 / determinant)[:, None] * kernel - (s1 / determinant)[:, None] * moment
    tilt_n = (s0 * (moment @ load_n) - s1 * (kernel @ load_n)) / determinant
    return smoother @ load_n, tilt_n, smoother
