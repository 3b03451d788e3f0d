"""What a calibration is made from, and what a fit of it returns. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from coilbench.capture.calibration.regression import PolynomialFit

Direction = Literal["up", "down"]


@dataclass(frozen=True)
class LoadPoint:
    """A known mass on the cell.

    Attributes:
        mass_kg: what is on it, 0 or more.
        counts: the mean reading.
        direction: whether the mass was reached going up or down.
        u_kg: expanded uncertainty (k = 2) of the mass; None where it is not known.
    """

    mass_kg: float
    counts: float
    direction: Direction = "up"
    u_kg: float | None = None


@dataclass(frozen=True)
class GaugePoint:
    """A known length between the faces.

    Attributes:
        length_mm: the gauge's length, 0 or more (0: the faces touch).
        counts: the mean travel reading.
        u_mm: expanded uncertainty (k = 2) of the length; None where it is not known.
    """

    length_mm: float
    counts: float
    u_mm: float | None = None


@dataclass(frozen=True)
class FlexPoint:
    """A reading while pressing on a solid block.

    Attributes:
        load_counts, travel_counts: one sample, or the mean of some.
        direction: whether the load was rising or falling; None: rising up to the largest load
            of the series, in the order of the points, and falling after it.
    """

    load_counts: float
    travel_counts: float
    direction: Direction | None = None


class Fitted(NamedTuple):
    """A fit, what it leaves, and what the user should know about it.

    Attributes:
        fit: the polynomial, its covariance wide enough for k = 2 to mean 95 %.
        residuals: one a point, known less fitted, N or mm; None where a point was not used.
        notes: sentences without a full stop.
    """

    fit: PolynomialFit
    residuals: tuple[float | None, ...]
    notes: tuple[str, ...]
