"""A smoothing spline whose slope and curvature come with their uncertainty. Pure.

It minimises the sum of squared residuals plus lambda times the integral of the m-th derivative
squared; lambda is the one of generalised cross-validation (Craven and Wahba, 1979), each degree
of freedom counted 1.4 times. Uncertainty: the spline is the mean of a posterior with covariance
s^2 (B'B + lambda P)^-1 (Wahba, 1983), whose intervals hold the truth about as often as they say,
on average over the curve, bias and all (Nychka, 1988).
m = 3, a quintic spline, is taken where a second derivative is wanted: m = 2, the cubic one, holds
the second derivative itself down. References from memory; SciPy's cubic one is the check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve

Array = NDArray[np.float64]
ORDER = 3  # derivative that is held down; the spline's degree is 2 m - 1
LEAST_POINTS = 12
POWERS = np.arange(-9.0, 9.1, 0.5).tolist()  # of ten, lambdas tried, for points one apart
DEARNESS = 1.4  # of a degree of freedom, against curves that follow the scatter: Kim and Gu, 2004
MOST_SPANS = 150  # between knots; a lift curve has no detail that is finer


@dataclass(frozen=True)
class SmoothingSpline:
    """A fitted spline.

    Attributes:
        knots: of its B-splines, in steps of the mean distance between points.
        coefficients: of them.
        factor: Cholesky factor of B'B + lambda P, as cho_factor gives it, upper.
        sigma: standard deviation of the points about the curve.
        freedom: degrees of freedom left for it, n - tr H.
        start, step: of the abscissa: first point, mean distance between points.
    """

    knots: Array
    coefficients: Array
    factor: Array
    sigma: float
    freedom: float
    start: float
    step: float

    @property
    def finest(self) -> float:
        """Distance over which the curve has one degree of freedom: what is finer it can't show."""
        points = round((float(self.knots[-1]) - float(self.knots[0])) + 1.0)
        return self.step * (points - 1) / (points - self.freedom)

    @property
    def degree(self) -> int:
        """Degree of the spline."""
        return len(self.knots) - len(self.coefficients) - 1

    def at(self, x: Array, derivative: int = 0) -> tuple[Array, Array]:
        """The curve or a derivative of it, and its standard uncertainty.

        Args:
            x: where, within the points, shape (n,).
            derivative: 0 for the curve itself.

        Returns:
            Two arrays, shape (n,) each.
        """
        rows = _design((x - self.start) / self.step, self.knots, self.degree, derivative)
        rows /= self.step**derivative
        spread = np.einsum("ij,ji->i", rows, cho_solve((self.factor, False), rows.T))
        return rows @ self.coefficients, self.sigma * np.sqrt(np.maximum(spread, 0.0))


def fit_smoothing_spline(
    x: Array, y: Array, lam: float | None = None, order: int = ORDER, least_sigma: float = 0.0
) -> SmoothingSpline:
    """Fit a smoothing spline.

    Args:
        x: ascending, shape (n,), at least LEAST_POINTS of them.
        y: shape (n,).
        lam: the smoothing parameter, in units of x; found by generalised cross-validation
            where None. There is a knot at every point, or at MOST_SPANS + 1 of them.
        order: the derivative that is held down.
        least_sigma: what the points scatter at least, from the step they are written in.
    """
    step = float(x[-1] - x[0]) / (len(x) - 1)
    unit = (x - x[0]) / step
    degree = 2 * order - 1
    breaks = unit[np.linspace(0, len(unit) - 1, min(len(unit), MOST_SPANS + 1)).round().astype(int)]
    knots = np.concatenate((np.repeat(unit[0], degree), breaks, np.repeat(unit[-1], degree)))
    design = _design(unit, knots, degree, 0)
    gram, penalty, moments = design.T @ design, _penalty(breaks, knots, order), design.T @ y
    count = len(x)

    def solved(each: float) -> tuple[Array, Array, float, float]:
        factor, _ = cho_factor(gram + each * penalty)
        coefficients = cho_solve((factor, False), moments)
        freedom = count - float(np.trace(cho_solve((factor, False), gram)))
        return coefficients, factor, float(np.sum((y - design @ coefficients) ** 2)), freedom

    def cross_validation(each: float) -> float:
        _, _, squares, freedom = solved(each)
        left = count - DEARNESS * (count - freedom)
        return squares / left**2 if left > 0.0 else math.inf

    if lam is None:
        scaled = min((10.0**power for power in POWERS), key=cross_validation)
    else:
        scaled = lam / step ** (2 * order - 1)
    coefficients, factor, squares, freedom = solved(scaled)
    sigma = max(float(np.sqrt(squares / freedom)), least_sigma)
    return SmoothingSpline(knots, coefficients, factor, sigma, freedom, float(x[0]), step)


def _design(unit: Array, knots: Array, degree: int, derivative: int) -> Array:
    """Values of every B-spline, or of a derivative, shape (n, number of them)."""
    basis = BSpline(knots, np.eye(len(knots) - degree - 1), degree)
    return np.asarray(basis(unit, nu=derivative), dtype=np.float64)


def _penalty(breaks: Array, knots: Array, order: int) -> Array:
    """Integrals of products of the m-th derivatives, exact by Gauss and Legendre's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    halves = np.diff(breaks) / 2.0
    places = (breaks[:-1] + halves)[:, None] + halves[:, None] * nodes
    rows = _design(places.ravel(), knots, 2 * order - 1, order)
    return np.asarray((rows * (halves[:, None] * weights).ravel()[:, None]).T @ rows)
