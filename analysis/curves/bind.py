"""Coil bind: where the local stiffness leaves the spring's own trend, and the solid height. Pure.

A press need not reach it, and with valve springs it should not: "not reached" is the usual answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.branches import Array, Bins, noise_n
from coilbench.analysis.curves.found_height import FoundHeight, Spot, combine
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.units import Units

# All of these are our choice, no source.
PRESSED_SHARE = 0.005  # of the largest load: from here the spring is touched
TREND = (0.15, 0.55)  # share of the pressed range, from the bottom, that shows the trend
BIND_TIMES = 3.0  # the local stiffness over the trend's at which coils touch
WALL_SHARE = 0.5  # the wall is where the local stiffness is at least this share of its largest
WALL_BINS = 10  # among so many bins from the bottom
FEWEST_BINS = 3
ONSET_SHARE = 0.3  # the load leaves the trend where the stiffness is so much above it
EXCESS_NOISES = 8.0  # and the load at the bottom is above the trend by so many times its noise
EXCESS_SHARE = 0.02  # and by so much of itself
WARN_MM = 2.0  # so near to solid the dashboard warns; common practice keeps 1 to 1.5 mm free


def find_solid_height(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean solid height of the dense sweeps that reached coil bind; None where none did."""
    found = [
        (solid, fit)
        for fit in fits
        if fit.loading_bins is not None and (solid := find_solid(fit.loading_bins)) is not None
    ]
    return combine(found, 0.0)


def find_solid(bins: Bins) -> Spot | None:
    """Find solid height: where the steep wall of touching coils crosses the spring's own trend.

    The trend is a parabola, so that a progressive spring keeps to it. Coils of a real spring
    touch one after the other: between where the stiffness leaves the trend and the crossing,
    solid height is a matter of definition, and counts as uncertain (a rectangle: /sqrt(12)).

    Args:
        bins: first passes of a dense sweep on its way down.

    Returns:
        None where the press did not reach coil bind (the usual case, and the safe one).
    """
    height, load = bins.height_mm, bins.load_n
    pressed = np.flatnonzero(load > PRESSED_SHARE * load.max(initial=0.0))
    if pressed.size < 10 * FEWEST_BINS:
        return None
    bottom, top = float(height[0]), float(height[pressed[-1]])
    low, high = (bottom + share * (top - bottom) for share in TREND)
    trend = _trend(height, load, (height >= low) & (height <= high))
    if trend is None:
        return None
    own = -np.polyval(np.polyder(trend), 0.5 * (height[1:] + height[:-1]))
    if own[0] <= 0.0:
        return None
    local = -np.diff(load) / np.diff(height)
    steep = _run(local >= np.maximum(BIND_TIMES * own, WALL_SHARE * local[:WALL_BINS].max()))
    if steep + 1 < FEWEST_BINS:
        return None
    wall_mm, wall_n = height[: steep + 1], load[: steep + 1]
    wall = np.polyfit(wall_mm, wall_n, 1)
    noise = noise_n(bins)
    excess_n = float(load[0] - np.polyval(trend, bottom))
    least_n = max(EXCESS_NOISES * noise, EXCESS_SHARE * float(load[0]))
    if -wall[0] < BIND_TIMES * own[0] or excess_n < least_n:
        return None
    crossing = _crossing(trend, wall, float(wall_mm[-1]))
    onset = float(height[_run(local >= (1.0 + ONSET_SHARE) * own)])
    steeper = float(-wall[0] - own[0])
    scatter = float(np.sqrt(np.mean((wall_n - np.polyval(wall, wall_mm)) ** 2)))
    return Spot(
        crossing,
        max(noise, scatter) / steeper / math.sqrt(wall_mm.size),
        steeper,
        max(onset - crossing, 0.0) / math.sqrt(12.0),
    )


def bind_warning(
    height_mm: float, solid_mm: float | None, solid_u_mm: float, units: Units
) -> str | None:
    """Say how far a running stroke is from the solid height that is expected.

    Args:
        height_mm: where the press is.
        solid_mm: expected solid height; None where none is known.
        solid_u_mm: its expanded uncertainty, 0 where it is not known.
        units: display units.

    Returns:
        Words without a full stop, in capitals where the press should stop; None where no solid
        height is known.
    """
    if solid_mm is None:
        return None
    left_mm = height_mm - solid_mm
    solid = units.length_text(solid_mm)
    if left_mm <= solid_u_mm:
        return f"STOP: at the expected solid height of {solid}"
    far = f"{units.length_text(left_mm)} to the expected solid height of {solid}"
    return f"STOP, NEAR COIL BIND: {far}" if left_mm <= WARN_MM + solid_u_mm else far


def _trend(height: Array, load: Array, chosen: NDArray[np.bool_]) -> Array | None:
    """Coefficients of a parabola, highest power first; None for too few bins."""
    if np.count_nonzero(chosen) < 3 * FEWEST_BINS:
        return None
    return np.polyfit(height[chosen], load[chosen], 2)


def _run(steep: NDArray[np.bool_]) -> int:
    """How many bins from the bottom are steep without a break."""
    return int(np.argmin(np.append(steep, False)))


def _crossing(trend: Array, wall: Array, begin_mm: float) -> float:
    """Height at which the wall meets the trend, by Newton's steps from the wall's top."""
    at = begin_mm
    between = np.polysub(trend, wall)
    for _ in range(5):
        at -= float(np.polyval(between, at) / np.polyval(np.polyder(between), at))
    return at
