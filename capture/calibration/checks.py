"""Refuse calibration points that are inconsistent, each case with its own message. Pure.

All limits below are common practice, no source, with the reason beside each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.errors import CoilbenchError

ADC_LIMIT_COUNTS = 2**23
# Within the last per mille of its range a converter clips some samples, which biases their mean.
SATURATED_COUNTS = 0.999 * ADC_LIMIT_COUNTS
# A misplaced decimal point is a factor of ten; 10 % leaves room for the other points' line.
SLIP_FACTOR = 10.0
SLIP_TOLERANCE = 0.1
# Near zero mass noise makes ratios meaningless: a slip must also be far from the other points.
SLIP_SDS = 10.0
SLIP_SPAN_FRACTION = 0.001

STANDARD_GRAVITY_M_S2 = 9.80665  # 3rd CGPM, 1901
# At sea level 9.780 at the equator, 9.832 at the poles (WGS 84 normal gravity, from memory), a
# little less on mountains. Outside this it is a typing error or another unit.
GRAVITY_RANGE_M_S2 = (9.75, 9.85)


class Standards(msgspec.Struct, frozen=True):
    """Known masses or lengths and the counts they gave.

    Attributes:
        noun: singular ("mass", "gauge").
        known: shape (n,), what is known, in the unit.
        counts: shape (n,), what was read.
        u: shape (n,), standard uncertainty (k = 1) of the known values, in the unit.
    """

    noun: str
    unit: str
    known: NDArray[np.float64]
    counts: NDArray[np.float64]
    u: NDArray[np.float64]

    @property
    def span(self) -> float:
        """Range of the known values."""
        return float(np.ptp(self.known))

    def name(self, row: int) -> str:
        """Return a point's name for messages, counted from 1."""
        return f"point {row + 1} ({self.known[row]:g} {self.unit})"

    def without(self, rows: NDArray[np.intp]) -> Standards:
        """Return the points without some rows."""
        keep = np.ones(self.known.size, dtype=np.bool_)
        keep[rows] = False
        return replace(self, known=self.known[keep], counts=self.counts[keep], u=self.u[keep])


def refuse_unusable(points: Standards, least_distinct: int, least_span_counts: float) -> None:
    """Refuse impossible numbers, too few points, and counts that hardly differ.

    Raises:
        CoilbenchError: the first thing that is wrong.
    """
    for row in range(points.known.size):
        if not (np.isfinite(points.known[row]) and points.known[row] >= 0.0):
            raise CoilbenchError(
                f"{points.name(row)} is not a {points.noun} of 0 or more",
                hint=f"Give a {points.noun} of 0 or more {points.unit}",
            )
        if not np.isfinite(points.counts[row]):
            raise CoilbenchError(
                f"{points.name(row)} has counts that are not a number", hint="Read it again"
            )
        sure = points.known[row] == points.u[row] == 0.0  # an empty cell is exactly 0
        if not sure and not 0.0 < points.u[row] < np.inf:
            raise CoilbenchError(
                f"{points.name(row)} has an uncertainty of {2.0 * points.u[row]:g} {points.unit}",
                hint="Give a number above 0, or leave it out",
            )
    different = distinct(points.known).size
    if points.known.size > 1 and different == 1:
        raise CoilbenchError(
            f"every {points.noun} is the same, {points.known[0]:g} {points.unit}",
            hint=f"Use at least {least_distinct} different ones",
        )
    if different < least_distinct:
        values = f"{different} different known value{'' if different == 1 else 's'}"
        raise CoilbenchError(
            f"{values} {'is' if different == 1 else 'are'} too few to calibrate on",
            hint=f"Use at least {least_distinct}, spread over the range you measure in",
        )
    if np.ptp(points.counts) < least_span_counts:
        raise CoilbenchError(
            f"the counts hardly change, by {np.ptp(points.counts):.0f} from the smallest "
            f"{points.noun} to the largest",
            hint="Check the wiring and that the sensor really moves, then read the points again",
        )


def refuse_gravity(gravity_m_s2: float) -> None:
    """Raise CoilbenchError for a gravity that is not found on earth."""
    low, high = GRAVITY_RANGE_M_S2
    if not low <= gravity_m_s2 <= high:
        raise CoilbenchError(
            f"gravity {gravity_m_s2:g} m/s2 is out of range ({low:g} to {high:g})",
            hint="Give local gravity in m/s2, like 9.81",
        )


def refuse_saturated(counts: NDArray[np.float64], name: Callable[[int], str]) -> None:
    """Refuse load counts at the ADC's limits of -2**23 and 2**23 - 1 (HX711 datasheet).

    Raises:
        CoilbenchError: the first saturated point, by its name.
    """
    rows = np.flatnonzero(np.abs(counts) >= SATURATED_COUNTS)
    if rows.size:
        raise CoilbenchError(
            f"{name(int(rows[0]))} is saturated: {counts[rows[0]]:.0f} counts is the end of the "
            "ADC's range",
            hint="Use less load, a lower gain or a larger cell, and check the cell's wiring",
        )


def refuse_slip(points: Standards, limit: Callable[[Standards], float]) -> None:
    """Refuse a known value typed ten times too large or too small.

    The other points, which must agree among themselves, give its expected value.

    Args:
        points: two distinct values or more.
        limit: the largest residual that a set of points may have, in their unit.

    Raises:
        CoilbenchError: a value looks like a misplaced decimal point; it names all candidates.
    """
    slips = [
        (rows, expected)
        for rows, expected, rest_sd in _expectations(points, limit, least_rest=2)
        if _is_slip(float(points.known[rows[0]]), expected, rest_sd, points)
    ]
    if not slips:
        return
    likely = " or ".join(
        f"{points.name(int(rows[0]))}, whose counts give about {expected:.3g} {points.unit}"
        for rows, expected in slips
    )
    raise CoilbenchError(
        f"a {points.noun} looks mistyped by a factor of ten, from the other points: {likely}",
        hint="Check the decimal point of that value",
    )


def refuse_scatter(
    points: Standards, residuals: NDArray[np.float64], limit: Callable[[Standards], float]
) -> None:
    """Refuse points that lie too far from their curve, naming the most likely wrong one.

    Args:
        residuals: shape (n,), known less fitted, in their unit.
        limit: the largest residual that a set of points may have, in their unit.

    Raises:
        CoilbenchError: a residual is over the limit.
    """
    worst = int(np.argmax(np.abs(residuals)))
    allowed = limit(points)
    if abs(residuals[worst]) <= allowed:
        return
    lonely = list(_expectations(points, limit, least_rest=3))
    if len(lonely) == 1:
        rows, expected, _ = lonely[0]
        _refuse_unrepeated(points, allowed, int(rows[0]), expected)
        raise CoilbenchError(
            f"{points.name(int(rows[0]))} does not fit the others, which agree: from them its "
            f"counts give about {expected:.4g} {points.unit}",
            hint="Check its value, or read it again",
        )
    _refuse_unrepeated(points, allowed)
    _refuse_turning(points)
    raise CoilbenchError(
        f"the points do not lie on a line: {points.name(worst)} is off by "
        f"{abs(residuals[worst]):.3g} {points.unit}, more than the limit of {allowed:.3g}",
        hint="Check for friction, a loose part or a swapped point, then read the points again",
    )


def lonely_row(points: Standards, limit: Callable[[Standards], float]) -> int | None:
    """Return the one row without which all the others agree; None where several or none will do.

    Args:
        limit: the largest residual that points which agree may have, in their unit.
    """
    rows = [rows for rows, _, _ in _expectations(points, limit, least_rest=3)]
    return int(rows[0][0]) if len(rows) == 1 else None


def _candidates(points: Standards) -> Iterator[NDArray[np.intp]]:
    """Yield the rows that one error can affect: each alone, then all of one known value."""
    for row in range(points.known.size):
        yield np.array([row])
    for known in distinct(points.known):
        rows = np.flatnonzero(points.known == known)
        if rows.size > 1:
            yield rows


def _expectations(
    points: Standards, limit: Callable[[Standards], float], least_rest: int
) -> Iterator[tuple[NDArray[np.intp], float, float]]:
    """Yield rows without which the rest agree, their value by the rest, and the rest's scatter.

    The rows of one value together are tried only if no single row will do.
    """
    found_alone = False
    for rows in _candidates(points):
        rest = points.without(rows)
        if len(set(rest.counts.tolist())) < 2 or len(set(rest.known.tolist())) < least_rest:
            continue
        if rows.size > 1 and found_alone:
            return
        line = fit_polynomial(rest.counts, rest.known, 1, np.ones_like(rest.counts))
        off = np.abs(rest.known - value(line, rest.counts)).max()
        if off <= limit(rest):
            found_alone = found_alone or rows.size == 1
            expected = float(value(line, points.counts[rows]).mean())
            yield rows, expected, line.residual_sd


def _is_slip(typed: float, expected: float, rest_sd: float, points: Standards) -> bool:
    if expected <= 0.0 or typed <= 0.0:
        return False
    stands_out = max(SLIP_SDS * rest_sd, SLIP_SPAN_FRACTION * points.span)
    ratio = max(typed / expected, expected / typed)
    slipped = abs(ratio / SLIP_FACTOR - 1.0) <= SLIP_TOLERANCE
    return slipped and abs(typed - expected) > stands_out


def _refuse_unrepeated(
    points: Standards, allowed: float, culprit: int | None = None, expected: float = math.nan
) -> None:
    """Refuse the same known value read twice with readings further apart than is allowed."""
    units_per_count = points.span / float(np.ptp(points.counts))
    for known in distinct(points.known) if culprit is None else points.known[[culprit]]:
        rows = np.flatnonzero(points.known == known)
        apart = float(np.ptp(points.counts[rows])) * units_per_count
        if apart > (2.0 if culprit is None else 1.0) * allowed:
            low = rows[np.argmin(points.counts[rows])]
            high = rows[np.argmax(points.counts[rows])]
            first, second = sorted((int(low), int(high)))
            others = ""
            if culprit is not None:
                others = f"; from the rest point {culprit + 1} is {expected:.4g} {points.unit}"
            raise CoilbenchError(
                f"the {known:g} {points.unit} {points.noun} does not repeat: points {first + 1} "
                f"and {second + 1} are {apart:.3g} {points.unit} apart{others}",
                hint="Clean and seat it, then read the points again",
            )


def _refuse_turning(points: Standards) -> None:
    known = distinct(points.known)
    counts = np.array([points.counts[points.known == k].mean() for k in known])
    steps = np.diff(counts)
    way = np.sign(counts[-1] - counts[0])
    against = np.flatnonzero(steps * way <= 0.0)
    if against.size:
        at = int(against[0])
        raise CoilbenchError(
            f"the counts are not monotonic: they turn back between {known[at]:g} and "
            f"{known[at + 1]:g} {points.unit}",
            hint="Check the order of the points and the wiring, then read them again",
        )
