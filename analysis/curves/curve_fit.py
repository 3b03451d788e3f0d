"""A spring's curve fitted to its sweeps, with what their instruments leave open. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from coilbench.analysis.curves.curve import BranchChoice, CurveNote, SpringCurve
from coilbench.analysis.curves.ends import find_contact, find_solid_height
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.load_budget import FLEX_UNKNOWN_U_MM_PER_N
from coilbench.analysis.curves.passes import fit_points, fit_sweep
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.analysis.curves.wall import judge_coils
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.strokes.sweep import ZERO_UNKNOWN_U_N, RigReading, Sweep
from coilbench.capture.tables.spring_lines import CALIPER_U_MM

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
    dense = [fit_sweep(sweep) for sweep in sweeps if sweep.dense]
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
