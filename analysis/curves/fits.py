"""Least squares and a robust fit, with standard errors that hold under correlated noise. Pure.

Neighbouring readings of a stroke err alike: the filter, the steps of the travel, a hand's tremor.
Taken as independent they would promise far too much.

Is a course straight, has it a knee, or does it bend smoothly? Models tested. Pure.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc

from coilbench.analysis.curves.branches import Array
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, student_factor

BISQUARE = 4.685  # tuning constant, 95 % efficient on normal noise: Holland and Welsch, 1977
ROUNDS = 50
DONE = 1e-8
BLOCK = 4  # neighbours averaged to see noise that hangs together over a long way; ours
FEWEST_A_PARAMETER = 10  # fewer readings a parameter tell no correlation; ours
MOST_CORRELATION = 0.98


class Fit(NamedTuple):
    """A linear fit of y on the columns of a design.

    Attributes:
        coefficients: shape (p,).
        covariance: shape (p, p), k = 1, correlation counted in.
        residual: shape (n,).
        weight: shape (n,), 1 for a point that counts in full, 0 for one left out.
        effective_n: so many independent readings would tell as much.
    """

    coefficients: Array
    covariance: Array
    residual: Array
    weight: Array
    effective_n: float

    @property
    def degrees_of_freedom(self) -> float:
        """Behind the covariance; at least 1."""
        return max(self.effective_n - self.coefficients.size, 1.0)


def least_squares(design: Array, y: Array) -> Fit:
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
    return Fit(coefficients, bread * variance, residual, np.ones(n), effective_n)


def bisquare(design: Array, y: Array) -> Fit:
    """Fit by Tukey's bisquare: what lies far off counts for nothing.

    Iterated least squares from the plain fit, the scale being the median absolute residual over
    0.6745. The covariance is Huber's first (Robust Statistics, 1981, from memory), for correlated
    noise widened as in least_squares.

    Args:
        design, y: as in least_squares.
    """
    n, p = design.shape
    fit = np.linalg.lstsq(design, y)[0]
    scale = 0.0
    for _ in range(ROUNDS):
        residual = y - design @ fit
        scale = ROBUST_SD_PER_MAD * float(np.median(np.abs(residual)))
        if scale <= 1e-12 * float(np.max(np.abs(y), initial=0.0)):
            return least_squares(design, y)  # more than half lie on it exactly
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
    return Fit(np.asarray(fit), covariance, np.asarray(residual), weight, effective_n)


def effective_count(residual: Array, parameters: int) -> float:
    """So many independent readings would tell as much as these, whose noise hangs together.

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


CUBIC = 4  # parameters of a cubic; a line with a knee has as many
RICHEST = 6  # of a cubic with a knee: what it leaves is noise
KNEES_A_CELL = 4  # knees tried between two readings
EDGE_SHARE = 0.1  # nearer to an end of the course no knee is looked for; ours
FEWEST = 60  # readings below which nothing is told: they would not show their correlation; ours
FEWEST_EFFECTIVE = 2.0  # independent readings beyond the richest model's; ours


class Course(NamedTuple):
    """Loads over heights that run evenly upwards, shape (n,) each."""

    height_mm: Array
    load_n: Array


class Models(NamedTuple):
    """How well a line, a line with a knee and a cubic suit a course.

    Attributes:
        bent_chance: how likely a straight course with such noise would seem bent at least so much.
        knee_over_smooth: Akaike's criterion of the cubic less that of the knee, the noise taken
            as known; they have equally many parameters. Above 0 the knee suits better; from 4 on
            considerably (Burnham and Anderson, Model Selection and Multimodel Inference, 2002,
            from memory).
        knee_mm, knee_u_mm: where the best knee lies; its expanded uncertainty, 95 %, by the
            heights at which the fit is hardly worse.
    """

    bent_chance: float
    knee_over_smooth: float
    knee_mm: float
    knee_u_mm: float


def compare_models(course: Course) -> Models | None:
    """Test a line against bent courses.

    The line is tested against the cubic it is part of, by an F-test with the number of readings
    that the noise's correlation leaves: a knee's own test would have no F law, for a line has no
    place for a knee (Davies, Biometrika 64, 1977, from memory), and a cubic follows a knee well
    enough to find it. Which of both it is, is told afterwards by how well they fit.

    Returns:
        None where the readings are too few to tell.
    """
    n = course.height_mm.size
    if n < FEWEST:
        return None
    middle, half = np.mean(course.height_mm), 0.5 * float(np.ptp(course.height_mm))
    x = (course.height_mm - middle) / half
    line, cubic = (np.linalg.qr(np.vander(x, count))[0] for count in (2, CUBIC))
    off_line, off_cubic = _off(course.load_n, line), _off(course.load_n, cubic)
    at, rss, bend = _try_knees(x, off_line, line)
    own = _off(bend, cubic)
    off_both = off_cubic - own * float(own @ off_cubic) / float(own @ own)
    freedom = max(effective_count(off_both, RICHEST) - RICHEST, FEWEST_EFFECTIVE)
    rounding = 1e-20 * float(course.load_n @ course.load_n)  # all that exact courses leave
    noise = max(float(off_both @ off_both), rounding) / freedom
    line_rss, cubic_rss, knee_rss = (
        float(off_line @ off_line),
        float(off_cubic @ off_cubic),
        float(rss.min()),
    )
    f = max(line_rss - cubic_rss, 0.0) / 2.0 / noise
    slack = noise * student_factor(freedom) ** 2
    near, best = at[rss <= knee_rss + slack], float(at[np.argmin(rss)])
    u = max(float(near.max()) - best, best - float(near.min())) + 0.5 * float(at[1] - at[0])
    return Models(
        bent_chance=float(fdtrc(2.0, freedom, f)),
        knee_over_smooth=(cubic_rss - knee_rss) / noise,
        knee_mm=float(middle + half * best),
        knee_u_mm=half * u,
    )


def _off(y: Array, basis: Array) -> Array:
    return np.asarray(y - basis @ (basis.T @ y), dtype=np.float64)


def _try_knees(x: Array, off_line: Array, line: Array) -> tuple[Array, Array, Array]:
    """Try every knee.

    Returns:
        The knees, shape (k,), the sum of squares that each leaves, and the best one's column,
        less what is a line of it, shape (n,).
    """
    inside = 1.0 - 2.0 * EDGE_SHARE
    at = np.linspace(-inside, inside, KNEES_A_CELL * x.size)
    bends = np.maximum(x[:, None] - at, 0.0)
    bends -= line @ (line.T @ bends)
    size = np.einsum("nk,nk->k", bends, bends)
    rss = np.maximum(float(off_line @ off_line) - (off_line @ bends) ** 2 / size, 0.0)
    return at, rss, bends[:, int(np.argmin(rss))]
