"""Coil bind: where the local stiffness leaves the spring's own trend, and the solid height. Pure.

A press need not reach it, and with valve springs it should not: "not reached" is the usual answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.branches import Bins
from coilbench.analysis.curves.found_height import FoundHeight, Spot, combine
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.analysis.curves.wall import find_wall
from coilbench.capture.units import Units

WARN_MM = 2.0  # so near to solid the dashboard warns; common practice keeps 1 to 1.5 mm free


def find_solid_height(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean solid height of the dense sweeps that reached coil bind; None where none did."""
    found = [
        (_smeared(solid, fit), fit)
        for fit in fits
        if fit.loading_bins is not None and (solid := find_solid(fit.loading_bins)) is not None
    ]
    return combine(found, 0.0)


def _smeared(spot: Spot, fit: SweepFit) -> Spot:
    """Count in how far the press went while the filter took its mean."""
    bins = fit.loading_bins
    if fit.lag is None or bins is None:
        return spot
    speed_mm_per_s = abs(float(np.interp(spot.height_mm, bins.height_mm, bins.by_lag[:, 0])))
    smear_mm = speed_mm_per_s * math.sqrt(fit.lag.spread_s2)
    return spot._replace(shape_u_mm=max(spot.shape_u_mm, smear_mm))


def find_solid(bins: Bins) -> Spot | None:
    """Find solid height: where the steep wall of touching coils crosses the spring's own trend.

    Coils of a real spring touch one after the other: solid height may lie as far below the
    crossing as the load began to leave the trend above it (a rectangle: /sqrt(3)).

    Args:
        bins: first passes of a dense sweep on its way down.

    Returns:
        None where the press did not reach coil bind (the usual case, and the safe one).
    """
    wall = find_wall(bins)
    if wall is None:
        return None
    shape_u_mm = max(wall.onset_mm - wall.crossing_mm, 0.0) / math.sqrt(3.0)
    return Spot(wall.crossing_mm, wall.noise_n / wall.n_per_mm, wall.n_per_mm, shape_u_mm)


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
