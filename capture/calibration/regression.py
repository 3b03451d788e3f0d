"""Calibration points, and polynomial least squares with the coefficients' covariance. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilbench.capture.calibration.statistics import f_tail, widening

# A higher term must be this unlikely to be chance before it is taken: common practice, no source.
NEEDLESS_CHANCE = 0.01
ASSUMED_MASS_U_RELATIVE = 0.001  # expanded, k = 2: common practice, no source
ASSUMED_GAUGE_U_MM = 0.02  # expanded, k = 2: a block measured with a caliper; ours, no source
# A scale's stated step is true to some per mille: further off, a gauge is not what it is taken for.
# Ours, no source.
STEP_SHARE = 0.05


@dataclass(frozen=True)
class PolynomialFit:
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
    total = np.full_like(at, y)
    for c in reversed(lower):
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
    if spare > 0 and np.unique(x).size > 3 and line.residual_sd > 0.0:
        free = fit_polynomial(x, y, 2, unit * line.residual_sd)
        by_points = math.sqrt(free.covariance[2][2]) * widening(spare)
        u_bend = 1.0 / math.hypot(1.0 / u_bend, 1.0 / by_points)
    square = fit_polynomial(x, x**2, 1, unit).coefficients
    hidden = (-u_bend * square[0], -u_bend * square[1], u_bend)
    return replace(line, hidden_bend=hidden)


def hidden_departure(
    fit: PolynomialFit, x: ArrayLike, minus_x: float | None = None
) -> NDArray[np.float64]:
    """Return how far the hidden bend may move the value at x, k = 1; signed, fully correlated.

    minus_x as in evaluate.
    """
    bend = replace(fit, coefficients=fit.hidden_bend)
    departure = value(bend, x)
    return departure if minus_x is None else departure - value(bend, minus_x)


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


Direction = Literal["up", "down"]
# How masses err: each by itself (certified one by one), or together (from one box, or unknown).
MassesErr = Literal["each", "together"]


def mass_u_kg(mass_kg: float, u_kg: float | None) -> float:
    """Return a mass's standard uncertainty (k = 1) from its expanded one, assumed where None."""
    return (ASSUMED_MASS_U_RELATIVE * mass_kg if u_kg is None else u_kg) / 2.0


@dataclass(frozen=True)
class LoadPoint:
    """A known mass on the cell."""

    mass_kg: float  # 0 or more
    counts: float
    direction: Direction = "up"  # whether the mass was reached going up or down
    u_kg: float | None = None  # expanded uncertainty (k = 2) of the mass; None: unknown

    @property
    def standard_u_kg(self) -> float:
        """Standard uncertainty (k = 1) of the mass, assumed where it is not known."""
        return mass_u_kg(self.mass_kg, self.u_kg)


@dataclass(frozen=True)
class GaugePoint:
    """A known length between the faces."""

    length_mm: float  # the gauge's length, 0 or more (0: the faces touch)
    counts: float
    u_mm: float | None = None  # expanded uncertainty (k = 2) of the length; None: unknown

    @property
    def standard_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of the length, assumed where it is not known."""
        return (ASSUMED_GAUGE_U_MM if self.u_mm is None else self.u_mm) / 2.0


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
