"""Calibration: counts into newtons and millimetres, with their uncertainty. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.blocks import LOAD_DTYPE, LoadBlock, RawBlock
from coilbench.capture.calibration.lag import Press
from coilbench.capture.calibration.regression import PolynomialFit, evaluate, slope, value
from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class Calibration:
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
        inside = np.clip(load, 0.0, top_n)
        at = np.maximum(inside, max(self.flex.x_min, np.finfo(np.float64).tiny))
        return value(self.flex, at) * (inside / at) + slope(self.flex, top_n) * beyond


@dataclass(frozen=True)
class InstrumentUncertainty:
    """Uncertainty of a single reading of the rig, k = 1.

    Attributes:
        load_u_n: the constant part, N: calibration curve, repeatability.
        load_u_relative: the part proportional to the load, as a fraction: reference masses.
        height_u_mm: of a height, mm: gauge lengths, repeatability, flex.
    """

    load_u_n: float
    load_u_relative: float
    height_u_mm: float


def convert(
    calibration: Calibration, samples: NDArray[np.void], zero_counts: float | None = None
) -> Press:
    """Turn counts into load and travel: the one place where it is done.

    Args:
        calibration: the fits.
        samples: shape (n,), RAW_DTYPE.
        zero_counts: load counts with nothing on the rig, measured just before; the load at
            them is subtracted. None keeps the calibration's own zero.

    Raises:
        ValueError: zero_counts is not finite.
    """
    load_n = value(calibration.load, samples["load_counts"])
    if zero_counts is not None:
        if not math.isfinite(zero_counts):
            raise ValueError(f"zero_counts must be finite, not {zero_counts}")
        load_n = load_n - value(calibration.load, zero_counts)
    return Press(
        (samples["t_us"] - samples["t_us"][:1]) * 1e-6,
        load_n,
        value(calibration.travel, samples["travel_counts"]),
        calibration.flex_mm(load_n),
    )


def apply(calibration: Calibration, raw: RawBlock, zero_counts: float | None = None) -> LoadBlock:
    """Turn counts into load and height; see convert.

    height_mm = travel(travel_counts) + flex(load_n): the press deflects under load, so the quill
    moves further than the faces close.
    """
    press = convert(calibration, raw.samples, zero_counts)
    out = np.empty(len(raw), dtype=LOAD_DTYPE)
    out["t_s"], out["load_n"] = press.t_s, press.load_n
    out["height_mm"] = press.travel_mm + press.flex_mm
    out["flags"] = raw.samples["flags"]
    return LoadBlock(out)


def instrument_uncertainty(calibration: Calibration) -> InstrumentUncertainty:
    """Return three numbers that hold over the calibration's whole range.

    The fits' uncertainty at the worst point of their range and the scatter of a single reading,
    added as squares (JCGM 100:2008, 5.1.2); of a load above the zero, as `apply` gives it.
    """
    load, travel, flex = calibration.load, calibration.travel, calibration.flex
    ends = np.array([load.x_min, load.x_max])
    zero_counts = float(ends[np.argmin(np.abs(value(load, ends)))])
    _, load_u = evaluate(load, np.linspace(load.x_min, load.x_max, 21), minus_x=zero_counts)
    height_u = float(evaluate(travel, [travel.x_min, travel.x_max])[1].max())
    flex_u = 0.0 if flex is None else float(evaluate(flex, flex.x_max)[1])
    flex_sd = 0.0 if flex is None else flex.residual_sd
    return InstrumentUncertainty(
        load_u_n=math.hypot(float(load_u.max()), load.residual_sd),
        load_u_relative=calibration.load_u_relative,
        height_u_mm=math.hypot(height_u, travel.residual_sd, flex_u, flex_sd),
    )


def fit_to_document(fit: PolynomialFit) -> dict[str, Any]:
    """Return a fit for JSON; `fit_from_document` reads it back."""
    return asdict(fit)


def fit_from_document(document: Mapping[str, Any]) -> PolynomialFit:
    """Return the fit that `fit_to_document` wrote, bit for bit; other keys are ignored.

    Raises:
        CoilbenchError: something is missing, of the wrong type or not finite.
    """
    try:
        return _fit_from(document)
    except KeyError as missing:
        raise _unreadable(f"it has no {missing}") from missing
    except (TypeError, ValueError) as wrong:
        raise _unreadable(str(wrong)) from wrong


def _unreadable(why: str) -> CoilbenchError:
    return CoilbenchError(
        f"the stored calibration cannot be read: {why}",
        hint="Calibrate again with: coilbench rig weigh, gauge and flex",
    )


def _finite(name: str, number: Any) -> float:
    if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
        raise ValueError(f"{name} is {number!r}, not a finite number")
    return float(number)


def _finite_or_none(document: Mapping[str, Any], name: str) -> float | None:
    number = document.get(name)
    return None if number is None else _finite(name, number)


def _fit_from(document: Mapping[str, Any]) -> PolynomialFit:
    coefficients = tuple(_finite("a coefficient", c) for c in document["coefficients"])
    covariance = tuple(
        tuple(_finite("a covariance", c) for c in row) for row in document["covariance"]
    )
    size = len(coefficients)
    if size == 0 or len(covariance) != size or any(len(row) != size for row in covariance):
        raise ValueError(f"its {size} coefficients have a covariance of another size")
    return PolynomialFit(
        coefficients=coefficients,
        covariance=covariance,
        residual_sd=_finite("residual_sd", document["residual_sd"]),
        x_min=_finite("x_min", document["x_min"]),
        x_max=_finite("x_max", document["x_max"]),
        points=int(_finite("points", document["points"])),
        hidden_bend=tuple(_finite("hidden_bend", c) for c in document.get("hidden_bend", ())),
        widened=_finite("widened", document.get("widened", 1.0)),
        degrees_of_freedom=_finite_or_none(document, "degrees_of_freedom"),
    )
