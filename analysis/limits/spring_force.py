"""What the weakest springs of outer and inner set push together along the valve's lift. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.engine.change_for_load import Standing
from coilbench.analysis.engine.loads import Load, load_of, parallel_load
from coilbench.analysis.engine.placed_sets import SetCurves

Array = NDArray[np.float64]
LOOKS = 41  # lifts at which the springs are read; between them the force runs straight


@dataclass(frozen=True)
class SpringForce:
    """A force by lift; arrays of shape (n,), NaN where a spring was not measured.

    Attributes:
        load_n: of the weakest springs.
        load_u_n: its expanded uncertainty, k = 2.
    """

    lift_mm: Array
    load_n: Array
    load_u_n: Array


def weakest_force(standing: Sequence[Standing], lift_mm: Array) -> SpringForce:
    """Read the weakest springs along the lift: any valve may get them.

    Args:
        standing: outer and perhaps inner set, at their heights with the valve shut.
        lift_mm: shape (n,), not below 0, in any order.
    """
    looks_mm = np.linspace(float(lift_mm.min()), float(lift_mm.max()), LOOKS)
    loads = [_together(standing, float(each)) for each in looks_mm]
    load_n = np.array([math.nan if load is None else load.load_n for load in loads])
    load_u_n = np.array([math.nan if load is None else load.load_u_n for load in loads])
    return SpringForce(
        lift_mm, np.interp(lift_mm, looks_mm, load_n), np.interp(lift_mm, looks_mm, load_u_n)
    )


def _together(standing: Sequence[Standing], lift_mm: float) -> Load | None:
    """Both sets' weakest springs at a lift; None where one wasn't read."""
    loads = [_weakest(each.springs, round(each.height_mm - lift_mm, 6)) for each in standing]
    known = [load for load in loads if load is not None]
    return parallel_load(known) if len(known) == len(loads) else None


def _weakest(springs: SetCurves, height_mm: float) -> Load | None:
    loads = [_load(curve, height_mm) for curve in springs.curves]
    known = [load for load in loads if load is not None]
    return min(known) if len(known) == len(loads) else None


def _load(curve: SpringCurve, height_mm: float) -> Load | None:
    """A spring's load; 0 where it stands loose, None where it wasn't measured."""
    if curve.free_length_mm is not None and height_mm >= curve.free_length_mm:
        return Load(0.0, 0.0, 0.0)
    try:
        return load_of(curve.load_at(height_mm))
    except HeightNotMeasured:
        return None
