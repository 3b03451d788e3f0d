"""Points into the calibration parts that the book keeps. Pure.

Read old counts with another calibration, the datum they were captured at kept. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from coilbench.capture.calibration.fit import (
    ASSUMED_GAUGE_U_MM,
    STANDARD_GRAVITY_M_S2,
    fit_load,
    fit_travel,
    masses_u_relative,
)
from coilbench.capture.calibration.flex_fit import fit_flex
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.regression import (
    FlexPoint,
    GaugePoint,
    LoadPoint,
    PolynomialFit,
    evaluate,
)
from coilbench.capture.messages import Hello

PartKind = Literal["load", "travel", "flex"]


@dataclass(frozen=True)
class PointRow:
    """One point a part was fitted on, with what is left over; unknown values are None.

    u_kg and u_mm are the expanded uncertainty (k = 2) stated of the mass or the gauge.
    """

    direction: str | None = None
    mass_kg: float | None = None
    length_mm: float | None = None
    load_counts: float | None = None
    travel_counts: float | None = None
    residual_n: float | None = None
    residual_mm: float | None = None
    u_kg: float | None = None
    u_mm: float | None = None


@dataclass(frozen=True)
class NewPart:
    """A part as it was just made.

    Attributes:
        origin: `guided`, or the file it came from.
        reference_u_relative: for load: the masses' standard uncertainty as a fraction.
        gravity_m_s2: for load: the gravity that the masses were taken to press with.
        device_id, boot_id: the rig and its start, where known. An incremental scale's travel
            part is true only for that start.
        notes: what was noticed while fitting, in words.
    """

    kind: PartKind
    origin: str
    fit: PolynomialFit
    points: Sequence[PointRow]
    notes: Sequence[str] = ()
    reference_u_relative: float = 0.0
    gravity_m_s2: float | None = None
    device_id: str | None = None
    boot_id: int | None = None

    def on(self, hello: Hello) -> NewPart:
        """Return the part as read on a certain rig."""
        return replace(self, device_id=hello.device_id, boot_id=hello.boot_id)


def load_part(
    points: Sequence[LoadPoint], origin: str, gravity_m_s2: float = STANDARD_GRAVITY_M_S2
) -> NewPart:
    """Fit the load; raises CoilbenchError where the points make no sense."""
    fit, residuals_n, notes = fit_load(points, gravity_m_s2)
    rows = [
        PointRow(
            direction=point.direction,
            mass_kg=point.mass_kg,
            load_counts=point.counts,
            residual_n=residual_n,
            u_kg=point.u_kg,
        )
        for point, residual_n in zip(points, residuals_n, strict=True)
    ]
    return NewPart(
        "load",
        origin,
        fit,
        rows,
        (*notes, *_order_notes(points)),
        masses_u_relative(points),
        gravity_m_s2,
    )


def _order_notes(points: Sequence[LoadPoint]) -> list[str]:
    """Say which masses were read in another order than their direction tells."""
    against = [
        number
        for number, (before, point) in enumerate(pairwise(points), start=2)
        if (point.mass_kg < before.mass_kg and point.direction == "up")
        or (point.mass_kg > before.mass_kg and point.direction == "down")
    ]
    if not against:
        return []
    point, before = points[against[0] - 1], points[against[0] - 2]
    return [
        f"Masses out of order: point {against[0]} is {point.mass_kg:g} kg after "
        f"{before.mass_kg:g} kg, marked {point.direction}. The curve does not mind; up against "
        "down can be told only from points in their order"
    ]


def travel_part(points: Sequence[GaugePoint], origin: str) -> NewPart:
    """Fit the travel; raises CoilbenchError where the points make no sense."""
    fit, residuals_mm, notes = fit_travel(points)
    rows = [
        PointRow(
            length_mm=point.length_mm,
            travel_counts=point.counts,
            residual_mm=residual_mm,
            u_mm=point.u_mm,
        )
        for point, residual_mm in zip(points, residuals_mm, strict=True)
    ]
    return NewPart("travel", origin, fit, rows, notes)


def flex_part(
    points: Sequence[FlexPoint], load_fit: PolynomialFit, travel_fit: PolynomialFit, origin: str
) -> NewPart:
    """Fit the press flex; raises CoilbenchError where the points make no sense."""
    fit, residuals_mm, notes = fit_flex(points, load_fit, travel_fit)
    rows = [
        PointRow(
            direction=point.direction,
            load_counts=point.load_counts,
            travel_counts=point.travel_counts,
            residual_mm=residual_mm,
        )
        for point, residual_mm in zip(points, residuals_mm, strict=True)
    ]
    return NewPart("flex", origin, fit, rows, notes)


def datum_part(travel_fit: PolynomialFit, point: GaugePoint) -> NewPart:
    """Give a travel fit a new datum, keeping its scale factor.

    For an incremental scale that began anew: height = length + b (counts - counts at length).
    The old intercept drops out, so that the length and its reading take the place of its
    uncertainty, and the scale factor's weighs with the distance from the length
    (JCGM 100:2008, 5.1.2).

    Args:
        travel_fit: a straight line.
        point: one gauge length as it reads now.
    """
    a, b = travel_fit.coefficients
    counts, length_mm = point.counts, point.length_mm
    shift = counts - (length_mm - a) / b
    var_b = travel_fit.covariance[1][1]
    expanded_mm = ASSUMED_GAUGE_U_MM if point.u_mm is None else point.u_mm
    reading_u_mm = math.hypot(travel_fit.residual_sd, b / math.sqrt(12.0))  # scatter, and a step
    var_length = (expanded_mm / 2.0) ** 2 + reading_u_mm**2
    cov_ab = -counts * var_b
    fit = replace(
        travel_fit,
        coefficients=(length_mm - b * counts, b),
        covariance=((var_length + counts**2 * var_b, cov_ab), (cov_ab, var_b)),
        x_min=travel_fit.x_min + shift,
        x_max=travel_fit.x_max + shift,
    )
    row = PointRow(length_mm=length_mm, travel_counts=counts, residual_mm=0.0, u_mm=point.u_mm)
    return NewPart("travel", "datum", fit, [row], ["New datum, the scale factor as before"])


def recalibrated(own: Calibration, other: Calibration, *, same_start: bool) -> Calibration:
    """Return the other calibration, made fit for counts that were captured under their own.

    An incremental scale counts from where the rig was switched on: a datum found at another start
    of the rig is of no use for them. The other's scale factor is taken then, and the place of the
    faces from their own calibration.

    Args:
        own: what the counts were captured with.
        other: what they are to be read with.
        same_start: both travel calibrations are of the same start of the rig.
    """
    if same_start:
        return other
    return replace(other, travel=_at_datum_of(own.travel, other.travel))


def _at_datum_of(own: PolynomialFit, other: PolynomialFit) -> PolynomialFit:
    """Pin the other's slope where the own calibration is surest: the middle of its range."""
    counts = 0.5 * (own.x_min + own.x_max)
    length_mm, u_mm = evaluate(own, counts)
    pinned = GaugePoint(float(length_mm), counts, 2.0 * float(u_mm))
    return datum_part(other, pinned).fit
