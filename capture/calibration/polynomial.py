"""A fitted polynomial and its covariance: value, slope, uncertainty, its JSON in the book. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

Reals = float | NDArray[np.float64]  # one, or many


class PolynomialFit(msgspec.Struct, frozen=True, dict=True):
    """A polynomial with its covariance: y = sum of coefficients[i] * x**i.

    Attributes:
        coefficients: lowest power first; the unit of y over the unit of x to the power.
        covariance: shape (p, p), k = 1.
        residual_sd: standard deviation of the residuals, unit of y, n - p degrees of freedom;
            0 where n = p, where there is no residual.
        x_min, x_max: the range of x it was fitted on.
        widened: the factor (on standard uncertainties) by which the covariance was enlarged so that
            k = 2 holds 95 % with few points; divide it out to use Student's factor for
            degrees_of_freedom instead.
        degrees_of_freedom: of the covariance before that; None where they are many.
        hidden_bend: curvature that the points of a line cannot show: coefficients of a parabola,
            lowest power first, by which the truth may depart from the line, k = 1; else empty.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    x_min: float
    x_max: float
    points: int
    hidden_bend: tuple[float, ...] = ()
    widened: float = 1.0
    degrees_of_freedom: float | None = None

    @property
    def degree(self) -> int:
        """The highest power."""
        return len(self.coefficients) - 1

    @cached_property
    def unwidened(self) -> NDArray[np.float64]:
        """The covariance, shape (p, p), without what few points add: see degrees_of_freedom."""
        return np.array(self.covariance) / self.widened**2

    def value_at(self, x: Reals) -> Reals:
        """Return value at x; at one x far sooner than an array of one."""
        total: Reals = 0.0
        for c in reversed(self.coefficients):
            total = total * x + c
        return total

    def slope_at(self, x: Reals) -> Reals:
        """Return slope at x, as value_at."""
        total: Reals = 0.0
        for power in range(self.degree, 0, -1):
            total = total * x + power * self.coefficients[power]
        return total

    def hidden_at(self, x: Reals, minus_x: Reals) -> Reals:
        """Return hidden_departure at x, as value_at."""
        return sum(c * (x**power - minus_x**power) for power, c in enumerate(self.hidden_bend))


def value(fit: PolynomialFit, x: ArrayLike) -> NDArray[np.float64]:
    """Return the polynomial at x, the shape of x."""
    return _horner(fit.coefficients, x)


def slope(fit: PolynomialFit, x: ArrayLike) -> NDArray[np.float64]:
    """Return the polynomial's first derivative at x, the shape of x."""
    return _horner([power * c for power, c in enumerate(fit.coefficients)][1:], x)


def _horner(coefficients: Sequence[float], x: ArrayLike) -> NDArray[np.float64]:
    """Return a polynomial at x, lowest coefficient first; 0 where there is none.

    NumPy's own polyval takes twice as long on a few samples, and a capture converts such all day.
    """
    at = np.asarray(x, dtype=np.float64)
    *lower, y = coefficients or (0.0,)
    if not lower:
        return np.full_like(at, y)
    total = y * at + lower[-1]
    for c in lower[-2::-1]:
        total = total * at + c
    return np.asarray(total)


def evaluate(
    fit: PolynomialFit, x: ArrayLike, minus_x: float | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the polynomial at x and its standard uncertainty (k = 1).

    The uncertainty is that of the coefficients, kept correlated (JCGM 100:2008, 5.2.2 and H.3);
    the scatter of a single reading is not in it.

    Args:
        minus_x: subtract the polynomial at this x; what both have in common cancels.
    """
    at = np.asarray(x, dtype=np.float64)
    powers = np.arange(len(fit.coefficients))
    y = value(fit, at)
    gradient = at[..., None] ** powers
    if minus_x is not None:
        y = y - value(fit, minus_x)
        gradient = gradient - float(minus_x) ** powers
    variance = np.einsum("...i,ij,...j->...", gradient, np.array(fit.covariance), gradient)
    return y, np.sqrt(np.maximum(variance, 0.0))


def hidden_departure(
    fit: PolynomialFit, x: ArrayLike, minus_x: float | None = None
) -> NDArray[np.float64]:
    """Return how far the hidden bend may move the value at x, k = 1; signed, fully correlated.

    minus_x as in evaluate.
    """
    bend = replace(fit, coefficients=fit.hidden_bend)
    departure = value(bend, x)
    return departure if minus_x is None else departure - value(bend, minus_x)
