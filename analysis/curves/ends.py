"""Where a spring begins to push, and where its coils are solid, as its strokes show. Pure.

First contact follows from the first loads of a stroke and the air above them. Coil bind is where
the load leaves the spring's own trend; a press need not reach it, and with valve springs it should
not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.lengths import FoundHeight, SoftStart
from coilbench.analysis.curves.load_budget import budget_lines
from coilbench.analysis.curves.sweep_fit import HeightReading, SweepFit
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.analysis.curves.wall import find_wall
from coilbench.capture.strokes.bins import Array, Bins, noise_n
from coilbench.capture.strokes.sweep import ZERO_UNKNOWN_U_N


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
        readings = [
            (1.0 / (len(spots) * spot.n_per_mm), reading)
            for spot, fit in spots
            if (reading := _read_near(spot, fit, read_below_mm)) is not None
        ]
        rig_u_mm = Budget(tuple(budget_lines(readings))).combined_u_n
        shape_u_mm = float(np.mean([spot.shape_u_mm for spot, _ in spots]))
        known = BudgetLine("rig_and_shape", "B", math.hypot(rig_u_mm, shape_u_mm), "mm", 1.0)
        u_mm = Budget((known, *scatter_lines(heights, noises))).expanded_u_n
        return FoundHeight(float(np.mean(heights)), u_mm)


def _read_near(spot: Spot, fit: SweepFit, below_mm: float) -> HeightReading | None:
    """Read the branch near the spot, as steep as the spot is."""
    if fit.loading is None:
        return None
    at_mm = max(spot.height_mm - below_mm, fit.loading.lowest_mm)
    reading = fit.read("loading", at_mm)
    if reading is None:
        return None
    steeper = spot.n_per_mm / reading.slope_n_per_mm if reading.slope_n_per_mm > 0.0 else 1.0
    return reading._replace(slope_n_per_mm=spot.n_per_mm, by_lag=reading.by_lag * steeper)


def _spots(
    fits: Sequence[SweepFit], find: Callable[[Bins, float], Spot | None]
) -> list[tuple[Spot, SweepFit]]:
    """What the ways down of the dense sweeps show, of those that show it."""
    spots = []
    for fit in fits:
        spread_s2 = 0.0 if fit.lag is None else fit.lag.spread_s2
        spot = None if fit.loading_bins is None else find(fit.loading_bins, spread_s2)
        spots += [] if spot is None else [(spot, fit)]
    return spots


def find_solid_height(fits: Sequence[SweepFit]) -> FoundHeight | None:
    """Mean solid height of the dense sweeps that reached coil bind; None where none did."""
    return Spot.combined(_spots(fits, _find_solid), 0.0)


def _find_solid(bins: Bins, spread_s2: float = 0.0) -> Spot | None:
    """Find solid height: where the steep wall of touching coils crosses the spring's own trend.

    Coils of a real spring touch one after the other: solid height may lie as far below the
    crossing as the load began to leave the trend above it (a rectangle: /sqrt(3)); and how far the
    press went while the filter took its mean counts too. None where the press did not reach coil
    bind (the usual case, and the safe one).
    """
    wall = find_wall(bins)
    if wall is None:
        return None
    speed_mm_per_s = abs(float(np.interp(wall.crossing_mm, bins.height_mm, bins.by_lag[:, 0])))
    smear_mm = speed_mm_per_s * math.sqrt(spread_s2)
    shape_u_mm = max((wall.onset_mm - wall.crossing_mm) / math.sqrt(3.0), smear_mm)
    return Spot(wall.crossing_mm, wall.noise_n / wall.n_per_mm, wall.n_per_mm, shape_u_mm)


# All of these are our choice, no source.
CONTACT_BANDS = (0.02, 0.04, 0.08)  # of the largest load; to the first with enough loaded samples
FEWEST_LOADED = 3  # bins in the band that are beyond noise
FEWEST_BINS = 4  # with the air above it
LOADED_NOISES = 4.0  # beyond noise is a load above this multiple of it
AIR_MM = 2.0  # above the first load beyond noise, where the zero is seen and contact looked for
STEP_MM = 0.02
LEAST_WINDOW_MM = 1e-3
# How the first load may rise with the depth: 1 is a straight spring, 2 an end turn that closes
# evenly (its stiffness rises from none in proportion to the depth), 3 a softer one
POWERS = np.array([1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0])
CONTACT_SHAPE_U_MM = 0.08  # k = 1, how far no such law is the spring's
LOST_SHARE = 0.08  # of what is lost over turns that close softly: the same
CONTACT_BELOW_MM = 1.0  # below it the rig's errors are read, where the spring pushes


def find_contact(fits: Sequence[SweepFit]) -> tuple[FoundHeight | None, SoftStart | None]:
    """Find first contact in the dense sweeps, and whether the first turns close softly.

    None where no sweep shows it; and where the spring pushes as its course does from the first.
    """
    spots = [
        # what rests on the spring has pressed it already
        (spot._replace(height_mm=spot.height_mm + fit.rests_n / spot.n_per_mm), fit)
        for spot, fit in _spots(fits, _find_contact)
    ]
    lost = [_lost(spot.height_mm, fit) for spot, fit in spots]
    known = [each for each in lost if each is not None]
    soft = SoftStart(*np.median(known, axis=0).tolist()) if known else None
    more_mm = 0.0 if soft is None else LOST_SHARE * max(soft.lost_mm, 0.0)
    shape_u_mm = math.hypot(CONTACT_SHAPE_U_MM, more_mm)
    spots = [(spot._replace(shape_u_mm=shape_u_mm), fit) for spot, fit in spots]
    found = Spot.combined(spots, CONTACT_BELOW_MM)
    if found is None or soft is None or soft.lost_mm <= max(SOFT_MM, found.height_u_mm):
        return found, None
    return found, soft


def _find_contact(bins: Bins, spread_s2: float = 0.0) -> Spot | None:
    """Find the height from which the load rises, in the first of CONTACT_BANDS with enough in it.

    Below contact the load is taken to rise as a power of the depth, above it to be a zero of its
    own, and the filter to show the mean over its window, of the variance spread_s2. Heights and
    POWERS are weighed by their likelihood, each beforehand as likely as another, the noise known,
    but widened where no power suits: contact is their mean, its standard error their deviation.
    None where the sweep begins above the band or has too few samples in it.
    """
    largest_n, noise = float(bins.load_n.max(initial=0.0)), noise_n(bins)
    noise = max(noise, 1e-4 * largest_n)
    for share in CONTACT_BANDS:
        above = np.flatnonzero(bins.load_n > share * largest_n)
        begin = int(above[-1]) + 1 if above.size else bins.load_n.size
        loaded = begin + np.flatnonzero(bins.load_n[begin:] > LOADED_NOISES * noise)
        if loaded.size >= FEWEST_LOADED:
            break
    if not loaded.size:
        return None
    highest_mm = float(bins.height_mm[loaded[-1]]) + AIR_MM
    inside = bins.between(float(bins.height_mm[begin]), highest_mm)
    if inside.height_mm.size < FEWEST_BINS:
        return None
    at_mm = np.arange(inside.height_mm[0] + STEP_MM, highest_mm, STEP_MM)
    likely, n_per_mm = _weighed(inside, at_mm, noise, math.sqrt(3.0 * spread_s2))
    if not np.all(np.isfinite(likely)):
        return None  # no load rises with depth
    height_mm = float(at_mm @ likely)
    deviation_mm = math.sqrt(float((at_mm - height_mm) ** 2 @ likely) + STEP_MM**2 / 12.0)
    return Spot(height_mm, deviation_mm, float(n_per_mm @ likely), CONTACT_SHAPE_U_MM)


def _weighed(bins: Bins, at_mm: Array, noise: float, half_s: float) -> tuple[Array, Array]:
    """How likely contact is at each height, shape (k,), and how steep the first load then is.

    Of each height and power the scale and the zero are the best ones; the zero is known beforehand
    to ZERO_UNKNOWN_U_N.
    """
    load, weight = bins.load_n, bins.weight
    half_mm = np.maximum(np.abs(bins.by_lag[:, 0]) * half_s, LEAST_WINDOW_MM)
    depth = at_mm[:, None] - bins.height_mm
    more = POWERS[:, None, None] + 1.0  # law: (powers, heights, bins)
    low, high = (np.maximum(depth + way * half_mm, 1e-9) for way in (-1.0, 1.0))
    law = (np.exp(more * np.log(high)) - np.exp(more * np.log(low))) / (2.0 * half_mm * more)
    own, mixed = law**2 @ weight, law @ weight
    ones = float(weight.sum()) + (noise / ZERO_UNKNOWN_U_N) ** 2
    on_law, on_ones = law @ (weight * load), float(weight @ load)
    determinant = np.maximum(own * ones - mixed**2, 1e-300)
    scale = (on_law * ones - on_ones * mixed) / determinant
    zero = (own * on_ones - mixed * on_law) / determinant
    left = float(weight @ load**2) - scale * on_law - zero * on_ones
    left /= noise**2
    least = float(np.min(left, initial=np.inf, where=scale > 0.0))
    widened = max(least / max(load.size - 3, 1), 1.0)
    likely = np.where(scale > 0.0, np.exp(-0.5 * np.maximum(left - least, 0.0) / widened), 0.0)
    likely /= likely.sum()
    steep = (likely * scale * law[:, :, 0]).sum(axis=0) / np.maximum(depth[:, 0], STEP_MM)
    return likely.sum(axis=0), steep / np.maximum(likely.sum(axis=0), 1e-300)


# All of these are our choice, no source.
CLOSED_SHARE = 0.9  # of the stiffness so much further down: from here on the turns are closed
FURTHER_MM = 3.0
SOFT_MM = 0.4  # a spring that loses less to its first turns begins as most do


def _lost(contact_mm: float, fit: SweepFit) -> tuple[float, float] | None:
    """Where the first turns are closed, and how much more depth they took than closed ones would.

    None where the sweep does not reach far enough to tell.
    """
    course = fit.loading
    if course is None or course.lowest_mm > contact_mm - 2.0 * FURTHER_MM:
        return None
    stiffness = course.slope_n_per_mm
    further = np.interp(course.height_mm - FURTHER_MM, course.height_mm, stiffness)
    looked = (course.height_mm < contact_mm) & (course.height_mm - FURTHER_MM > course.lowest_mm)
    closed = np.flatnonzero(looked & (stiffness >= CLOSED_SHARE * further) & (further > 0.0))
    if not closed.size:
        return None
    at = int(closed[-1])
    closed_mm = float(course.height_mm[at])
    straight_mm = closed_mm + float(course.load_n[at] / further[at])
    return closed_mm, contact_mm - straight_mm
