"""Which part of the masses' uncertainty they share, and which each has for itself. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.regression import fit_polynomial, value

Array = NDArray[np.float64]

SHOWN_WEIGHT = 1.5  # of few masses' scatter, which is below what it is of many in most draws
LEAST_SPARE = 2  # degrees of freedom; fewer show a scatter by luck. Ours, no source
LEAST_SHARE = 0.3  # of the largest mass: under less, readings' own scatter hides a relative error


class Means(NamedTuple):
    """Readings of the same mass taken together; shape (m,) each, by rising mass.

    Attributes:
        mass_kg, counts: the mass and its mean reading.
        u_kg: its standard uncertainty, k = 1.
        scatter_counts2: variance of the mean, from readings of the same mass; NaN where there is
            one alone.
    """

    mass_kg: Array
    counts: Array
    u_kg: Array
    scatter_counts2: Array


def mean_readings(mass_kg: Array, counts: Array, u_kg: Array) -> Means:
    """Average the readings of each mass: a mass read twice still has one error."""
    masses, where = np.unique(mass_kg, return_inverse=True)
    number = np.bincount(where).astype(np.float64)
    mean = np.bincount(where, counts) / number
    squares = np.bincount(where, (counts - mean[where]) ** 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = squares / (number - 1.0) / number
    return Means(masses, mean, np.sqrt(np.bincount(where, u_kg**2) / number), scatter)


def stated_u_relative(means: Means) -> float:
    """Return what is stated of the relatively best mass, k = 1, as a fraction."""
    heavy = means.mass_kg > 0.0
    return float(np.min(means.u_kg[heavy] / means.mass_kg[heavy]))


def shared_u_relative(means: Means) -> float:
    """Return the standard uncertainty (k = 1) that all masses share, as a fraction.

    It cannot be seen in the readings: masses that are all too light by the same part lie on a line
    as well. So it is what is stated of the best mass, less what the masses show of errors of their
    own when held against each other (the weighted residuals, less the readings' own scatter).
    """
    return math.sqrt(
        max(stated_u_relative(means) ** 2 - SHOWN_WEIGHT * _shown_variance(means), 0.0)
    )


def shown_u_kg(means: Means) -> Array:
    """Return what the masses show of errors of their own, k = 1, shape (m,).

    In proportion to the mass, but for the lightest, whose readings' own scatter is more.
    """
    weight_kg = np.maximum(means.mass_kg, LEAST_SHARE * means.mass_kg.max())
    return np.asarray(math.sqrt(_shown_variance(means)) * weight_kg, dtype=np.float64)


def _shown_variance(means: Means) -> float:
    """Variance of the masses' own relative errors, as the readings show it; 0 from too few."""
    degree = 2 if means.mass_kg.size >= 5 else 1
    spare = means.mass_kg.size - degree - 1
    if spare < LEAST_SPARE:
        return 0.0
    weight_kg = np.maximum(means.mass_kg, LEAST_SHARE * means.mass_kg.max())
    fit = fit_polynomial(means.counts, means.mass_kg, degree, weight_kg)
    residual = (means.mass_kg - value(fit, means.counts)) / weight_kg
    kg_per_count = float(np.ptp(means.mass_kg) / np.ptp(means.counts))
    repeated = np.isfinite(means.scatter_counts2)
    reading = means.scatter_counts2[repeated] * (kg_per_count / weight_kg[repeated]) ** 2
    of_reading = float(reading.mean()) if repeated.any() else 0.0
    seen = float(np.mean((means.mass_kg / weight_kg) ** 2))  # of a relative error's square
    return max(float(residual @ residual) / spare - of_reading, 0.0) / seen
