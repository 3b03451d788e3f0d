"""Fit the load on known masses and the travel on gauges. Pure.

The uncertainty of masses that err together has a part that all share and a part of each mass's own;
only the second shows in the residuals.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.checks import (
    ADC_LIMIT_COUNTS,
    STANDARD_GRAVITY_M_S2,
    Standards,
    refuse_gravity,
    refuse_saturated,
    refuse_scatter,
    refuse_slip,
    refuse_unusable,
)
from coilbench.capture.calibration.known_points import (
    ASSUMED_GAUGE_U_MM,
    ASSUMED_MASS_U_RELATIVE,
    GaugePoint,
    LoadPoint,
    MassesErr,
)
from coilbench.capture.calibration.model import NewPart, PointRow
from coilbench.capture.calibration.polynomial import PolynomialFit, slope, value
from coilbench.capture.calibration.regression import (
    degree_demanded,
    fit_polynomial,
    fit_with_scatter,
    step_is_off,
)
from coilbench.capture.calibration.statistics import distinct, widening
from coilbench.capture.errors import CoilbenchError

Array = NDArray[np.float64]

SHOWN_WEIGHT = 1.5  # few masses show less scatter than many in most draws
LEAST_SPARE = 2  # degrees of freedom; with fewer, scatter is luck. Ours, no source
LEAST_SHARE = 0.3  # of the largest mass: below it, scatter of readings hides a relative error


class Means(NamedTuple):
    """Mean reading of each mass; shape (m,) each, by rising mass.

    Attributes:
        u_kg: its standard uncertainty, k = 1.
        scatter_counts2: variance of the mean reading; NaN where there is only one.
    """

    mass_kg: Array
    counts: Array
    u_kg: Array
    scatter_counts2: Array


def mean_readings(mass_kg: Array, counts: Array, u_kg: Array) -> Means:
    """Average the readings of each mass: a mass read twice still has one error."""
    masses = distinct(mass_kg)
    where = masses.searchsorted(mass_kg)
    number = np.bincount(where).astype(np.float64)
    mean = np.bincount(where, counts) / number
    squares = np.bincount(where, (counts - mean[where]) ** 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = squares / (number - 1.0) / number
    return Means(masses, mean, np.sqrt(np.bincount(where, u_kg**2) / number), scatter)


def _stated_u_relative(means: Means) -> float:
    """Return the stated uncertainty of the relatively best mass, k = 1, as a fraction."""
    heavy = means.mass_kg > 0.0
    return float(np.min(means.u_kg[heavy] / means.mass_kg[heavy]))


def shared_u_relative(means: Means) -> float:
    """Return the standard uncertainty (k = 1) that all masses share, as a fraction.

    It cannot be seen in the readings: masses that are all too light by the same fraction lie on a
    line as well. So it is the stated uncertainty of the best mass, less the masses' individual
    errors as the weighted residuals show them (less the scatter of the readings).
    """
    return math.sqrt(
        max(_stated_u_relative(means) ** 2 - SHOWN_WEIGHT * _shown_variance(means), 0.0)
    )


def shown_u_kg(means: Means) -> Array:
    """Return the masses' individual errors as the residuals show them, k = 1, shape (m,).

    Proportional to the mass, except for the lightest, where the scatter of readings dominates.
    """
    weight_kg = np.maximum(means.mass_kg, LEAST_SHARE * means.mass_kg.max())
    return np.asarray(math.sqrt(_shown_variance(means)) * weight_kg, dtype=np.float64)


def _shown_variance(means: Means) -> float:
    """Variance of the masses' individual relative errors; 0 where there are too few."""
    degree = 2 if means.mass_kg.size >= 5 else 1
    spare = means.mass_kg.size - degree - 1
    if spare < LEAST_SPARE:
        return 0.0
    weight_kg = np.maximum(means.mass_kg, LEAST_SHARE * means.mass_kg.max())
    fit = fit_polynomial(means.counts, means.mass_kg, degree, weight_kg)
    residual = (means.mass_kg - value(fit, means.counts)) / weight_kg
    kg_per_count = float(np.ptp(means.mass_kg) / np.ptp(means.counts))
    repeated = np.isfinite(means.scatter_counts2)
    reading = means.scatter_counts2[repeated] * (kg_per_count / weight_kg[repeated]) ** 2
    of_reading = float(reading.mean()) if repeated.any() else 0.0
    seen = float(np.mean((means.mass_kg / weight_kg) ** 2))  # of a relative error's square
    return max(float(residual @ residual) / spare - of_reading, 0.0) / seen


# Limits and assumptions: common practice, no source, each with its reason.
LEAST_MASSES = 3  # two always lie on a line, so an error would not show
LEAST_MASSES_FOR_PARABOLA = 5  # two more than its coefficients, or it follows the noise
LEAST_GAUGES = 2  # a scale is linear by construction
NARROW_GAUGES_FRACTION = 0.25  # of the longest gauge: a spring is pressed by more than that
LEAST_LOAD_SPAN_COUNTS = 1000.0  # a count is then 0.1 % of the span, as much as the masses
LEAST_TRAVEL_SPAN_COUNTS = 50.0  # half a millimetre on a scale with 0.01 mm a count
WEAK_SPAN_FRACTION = 0.01  # of the ADC's range: it works, but with more noise than needed
RESIDUAL_LIMIT_FRACTION = 0.005  # of the span: worse than any sound cell or scale
RESIDUAL_LIMIT_SDS = 4.0  # of the worst known value: a stated uncertainty is not a fault
TRAVEL_RESIDUAL_LIMIT_MM = 0.1  # a quill repeats to some hundredths; short spans need room
# The greatest departure of a cell's curve from a line over the masses' span, k = 1; data sheets of
# small cells promise some 0.03 to 0.05 % of a range that is mostly wider.
TYPICAL_BEND_FRACTION = 0.00015
NEAR_ZERO_FRACTION = 0.2  # of the largest mass: above it, no point covers the low end


def load_part(
    points: Sequence[LoadPoint],
    origin: str,
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2,
    masses_err: MassesErr = "together",
) -> NewPart:
    """Fit load in N over counts: a straight line, or a parabola where the points demand it.

    Masses that err together (from one box, or weighed on one scale): the relative error that all
    share is not in the covariance but in reference_u_relative; a mass that is worse than the best
    one has less weight. Masses that err each by itself: all of their stated uncertainty is in the
    covariance, as independent errors (JCGM 100:2008, 5.1.2), and reference_u_relative is 0. A mass
    read several times has one error.

    Args:
        points: 3 different masses or more, in any order.
        gravity_m_s2: local gravity; a mass presses with itself times this.

    Raises:
        CoilbenchError: the points are inconsistent or too few, or the masses are said to err each
            by itself and one has no stated uncertainty.
    """
    refuse_gravity(gravity_m_s2)
    if masses_err == "each":
        _refuse_unstated(points)
    masses = _standards("mass", "kg", [(p.mass_kg, p.counts, p.standard_u_kg) for p in points])
    refuse_saturated(masses.counts, masses.name)
    refuse_unusable(masses, LEAST_MASSES, LEAST_LOAD_SPAN_COUNTS)
    refuse_slip(masses, _load_limit_kg)

    load_n = masses.known * gravity_m_s2
    means = mean_readings(masses.known, masses.counts, masses.u)
    _refuse_turning_means(masses, means)
    own_kg, shown_kg, shared = _split_u(means, masses_err)
    in_n = gravity_m_s2
    fit = _fit_means(means.counts, means.mass_kg * in_n, own_kg * in_n, shown_kg * in_n)
    residuals_n = load_n - value(fit, masses.counts)
    spare = max(len(points) - fit.degree - 1, 1)
    residual_sd = math.sqrt(float(residuals_n @ residuals_n) / spare)
    fit = replace(fit, points=len(points), residual_sd=residual_sd)
    refuse_scatter(masses, residuals_n / gravity_m_s2, _load_limit_kg)
    _refuse_turning_curve(fit)
    notes = _load_notes(points, masses, residuals_n / gravity_m_s2, fit)
    rows = [
        PointRow(
            direction=point.direction,
            mass_kg=point.mass_kg,
            load_counts=point.counts,
            residual_n=residual_n,
            u_kg=point.u_kg,
        )
        for point, residual_n in zip(points, residuals_n.tolist(), strict=True)
    ]
    noted = tuple(notes)
    return NewPart("load", origin, fit, rows, noted, shared, gravity_m_s2, masses_err=masses_err)


def _split_u(means: Means, masses_err: MassesErr) -> tuple[Array, Array, float]:
    """Return (u_kg of each mass's own, u_kg that the points show, u_relative that all share)."""
    if masses_err == "each":
        return means.u_kg, np.zeros_like(means.u_kg), 0.0
    best_kg = _stated_u_relative(means) * means.mass_kg
    own_kg = np.sqrt(np.maximum(means.u_kg**2 - best_kg**2, 0.0))
    return own_kg, shown_u_kg(means), shared_u_relative(means)


def _refuse_unstated(points: Sequence[LoadPoint]) -> None:
    for number, point in enumerate(points, start=1):
        if point.mass_kg and point.u_kg is None:
            raise CoilbenchError(
                f"point {number} ({point.mass_kg:g} kg) has no uncertainty, and masses that err "
                "each by itself need theirs",
                hint="Give it in the column u_kg or with --masses-u, or: --masses-err together",
            )


def _fit_means(
    counts: NDArray[np.float64],
    load_n: NDArray[np.float64],
    own_u_n: NDArray[np.float64],
    shown_u_n: NDArray[np.float64],
) -> PolynomialFit:
    """Fit a line or a parabola; a line carries the curvature that may be hidden in it."""
    resolution_n = float(np.ptp(load_n) / np.ptp(counts))
    degree = 1
    if counts.size >= LEAST_MASSES_FOR_PARABOLA:
        degree = degree_demanded(counts, load_n, resolution_n)
    fit = fit_with_scatter(counts, load_n, degree, own_u_n, resolution_n, shown_u_n)
    return fit if degree == 2 else with_hidden_bend(fit, counts, load_n, TYPICAL_BEND_FRACTION)


def travel_part(
    points: Sequence[GaugePoint], origin: str, stated_mm_per_count: float | None = None
) -> NewPart:
    """Fit height in mm over travel counts, a straight line.

    Args:
        points: 2 different gauges or more, in any order.
        stated_mm_per_count: the scale's step as the rig states it, negative; None where unknown.

    Raises:
        CoilbenchError: the points are inconsistent or too few.
    """
    gauges = _standards("gauge", "mm", [(p.length_mm, p.counts, p.standard_u_mm) for p in points])
    refuse_unusable(gauges, LEAST_GAUGES, LEAST_TRAVEL_SPAN_COUNTS)
    refuse_slip(gauges, _travel_limit_mm)

    resolution_mm = gauges.span / float(np.ptp(gauges.counts))
    fit = fit_with_scatter(gauges.counts, gauges.known, 1, gauges.u, resolution_mm)
    residuals_mm = gauges.known - value(fit, gauges.counts)
    refuse_scatter(gauges, residuals_mm, _travel_limit_mm)

    notes = list(_travel_notes(points, gauges, fit))
    notes.append(step_note(fit.coefficients[1], stated_mm_per_count))
    rows = [
        PointRow(
            length_mm=point.length_mm,
            travel_counts=point.counts,
            residual_mm=residual_mm,
            u_mm=point.u_mm,
        )
        for point, residual_mm in zip(points, residuals_mm.tolist(), strict=True)
    ]
    return NewPart("travel", origin, fit, rows, notes)


def _travel_notes(
    points: Sequence[GaugePoint], gauges: Standards, fit: PolynomialFit
) -> Iterator[Finding]:
    if any(p.u_mm is None for p in points):
        yield Finding.of("gauges_assumed", u_mm=ASSUMED_GAUGE_U_MM)
    if fit.coefficients[1] > 0.0:
        yield Finding.of("travel_corrected")
    low_mm, high_mm = float(gauges.known.min()), float(gauges.known.max())
    if gauges.span < NARROW_GAUGES_FRACTION * high_mm:
        yield Finding.of("gauges_narrow", low_mm=low_mm, high_mm=high_mm)
    if distinct(gauges.known).size == LEAST_GAUGES:
        yield Finding.of("two_gauges")


def step_note(mm_per_count: float, stated_mm_per_count: float | None) -> Finding:
    """Return how a scale's step as gauged compares with the one it states."""
    if stated_mm_per_count is None:
        return Finding("step_unchecked")
    kind = "step_off" if step_is_off(mm_per_count, stated_mm_per_count) else "step_agrees"
    steps = {"mm_per_count": mm_per_count, "stated_mm_per_count": stated_mm_per_count}
    return Finding(kind, steps)


def _standards(noun: str, unit: str, rows: list[tuple[float, float, float]]) -> Standards:
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return Standards(noun, unit, table[:, 0], table[:, 1], table[:, 2])


def _load_limit_kg(masses: Standards) -> float:
    return max(RESIDUAL_LIMIT_FRACTION * masses.span, RESIDUAL_LIMIT_SDS * float(masses.u.max()))


def _travel_limit_mm(gauges: Standards) -> float:
    known_mm = RESIDUAL_LIMIT_SDS * float(gauges.u.max())
    return max(RESIDUAL_LIMIT_FRACTION * gauges.span, TRAVEL_RESIDUAL_LIMIT_MM, known_mm)


def _refuse_turning_means(masses: Standards, means: Means) -> None:
    if np.ptp(means.counts) < 0.5 * np.ptp(masses.counts):
        raise _turning()


def _refuse_turning_curve(fit: PolynomialFit) -> None:
    at_ends = slope(fit, [fit.x_min, fit.x_max])
    if at_ends[0] * at_ends[1] <= 0.0:
        raise _turning()


def _turning() -> CoilbenchError:
    return CoilbenchError(
        "the points bend so much that the load would both rise and fall with the counts",
        hint="Check the cell for overload or a stop, then read the points again",
    )


def _load_notes(
    points: Sequence[LoadPoint],
    masses: Standards,
    residuals_kg: NDArray[np.float64],
    fit: PolynomialFit,
) -> Iterator[Finding]:
    if any(p.u_kg is None for p in points):
        yield Finding.of("masses_assumed", u_relative=ASSUMED_MASS_U_RELATIVE)
    if fit.degree > 1:
        yield Finding.of("cell_curved")
    if slope(fit, fit.x_min) < 0.0:
        yield Finding.of("load_corrected")
    share = float(np.ptp(masses.counts)) / ADC_LIMIT_COUNTS
    if share < WEAK_SPAN_FRACTION:
        yield Finding.of("weak_span", adc_share=share)
    low_kg, high_kg = float(masses.known.min()), float(masses.known.max())
    if low_kg > NEAR_ZERO_FRACTION * high_kg:
        yield Finding.of("no_light_mass", low_kg=low_kg, high_kg=high_kg)
    falling = np.array([p.direction == "down" for p in points])
    if falling.all() or not falling.any():
        yield Finding.of("masses_one_way")
    else:
        more_kg = float(residuals_kg[~falling].mean() - residuals_kg[falling].mean())
        yield Finding.of("going_down", more_kg=more_kg)
    yield from _order_notes(points)


def _order_notes(points: Sequence[LoadPoint]) -> Iterator[Finding]:
    against = [
        number
        for number, (before, point) in enumerate(pairwise(points), start=2)
        if (point.mass_kg < before.mass_kg and point.direction == "up")
        or (point.mass_kg > before.mass_kg and point.direction == "down")
    ]
    if against:
        point, before_kg = points[against[0] - 1], points[against[0] - 2].mass_kg
        known = {"mass_kg": point.mass_kg, "before_kg": before_kg, "direction": point.direction}
        yield Finding.of("out_of_order", point=against[0], **known)


def with_hidden_bend(
    line: PolynomialFit, x: NDArray[np.float64], y: NDArray[np.float64], typical: float
) -> PolynomialFit:
    """Return a line with the curvature that may be hidden in it.

    The uncertainty of the curvature from the points and the typical curvature, combined as
    independent evidence. A line fitted to a parabola follows it in part; the rest is hidden.

    Args:
        x, y: shape (n,), what it was fitted on.
        typical: the greatest departure of a parabola from the line between its ends, k = 1, as a
            fraction of the span of y.
    """
    unit = np.ones_like(x)
    u_bend = 4.0 * typical * float(np.ptp(y)) / float(np.ptp(x)) ** 2
    spare = x.size - 3
    if spare > 0 and distinct(x).size > 3 and line.residual_sd > 0.0:
        free = fit_polynomial(x, y, 2, unit * line.residual_sd)
        by_points = math.sqrt(free.covariance[2][2]) * widening(spare)
        u_bend = 1.0 / math.hypot(1.0 / u_bend, 1.0 / by_points)
    square = fit_polynomial(x, x**2, 1, unit).coefficients
    hidden = (-u_bend * square[0], -u_bend * square[1], u_bend)
    return replace(line, hidden_bend=hidden)
