"""All springs of a set at one height, and what they are held against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.analysis.curves.curve import HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.curves.uncertainty import COVERAGE_K
from coilbench.analysis.sets.flags import Aim
from coilbench.analysis.sets.rules import FEWEST_FOR_MIDDLE, FEWEST_FOR_Z, modified_z


@dataclass(frozen=True)
class Column:
    """All springs at one height.

    Attributes:
        readings: one a spring; None where it was not measured there.
        middle_n: median load; None where the springs are too few to have a middle.
        z: modified z-score, one a spring; None where it can't be told.
        aims: what the loads are held against; True where it is the set's own middle.
    """

    height_mm: float
    readings: tuple[Reading | None, ...]
    middle_n: float | None
    z: tuple[float | None, ...]
    aims: tuple[tuple[Aim, bool], ...]


def take_column(
    curves: Sequence[SpringCurve],
    height_mm: float,
    tolerance: float,
    nominal_n: float | None,
    nominal_tolerance_n: float | None,
) -> Column:
    """Read every spring at a height and find the set's middle and scatter there.

    Raises:
        HeightNotMeasured: no spring was measured there.
    """
    readings = tuple(_reading(curve, height_mm) for curve in curves)
    known = [reading for reading in readings if reading is not None]
    if not known:
        curves[0].load_at(height_mm)  # raises, and says what was measured
    loads = np.array([reading.load_n for reading in known])
    middle_n = float(np.median(loads)) if len(known) >= FEWEST_FOR_MIDDLE else None
    z: list[float | None] = [None] * len(readings)
    if len(known) >= FEWEST_FOR_Z:
        least_sd = float(np.median([reading.load_u_n for reading in known])) / COVERAGE_K
        scores = iter(modified_z(loads, least_sd))
        z = [None if reading is None else float(next(scores)) for reading in readings]
    aims = []
    if middle_n is not None:
        aims.append((Aim("the set's middle of", middle_n, tolerance * abs(middle_n)), True))
    if nominal_n is not None:
        allowed = tolerance * nominal_n if nominal_tolerance_n is None else nominal_tolerance_n
        aims.append((Aim("the nominal", nominal_n, allowed), False))
    return Column(height_mm, readings, middle_n, tuple(z), tuple(aims))


def _reading(curve: SpringCurve, height_mm: float) -> Reading | None:
    try:
        return curve.load_at(height_mm)
    except HeightNotMeasured:
        return None
