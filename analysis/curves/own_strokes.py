"""Whether a spring's own strokes lie apart by far more than the other springs' do. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.capture.calibration.statistics import median

# Ours, no source: how far strokes lie apart is known from a few springs only.
APART_TIMES, APART_SHARE = 8.0, 0.004  # so many times as far as the others', of the load
FEWEST_FOR_MEDIAN = 3  # of fewer others the worst is what all are held to


class StrokesApart(msgspec.Struct, frozen=True):
    """How far a spring's strokes lie apart where they do the most, and the other springs' do.

    Attributes:
        apart_n: between the highest and the lowest, at this height.
        apart_share, others_share: of the load.
    """

    label: str
    strokes: int
    height_mm: float
    apart_n: float
    apart_share: float
    others_share: float


def strokes_apart(
    curves: Iterable[SpringCurve], heights_mm: Sequence[float]
) -> tuple[StrokesApart, ...]:
    """Name springs whose strokes do not repeat as the others' do; none where nothing tells that."""
    spread = [one for curve in curves if (one := _spread(curve, heights_mm)) is not None]
    found = []
    for at, one in enumerate(spread):
        others = np.array([other.apart_share for other in (*spread[:at], *spread[at + 1 :])])
        if not others.size:
            continue
        usual = median(others) if others.size >= FEWEST_FOR_MEDIAN else float(others.max())
        if one.apart_share > max(APART_SHARE, APART_TIMES * usual):
            found.append(msgspec.structs.replace(one, others_share=usual))
    return tuple(found)


def _spread(curve: SpringCurve, heights_mm: Sequence[float]) -> StrokesApart | None:
    """Return how far a spring's strokes lie apart; None where fewer than two were read."""
    strokes = [sweep for sweep in curve.sweeps if sweep.dense]
    worst: StrokesApart | None = None
    for height_mm in heights_mm:
        reads = [read for one in strokes if (read := one.read("both", height_mm)) is not None]
        loads_n = np.array([read.load_n for read in reads])
        if loads_n.size < 2 or loads_n.min() <= 0.0:
            continue
        apart_n = float(np.ptp(loads_n))
        share = apart_n / float(loads_n.mean())
        if worst is None or share > worst.apart_share:
            worst = StrokesApart(curve.label, loads_n.size, height_mm, apart_n, share, 0.0)
    return worst
