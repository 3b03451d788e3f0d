"""Calibrations and their parts: counts into newtons and millimetres, with uncertainty. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np
from msgspec.structs import asdict, replace
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.blocks import Finding, Hello
from coilbench.capture.calibration.known_points import GaugePoint, MassesErr
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate, slope, value
from coilbench.capture.errors import CoilbenchError

_LEAST = float(np.finfo(np.float64).tiny)

PartKind = Literal["load", "travel", "flex"]


class Calibration(msgspec.Struct, frozen=True, dict=True):
    """Everything that turns a RawBlock into a LoadBlock.

    Attributes:
        load: load_n over load_counts.
        travel: height_mm over travel_counts, at no load.
        flex: deflection of the press, mm over N of load, from the lightest load measured;
            None where it was not measured.
        load_u_relative: standard uncertainty (k = 1) of the reference masses, as a fraction.
    """

    load: PolynomialFit
    travel: PolynomialFit
    flex: PolynomialFit | None
    load_u_relative: float

    def flex_mm(self, load_n: ArrayLike) -> NDArray[np.float64]:
        """Return the deflection of the press under a load, mm, the shape of load_n.

        0 without load or without a flex calibration, and linear from there to the lightest load
        measured. Above the measured loads it is linear with the slope at the highest of them.
        """
        load = np.asarray(load_n, dtype=np.float64)
        if self.flex is None:
            return np.zeros_like(load)
        top_n = self.flex.x_max
        beyond = np.maximum(load - top_n, 0.0)
        inside = np.minimum(np.maximum(load, 0.0), top_n)
        at = np.maximum(inside, max(self.flex.x_min, _LEAST))
        return value(self.flex, at) * (inside / at) + self._flex_above * beyond

    @cached_property
    def _flex_above(self) -> float:
        return 0.0 if self.flex is None else float(slope(self.flex, self.flex.x_max))

    @cached_property
    def uncertainty(self) -> InstrumentUncertainty:
        """Three numbers that hold over the calibration's whole range.

        The fits' uncertainty at the worst point of their range and the scatter of a single reading,
        added as squares (JCGM 100:2008, 5.1.2); of a load above the zero, as `apply` gives it.
        """
        load, travel, flex = self.load, self.travel, self.flex
        ends = np.array([load.x_min, load.x_max])
        zero_counts = float(ends[np.argmin(np.abs(value(load, ends)))])
        _, load_u = evaluate(load, np.linspace(load.x_min, load.x_max, 21), minus_x=zero_counts)
        height_u = float(evaluate(travel, [travel.x_min, travel.x_max])[1].max())
        flex_u = 0.0 if flex is None else float(evaluate(flex, flex.x_max)[1])
        flex_sd = 0.0 if flex is None else flex.residual_sd
        return InstrumentUncertainty(
            load_u_n=math.hypot(float(load_u.max()), load.residual_sd),
            load_u_relative=self.load_u_relative,
            height_u_mm=math.hypot(height_u, travel.residual_sd, flex_u, flex_sd),
        )

    def for_counts_of(self, own: Calibration, *, same_start: bool) -> Calibration:
        """Return this calibration, made valid for counts that were captured with their own.

        An incremental scale counts from where the rig was switched on, so a datum found at another
        start of the rig is not valid for them: then this one's scale factor is taken, and the datum
        of their own calibration.

        Args:
            own: the calibration that the counts were captured with.
            same_start: both travel calibrations are of the same start of the rig.
        """
        if same_start:
            return self
        return replace(self, travel=_at_datum_of(own.travel, self.travel))


class InstrumentUncertainty(msgspec.Struct, frozen=True):
    """Uncertainty of a single reading of the rig, k = 1.

    Attributes:
        load_u_n: the constant part, N: calibration curve, repeatability.
        load_u_relative: the part proportional to the load, as a fraction: reference masses.
        height_u_mm: of a height, mm: gauge lengths, repeatability, flex.
    """

    load_u_n: float
    load_u_relative: float
    height_u_mm: float


class PointRow(msgspec.Struct, frozen=True):
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


class NewPart(msgspec.Struct, frozen=True):
    """A calibration part.

    Attributes:
        origin: `guided`, or the file it came from.
        reference_u_relative: load only: standard uncertainty that all masses share, a fraction.
        gravity_m_s2: load only: local gravity, with which the masses became loads.
        masses_err: load only: whether the masses err each by itself or together; None in parts of
            older programs, which took them together.
        device_id, boot_id: the rig and its start, where known. An incremental scale's travel
            part is valid only for that start.
        notes: what was noticed while fitting; sentences in books of older programs.
    """

    kind: PartKind
    origin: str
    fit: PolynomialFit
    points: Sequence[PointRow]
    notes: Sequence[Finding | str] = ()
    reference_u_relative: float = 0.0
    gravity_m_s2: float | None = None
    device_id: str | None = None
    boot_id: int | None = None
    masses_err: MassesErr | None = None

    def on(self, hello: Hello) -> NewPart:
        """Return the part as read on a certain rig."""
        return replace(self, device_id=hello.device_id, boot_id=hello.boot_id)

    def noted(self, note: Finding | None) -> NewPart:
        """Return the part with one note more; None for none."""
        return self if note is None else replace(self, notes=(*self.notes, note))


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
    reading_u_mm = math.hypot(travel_fit.residual_sd, b / math.sqrt(12.0))  # scatter, and a step
    var_length = point.standard_u_mm**2 + reading_u_mm**2
    cov_ab = -counts * var_b
    fit = replace(
        travel_fit,
        coefficients=(length_mm - b * counts, b),
        covariance=((var_length + counts**2 * var_b, cov_ab), (cov_ab, var_b)),
        x_min=travel_fit.x_min + shift,
        x_max=travel_fit.x_max + shift,
    )
    row = PointRow(length_mm=length_mm, travel_counts=counts, residual_mm=0.0, u_mm=point.u_mm)
    return NewPart("travel", "datum", fit, [row], [Finding.of("datum_new")])


def datum_moved(standing: PolynomialFit, new: PolynomialFit, counts: float) -> tuple[float, float]:
    """Return how much higher heights are by a new datum, and its expanded uncertainty (k = 2), mm.

    Args:
        standing, new: travel fits.
        counts: where the new datum was read; what both know there is independent.
    """
    (before_mm, before_u), (now_mm, now_u) = (evaluate(fit, counts) for fit in (standing, new))
    return float(now_mm - before_mm), 2.0 * math.hypot(float(before_u), float(now_u))


def _at_datum_of(own: PolynomialFit, other: PolynomialFit) -> PolynomialFit:
    """Give the other's slope the datum of the own calibration, at the middle of its range."""
    counts = 0.5 * (own.x_min + own.x_max)
    length_mm, u_mm = evaluate(own, counts)
    pinned = GaugePoint(float(length_mm), counts, 2.0 * float(u_mm))
    return datum_part(other, pinned).fit


def fit_to_json(fit: PolynomialFit) -> str:
    """Return a fit as the book keeps it; `fit_from_json` reads it back."""
    return json.dumps(asdict(fit))


def fit_from_json(text: str) -> PolynomialFit:
    """Return the fit that `fit_to_json` wrote, bit for bit; other keys are ignored.

    Raises:
        CoilbenchError: something is missing, of the wrong type or not finite.
    """
    try:
        fit = msgspec.json.decode(text, type=PolynomialFit)  # knows no NaN and no infinity
        size = len(fit.coefficients)
        if size == 0 or [len(row) for row in fit.covariance] != [size] * size:
            raise ValueError(f"its {size} coefficients have a covariance of another size")
    except ValueError as wrong:
        raise CoilbenchError(
            f"the stored calibration cannot be read: {wrong}",
            hint="Calibrate again with: coilbench rig weigh, gauge and flex",
        ) from wrong
    return fit
