"""A set's loads at a height, or its rates, read alike: springs of which one way alone is known.

Friction makes the way down read higher than the mean of both ways: where a spring has one way
alone, all are compared by that way. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.sweep_fit import Side, Way
from coilbench.analysis.curves.uncertainty import Measured, split
from coilbench.capture.errors import CoilbenchError

Sided = tuple[Measured, Side] | None  # what was read, and of which ways; None: not measured
Read = Callable[[SpringCurve], Sided]
WAYS: tuple[Way, ...] = ("loading", "unloading")  # of as many springs, the first is taken


@dataclass(frozen=True)
class Alike:
    """All springs' loads at one height, or their rates; None where a spring was not measured.

    Attributes:
        measured: as read, of the mean of both ways where a spring has both.
        compared: of one way for all; where all have the same ways, as measured.
        way: that one; None where all have the same ways.
    """

    measured: tuple[Measured | None, ...]
    compared: tuple[Measured | None, ...]
    way: Way | None = None

    @classmethod
    def of(cls, curves: Sequence[SpringCurve], read: Read) -> Alike:
        """Read each curve, and where they were not pressed the same ways, all by one way again.

        That way is the one that most springs have.
        """
        each = [read(curve) for curve in curves]
        measured = tuple(None if one is None else one[0] for one in each)
        if len({one[1] for one in each if one is not None}) <= 1:
            return cls(measured, measured)
        by_way = {way: tuple(_by(curve, way, read) for curve in curves) for way in WAYS}
        way = max(WAYS, key=lambda one: sum(value is not None for value in by_way[one]))
        return cls(measured, by_way[way], way)


def _by(curve: SpringCurve, way: Way, read: Read) -> Measured | None:
    branch: BranchChoice = way
    with suppress(CoilbenchError):  # the whole curve has nothing of that way
        found = read(replace(curve, branch=branch))
        return None if found is None else found[0]
    return None


def loads_at(curves: Sequence[SpringCurve], height_mm: float) -> Alike:
    """Read every spring at a height.

    Raises:
        HeightNotMeasured: no spring at all was measured there.
    """

    def read(curve: SpringCurve) -> Sided:
        with suppress(HeightNotMeasured):
            found = curve.load_at(height_mm)
            one = next((note.side for note in found.notes if note.kind == "one_branch"), None)
            return split(found.load_n, found.budget), one or "both"
        return None

    found = Alike.of(curves, read)
    if all(one is None for one in found.measured):
        curves[0].load_at(height_mm)  # raises, and says what was measured
    return found


def rates_between(curves: Sequence[SpringCurve], high_mm: float, low_mm: float) -> Alike:
    """Read every spring's rate between two heights; over its own window where they are the same."""

    def read(curve: SpringCurve) -> Sided:
        with suppress(CoilbenchError):
            same = high_mm == low_mm
            rate = curve.rate if same else curve.rate_between(high_mm, low_mm)
            if rate is not None:
                return split(rate.rate_n_per_mm, rate.budget), rate.side
        return None

    return Alike.of(curves, read)
