"""Polynomial least squares: the fit, the degree that points demand, hidden curvature. Pure."""

from __future__ import annotations

import math

import numpy as np
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate
from coilbench.capture.calibration.statistics import f_tail, widening

# A higher term must be this unlikely to be chance before it is taken: common practice, no source.
NEEDLESS_CHANCE = 0.01
# A scale's stated step is true to some per mille: further off, a gauge is not what it is taken for.
# Ours, no source.
STEP_SHARE = 0.05


def fit_polynomial(
    x: ArrayLike, y: ArrayLike, degree: int, u_y: ArrayLike | None = None
) -> PolynomialFit:
    """Fit a polynomial by (weighted) least squares.

    x is centred and scaled before an orthogonal (QR) decomposition, so that ADC counts in the
    millions keep their digits; the result is in the x that was given.

    Args:
        x, y: shape (n,), n above the degree.
        degree: 0 or more.
        u_y: shape (n,), standard uncertainties (k = 1) of y, independent of each other. They
            weight the points, and the covariance is theirs alone. None: every point weighs the
            same and the covariance is scaled by the residuals (JCGM 100:2008, H.3), which needs
            more points than coefficients.

    Raises:
        ValueError: shapes that do not match, numbers that are not finite, a u_y that is not
            positive, or too few points or distinct x for the degree.
    """
    x_in, y_in = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    weight = np.ones_like(x_in) if u_y is None else 1.0 / _positive(u_y)
    _refuse_unfit(x_in, y_in, weight, degree, spare=1 if u_y is None else 0)

    centre = float(x_in.mean())
    scale = float(np.abs(x_in - centre).max()) if degree else 1.0
    design = np.vander((x_in - centre) / scale, degree + 1, increasing=True)
    q, r = np.linalg.qr(design * weight[:, None])
    r_inverse = np.linalg.inv(r)
    in_scaled = r_inverse @ (q.T @ (y_in * weight))
    residuals = y_in - design @ in_scaled

    spare = x_in.size - degree - 1
    residual_sd = math.sqrt(float(residuals @ residuals) / spare) if spare else 0.0
    back = _unscaling(degree, centre, scale)
    half = back @ r_inverse * (residual_sd if u_y is None else 1.0)
    covariance = half @ half.T
    return PolynomialFit(
        coefficients=tuple(float(c) for c in back @ in_scaled),
        covariance=tuple(tuple(float(c) for c in row) for row in covariance),
        residual_sd=residual_sd,
        x_min=float(x_in.min()),
        x_max=float(x_in.max()),
        points=int(x_in.size),
    )


def chance_of_needless_term(simpler: PolynomialFit, richer: PolynomialFit) -> float:
    """Return the chance of so much improvement if the extra term is truly zero.

    The extra-sum-of-squares F-test (Draper and Smith, Applied Regression Analysis) on two
    unweighted fits of the same points, the richer with more coefficients and points to spare.
    """
    simple_spare = simpler.points - len(simpler.coefficients)
    rich_spare = richer.points - len(richer.coefficients)
    rich_variance = richer.residual_sd**2
    gain = simple_spare * simpler.residual_sd**2 - rich_spare * rich_variance
    if gain <= 0.0:
        return 1.0
    if rich_variance == 0.0:
        return 0.0
    extra = simple_spare - rich_spare
    return f_tail(extra, rich_spare, gain / extra / rich_variance)


def fit_with_scatter(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    degree: int,
    u_y: NDArray[np.float64],
    resolution: float,
    seen_u: NDArray[np.float64] | None = None,
) -> PolynomialFit:
    """Fit with known uncertainties and the scatter that the points show beyond them.

    The scatter's variance is that of the unweighted residuals less the mean known variance (method
    of moments), and never less than the resolution's (rectangular, JCGM 100:2008, F.2.2.1). From
    few points it may come out small by luck: Student's factor (JCGM 100:2008, G.3) widens it, so
    that k = 2 holds 95 %.

    Args:
        x, y: shape (n,), n above the degree.
        u_y: shape (n,), known standard uncertainties of y, independent; 0 is allowed.
        resolution: smallest step of y, above 0.
        seen_u: shape (n,), standard uncertainties estimated from the points themselves, with about
            as few degrees of freedom as the fit has; None for none.
    """
    seen = np.zeros_like(x) if seen_u is None else seen_u
    unweighted = fit_polynomial(x, y, degree, np.ones_like(x))
    spare = x.size - degree - 1
    left = unweighted.residual_sd**2 - float(np.mean(u_y**2 + seen**2))
    scatter, least = math.sqrt(max(left, 0.0)), resolution / math.sqrt(12.0)
    student = widening(spare)

    def fit(factor: float) -> PolynomialFit:
        few = np.hypot(max(factor * scatter, least), factor * seen)
        return fit_polynomial(x, y, degree, np.hypot(few, u_y))

    plain, wide = fit(1.0), fit(student)
    widened = math.sqrt(_mean_variance(wide, x) / _mean_variance(plain, x))
    by_few = scatter**2 + float(np.mean(seen**2))
    share = by_few / (by_few + float(np.mean(u_y**2)) + least**2)
    freedom = spare / share**2 if spare and share > 0.0 else None
    return replace(plain, covariance=wide.covariance, widened=widened, degrees_of_freedom=freedom)


def _mean_variance(fit: PolynomialFit, x: NDArray[np.float64]) -> float:
    return float(np.mean(np.square(evaluate(fit, x)[1])))


def degree_demanded(
    x: NDArray[np.float64], y: NDArray[np.float64], resolution: float, most: int = 2
) -> int:
    """Return the degree that the points demand, at least 1.

    By the F-test at 1 % of the next degree, and of the one after it for curves that are odd
    functions; a fit whose residuals are already below the resolution of y goes no higher.

    Args:
        x, y: shape (n,), n at least most + 2, with at least most + 1 distinct x.
        resolution: smallest step of y, above 0.
        most: the highest degree allowed.
    """
    degree = 1
    simple = fit_polynomial(x, y, degree)
    while degree < most and simple.residual_sd > resolution / math.sqrt(12.0):
        for richer in range(degree + 1, min(degree + 2, most) + 1):
            rich = fit_polynomial(x, y, richer)
            if chance_of_needless_term(simple, rich) < NEEDLESS_CHANCE:
                degree, simple = richer, rich
                break
        else:
            break
    return degree


def _positive(u_y: ArrayLike) -> NDArray[np.float64]:
    u = np.asarray(u_y, dtype=np.float64)
    if not np.all(u > 0.0):
        raise ValueError("every standard uncertainty must be above 0")
    return u


def _refuse_unfit(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    degree: int,
    spare: int,
) -> None:
    if x.ndim != 1 or x.shape != y.shape or x.shape != weight.shape:
        raise ValueError(f"x {x.shape}, y {y.shape} and u_y {weight.shape} must match, shape (n,)")
    if degree < 0:
        raise ValueError(f"the degree must be 0 or more, not {degree}")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(weight).all()):
        raise ValueError("x, y and u_y must be finite")
    if x.size < degree + 1 + spare:
        raise ValueError(f"{x.size} points are too few for degree {degree}")
    if len(set(x.tolist())) < degree + 1:
        raise ValueError(f"too few distinct x for degree {degree}")


def _unscaling(degree: int, centre: float, scale: float) -> NDArray[np.float64]:
    """Return the matrix from coefficients over (x - centre)/scale to those over x.

    The binomial theorem: column k holds the powers of x in ((x - centre)/scale)**k.
    """
    powers = range(degree + 1)
    return np.array(
        [
            [math.comb(k, j) * (-centre) ** (k - j) / scale**k if j <= k else 0.0 for k in powers]
            for j in powers
        ]
    )


def step_is_off(mm_per_count: float, stated_mm_per_count: float) -> bool:
    """Tell whether a scale's step as gauged is another than it states, or of the other sign."""
    return abs(mm_per_count / stated_mm_per_count - 1.0) > STEP_SHARE
