"""Straight-line fits whose uncertainty allows for correlated noise of neighbours. Pure."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, median

Array = NDArray[np.float64]
BISQUARE = 4.685  # tuning constant, 95 % efficient on normal noise: Holland and Welsch, 1977
ROUNDS = 50
DONE = 1e-8
BLOCK = 4  # neighbours averaged to detect noise with a long correlation length; ours
FEWEST_A_PARAMETER = 10  # with fewer readings a parameter, correlation cannot be estimated; ours
MOST_CORRELATION = 0.98


class Fit(NamedTuple):
    """A linear fit of y on the columns of a design."""

    coefficients: Array  # (p,)
    covariance: Array  # (p, p), k = 1, correlation counted in
    residual: Array  # (n,)
    weight: Array  # (n,), 1 for a point that counts in full, 0 for one left out
    effective_n: float  # the number of independent readings with the same information

    @property
    def degrees_of_freedom(self) -> float:
        """Behind the covariance; at least 1."""
        return max(self.effective_n - self.coefficients.size, 1.0)

    @classmethod
    def least_squares(cls, design: Array, y: Array) -> Fit:
        """Fit by least squares.

        Args:
            design: shape (n, p), rank p, n above p, in the order in which neighbours' noise hangs
                together.
            y: shape (n,).
        """
        n, p = design.shape
        bread = np.linalg.inv(design.T @ design)
        coefficients = bread @ (design.T @ y)
        residual = y - design @ coefficients
        effective_n = effective_count(residual, p)
        variance = float(residual @ residual) / max(effective_n - p, 1.0)
        return cls(coefficients, bread * variance, residual, np.ones(n), effective_n)

    @classmethod
    def bisquare(cls, design: Array, y: Array) -> Fit:
        """Fit by Tukey's bisquare: what lies far off counts for nothing.

        Iterated least squares from the plain fit, the scale being the median absolute residual over
        0.6745. The covariance is Huber's first (Robust Statistics, 1981, from memory), for
        correlated noise widened as in least_squares.
        """
        n, p = design.shape
        fit = np.linalg.lstsq(design, y)[0]
        scale = 0.0
        for _ in range(ROUNDS):
            residual = y - design @ fit
            scale = ROBUST_SD_PER_MAD * median(np.abs(residual))
            if scale <= 1e-12 * float(np.max(np.abs(y), initial=0.0)):
                return cls.least_squares(design, y)  # more than half lie on it exactly
            weighted = design * _weight(residual, scale)[:, None]
            moved = np.linalg.solve(weighted.T @ design, weighted.T @ y)
            done = float(np.max(np.abs(design @ (moved - fit)))) < DONE * scale
            fit = moved
            if done:
                break
        residual = y - design @ fit
        weight, share = _weight(residual, scale), (residual / (BISQUARE * scale)) ** 2
        curving = np.where(share < 1.0, (1.0 - share) * (1.0 - 5.0 * share), 0.0)
        pull = weight * residual
        effective_n = effective_count(pull, p)
        mean = float(np.mean(curving))
        small = 1.0 + p / n * float(np.var(curving)) / mean**2
        variance = (small / mean) ** 2 * float(pull @ pull) / max(effective_n - p, 1.0)
        covariance = np.linalg.inv(design.T @ design) * variance
        return cls(np.asarray(fit), covariance, np.asarray(residual), weight, effective_n)


def effective_count(residual: Array, parameters: int) -> float:
    """Return how many independent readings hold as much information as these correlated ones.

    n (1 - r)/(1 + r) of first-order autoregressive noise (Bayley and Hammersley, 1946, from
    memory), r corrected for what the fit took away. Taken of the readings and of means of BLOCK
    neighbours, the smaller counts: weak noise that wanders slowly hides among strong white one.
    """
    n = residual.size
    total = float(residual @ residual)
    blocks = n // BLOCK
    widening = _widening(residual, parameters)
    if blocks >= FEWEST_A_PARAMETER * parameters and total > 0.0:
        means = residual[: blocks * BLOCK].reshape(blocks, BLOCK).mean(axis=1)
        variances = BLOCK * float(means @ means) / blocks / (total / n)
        widening = max(widening, variances * _widening(means, parameters))
    return n / widening


def _weight(residual: Array, scale: float) -> Array:
    return np.asarray(np.clip(1.0 - (residual / (BISQUARE * scale)) ** 2, 0.0, None) ** 2)


def _widening(residual: Array, parameters: int) -> float:
    """Variance of a sum of AR(1) noise over that of independent noise."""
    n = residual.size
    total = float(residual @ residual)
    if n < FEWEST_A_PARAMETER * parameters or total <= 0.0:
        return 1.0
    seen = float(residual[1:] @ residual[:-1]) / total
    r = (n * seen + parameters) / (n - 3.0 * parameters)
    r = min(max(r, 0.0), MOST_CORRELATION)
    return (1.0 + r) / (1.0 - r)
