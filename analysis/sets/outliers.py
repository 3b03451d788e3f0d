"""Which springs of a set stand apart: generalised ESD, its false-alarm rate kept. Pure.

All springs side by side: their loads at one height, their rates, and the shapes of their curves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.curves.uncertainty import Measured, common_u, split
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD
from coilbench.capture.errors import CoilbenchError

FEWEST_FOR_ESD = 5  # below this no value can stand apart from so few others; ours, no source
MOST_OUTLIERS = 10  # as far as Rosner's tables go
ALIKE = 1e-9  # of the largest value: scatter below it is rounding

# At 5 to 30 values: the level to ask Rosner's critical values for, over the level wanted. His
# approximation (Technometrics 25, 1983) is tabled from 25 values up; on fewer, with up to a third
# of them as outliers, it alarms up to twice as often as asked. Ours: one million sets of standard
# normal values for each size, the smallest ratio at levels of 0.05 to 0.005, rounded down; the
# last one serves more values too. Made again by: python tests/bench/bench_set_flags.py --levels
# fmt: off
_LEVEL_RATIO = (
    0.48, 0.56, 0.62, 0.48, 0.54, 0.59, 0.54, 0.60, 0.64, 0.62, 0.66, 0.70, 0.69,
    0.72, 0.75, 0.75, 0.78, 0.80, 0.81, 0.82, 0.84, 0.85, 0.86, 0.87, 0.87, 0.89,
)
# fmt: on


@dataclass(frozen=True)
class Esd:
    """A generalised ESD test.

    Attributes:
        order: index of the value removed at each step, the farthest from the mean first.
        statistics: its distance from the mean of what was left, over their standard deviation.
        limits: what each statistic must exceed, the same length.
        found: how many of `order` are outliers; the last step that exceeds its limit decides,
            so that two outliers don't hide each other.
        scores: shape (n,), distance of every value from the mean of those that are no outliers,
            over their standard deviation; infinite for an outlier where these are all alike.
    """

    order: tuple[int, ...]
    statistics: tuple[float, ...]
    limits: tuple[float, ...]
    found: int
    scores: tuple[float, ...]

    @property
    def outliers(self) -> frozenset[int]:
        """Indices of the values that stand apart."""
        return frozenset(self.order[: self.found])

    @property
    def deciding(self) -> int:
        """The step that decided, from 0; the one nearest to its limit where none did."""
        if self.found:
            return self.found - 1
        return int(np.argmax(np.divide(self.statistics, self.limits)))


def most_outliers(count: int) -> int:
    """How many outliers to look for: about a third of the values, never half of them."""
    return min(MOST_OUTLIERS, (count + 1) // 3)


def critical_values(count: int, most: int, alpha: float) -> Array:
    """Rosner's critical values of the statistics of steps 1 to `most`, two-sided.

    The first is Grubbs' critical value. On small samples they don't keep alpha: see kept_level.

    References:
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3, after B. Rosner, Percentage
        Points for a Generalized ESD Many-Outlier Procedure, Technometrics 25 (1983) 165.
    """
    left = count - np.arange(1.0, most + 1.0)  # values after the step
    t = stdtrit(left - 1.0, 1.0 - alpha / (2.0 * (left + 1.0)))
    return np.asarray(left * t / np.sqrt((left - 1.0 + t**2) * (left + 1.0)))


def kept_level(count: int, alpha: float) -> float:
    """The level to ask critical_values for, so that most_outliers(count) steps keep alpha."""
    at = min(count - FEWEST_FOR_ESD, len(_LEVEL_RATIO) - 1)
    return alpha * _LEVEL_RATIO[at]


def find_outliers(values: Sequence[float], alpha: float, least_sd: float = 0.0) -> Esd | None:
    """Look for values that stand apart from the others, on either side.

    Args:
        values: n numbers.
        alpha: how often a set of normal values may raise any alarm.
        least_sd: a standard deviation is never taken below it, so that nothing stands apart by
            less than it could be measured.

    Returns:
        None for fewer than FEWEST_FOR_ESD values.
    """
    if len(values) < FEWEST_FOR_ESD:
        return None
    numbers = np.asarray(values, dtype=np.float64)
    by_size = np.argsort(numbers, kind="stable")  # so that their order doesn't matter to rounding
    most = most_outliers(numbers.size)
    steps, statistics = _remove_farthest(numbers[by_size], most, least_sd)
    order = [int(by_size[step]) for step in steps]
    limits = critical_values(numbers.size, most, kept_level(numbers.size, alpha))
    beyond = np.flatnonzero(statistics > limits)
    found = int(beyond[-1]) + 1 if beyond.size else 0
    rest = np.delete(numbers[by_size], steps[:found])
    return Esd(
        tuple(order),
        tuple(statistics.tolist()),
        tuple(limits.tolist()),
        found,
        tuple(_distances(numbers, rest, least_sd).tolist()),
    )


def _remove_farthest(numbers: Array, most: int, least_sd: float) -> tuple[list[int], Array]:
    """Indices and statistics of the values removed one by one, each the farthest of the rest."""
    left = list(range(numbers.size))
    order: list[int] = []
    statistics = np.empty(most)
    for step in range(most):
        distances = np.abs(_distances(numbers[left], numbers[left], least_sd))
        farthest = int(np.argmax(distances))
        statistics[step] = distances[farthest]
        order.append(left.pop(farthest))
    return order, statistics


def _distances(numbers: Array, among: Array, least_sd: float) -> Array:
    """Distances from the mean of some values over their standard deviation (n - 1)."""
    away = numbers - among.mean()
    rounding = ALIKE * float(np.abs(numbers).max())
    sd = max(float(np.std(among, ddof=1)), least_sd)
    away[np.abs(away) <= rounding] = 0.0
    if sd <= rounding:
        return np.where(away == 0.0, 0.0, np.copysign(np.inf, away))
    return np.asarray(away / sd)


# The shape's rules are ours, no source.
SHAPE_HEIGHTS = 60
SHAPE_BIND_MM = 1.0  # heights nearer to solid than this are coil bind's, not the spring's shape
SHAPE_TOP_SHARE = 0.1  # of the deflection, where end coils are still closing


class Departure(NamedTuple):
    """How far one spring's shape departs from the set's, as fractions of its mean load.

    Attributes:
        rms: root mean square over the heights.
        largest: at most, and height_mm: where.
    """

    rms: float
    largest: float
    height_mm: float


def shape_departures(curves: Sequence[SpringCurve]) -> list[Departure] | None:
    """How far each spring's shape departs from the set's.

    Every curve is divided by its own mean, so that a weak spring of good shape stays in. The
    set's shape is the median at each height. Each curve is then laid on it with the best scale
    and shift (least squares: a rate and a free length of its own), and what is left is its
    departure: a bend that the others don't have.

    Args:
        curves: at least FEWEST_FOR_ESD springs.

    Returns:
        One a spring, in order; None where the springs are few, were not sampled densely, or
        share no range of heights.
    """
    if len(curves) < FEWEST_FOR_ESD or not all(s.dense for curve in curves for s in curve.sweeps):
        return None
    bottom, top = _shared_range_mm(curves)
    if top - bottom < SHAPE_BIND_MM:
        return None
    heights = np.linspace(bottom, top, SHAPE_HEIGHTS)
    loads = np.array([[curve.load_n_at(float(h)) for h in heights] for curve in curves])
    means = loads.mean(axis=1, keepdims=True)
    if np.any(means <= 0.0):
        return None
    shapes = loads / means
    design = np.column_stack([np.median(shapes, axis=0), np.ones(heights.size)])
    laid, *_ = np.linalg.lstsq(design, shapes.T)
    left = np.abs(shapes.T - design @ laid)
    worst = np.argmax(left, axis=0)
    rms = np.sqrt(np.mean(left**2, axis=0))
    return [
        Departure(float(rms[i]), float(left[at, i]), float(heights[at]))
        for i, at in enumerate(worst)
    ]


def odd_shapes(departures: Sequence[Departure], alpha: float) -> Esd | None:
    """Look for departures that are larger than the others'.

    The mean square of a smooth residual is a sum of a few chi-square variables; its cube root is
    nearly normal (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory), so that the
    outlier test keeps its false-alarm rate on it.
    """
    return find_outliers([departure.rms ** (2.0 / 3.0) for departure in departures], alpha)


def _shared_range_mm(curves: Sequence[SpringCurve]) -> tuple[float, float]:
    """Heights that every branch of every sweep has, between coil bind and closing end coils."""
    fits = [
        fit
        for curve in curves
        for sweep in curve.sweeps
        for fit in (sweep.loading, sweep.unloading)
        if fit is not None
    ]
    bottom = max(fit.lowest_mm for fit in fits)
    top = min(fit.highest_mm for fit in fits)
    solids = [c.solid_height_mm for c in curves if c.solid_height_mm is not None]
    if solids:
        bottom = max(bottom, max(solids) + SHAPE_BIND_MM)
    lengths = [c.free_length_mm for c in curves if c.free_length_mm is not None]
    if lengths:
        top = min(top, min(lengths) - SHAPE_TOP_SHARE * (min(lengths) - bottom))
    return bottom, top


FEWEST_FOR_MIDDLE = 3  # below this a set has no middle to be away from; ours, no source


@dataclass(frozen=True)
class Centre:
    """Where a set's values lie; loads in N, rates in N/mm.

    Attributes:
        mean, median: of the springs that were measured.
        spread: sample standard deviation (n - 1); None for one spring.
        robust_spread: median absolute deviation from the median, as a normal
            distribution's standard deviation: a few tired springs don't move it; None for one
            spring.
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
    robust = ROBUST_SD_PER_MAD * float(np.median(np.abs(values - median)))
    own_u = math.hypot(*(one.own_u for one in known)) / len(known)
    shared_u = math.fsum(common_u(one) for one in known) / len(known)
    return Centre(
        mean=math.fsum(values) / len(known),
        median=median,
        spread=float(np.std(values, ddof=1)) if several else None,
        robust_spread=robust if several else None,
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
