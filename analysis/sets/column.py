"""All springs of a set side by side: their loads at one height, or their rates. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.curves.own_part import Measured, common_u, split
from coilbench.analysis.sets.esd import Esd, find_outliers
from coilbench.capture.errors import CoilbenchError

FEWEST_FOR_MIDDLE = 3  # below this a set has no middle to be away from; ours, no source
NORMAL_MAD = 1.482602218505602  # standard deviation of a normal distribution over its MAD


@dataclass(frozen=True)
class Centre:
    """Where a set's values lie; loads in N, rates in N/mm.

    Attributes:
        mean, median: of the springs that were measured.
        spread: sample standard deviation (n - 1); None for one spring.
        robust_spread: median absolute deviation from the median, times 1.4826 (Hampel, J. Am.
            Stat. Assoc. 69, 1974, from memory): a standard deviation that a few tired springs
            don't move; None for one spring.
        mean_u: expanded uncertainty (k = 2) of the mean of these springs: their own parts
            average out, the bench's common errors don't.
        springs: how many were measured.
    """

    mean: float
    median: float
    spread: float | None
    robust_spread: float | None
    mean_u: float
    springs: int


@dataclass(frozen=True)
class Column:
    """All springs' loads at one height, or their rates.

    Attributes:
        height_mm: where; None for the rate.
        measured: one a spring; None where it was not measured.
        centre: where they lie; None where none was measured.
        outliers: the outlier test on those that were measured; None where they are too few.
        places: index into the test's values, one a spring; None where it was not measured.
    """

    height_mm: float | None
    measured: tuple[Measured | None, ...]
    centre: Centre | None
    outliers: Esd | None
    places: tuple[int | None, ...]

    @property
    def middle(self) -> float | None:
        """The median; None where the springs are too few to have a middle."""
        if self.centre is None or self.centre.springs < FEWEST_FOR_MIDDLE:
            return None
        return self.centre.median

    def away_u(self, at: int) -> float:
        """Expanded uncertainty of a spring's distance from the middle.

        Both sides have the bench's common errors, so the springs' own parts are left: this one's,
        and the median's, whose variance is pi/(2n) times a value's (normal values, n large).
        """
        measured = self.measured[at]
        own = [one.own_u for one in self.measured if one is not None]
        if measured is None:
            return math.inf
        return math.hypot(
            measured.own_u, float(np.median(own)) * math.sqrt(0.5 * math.pi / len(own))
        )


def load_columns(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float]
) -> list[tuple[Measured | None, ...]]:
    """Read every spring at every height.

    Raises:
        HeightNotMeasured: no spring at all was measured at a height.
    """
    columns = []
    for height in heights_mm:
        measured = tuple(_load(curve, height) for curve in curves)
        if all(one is None for one in measured):
            curves[0].load_at(height)  # raises, and says what was measured
        columns.append(measured)
    return columns


def rate_column(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float]
) -> tuple[Measured | None, ...]:
    """Every spring's rate between the highest and lowest height, else over its own window."""
    return tuple(_rate(curve, max(heights_mm), min(heights_mm)) for curve in curves)


def make_column(
    height_mm: float | None, measured: Sequence[Measured | None], alpha: float
) -> Column:
    """Find a column's centre, and which of its springs stand apart.

    Args:
        height_mm: where; None for the rate.
        measured: one a spring.
        alpha: how often a sound set's column may raise a false alarm.
    """
    known = [one for one in measured if one is not None]
    if not known:
        return Column(height_mm, tuple(measured), None, None, (None,) * len(measured))
    numbers = iter(range(len(known)))
    places = tuple(None if one is None else next(numbers) for one in measured)
    least_sd = float(np.median([one.own_u for one in known])) / 2.0
    esd = find_outliers([one.value for one in known], alpha, least_sd)
    return Column(height_mm, tuple(measured), centre_of(known), esd, places)


def centre_of(known: Sequence[Measured]) -> Centre:
    """Where values of one bench lie; at least one."""
    values = np.array([one.value for one in known])
    median, several = float(np.median(values)), len(known) > 1
    own_u = math.hypot(*(one.own_u for one in known)) / len(known)
    shared_u = math.fsum(common_u(one) for one in known) / len(known)
    return Centre(
        mean=math.fsum(values) / len(known),
        median=median,
        spread=float(np.std(values, ddof=1)) if several else None,
        robust_spread=NORMAL_MAD * float(np.median(np.abs(values - median))) if several else None,
        mean_u=math.hypot(own_u, shared_u),
        springs=len(known),
    )


def _load(curve: SpringCurve, height_mm: float) -> Measured | None:
    try:
        reading = curve.load_at(height_mm)
    except HeightNotMeasured:
        return None
    return split(reading.load_n, reading.budget)


def _rate(curve: SpringCurve, high_mm: float, low_mm: float) -> Measured | None:
    try:
        rate = curve.rate if high_mm == low_mm else curve.rate_between(high_mm, low_mm)
    except CoilbenchError:
        return None
    return None if rate is None else split(rate.rate_n_per_mm, rate.budget)
