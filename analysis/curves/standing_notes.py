"""What holds for every load of a spring because of how it was measured, in words. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from coilbench.analysis.curves.chain import FLEX_UNKNOWN_U_MM_PER_N
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.calibration.regression import value
from coilbench.capture.strokes.rig_stroke import ZERO_UNKNOWN_U_N, RigReading
from coilbench.capture.strokes.sweep import Sweep

BEYOND = 0.1  # of what the masses or gauges span: so much further is worth a word. Ours, no source


def slow_enough(sweeps: Sequence[Sweep]) -> tuple[Sequence[Sweep], tuple[str, ...]]:
    """Leave out strokes that the rig could not follow, unless there are no others."""
    slow = [sweep for sweep in sweeps if not sweep.too_fast]
    if len(slow) == len(sweeps):
        return sweeps, ()
    if slow:
        left_out = len(sweeps) - len(slow)
        strokes = "1 stroke was" if left_out == 1 else f"{left_out} strokes were"
        return slow, (f"{strokes} too fast for the rig's conversions and left out",)
    return sweeps, ("all strokes were too fast for the rig's conversions: press more slowly",)


def standing_notes(fits: Sequence[SweepFit]) -> tuple[str, ...]:
    """What the sweeps' instruments leave open, each once."""
    notes = [fit.lag.note for fit in fits if fit.lag is not None and not fit.lag.known]
    rigs = [fit.rig for fit in fits if fit.rig is not None]
    if any(rig.calibration.flex is None for rig in rigs):
        notes.append(
            "how far the press gives was not measured: heights are unsure by "
            f"{2e3 * FLEX_UNKNOWN_U_MM_PER_N:.1f} mm at 1000 N (k = 2)"
        )
    notes += [note for fit in fits if fit.rig is not None for note in _beyond(fit, fit.rig)]
    if not all(rig.zero_known for rig in rigs):
        notes.append(
            "a stroke began without a zero of its own: the calibration's is taken, good to "
            f"{2 * ZERO_UNKNOWN_U_N:.0f} N (k = 2)"
        )
    return tuple(dict.fromkeys(notes))


def _beyond(fit: SweepFit, rig: RigReading) -> Iterator[str]:
    """Say where a sweep goes on beyond the masses or below the gauges of its calibration."""
    branches = [branch for branch in (fit.loading, fit.unloading) if branch is not None]
    load, travel = rig.calibration.load, rig.calibration.travel
    zero_n = float(value(load, rig.zero_counts))
    heaviest_n = float(value(load, [load.x_min, load.x_max]).max()) - zero_n
    if max(float(branch.load_n.max()) for branch in branches) > (1.0 + BEYOND) * heaviest_n:
        yield (
            f"loads above {heaviest_n:.0f} N are beyond the masses: the cell is taken to go on as "
            "it did below them"
        )
    shortest_mm, longest_mm = np.sort(value(travel, [travel.x_min, travel.x_max]))
    reach_mm = shortest_mm - BEYOND * (longest_mm - shortest_mm)
    if min(branch.lowest_mm for branch in branches) < reach_mm:
        yield (
            f"heights below {shortest_mm:.1f} mm are beyond the gauges: the scale is taken to go "
            "on as it did above them"
        )
