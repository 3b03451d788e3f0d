"""What judged sets push at some heights: little of each, so that thousands are had at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import Role
from coilbench.analysis.engine.three_index import Array
from coilbench.analysis.engine.valve_loads import Candidate, read_load


class SetLoads(msgspec.Struct, frozen=True):
    """The springs of a judged set that may be used, at H heights.

    Attributes:
        labels: N of them.
        load_n, least_n, most_n: shape (N, H), what each pushes and between what that lies: another
            than the load where heights were read singly. NaN where it was not read.
    """

    labels: tuple[str, ...]
    load_n: Array
    least_n: Array
    most_n: Array

    @classmethod
    def of(cls, springs: SetCurves, heights_mm: Array) -> SetLoads:
        """Read a judged set."""
        shape = len(springs.curves), len(heights_mm)
        load_n, least_n, most_n = np.full((3, *shape), np.nan)
        for number, curve in enumerate(springs.curves):
            load_n[number] = curve.loads_n_at(heights_mm)
            least_n[number], most_n[number] = load_n[number], load_n[number]
            if not all(sweep.dense for sweep in curve.sweeps):
                span = _between_readings(springs, curve, heights_mm)
                least_n[number], most_n[number] = span
        return cls(tuple(curve.label for curve in springs.curves), load_n, least_n, most_n)


class SetOf(NamedTuple):
    """A set by its name, and which role it has in the build."""

    role: Role
    name: str


Heights = Mapping[Role, Array]


def _between_readings(
    springs: SetCurves, curve: SpringCurve, heights_mm: Array
) -> tuple[list[float], list[float]]:
    """Between heights that were read singly a load lies where the spring's shape may have it."""
    candidate = Candidate(curve.label, springs, curve.label, curve)
    known = [read_load(candidate, mm, (), {}) for mm in heights_mm.tolist()]
    return (
        [np.nan if one.load is None else one.least_n for one in known],
        [np.nan if one.load is None else one.most_n for one in known],
    )
