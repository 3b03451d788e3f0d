"""ISO 7500-1's limits for machines that measure force, and the class that errors would meet. Pure.

Nothing here certifies anything: the standard asks for three runs of at least five steps with
force-proving instruments of its own classes, on a whole machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Column = Literal["q", "b", "v", "zero", "resolution"]
COLUMNS: tuple[Column, ...] = ("q", "b", "v", "zero", "resolution")
SOURCE = (
    "ISO 7500-1, the table of permitted values for each class: read at second hand and "
    "remembered alike, not compared with the printed standard"
)


@dataclass(frozen=True)
class Limits:
    """The largest errors of a class, or the errors of one step; in per cent.

    Attributes:
        q_percent: accuracy: indicated less true, over true; the mean of the increasing runs.
        b_percent: repeatability: the largest q of the increasing runs less the smallest.
        v_percent: reversibility: decreasing less increasing indication, over true, without sign.
        zero_percent: what is indicated when all is taken off, over the range's maximum.
        resolution_percent: the smallest difference that can be told, over true.
    """

    q_percent: float
    b_percent: float
    v_percent: float
    zero_percent: float
    resolution_percent: float


# By class, the finest first. Source and standing: SOURCE.
CLASSES: dict[str, Limits] = {
    "0.5": Limits(0.5, 0.5, 0.75, 0.05, 0.25),
    "1": Limits(1.0, 1.0, 1.5, 0.1, 0.5),
    "2": Limits(2.0, 2.0, 3.0, 0.2, 1.0),
    "3": Limits(3.0, 3.0, 4.5, 0.3, 1.5),
}


@dataclass(frozen=True)
class StepErrors:
    """The errors at one step of load; None where they were not measured.

    Attributes:
        true_n: the step's true load, N.
        others: as in Limits.
    """

    true_n: float
    q_percent: float | None
    b_percent: float | None
    v_percent: float | None
    zero_percent: float | None
    resolution_percent: float | None

    @property
    def columns(self) -> tuple[float | None, ...]:
        """The five errors in the order of COLUMNS."""
        return astuple(self)[1:]


@dataclass(frozen=True)
class ClassRange:
    """A class whose limits the errors would meet, from a load up to the largest step, N."""

    name: str
    low_n: float
    high_n: float


def accuracy_percent(indicated: ArrayLike, true: ArrayLike) -> NDArray[np.float64]:
    """Return q: (indicated - true)/true in per cent; the unit cancels, shape of the arguments."""
    shown, known = np.asarray(indicated, dtype=np.float64), np.asarray(true, dtype=np.float64)
    return (shown - known) / known * 100.0


def repeatability_percent(q_percent: Sequence[float]) -> float | None:
    """Return b: the largest q less the smallest; None of fewer than two runs."""
    return float(np.ptp(q_percent)) if len(q_percent) > 1 else None


def reversibility_percent(increasing: float, decreasing: float, true: float) -> float:
    """Return |v|: (decreasing - increasing)/true in per cent."""
    return abs(decreasing - increasing) / true * 100.0


def class_met(step: StepErrors) -> str | None:
    """Return the finest class whose limits every measured error keeps, the worst one deciding.

    None where even the coarsest class's limits are passed, or nothing was measured.
    """
    if all(error is None for error in step.columns):
        return None
    for name, limits in CLASSES.items():
        if not columns_over(step, limits):
            return name
    return None


def columns_over(step: StepErrors, limits: Limits) -> tuple[Column, ...]:
    """Return the columns in which a step's errors pass a class's limits."""
    return tuple(
        column
        for column, error, limit in zip(COLUMNS, step.columns, astuple(limits), strict=True)
        if error is not None and abs(error) > limit
    )


def class_ranges(steps: Sequence[StepErrors]) -> tuple[ClassRange, ...]:
    """Return over which loads each class's limits would be met, the finest class first.

    A range reaches from its lowest step without a break to the largest step, as the standard
    has it; a coarser class that adds nothing to a finer one's range is left out.
    """
    ascending = sorted(steps, key=lambda step: step.true_n)
    ranges: list[ClassRange] = []
    for name, limits in CLASSES.items():
        kept = 0
        for step in reversed(ascending):
            if columns_over(step, limits):
                break
            kept += 1
        if kept == 0:
            continue
        low_n = ascending[-kept].true_n
        if not ranges or low_n < ranges[-1].low_n:
            ranges.append(ClassRange(name, low_n, ascending[-1].true_n))
    return tuple(ranges)
