"""A spring's curve fitted to its sweeps, with what their instruments leave open. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.lengths import FoundHeight, SoftStart
from coilbench.analysis.curves.load_budget import FLEX_UNKNOWN_U_MM_PER_N, budget_lines
from coilbench.analysis.curves.passes import fit_points, fit_sweeps
from coilbench.analysis.curves.readings import CurveNote
from coilbench.analysis.curves.sweep_fit import HeightReading, SweepFit
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.analysis.curves.wall import find_wall, judge_coils
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.statistics import medians
from coilbench.capture.strokes.bins import Array, Bins
from coilbench.capture.strokes.sweep import ZERO_UNKNOWN_U_N, RigReading, Sweep
from coilbench.capture.tables.spring_lines import CALIPER_U_MM

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
_QUARTERS = np.rint(4.0 * np.diff(POWERS)).tolist()  # from each to the next
CONTACT_SHAPE_U_MM = 0.08  # k = 1, how far no such law is the spring's
LOST_SHARE = 0.08  # of what is lost over turns that close softly: the same
CONTACT_BELOW_MM = 1.0  # below it the rig's errors are read, where the spring pushes
# All of these are our choice, no source.
CLOSED_SHARE = 0.9  # of the stiffness so much further down: from here on the turns are closed
FURTHER_MM = 3.0
SOFT_MM = 0.4  # a spring that loses less to its first turns begins as most do

BEYOND = 0.1  # of what the masses or gauges span: further is beyond them. Ours, no source
GIVEN_LENGTH_U_MM = 2.0 * CALIPER_U_MM  # k = 2, where no step is stated


def fit_curve(
    label: str,
    sweeps: Sequence[Sweep],
    branch: BranchChoice = "mean",
    free_length_mm: float | None = None,
    solid_height_mm: float | None = None,
    *,
    by_hand: FoundHeight | None = None,
    solid_u_mm: float | None = None,
    registered_solid_mm: float | None = None,
) -> SpringCurve:
    """Make a spring's curve of its sweeps.

    Args:
        sweeps: its sweeps; those without a usable sample are passed over.
        free_length_mm: as the set was registered; used where nothing of this spring's own is known.
        solid_height_mm: of this spring, by other means; comes before what the sweeps show.
        by_hand: this spring's own free length by caliper; used where no sweep shows first contact.
        solid_u_mm: expanded uncertainty, k = 2, of solid_height_mm; None where none is stated.
        registered_solid_mm: of the set; used where nothing of this spring's own is known.

    Raises:
        CoilbenchError: there is no usable sample of that branch.
    """
    sweeps, notes = _slow_enough(sweeps)
    dense = fit_sweeps([sweep for sweep in sweeps if sweep.dense])
    pointed = [sweep for sweep in sweeps if not sweep.dense]
    pooled = fit_points(pointed) if pointed else None
    fits = tuple(fit for fit in (*dense, pooled) if fit is not None)
    contact, soft = find_contact(fits)
    bind = find_solid_height(fits)
    free = by_hand if contact is None else contact
    if free is None and free_length_mm is not None:
        free = FoundHeight(free_length_mm, GIVEN_LENGTH_U_MM)
    if solid_height_mm is None and bind is not None:
        solid_height_mm, solid_u_mm = bind
    registered = solid_height_mm is None and registered_solid_mm is not None
    return SpringCurve(
        label,
        branch,
        fits,
        None if free is None else free.height_mm,
        None if free is None else free.height_u_mm,
        registered_solid_mm if registered else solid_height_mm,
        judge_coils(fits),
        (*notes, *_rig_caveats(fits), *_slips(pointed)),
        contact,
        bind,
        soft,
        by_hand,
        solid_u_mm,
        registered,
    )


def _slow_enough(sweeps: Sequence[Sweep]) -> tuple[Sequence[Sweep], tuple[CurveNote, ...]]:
    """Leave out strokes that the rig could not follow, unless there are no others."""
    slow = [sweep for sweep in sweeps if not sweep.too_fast]
    if len(slow) == len(sweeps):
        return sweeps, ()
    if not slow:
        return sweeps, (CurveNote("all_strokes_too_fast"),)
    return slow, (CurveNote("fast_strokes_left_out", strokes=len(sweeps) - len(slow)),)


def _slips(pointed: Sequence[Sweep]) -> tuple[CurveNote, ...]:
    repeats = (sweep.point_repeat for sweep in pointed if sweep.point_repeat is not None)
    found = dict.fromkeys(apart for repeat in repeats for apart in repeat.apart)
    return tuple(
        CurveNote("repeats_apart", height_mm=one.height_mm, load_n=one.apart_n) for one in found
    )


def _rig_caveats(fits: Sequence[SweepFit]) -> tuple[CurveNote, ...]:
    """What the sweeps' instruments leave open, each once."""
    notes = [
        CurveNote("lag_unknown", delay_s=fit.lag.delay_s, u=2.0 * fit.lag.delay_u_s)
        for fit in fits
        if fit.lag is not None and not fit.lag.known
    ]
    notes += [CurveNote("few_samples", side=fit.sparse) for fit in fits if fit.sparse is not None]
    rigs = [fit.rig for fit in fits if fit.rig is not None]
    if any(rig.calibration.flex is None for rig in rigs):
        notes.append(CurveNote("flex_unknown", u=2.0 * FLEX_UNKNOWN_U_MM_PER_N))
    notes += [note for fit in fits if fit.rig is not None for note in _beyond(fit, fit.rig)]
    if not all(rig.zero_known for rig in rigs):
        notes.append(CurveNote("zero_unknown", u=2.0 * ZERO_UNKNOWN_U_N))
    return tuple(dict.fromkeys(notes))


def _beyond(fit: SweepFit, rig: RigReading) -> Iterator[CurveNote]:
    """Find where a sweep goes on beyond the masses or below the gauges of its calibration."""
    branches = [branch for branch in (fit.loading, fit.unloading) if branch is not None]
    load, travel = rig.calibration.load, rig.calibration.travel
    zero_n = float(value(load, rig.zero_counts))
    heaviest_n = float(value(load, [load.x_min, load.x_max]).max())
    largest_n = max(float(branch.load_n.max()) for branch in branches)
    if largest_n > (1.0 + BEYOND) * (heaviest_n - zero_n):
        yield CurveNote("beyond_masses", load_n=heaviest_n)
    shortest_mm, longest_mm = np.sort(value(travel, [travel.x_min, travel.x_max]))
    reach_mm = shortest_mm - BEYOND * (longest_mm - shortest_mm)
    if min(branch.lowest_mm for branch in branches) < reach_mm:
        yield CurveNote("beyond_gauges", height_mm=float(shortest_mm))


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
    soft = SoftStart(*medians(np.array(known).T).tolist()) if known else None
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
    largest_n, noise = float(bins.load_n.max(initial=0.0)), bins.noise_n
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
    law = _raised(high)
    law -= _raised(low)
    law /= 2.0 * half_mm * more
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


def _raised(depth: Array) -> Array:
    """Raise depths, shape (k, b), to one more than each of POWERS; shape (powers, k, b)."""
    quarter = np.sqrt(np.sqrt(depth))  # a power takes 20 times as long as a product
    found = np.empty((POWERS.size, *depth.shape))
    np.multiply(depth, depth, out=found[0])
    for at, quarters in enumerate(_QUARTERS):
        np.multiply(found[at], quarter**quarters, out=found[at + 1])
    return found


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
