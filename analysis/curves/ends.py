"""Where a spring begins and where it ends: first contact and coil bind, from a dense branch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.branches import Array, fine_bins, noise_n
from coilbench.analysis.curves.passes import split_passes
from coilbench.analysis.curves.uncertainty import expanded, type_a
from coilbench.capture.strokes.sweep import Branch, Sweep

# All of these are our choice, no source.
BIN_MM = 0.05
CONTACT_LOW = 0.005  # from this share of the largest load
CONTACT_BANDS = (0.02, 0.04, 0.08)  # to the first of these with enough samples: first contact
CONTACT_SHAPE_U_MM = 0.08  # k = 1, how far softly closing end coils can hide first contact
NOISE_TIMES = 4.0  # loads below so many times the noise show nothing
CONTACT_FEWEST_BINS = 4
CONTACT_FEWEST_FOR_BEND = 8
BIND_TREND = (0.15, 0.45)  # share of the pressed range, from the bottom, that shows the trend
BIND_TIMES = 3.0  # the local rate over the trend's at which coils touch
BIND_WALL_SHARE = 0.5  # the wall is where the local rate is at least this share of its largest
BIND_WALL_BINS = 10  # among so many bins from the bottom
BIND_FEWEST_BINS = 3


class Contact(NamedTuple):
    """Height of first contact, its standard error (k = 1), and its shift per newton of zero."""

    height_mm: float
    se_mm: float
    mm_per_n: float


class FreeLength(NamedTuple):
    """A free length and its expanded uncertainty, k = 2."""

    length_mm: float
    length_u_mm: float


def find_free_length(sweeps: Sequence[Sweep]) -> FreeLength | None:
    """Mean height of first contact of the dense sweeps; None where none shows it."""
    dense = [sweep for sweep in sweeps if sweep.dense]
    found = [
        (contact, sweep)
        for sweep in dense
        if (contact := find_contact(split_passes(sweep).loading)) is not None
    ]
    if not found:
        return None
    heights = [contact.height_mm for contact, _ in found]
    scatter = type_a(heights, [contact.se_mm for contact, _ in found])
    instrument = [
        math.hypot(sweep.height_u_mm, sweep.load_u_n * contact.mm_per_n, CONTACT_SHAPE_U_MM)
        for contact, sweep in found
    ]
    return FreeLength(
        float(np.mean(heights)), expanded(scatter, len(found), float(np.mean(instrument)))
    )


def find_solid_height_mm(sweeps: Sequence[Sweep]) -> float | None:
    """Median height of coil bind of the dense sweeps that reached it; None where none did."""
    found = [find_solid_mm(split_passes(sweep).loading) for sweep in sweeps if sweep.dense]
    heights = [height for height in found if height is not None]
    return float(np.median(heights)) if heights else None


def find_contact(loading: Branch) -> Contact | None:
    """Find the height of zero load from the first few per cent of the load.

    Height is fitted over load in the first of CONTACT_BANDS that holds enough samples (by a
    parabola, for end coils that close are softer at first) and read at zero load.

    Args:
        loading: first passes of a dense sweep.

    Returns:
        None where the sweep begins above that band or has too few samples in it.
    """
    bins = fine_bins(loading, BIN_MM)
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


def _at_zero_load(height: Array, load: Array, noise: float) -> Contact | None:
    """Fit height over load, by a parabola where there are enough bins, and read it at zero.

    A few bins may lie on a line by luck: their scatter counts as at least the load's noise.
    """
    if load.size < CONTACT_FEWEST_BINS:
        return None
    degree = 2 if load.size >= CONTACT_FEWEST_FOR_BEND else 1
    scale = float(load.max())
    design = np.vander(load / scale, degree + 1, increasing=True)
    solution, _, rank, _ = np.linalg.lstsq(design, height)
    if rank <= degree:
        return None
    residual = height - design @ solution
    mm_per_n = abs(float(solution[1])) / scale
    variance = float(residual @ residual) / max(load.size - degree - 1, 1)
    variance = max(variance, (noise * mm_per_n) ** 2)
    error = np.sqrt(variance * np.linalg.inv(design.T @ design)[0, 0])
    return Contact(float(solution[0]), float(error), mm_per_n)


def find_solid_mm(loading: Branch) -> float | None:
    """Find solid height: where the steep line of touching coils crosses the spring's own trend.

    Args:
        loading: first passes of a dense sweep.

    Returns:
        None where the press did not reach coil bind (the usual case, and the safe one).
    """
    bins = fine_bins(loading, BIN_MM)
    height, load = bins.height_mm, bins.load_n
    pressed = np.flatnonzero(load > CONTACT_LOW * load.max(initial=0.0))
    if pressed.size < 10 * BIND_FEWEST_BINS:
        return None
    bottom, top = float(height[0]), float(height[pressed[-1]])
    low, high = (bottom + share * (top - bottom) for share in BIND_TREND)
    trend = _line(height, load, (height >= low) & (height <= high))
    if trend is None or trend[0] >= 0.0:
        return None
    local = -np.diff(load) / np.diff(height)
    least = max(BIND_TIMES * -trend[0], BIND_WALL_SHARE * float(local[:BIND_WALL_BINS].max()))
    steep = int(np.argmin(np.append(local >= least, False)))  # so many bins from the bottom
    wall = _line(height, load, np.arange(height.size) <= steep)
    if wall is None or wall[0] >= BIND_TIMES * trend[0]:
        return None
    return float((trend[1] - wall[1]) / (wall[0] - trend[0]))


def _line(height: Array, load: Array, chosen: NDArray[np.bool_]) -> tuple[float, float] | None:
    """Slope and intercept of load over height; None for fewer than BIND_FEWEST_BINS."""
    if np.count_nonzero(chosen) < BIND_FEWEST_BINS:
        return None
    slope, intercept = np.polyfit(height[chosen], load[chosen], 1)
    return float(slope), float(intercept)
