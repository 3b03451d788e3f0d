"""Where a spring begins: the height of first contact, from the first loads of a stroke. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.branches import Array, Bins, noise_n
from coilbench.analysis.curves.found_height import FoundHeight, Spot, combine
from coilbench.analysis.curves.sweep_fit import SweepFit

# All of these are our choice, no source.
CONTACT_LOW = 0.005  # from this share of the largest load
CONTACT_BANDS = (0.02, 0.04, 0.08)  # to the first of these with enough samples: first contact
CONTACT_SHAPE_U_MM = 0.08  # k = 1, how far softly closing end coils can hide first contact
CONTACT_BELOW_MM = 1.0  # so far below it the rig's errors are read: there the spring pushes
NOISE_TIMES = 4.0  # loads below so many times the noise show nothing
CONTACT_FEWEST_BINS = 4
CONTACT_FEWEST_FOR_BEND = 8


def find_free_length(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean height of first contact of the dense sweeps; None where none shows it."""
    found = [
        (contact, fit)
        for fit in fits
        if fit.loading_bins is not None and (contact := find_contact(fit.loading_bins)) is not None
    ]
    return combine(found, CONTACT_BELOW_MM)


def find_contact(bins: Bins) -> Spot | None:
    """Find the height of zero load from the first few per cent of the load.

    Height is fitted over load in the first of CONTACT_BANDS that holds enough samples (by a
    parabola, for end coils that close are softer at first) and read at zero load.

    Args:
        bins: first passes of a dense sweep on its way down.

    Returns:
        None where the sweep begins above that band or has too few samples in it.
    """
    if bins.height_mm.size < CONTACT_FEWEST_BINS:
        return None
    largest_n = float(bins.load_n.max())
    noise = noise_n(bins)
    low_n = max(CONTACT_LOW * largest_n, NOISE_TIMES * noise)
    contact = None
    for share in CONTACT_BANDS:
        inside = _first_load(bins.load_n, low_n, share * largest_n)
        contact = _at_zero_load(bins.height_mm[inside], bins.load_n[inside], noise)
        if np.count_nonzero(inside) >= CONTACT_FEWEST_FOR_BEND:
            break
    return contact


def _first_load(load: Array, low_n: float, high_n: float) -> NDArray[np.bool_]:
    """Which bins lie on the first rise from low_n to high_n; none where the branch starts above.

    Walks up in height from the last bin above the band to the first one below it, so that noise
    above the free length stays outside.
    """
    above = np.flatnonzero(load > high_n)
    if load[-1] > high_n or above.size == 0:
        return np.zeros(load.size, dtype=np.bool_)
    inside: NDArray[np.bool_] = np.arange(load.size) > above[-1]
    inside &= np.cumsum(inside & (load < low_n)) == 0
    return inside


def _at_zero_load(height: Array, load: Array, noise: float) -> Spot | None:
    """Fit height over load, by a parabola where there are enough bins, and read it at zero.

    A few bins may lie on a line by luck: their scatter counts as at least the load's noise.
    """
    if load.size < CONTACT_FEWEST_BINS:
        return None
    degree = 2 if load.size >= CONTACT_FEWEST_FOR_BEND else 1
    scale = float(load.max())
    design = np.vander(load / scale, degree + 1, increasing=True)
    solution, _, rank, _ = np.linalg.lstsq(design, height)
    if rank <= degree or solution[1] == 0.0:
        return None
    residual = height - design @ solution
    mm_per_n = abs(float(solution[1])) / scale
    variance = float(residual @ residual) / max(load.size - degree - 1, 1)
    variance = max(variance, (noise * mm_per_n) ** 2)
    error = np.sqrt(variance * np.linalg.inv(design.T @ design)[0, 0])
    return Spot(float(solution[0]), float(error), 1.0 / mm_per_n, CONTACT_SHAPE_U_MM)
