"""Statistics that all fits share: robust spread, quantiles and tails, freedom, noise. Pure.

The quantiles are our own since loading scipy.special takes longer than judging a set; the tests
hold them to SciPy's.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

Kind = TypeVar("Kind", bound=np.generic)

# Standard deviation of a normal distribution over its median absolute deviation: 1 / z(3/4),
# z the standard normal quantile (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974, from memory).
ROBUST_SD_PER_MAD = 1.482602218505602
COVERAGE_K = 2.0  # where the degrees of freedom are many: 95.45 % of a normal law, rounded
MANY_DOF = 60.0  # degrees of freedom from which Student's factor is below 2.0; k stays 2 from there
_EXPANDED_DOF = 1e4  # above it what the expansion leaves out is below 1e-11
_MOST_STEPS = 1000  # of a series; most end after some ten
LEAST_SD_COUNTS = 0.5  # a count's own step: no noise is taken for less


def student_factor(dof: float, p: float = 0.95) -> float:
    """Return Student's t: the coverage factor of the two-sided interval of probability p.

    Args:
        dof: degrees of freedom, above 0; infinite ones give the normal quantile.
        p: share of both sides together.
    """
    return student_quantile(dof, 1.0 - p)


@lru_cache(maxsize=256)
def student_quantile(dof: float, outside: float) -> float:
    """Return how far from 0 Student's t lies with the probability `outside`, both sides together.

    Newton's steps up from the normal quantile: both tails together are convex, so that no step
    goes too far. Where the degrees of freedom are very many, its expansion in them (Abramowitz and
    Stegun, 26.7.5, from memory).
    """
    t = -NormalDist().inv_cdf(0.5 * outside)
    if dof > _EXPANDED_DOF:
        second = (5.0 * t**4 + 16.0 * t**2 + 3.0) / (96.0 * dof**2)
        third = (3.0 * t**6 + 19.0 * t**4 + 17.0 * t**2 - 15.0) / (384.0 * dof**3)
        return t * (1.0 + (t**2 + 1.0) / (4.0 * dof) + second + third)
    log_peak = math.lgamma(0.5 * dof + 0.5) - math.lgamma(0.5 * dof) - 0.5 * math.log(math.pi * dof)
    for _ in range(_MOST_STEPS):
        log_density = log_peak - 0.5 * (dof + 1.0) * math.log1p(t * t / dof)
        step = (f_tail(1.0, dof, t * t) - outside) / (2.0 * math.exp(log_density))
        t += step
        if abs(step) <= 1e-14 * t:
            break
    return t


def f_tail(dof: float, rest_dof: float, f: float) -> float:
    """Return the chance of a larger F, 0 or more, of two variances with these degrees of freedom.

    References:
        Abramowitz and Stegun, Handbook of Mathematical Functions, 26.6.2, from memory.
    """
    return _beta_share(0.5 * rest_dof, 0.5 * dof, rest_dof, dof * f)


def chi_square_tail(dof: int, chi_square: float) -> float:
    """Return the chance of a larger sum of so many squares of normal deviates, 1 or more.

    By the recurrence of the incomplete gamma function (Abramowitz and Stegun, 6.5.21, from memory).
    """
    x = 0.5 * chi_square
    a, tail = (0.5, math.erfc(math.sqrt(x))) if dof % 2 else (1.0, math.exp(-x))
    while a < 0.5 * dof:
        tail += x**a * math.exp(-x) / math.gamma(a + 1.0)
        a += 1.0
    return tail


def _beta_share(a: float, b: float, part: float, rest: float) -> float:
    """Return the incomplete beta function's share I_x(a, b) at x = part / (part + rest).

    By its continued fraction (Abramowitz and Stegun, 26.5.8), summed forward by Lentz's method
    (Applied Optics 15, 1976, 668); both from memory.
    """
    x, y = part / (part + rest), rest / (part + rest)
    if x == 0.0 or y == 0.0:
        return x
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_share(b, a, rest, part)
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(log_front + a * math.log(x) + b * math.log(y)) / a
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0))
    share = d
    for m in range(1, _MOST_STEPS):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for term in (even, odd):
            c, d = 1.0 + term / c, 1.0 / (1.0 + term * d)
            share *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return front * share


def coverage_factor(dof: float) -> float:
    """Return Student's factor for 95 %, at least 2 (JCGM 100:2008, G.3.2 and table G.2)."""
    return COVERAGE_K if dof >= MANY_DOF else max(COVERAGE_K, student_factor(dof))


def widening(dof: float) -> float:
    """Return the factor by which a k = 2 interval must grow to hold 95 %; 1 where dof is 0."""
    return coverage_factor(dof) / COVERAGE_K if dof else 1.0


def median(x: NDArray[np.float64]) -> float:
    """Return numpy.median of shape (n,), n above 0, seven times as fast on some hundred values."""
    ordered, half = x.copy(), x.size // 2
    ordered.sort()
    if math.isnan(last := float(ordered[-1])):
        return last
    return float(ordered[half] if x.size % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def medians(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of each row, shape (k, n) to (k,), n above 0; without NaN."""
    half = x.shape[1] // 2
    ordered = np.partition(x, (max(half - 1, 0), half), axis=1)  # a third of the time of a sort
    middle = ordered[:, half]
    return np.asarray(middle if x.shape[1] % 2 else 0.5 * (ordered[:, half - 1] + middle))


def quantiles(x: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Return numpy.quantile of each row, shape (k, n) to (k,), n above 0; share below 1, no NaN."""
    ordered, place = np.sort(x, axis=1), share * (x.shape[1] - 1)
    low = int(place)
    high = ordered[:, min(low + 1, x.shape[1] - 1)]
    return np.asarray(ordered[:, low] + (place - low) * (high - ordered[:, low]))


def distinct(x: NDArray[Kind]) -> NDArray[Kind]:
    """Return numpy.unique of shape (n,); that, as its median and quantile, loads numpy.ma first."""
    ordered = np.sort(x)
    new = np.ones(x.size, dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    return ordered[new]


def slope_through(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Return the slope of the line through some points, shape (n,), by least squares."""
    away = x - x.mean()
    return float(away @ y) / float(away @ away)


def noise_sd(counts: ArrayLike, order: int = 1) -> float:
    """Return the noise of a sample, from differences of samples: robust against a few jumps.

    First differences are blind to a slow drift, second differences to a steady rise. Those of
    order k have comb(2 k, k) times the variance of a sample.

    Args:
        counts: shape (n,), n above the order.
        order: of the differences.
    """
    return float(noise_sds(np.asarray(counts, dtype=np.float64)[None], order)[0])


def noise_sds(counts: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    """Return noise_sd of each row, shape (k, n) to (k,)."""
    sds = ROBUST_SD_PER_MAD * medians(np.abs(np.diff(counts, order)))
    return np.maximum(sds / math.sqrt(math.comb(2 * order, order)), LEAST_SD_COUNTS)
