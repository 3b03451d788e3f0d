"""Calibration: counts into newtons and millimetres, with what it is sure of. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from coilbench.capture.blocks import LoadBlock, RawBlock


@dataclass(frozen=True)
class PolynomialFit:
    """A polynomial with its covariance: y = sum of coefficients[i] * x**i.

    Attributes:
        coefficients: lowest power first; the unit of y over the unit of x to the power.
        covariance: shape (p, p), k = 1.
        residual_sd: standard deviation of the residuals, unit of y, n - p degrees of freedom.
        x_min, x_max: the range of x it was fitted on.
        points: how many points it was fitted on.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    x_min: float
    x_max: float
    points: int


@dataclass(frozen=True)
class Calibration:
    """Everything that turns a RawBlock into a LoadBlock.

    Attributes:
        load: load_n over load_counts.
        travel: height_mm over travel_counts, at no load.
        flex: how far the press gives, mm over N of load, through the origin
            (coefficients[0] is 0); None where it was not measured.
        load_u_relative: standard uncertainty (k = 1) of the reference masses, as a fraction.
    """

    load: PolynomialFit
    travel: PolynomialFit
    flex: PolynomialFit | None
    load_u_relative: float


def apply(calibration: Calibration, raw: RawBlock, zero_counts: float | None = None) -> LoadBlock:
    """Turn counts into load and height.

    height_mm = travel(travel_counts) + flex(load_n): the press gives under load, so that the
    quill moves further than the faces close.

    Args:
        calibration: the fits.
        raw: samples.
        zero_counts: load counts with nothing on the rig, measured just before; the fit's load
            at them is taken off. None keeps the calibration's own zero.
    """
    raise NotImplementedError
