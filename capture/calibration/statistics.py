"""Statistics that all fits share: robust spread, Student's factor, freedom, noise. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Standard deviation of a normal distribution over its median absolute deviation: 1 / z(3/4),
# z the standard normal quantile (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974, from memory).
ROBUST_SD_PER_MAD = 1.482602218505602
COVERAGE_K = 2.0  # where the degrees of freedom are many: 95.45 % of a normal law, rounded
MANY_DOF = 60.0  # degrees of freedom from which Student's factor is below 2.0; k stays 2 from there
LEAST_SD_COUNTS = 0.5  # a count's own step: no noise is taken for less


def student_factor(dof: float, p: float = 0.95) -> float:
    """Return Student's t: the coverage factor of the two-sided interval of probability p.

    Args:
        dof: degrees of freedom, above 0; infinite ones give the normal quantile.
        p: share of both sides together.
    """
    from scipy.special import stdtrit  # imported late: slow to load

    return float(stdtrit(dof, 0.5 * (1.0 + p)))


def coverage_factor(dof: float) -> float:
    """Return Student's factor for 95 %, at least 2 (JCGM 100:2008, G.3.2 and table G.2)."""
    return COVERAGE_K if dof >= MANY_DOF else max(COVERAGE_K, student_factor(dof))


def widening(dof: float) -> float:
    """Return the factor by which a k = 2 interval must grow to hold 95 %; 1 where dof is 0."""
    return coverage_factor(dof) / COVERAGE_K if dof else 1.0


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4.1).

    Args:
        parts: independent contributions to a combined standard uncertainty, and the degrees of
            freedom of each; infinite where it is taken as known.
    """
    each = list(parts)
    total = math.hypot(*(u for u, _ in each))
    if total == 0.0:
        return math.inf
    scarcity = math.fsum((u / total) ** 4 / dof for u, dof in each)
    return math.inf if scarcity == 0.0 else 1.0 / scarcity


def noise_sd(counts: ArrayLike, order: int = 1) -> float:
    """Return the noise of a sample, from differences of samples: robust against a few jumps.

    First differences are blind to a slow drift, second differences to a steady rise. Those of
    order k have comb(2 k, k) times the variance of a sample.

    Args:
        counts: shape (n,), n above the order.
        order: of the differences.
    """
    steps: NDArray[np.float64] = np.diff(np.asarray(counts, dtype=np.float64), order)
    sd = ROBUST_SD_PER_MAD * float(np.median(np.abs(steps)))
    return max(sd / math.sqrt(math.comb(2 * order, order)), LEAST_SD_COUNTS)
