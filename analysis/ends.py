"""Where a spring begins and where it ends: first contact and coil bind, from a dense branch."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from coilbench.analysis.branches import Array, fine_bins
from coilbench.capture.sweep import Branch

# All of these are our choice, no source.
BIN_MM = 0.05
CONTACT_BAND = (0.005, 0.08)  # share of the largest load whose samples show where it began
CONTACT_FEWEST_BINS = 4
CONTACT_FEWEST_FOR_BEND = 8
BIND_TREND = (0.15, 0.45)  # share of the pressed range, from the bottom, that shows the trend
BIND_TIMES = 3.0  # the local rate over the trend's at which coils touch
BIND_FEWEST_BINS = 3


class Contact(NamedTuple):
    """Height of first contact, its standard error (k = 1), and its shift per newton of zero."""

    height_mm: float
    se_mm: float
    mm_per_n: float


def find_contact(loading: Branch) -> Contact | None:
    """Find the height of zero load from the first few per cent of the load.

    Height is fitted over load in CONTACT_BAND (a parabola where there are enough samples, for end
    coils that close are softer at first) and read at zero load.

    Args:
        loading: first passes of a dense sweep.

    Returns:
        None where the sweep begins above that band or has too few samples in it.
    """
    bins = fine_bins(loading, BIN_MM)
    if bins.height_mm.size < CONTACT_FEWEST_BINS:
        return None
    low_n, high_n = (share * float(bins.load_n.max()) for share in CONTACT_BAND)
    if low_n <= 0.0 or bins.load_n[-1] > high_n:
        return None
    # from the last bin at or above the band down: noise above the free length stays outside
    below = int(np.flatnonzero(bins.load_n > high_n)[-1]) + 1
    inside = np.arange(bins.load_n.size) >= below
    inside &= np.cumsum(inside & (bins.load_n < low_n)) == 0
    load, height = bins.load_n[inside], bins.height_mm[inside]
    if load.size < CONTACT_FEWEST_BINS:
        return None
    degree = 2 if load.size >= CONTACT_FEWEST_FOR_BEND else 1
    design = np.vander(load / high_n, degree + 1, increasing=True)
    solution, _, rank, _ = np.linalg.lstsq(design, height)
    if rank <= degree:
        return None
    residual = height - design @ solution
    variance = float(residual @ residual) / max(load.size - degree - 1, 1)
    covariance = variance * np.linalg.inv(design.T @ design)
    slope = abs(float(solution[1])) / high_n
    return Contact(float(solution[0]), float(np.sqrt(covariance[0, 0])), slope)


def find_solid_mm(loading: Branch) -> float | None:
    """Find solid height: where the steep line of touching coils crosses the spring's own trend.

    Args:
        loading: first passes of a dense sweep.

    Returns:
        None where the press did not reach coil bind (the usual case, and the safe one).
    """
    bins = fine_bins(loading, BIN_MM)
    height, load = bins.height_mm, bins.load_n
    pressed = np.flatnonzero(load > CONTACT_BAND[0] * load.max(initial=0.0))
    if pressed.size < 10 * BIND_FEWEST_BINS:
        return None
    bottom, top = float(height[0]), float(height[pressed[-1]])
    low, high = (bottom + share * (top - bottom) for share in BIND_TREND)
    trend = _line(height, load, (height >= low) & (height <= high))
    if trend is None or trend[0] >= 0.0:
        return None
    local = -np.diff(load) / np.diff(height)
    steep = int(np.argmin(np.append(local > BIND_TIMES * -trend[0], False)))
    wall = _line(height, load, np.arange(height.size) <= steep) if steep else None
    if steep + 1 < BIND_FEWEST_BINS or wall is None or wall[0] >= BIND_TIMES * trend[0]:
        return None
    return float((trend[1] - wall[1]) / (wall[0] - trend[0]))


def _line(height: Array, load: Array, chosen: np.ndarray) -> tuple[float, float] | None:
    """Slope and intercept of load over height; None for fewer than BIND_FEWEST_BINS."""
    if np.count_nonzero(chosen) < BIND_FEWEST_BINS:
        return None
    slope, intercept = np.polyfit(height[chosen], load[chosen], 1)
    return float(slope), float(intercept)
