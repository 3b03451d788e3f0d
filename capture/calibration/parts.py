"""Calibration parts as the book keeps them, made from points; and recalibration. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from coilbench.capture.blocks import Hello
from coilbench.capture.calibration.fit import (
    ASSUMED_GAUGE_U_MM,
    STANDARD_GRAVITY_M_S2,
    fit_load,
    fit_travel,
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

PartKind = Literal["load", "travel", "flex"]


@dataclass(frozen=True)
class PointRow:
    """One point that a part was fitted on, with its residual; unknown values are None.

    u_kg and u_mm: stated expanded uncertainty (k = 2) of the mass or the gauge.
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
    """A calibration part.

    Attributes:
        origin: `guided`, or the file it came from.
        reference_u_relative: load only: standard uncertainty that all masses share, a fraction.
        gravity_m_s2: load only: local gravity, with which the masses became loads.
        device_id, boot_id: the rig and its start, where known. An incremental scale's travel
            part is valid only for that start.
        notes: what was noticed while fitting, sentences without a full stop.
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
    """Fit the load; raises CoilbenchError as fit_load."""
    fitted = fit_load(points, gravity_m_s2)
    rows = [
        PointRow(
            direction=point.direction,
            mass_kg=point.mass_kg,
            load_counts=point.counts,
            residual_n=residual_n,
            u_kg=point.u_kg,
        )
        for point, residual_n in zip(points, fitted.residuals, strict=True)
    ]
    notes = (*fitted.notes, *_order_notes(points))
    return NewPart("load", origin, fitted.fit, rows, notes, fitted.shared_u_relative, gravity_m_s2)


def _order_notes(points: Sequence[LoadPoint]) -> list[str]:
    """Note masses whose order contradicts their direction."""
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
        f"{before.mass_kg:g} kg, marked {point.direction}. The curve is not affected, but up and "
        "down can be compared only where the points are in order"
    ]


def travel_part(points: Sequence[GaugePoint], origin: str) -> NewPart:
    """Fit the travel; raises CoilbenchError as fit_travel."""
    fitted = fit_travel(points)
    rows = [
        PointRow(
            length_mm=point.length_mm,
            travel_counts=point.counts,
            residual_mm=residual_mm,
            u_mm=point.u_mm,
        )
        for point, residual_mm in zip(points, fitted.residuals, strict=True)
    ]
    return NewPart("travel", origin, fitted.fit, rows, fitted.notes)


def flex_part(
    points: Sequence[FlexPoint], load_fit: PolynomialFit, travel_fit: PolynomialFit, origin: str
) -> NewPart:
    """Fit the press flex; raises CoilbenchError as fit_flex."""
    fitted = fit_flex(points, load_fit, travel_fit)
    rows = [
        PointRow(
            direction=point.direction,
            load_counts=point.load_counts,
            travel_counts=point.travel_counts,
            residual_mm=residual_mm,
        )
        for point, residual_mm in zip(points, fitted.residuals, strict=True)
    ]
    return NewPart("flex", origin, fitted.fit, rows, fitted.notes)


def datum_part(travel_fit: PolynomialFit, point: GaugePoint) -> NewPart:
    """Give a travel fit a new datum, keeping its scale factor.

    For an incremental scale that restarted: height = length + b (counts - counts at length). The
    old intercept drops out: its uncertainty is replaced by that of the length and its reading, and
    the scale factor's grows with the distance from the length (JCGM 100:2008, 5.1.2).

    Args:
        travel_fit: a straight line.
        point: one gauge length and its present reading.
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
    return NewPart("travel", "datum", fit, [row], ["New datum, same scale factor as before"])


def recalibrated(own: Calibration, other: Calibration, *, same_start: bool) -> Calibration:
    """Return another calibration, made valid for counts that were captured with their own.

    An incremental scale counts from where the rig was switched on, so a datum found at another
    start of the rig is not valid for them: then the other's scale factor is taken, and the datum
    of their own calibration.

    Args:
        own: the calibration that the counts were captured with.
        other: the one to read them with.
        same_start: both travel calibrations are of the same start of the rig.
    """
    if same_start:
        return other
    return replace(other, travel=_at_datum_of(own.travel, other.travel))


def _at_datum_of(own: PolynomialFit, other: PolynomialFit) -> PolynomialFit:
    """Give the other's slope the datum of the own calibration, at the middle of its range."""
    counts = 0.5 * (own.x_min + own.x_max)
    length_mm, u_mm = evaluate(own, counts)
    pinned = GaugePoint(float(length_mm), counts, 2.0 * float(u_mm))
    return datum_part(other, pinned).fit
