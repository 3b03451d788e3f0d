"""What holds for every load of a spring because of how it was measured, in words. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.analysis.curves.chain import FLEX_UNKNOWN_U_MM_PER_N
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.strokes.rig_stroke import ZERO_UNKNOWN_U_N
from coilbench.capture.strokes.sweep import Sweep


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
    if not all(rig.zero_known for rig in rigs):
        notes.append(
            "a stroke began without a zero of its own: the calibration's is taken, good to "
            f"{2 * ZERO_UNKNOWN_U_N:.0f} N (k = 2)"
        )
    return tuple(dict.fromkeys(notes))
