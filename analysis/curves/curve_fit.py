"""A spring's curve fitted to its sweeps, with first contact and coil bind where they show. Pure.

First contact follows from the first loads of a stroke. Coil bind is where the local stiffness
leaves the spring's own trend; a press need not reach it, and with valve springs it should not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import BranchChoice, CurveNote, FoundHeight, SpringCurve
from coilbench.analysis.curves.load_budget import FLEX_UNKNOWN_U_MM_PER_N, budget_lines
from coilbench.analysis.curves.sweep_fit import (
    Array,
    Bins,
    Look,
    SweepFit,
    chained,
    fit_sweep,
    noise_n,
)
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.analysis.curves.wall import find_wall
from coilbench.capture.calibration.regression import value
from coilbench.capture.strokes.sweep import ZERO_UNKNOWN_U_N, RigReading, Sweep


class Spot(NamedTuple):
    """A height found in one branch.

    Attributes:
        se_mm: its standard error (k = 1) from the samples.
        n_per_mm: how steep the load runs through it: a load's error moves it so much less.
        shape_u_mm: standard uncertainty (k = 1) of what the place is, the same in all strokes.
    """

    height_mm: float
    se_mm: float
    n_per_mm: float
    shape_u_mm: float

    @staticmethod
    def combined(
        spots: Sequence[tuple[Spot, SweepFit]], read_below_mm: float
    ) -> FoundHeight | None:
        """Take the mean of what some strokes show, the rig's errors as in every load.

        Args:
            spots: one a stroke that shows it, from its loading branch.
            read_below_mm: how far below the spot the branch tells how the rig's errors move it.

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
        known = [
            BudgetLine(*each, "mm", 1.0)
            for each in (("rig", "B", rig_u_mm), ("shape", "B", shape_u_mm))
        ]
        u_mm = Budget((*known, *scatter_lines(heights, noises))).expanded_u_n
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


def _spots(
    fits: Sequence[SweepFit], find: Callable[[Bins], Spot | None]
) -> list[tuple[Spot, SweepFit]]:
    """What the ways down of the dense sweeps show, of those that show it."""
    found = [(find(fit.loading_bins), fit) for fit in fits if fit.loading_bins is not None]
    return [(spot, fit) for spot, fit in found if spot is not None]


def _find_solid_height(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean solid height of the dense sweeps that reached coil bind; None where none did."""
    return Spot.combined([(_smeared(*each), each[1]) for each in _spots(fits, _find_solid)], 0.0)


def _smeared(spot: Spot, fit: SweepFit) -> Spot:
    """Count in how far the press went while the filter took its mean."""
    bins = fit.loading_bins
    if fit.lag is None or bins is None:
        return spot
    speed_mm_per_s = abs(float(np.interp(spot.height_mm, bins.height_mm, bins.by_lag[:, 0])))
    smear_mm = speed_mm_per_s * math.sqrt(fit.lag.spread_s2)
    return spot._replace(shape_u_mm=max(spot.shape_u_mm, smear_mm))


def _find_solid(bins: Bins) -> Spot | None:
    """Find solid height: where the steep wall of touching coils crosses the spring's own trend.

    Coils of a real spring touch one after the other: solid height may lie as far below the
    crossing as the load began to leave the trend above it (a rectangle: /sqrt(3)). None where the
    press did not reach coil bind (the usual case, and the safe one).
    """
    wall = find_wall(bins)
    if wall is None:
        return None
    shape_u_mm = max(wall.onset_mm - wall.crossing_mm, 0.0) / math.sqrt(3.0)
    return Spot(wall.crossing_mm, wall.noise_n / wall.n_per_mm, wall.n_per_mm, shape_u_mm)


# All of these are our choice, no source.
CONTACT_LOW = 0.005  # from this share of the largest load
CONTACT_BANDS = (0.02, 0.04, 0.08)  # to the first of these with enough samples: first contact
CONTACT_SHAPE_U_MM = 0.08  # k = 1, how far softly closing end coils can hide first contact
CONTACT_BELOW_MM = 1.0  # below it the rig's errors are read, where the spring pushes
NOISE_TIMES = 4.0  # loads below this multiple of the noise are not used
CONTACT_FEWEST_BINS = 4
CONTACT_FEWEST_FOR_BEND = 8


def _find_free_length(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean height of first contact of the dense sweeps; None where none shows it."""
    return Spot.combined(_spots(fits, _find_contact), CONTACT_BELOW_MM)


def _find_contact(bins: Bins) -> Spot | None:
    """Find the height of zero load from the first few per cent of the load.

    Height is fitted over load in the first of CONTACT_BANDS that holds enough samples (by a
    parabola, for end coils that close are softer at first) and read at zero load. None where the
    sweep begins above that band or has too few samples in it.
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


BEYOND = 0.1  # of what the masses or gauges span: further is beyond them. Ours, no source
GIVEN_LENGTH_U_MM = 0.1  # k = 2, a caliper over ground ends; common practice, no source


def fit_curve(
    label: str,
    sweeps: Sequence[Sweep],
    branch: BranchChoice = "mean",
    free_length_mm: float | None = None,
    solid_height_mm: float | None = None,
) -> SpringCurve:
    """Make a spring's curve of its sweeps.

    Args:
        sweeps: its sweeps; those without a usable sample are passed over.
        free_length_mm: as measured by other means; used where no sweep shows first contact.
        solid_height_mm: as known by other means; comes before what the sweeps show.

    Raises:
        CoilbenchError: there is no usable sample of that branch.
    """
    sweeps, notes = _slow_enough(sweeps)
    fits = tuple(fit for sweep in sweeps if (fit := fit_sweep(sweep)) is not None)
    contact, bind = _find_free_length(fits), _find_solid_height(fits)
    free = contact
    if free is None and free_length_mm is not None:
        free = FoundHeight(free_length_mm, GIVEN_LENGTH_U_MM)
    if solid_height_mm is None and bind is not None:
        solid_height_mm = bind.height_mm
    return SpringCurve(
        label,
        branch,
        fits,
        _join_points(sweeps),
        None if free is None else free.height_mm,
        None if free is None else free.height_u_mm,
        solid_height_mm,
        (*notes, *_rig_caveats(fits)),
        contact,
        bind,
    )


def _slow_enough(sweeps: Sequence[Sweep]) -> tuple[Sequence[Sweep], tuple[CurveNote, ...]]:
    """Leave out strokes that the rig could not follow, unless there are no others."""
    slow = [sweep for sweep in sweeps if not sweep.too_fast]
    if len(slow) == len(sweeps):
        return sweeps, ()
    if not slow:
        return sweeps, (CurveNote("all strokes too fast"),)
    return slow, (CurveNote("fast strokes left out", strokes=len(sweeps) - len(slow)),)


def _rig_caveats(fits: Sequence[SweepFit]) -> tuple[CurveNote, ...]:
    """What the sweeps' instruments leave open, each once."""
    notes = [
        CurveNote("lag unknown", delay_s=fit.lag.delay_s, u=2.0 * fit.lag.delay_u_s)
        for fit in fits
        if fit.lag is not None and not fit.lag.known
    ]
    rigs = [fit.rig for fit in fits if fit.rig is not None]
    if any(rig.calibration.flex is None for rig in rigs):
        notes.append(CurveNote("flex unknown", u=2.0 * FLEX_UNKNOWN_U_MM_PER_N))
    notes += [note for fit in fits if fit.rig is not None for note in _beyond(fit, fit.rig)]
    if not all(rig.zero_known for rig in rigs):
        notes.append(CurveNote("zero unknown", u=2.0 * ZERO_UNKNOWN_U_N))
    return tuple(dict.fromkeys(notes))


def _beyond(fit: SweepFit, rig: RigReading) -> Iterator[CurveNote]:
    """Find where a sweep goes on beyond the masses or below the gauges of its calibration."""
    branches = [branch for branch in (fit.loading, fit.unloading) if branch is not None]
    load, travel = rig.calibration.load, rig.calibration.travel
    zero_n = float(value(load, rig.zero_counts))
    heaviest_n = float(value(load, [load.x_min, load.x_max]).max())
    largest_n = max(float(branch.load_n.max()) for branch in branches)
    if largest_n > (1.0 + BEYOND) * (heaviest_n - zero_n):
        yield CurveNote("beyond masses", load_n=heaviest_n)
    shortest_mm, longest_mm = np.sort(value(travel, [travel.x_min, travel.x_max]))
    reach_mm = shortest_mm - BEYOND * (longest_mm - shortest_mm)
    if min(branch.lowest_mm for branch in branches) < reach_mm:
        yield CurveNote("beyond gauges", height_mm=float(shortest_mm))


def _join_points(sweeps: Sequence[Sweep]) -> SweepFit | None:
    """Take the chosen points of several sweeps as one, with the mean of their uncertainties.

    None where fewer than two sweeps hold points.
    """
    pointed = [sweep for sweep in sweeps if not sweep.dense]
    if len(pointed) < 2:
        return None
    joined = replace(
        pointed[0],
        loading=chained([sweep.loading for sweep in pointed]),
        unloading=chained([sweep.unloading for sweep in pointed]),
        load_u_n=float(np.mean([sweep.load_u_n for sweep in pointed])),
        load_u_relative=float(np.mean([sweep.load_u_relative for sweep in pointed])),
        height_u_mm=float(np.mean([sweep.height_u_mm for sweep in pointed])),
    )
    return fit_sweep(joined)
